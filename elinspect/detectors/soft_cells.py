"""Cells in a part of the picture that is out of focus: fine cracks are lost there, whatever the rest shows."""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import over_cells
from elinspect.records import FloatImage
from elinspect.settings import ViewSettings
from elinspect.vision import cv2

_LAG_MM = 1.0
_SHARP_MM = 0.5
"""Spread that the typical cell's own edges have at least."""

_SHIFTS = range(-3, 4)
"""Pixels by which a cell may lie off."""

_MARGIN = 1.25
"""Edges beside dark ground stay somewhat stronger than the typical one. Real cells (tuning half) keep at least 1.8
times what is left at the limit, simulated ones blurred to 3.8 mm at most 1.1 times."""


def soft_cells(
    log_cells: FloatImage,
    typical: FloatImage,
    relative: NDArray[np.float32],
    mm_per_px: float,
    settings: ViewSettings,
) -> NDArray[np.bool_]:
    """Find cells whose edges and busbars are blurred beyond the limit.

    What a cell keeps of the typical cell's second differences, both ways, is compared with what the typical cell keeps
    when it is blurred to the limit.

    Parameters
    ----------
    log_cells : ndarray, shape (n_cells, rows, columns)
        Cells, logarithm of luminance.
    typical : ndarray, shape (rows, columns)
        The panel's typical cell in the same logarithm.
    relative : ndarray, shape (n_cells,)
        Luminance over that of cells with the same current; darker cells than half are not told: what their neighbours
        scatter onto them is soft.
    mm_per_px : float
        Scale.
    settings : ViewSettings
        Largest spread.
    """
    extra = float(np.sqrt(max(settings.max_edge_spread_mm**2 - _SHARP_MM**2, 0))) / mm_per_px
    soft_one = cv2.GaussianBlur(typical, (0, 0), extra, borderType=cv2.BORDER_REPLICATE) if extra > 0 else typical
    blurred = np.asarray(soft_one, np.float32)
    lag = max(round(_LAG_MM / mm_per_px), 1)
    kept, left, whole = np.zeros(len(log_cells)), 0.0, 0.0
    for axis in (1, 0):
        own = _bends(_means(log_cells, axis), lag)
        usual, soft = (_bends(_mean(cell, axis)[None], lag)[0] for cell in (typical, blurred))
        kept += (own @ np.stack([np.roll(usual, shift) for shift in _SHIFTS], axis=1)).max(axis=1)
        left += float(soft @ usual)
        whole += float(usual @ usual)
    if left >= whole / (2 * _MARGIN):
        # The typical cell itself is that soft, or shows no edge: nothing tells one cell from another.
        return np.zeros(len(log_cells), np.bool_)
    return np.asarray((kept < _MARGIN * left) & (relative > 0.5))


def _means(cells: FloatImage, axis: int) -> NDArray[np.float32]:
    return np.concatenate(over_cells(lambda part: np.stack([_mean(cell, axis) for cell in cells[part]]), len(cells)))


def _mean(cell: FloatImage, axis: int) -> NDArray[np.float32]:
    """Mean along one axis; OpenCV's is a fraction of numpy's time."""
    return np.asarray(cv2.reduce(cell, axis, cv2.REDUCE_AVG).ravel(), np.float32)


def _bends(profiles: NDArray[np.floating], lag: int) -> NDArray[np.float64]:
    """Second differences of profiles along the last axis."""
    wide = np.pad(profiles.astype(np.float64), ((0, 0), (lag, lag)), mode="edge")
    return np.asarray(wide[:, 2 * lag :] - 2 * wide[:, lag:-lag] + wide[:, : -2 * lag])
