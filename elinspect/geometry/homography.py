"""Points and plane-to-plane maps: apply, compose, make from corners.

Points are (x, y) here; a homography maps (x, y, 1) up to scale.

References
----------
Hartley, R., Zisserman, A. (2004). "Multiple View Geometry in Computer Vision", 2nd ed., section 4.1 (direct linear
transformation). :doi:`10.1017/CBO9780511811685`
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Points

Matrix = NDArray[np.float64]
"""Homography, shape (3, 3), or a stack of them, shape (n, 3, 3)."""


def moved(matrix: NDArray[np.floating], points: NDArray[np.floating]) -> Points:
    """Map points by one homography.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3)
        The homography.
    points : ndarray, shape (..., 2)
        Points (x, y).

    Returns
    -------
    ndarray, shape (..., 2)
        Mapped points.
    """
    lifted = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(lifted[..., :2] / lifted[..., 2:])


def from_corners(source: Points, target: Points) -> Matrix:
    """Return the homographies that take four corners to four corners, exactly.

    Parameters
    ----------
    source, target : ndarray, shape (..., 4, 2)
        Corners in the same order, no three of them on one line; the two shapes broadcast.

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Homographies with the last entry 1.
    """
    source, target = np.broadcast_arrays(source, target)
    x, y, u, v = source[..., 0], source[..., 1], target[..., 0], target[..., 1]
    one, nil = np.ones_like(x), np.zeros_like(x)
    upper = np.stack([x, y, one, nil, nil, nil, -u * x, -u * y], axis=-1)
    lower = np.stack([nil, nil, nil, x, y, one, -v * x, -v * y], axis=-1)
    system = np.concatenate([upper, lower], axis=-2)
    right = np.concatenate([u, v], axis=-1)
    solved = np.linalg.solve(system, right[..., None])[..., 0]
    full = np.concatenate([solved, np.ones((*solved.shape[:-1], 1))], axis=-1)
    return np.asarray(full.reshape(*solved.shape[:-1], 3, 3))


def rectangle(width: float, height: float, left: float = 0.0, top: float = 0.0) -> Points:
    """Return the corners of an upright rectangle, clockwise from top left, shape (4, 2)."""
    return np.array([[left, top], [left + width, top], [left + width, top + height], [left, top + height]], np.float64)


def side_lengths(corners: Points) -> tuple[float, float]:
    """Return the mean length of the top and bottom sides and of the left and right sides of a quadrilateral."""
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    return float(sides[0::2].mean()), float(sides[1::2].mean())
