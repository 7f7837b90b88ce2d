"""Polylines that wander as cracks do."""

import numpy as np

from elinspect.frames import CellPlace
from elinspect.records import Points
from elinspect.synthetic.defects import Path


def wandering(rng: np.random.Generator, start: Points, end: Points, roughness: float) -> Points:
    """Return a polyline from start to end, bent by midpoint displacement.

    Parameters
    ----------
    rng : numpy.random.Generator
        Draws the bends.
    start, end : ndarray, shape (2,)
        Ends, mm.
    roughness : float
        Standard deviation of the first displacement over the length; each finer one is half of it.

    Returns
    -------
    ndarray, shape (n, 2)
        Points at most about 3 mm apart.
    """
    line = np.stack([np.asarray(start, np.float64), np.asarray(end, np.float64)])
    spread = roughness * float(np.hypot(*(line[1] - line[0])))
    while np.hypot(*(line[1] - line[0])) > 3.0:
        step = np.diff(line, axis=0)
        normal = np.stack([-step[:, 1], step[:, 0]], axis=1) / np.maximum(np.hypot(*step.T), 1e-9)[:, None]
        middle = line[:-1] + step / 2 + normal * rng.normal(0, spread, len(step))[:, None]
        line = np.insert(line, np.arange(1, len(line)), middle, axis=0)
        spread *= 0.5
    return line


def as_path(line_mm: Points, along_mm: float, across_mm: float) -> Path:
    """Turn a polyline in mm of the cell into shares of it, cut off where it leaves the cell for good.

    Returns
    -------
    Path
        At least two places; points outside lie on the edge.
    """
    shares = line_mm / (along_mm, across_mm)
    inside = np.flatnonzero(np.all((shares > 0) & (shares < 1), axis=1))
    if len(inside):
        shares = shares[max(inside[0] - 1, 0) : inside[-1] + 2]
    shares = np.clip(shares, 0, 1)
    return tuple(CellPlace(float(u), float(v)) for u, v in shares)


def path_points(path: Path, along_mm: float, across_mm: float) -> Points:
    """Return the points of a path in mm of the cell, shape (n, 2)."""
    return np.array([(place.u * along_mm, place.v * across_mm) for place in path], dtype=np.float64)


def length_of(line: Points) -> float:
    """Return the length of a polyline, in its own unit."""
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def stroke(line: Points, half_width: float) -> Points:
    """Return the polygon of a polyline drawn with a pen of this half width, shape (2 n, 2)."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    aside = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) * half_width
    ends = line.copy()
    ends[0] -= tangent[0] * half_width
    ends[-1] += tangent[-1] * half_width
    return np.concatenate([ends + aside, (ends - aside)[::-1]])
