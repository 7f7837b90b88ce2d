"""Rings about the ingot's axis: how alike a cell looks in all directions from where that axis went through it."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from elinspect.records import FloatImage
from elinspect.vision import cv2

_SECTORS = 4
_SMOOTH_MM, _INNER_MM, _LEAST_PLACES = 16.0, 6.0, 12
_DARKEST = -0.3


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """What was found in each cell, arrays of shape (cells,).

    Attributes
    ----------
    alike : ndarray
        Mean correlation of the profiles of opposite and neighbouring quarters, -1..1: near 0 without rings.
    depth : ndarray
        Standard deviation of the profile all around, natural logarithm.
    axis_mm : ndarray, shape (cells, 2)
        Row and column of the axis, mm from the middle of the cell's first place.
    """

    alike: NDArray[np.float64]
    depth: NDArray[np.float64]
    axis_mm: NDArray[np.float64]


def rings_of(level: FloatImage, inside: NDArray[np.bool_], mm_per_px: float) -> Rings:
    """Look for rings about the middle of each cell, or about the middle of an edge of half cells.

    Parameters
    ----------
    level : ndarray of float32, shape (cells, rows, columns)
        Cells against their own usual luminance, natural logarithm.
    inside : ndarray of bool, shape (rows, columns)
        Where to look.
    mm_per_px : float
        Scale.
    """
    rows, columns = inside.shape
    row, column = (rows - 1) / 2, (columns - 1) / 2
    # A half cell carries half of the ingot's rings, about the middle of the edge at which it was cut.
    axes = [(row, column)] if rows < 1.5 * columns else [(row, 0.0), (row, columns - 1.0)]
    found = [_about(level, inside, axis, mm_per_px) for axis in axes]
    best = np.argmax([alike for alike, _ in found], axis=0)
    every = np.arange(len(level))
    return Rings(
        np.stack([alike for alike, _ in found])[best, every],
        np.stack([depth for _, depth in found])[best, every],
        np.array(axes)[best] * mm_per_px,
    )


def run_along(rings: Rings, cell: int, first_mm: float, last_mm: float, across_mm: float) -> float:
    """Return how far a straight stretch in finger direction leaves the ring it lies on, mm.

    Parameters
    ----------
    rings : Rings
        From `rings_of`.
    cell : int
        Which cell.
    first_mm, last_mm : float
        Rows of its ends, mm.
    across_mm : float
        Its column, mm.
    """
    row, column = rings.axis_mm[cell]
    ends = abs(first_mm - row), abs(last_mm - row)
    nearest = 0.0 if first_mm <= row <= last_mm else min(ends)
    return float(np.hypot(max(ends), across_mm - column) - np.hypot(nearest, across_mm - column))


def _about(
    level: FloatImage, inside: NDArray[np.bool_], axis: tuple[float, float], mm_per_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    down, along = (np.arange(size) - middle for size, middle in zip(inside.shape, axis, strict=True))
    radius = np.hypot(down[:, None], along[None])
    # Quarters that contain the axes' directions: a flip maps them onto each other.
    sector = np.where(np.abs(down)[:, None] > np.abs(along)[None], down[:, None] > 0, 2 + (along[None] > 0))
    bins = np.round(radius).astype(np.intp)
    used = inside & (radius * mm_per_px >= _INNER_MM)
    size = int(bins.max()) + 1
    place = (sector * size + bins)[used]
    count = np.bincount(place, minlength=_SECTORS * size).reshape(_SECTORS, size)
    known = count >= _LEAST_PLACES
    smooth = max(round(_SMOOTH_MM / mm_per_px), 3) | 1
    # One product with a sparse matrix sums up every ring of every quarter of every cell.
    sums_of = csr_matrix(
        (np.ones(len(place), np.float32), (place, np.flatnonzero(used))), (len(count.ravel()), used.size)
    )
    shallow = np.maximum(level.reshape(len(level), -1), np.float32(_DARKEST))
    sums = np.asarray((sums_of @ cv2.transpose(shallow)).T).reshape(len(level), _SECTORS, size)
    means = np.asarray(sums / np.maximum(count, 1), np.float32)
    waves = _waves(means, known, smooth)
    return _likeness(waves, known), _common_depth(waves, known)


def _waves(profiles: NDArray[np.float32], known: NDArray[np.bool_], smooth: int) -> NDArray[np.float64]:
    """Profiles of all cells less their own moving mean; 0 at radii of which too little is seen."""
    size, zero = (smooth, 1), cv2.BORDER_CONSTANT
    share = np.maximum(cv2.blur(known.astype(np.float32), size, borderType=zero), np.float32(1e-6))
    seen = np.where(known, profiles, 0).astype(np.float32)
    mean = cv2.blur(seen.reshape(-1, seen.shape[2]), size, borderType=zero).reshape(seen.shape) / share
    return np.asarray(np.where(known, seen - mean, 0), np.float64)


def _likeness(waves: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Mean correlation of all pairs of quarters, over the radii at which both are seen; shape (cells,)."""
    correlations = []
    for first, second in combinations(range(_SECTORS), 2):
        both = known[first] & known[second]
        if np.count_nonzero(both) >= _LEAST_PLACES:
            one, other = waves[:, first, both], waves[:, second, both]
            spread = np.sqrt((one**2).sum(axis=1) * (other**2).sum(axis=1))
            correlations.append((one * other).sum(axis=1) / np.maximum(spread, 1e-12))
    return np.asarray(np.mean(correlations, axis=0)) if correlations else np.zeros(len(waves))


def _common_depth(waves: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    seen = known.any(axis=0)
    if not seen.any():
        return np.zeros(len(waves))
    return np.asarray((waves.sum(axis=1)[:, seen] / known.sum(axis=0)[seen]).std(axis=1))
