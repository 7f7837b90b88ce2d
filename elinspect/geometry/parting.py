"""Whether what is taken for one cell is really several: lines inside it that are gaps and not busbars."""

import numpy as np
from numpy.typing import NDArray

from elinspect.vision import cv2

_EDGE = 0.04
_NEAR = 0.04
_CLOSER = 0.75
_LEAST_SHARE = 0.3
_SAME = 0.03
_GAP_SHARE = 0.5
_DEEPER = 1.6
_MOST_PARTS = 6
_INNER = 0.06
_SLACK = 0.01
_TRACE, _TRACE_SHARE = 0.04, 0.16
"""Faintest line across the string that counts: on its own, and as a share of the gaps. Whole cells show 0.12 of them
at most (free panels of real cells, drawings, simulated panels)."""


def by_cell(
    likeness: NDArray[np.float32], starts: NDArray[np.floating], pitch_px: float, one_row: bool = False
) -> NDArray[np.float64]:
    """Return the gap-likeness, mean over all bands, cell by cell along one axis.

    Parameters
    ----------
    likeness : ndarray, shape (bands, length)
        Gap-likeness of each place in each band.
    starts : ndarray, shape (cells,)
        Where each cell begins, pixels.
    pitch_px : float
        Pixels per cell.
    one_row : bool
        Whether all bands lie within one row of cells. The least counts then: a gap runs through all of a row, cracks
        and the edges of dead areas through some of it.

    Returns
    -------
    ndarray, shape (cells, places)
        From the beginning of each cell to its end.
    """
    index = np.clip(np.round(starts[:, None] + np.arange(round(pitch_px))).astype(int), 0, likeness.shape[1] - 1)
    if not one_row:
        return np.asarray(likeness.mean(axis=0)[index], dtype=np.float64)
    slack = max(1, round(_SLACK * pitch_px))
    widened = np.asarray(cv2.dilate(likeness, np.ones((1, 2 * slack + 1), np.uint8)))
    return np.asarray(widened.min(axis=0)[index], dtype=np.float64)


def parted_along(cells: NDArray[np.float64], usual: float) -> bool:
    """Whether lines across the string part the cells; nothing but gaps runs that way.

    The lines need not lie at the same place in every cell: a wrong lattice drifts against the true one.

    Parameters
    ----------
    cells : ndarray, shape (cells, places)
        Gap-likeness along the string, from `by_cell`.
    usual : float
        Gap-likeness of the gaps that bound the cells.
    """
    ends = round(_INNER * cells.shape[1])
    darkest = cells[:, ends : cells.shape[1] - ends].max(axis=1, initial=0)
    return bool(np.median(darkest) > max(_TRACE, _TRACE_SHARE * usual))


def parted_across(cells: NDArray[np.float64], usual: float) -> bool:
    """Whether lines along the string part at least half of the cells into two to six.

    Busbars are alike and spaced evenly, half a spacing from the edges; a gap lies in the middle between two of them,
    hence nearer to its neighbours than they are to each other, or stands out from them.

    Parameters
    ----------
    cells : ndarray, shape (cells, places)
        Gap-likeness across the strings, from `by_cell`.
    usual : float
        Gap-likeness of the gaps that bound the cells.
    """
    return 2 * sum(_is_parted(inside, usual) for inside in cells) >= len(cells)


def _is_parted(inside: NDArray[np.float64], usual: float) -> bool:
    for parts in range(2, _MOST_PARTS + 1):
        lines = [k / parts for k in range(1, parts)]
        weakest = min(_highest_near(inside, line) for line in lines)
        if weakest < _GAP_SHARE * usual:
            continue
        peaks = _peaks(inside, _LEAST_SHARE * weakest)
        nearest = [peaks[np.argmin(np.abs(peaks - line))] if peaks.size else np.inf for line in lines]
        if max(abs(found - line) for found, line in zip(nearest, lines, strict=True)) > _NEAR:
            continue
        others = peaks[~np.isin(peaks, nearest)]
        if others.size == 0:
            return True
        heights = [_highest_near(inside, place) for place in others]
        if weakest > _DEEPER * float(np.median(heights)):
            return True
        spacing = float(np.median(np.diff(np.concatenate([peaks, peaks[:1] + 1]))))
        closest = max(float(np.abs(others - line).min()) for line in nearest)
        if closest < _CLOSER * spacing:
            return True
    return False


def _highest_near(inside: NDArray[np.float64], place: float) -> float:
    middle, reach = place * inside.size, max(1, round(_NEAR * inside.size))
    return float(inside[max(0, round(middle) - reach) : round(middle) + reach + 1].max())


def _peaks(inside: NDArray[np.float64], least: float) -> NDArray[np.float64]:
    """Return the places (0..1) of local maxima of at least the given height, away from the cell's ends."""
    reach = max(1, round(0.01 * inside.size))
    padded = np.pad(inside, reach, mode="edge")
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    at = np.flatnonzero((inside >= highest) & (inside >= least))
    if at.size == 0:
        return np.empty(0)
    groups = np.split(at, np.flatnonzero(np.diff(at) > max(reach, _SAME * inside.size)) + 1)
    places = np.array([group.mean() for group in groups]) / (inside.size - 1)
    return places[(places > _EDGE) & (places < 1 - _EDGE)]
