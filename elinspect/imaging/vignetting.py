"""How light falls off towards the corners, estimated from panels where no flat field exists."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.imaging.noise import patches_of, place_centres
from elinspect.records import FloatImage, Points

_LEAST_CELLS = 6
_SPAN = 0.6


@dataclass(frozen=True, slots=True)
class Vignetting:
    """Fall-off of light with the distance from the middle of the picture.

    Attributes
    ----------
    square, fourth : float
        The logarithm of the light is ``square * r**2 + fourth * r**4`` with r the distance from the middle over half
        the diagonal of the picture: 0 in the middle, 1 in the corners.
    corner : float
        Light in the corners over light in the middle.
    corner_error : float
        Standard error of `corner`, from the scatter of the cells.
    """

    square: float
    fourth: float
    corner: float
    corner_error: float

    def flat(self, width_px: int, height_px: int) -> FloatImage:
        """Return the fall-off as a flat field over its median, shape (height_px, width_px)."""
        x = (np.arange(width_px, dtype=np.float32) - (width_px - 1) / 2) ** 2
        y = (np.arange(height_px, dtype=np.float32) - (height_px - 1) / 2) ** 2
        square_radius = (x + y[:, None]) / np.float32(x[0] + y[0])
        light = np.exp(np.float32(self.square) * square_radius + np.float32(self.fourth) * square_radius**2)
        return np.asarray(light / np.median(light[::8, ::8]), np.float32)


def estimate_vignetting(exposures: Sequence[tuple[FloatImage, Points]]) -> Vignetting | None:
    """Estimate the fall-off from exposures of panels.

    Two independent estimates are weighted by their precision: the common trend across every cell that depends only on
    where the cell lies in the picture (each cell with a luminance of its own, all cells with one pattern), and the
    luminance of the cells over their distance from the middle (which takes it that dim cells lie anywhere). Cells of
    one efficiency class make the second one precise.

    Parameters
    ----------
    exposures : sequence of (counts, corners_px)
        Counts above the dark level, shape (height, width), all of one size, and the corners (x, y) of each cell, shape
        (n_cells, 4, 2), in gate-view order. The more panels, the better.

    Returns
    -------
    Vignetting or None
        None if there are too few lit cells, or if they cover too little of the picture to tell.
    """
    logs, radii = [], []
    for counts, corners in exposures:
        patches = patches_of(counts, corners)
        if patches.size == 0:
            continue
        light = np.median(patches.reshape(*patches.shape[:2], -1), axis=2)
        lit = np.all(light > 0, axis=1)
        logs.append(np.log(light[lit].astype(np.float64)))
        radii.append(_square_radii(corners[lit], counts.shape))
    if not logs or sum(map(len, logs)) < _LEAST_CELLS or np.ptp(np.concatenate(radii)) < _SPAN:
        return None
    within = _robust_fit(*_within_cells(np.concatenate(logs), np.concatenate(radii)))
    between = _robust_fit(*_between_cells(logs, radii))
    precision = sum(np.linalg.inv(spread) for _, spread in (within, between))
    spread = np.linalg.inv(precision)
    found = spread @ sum(np.linalg.solve(covariance, terms) for terms, covariance in (within, between))
    corner = float(np.exp(found.sum()))
    return Vignetting(float(found[0]), float(found[1]), corner, corner * float(np.sqrt(spread.sum())))


def _within_cells(
    log: NDArray[np.float64], radius: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Return terms and values without what belongs to the cell or to the place in it, and how many go together."""
    terms = np.stack([_without_offsets(radius), _without_offsets(radius**2)], axis=-1).reshape(-1, 2)
    # Places in one cell share its texture: the cells, not the places, are the independent observations.
    return terms, _without_offsets(log).ravel(), log.shape[1]


def _between_cells(
    logs: list[NDArray[np.float64]], radii: list[NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Return terms and values of whole cells, without the luminance of their panel."""
    terms = [np.stack([radius.mean(axis=1), (radius**2).mean(axis=1)], axis=-1) for radius in radii]
    means = [log.mean(axis=1) for log in logs]
    centred = np.concatenate([term - term.mean(axis=0) for term in terms])
    return centred, np.concatenate([mean - np.median(mean) for mean in means]), 1


def _robust_fit(
    terms: NDArray[np.float64], values: NDArray[np.float64], together: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit by weighted least squares that give little to what lies far off; return the terms and their covariance."""
    weight = np.ones_like(values)
    for _ in range(10):
        normal = terms.T @ (terms * weight[:, None])
        found = np.linalg.solve(normal, terms.T @ (values * weight))
        residual = values - terms @ found
        scatter = 1.4826 * float(np.median(np.abs(residual))) + 1e-12
        weight = 1 / (1 + (residual / (3 * scatter)) ** 2)
    return np.asarray(found), np.asarray(scatter**2 * together * np.linalg.inv(normal))


def _without_offsets(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take the mean of each cell (row) and of each place (column) off."""
    return np.asarray(table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + table.mean())


def _square_radii(corners_px: Points, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Squared distance of each patch from the middle over that of the corners, shape (n_cells, places)."""
    centres = place_centres(corners_px)
    middle = (np.array(shape[::-1]) - 1) / 2
    return np.asarray(np.sum((centres - middle) ** 2, axis=-1) / np.sum(middle**2))
