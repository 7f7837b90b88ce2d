"""Dark streaks in finger direction: how deep, and between which busbars. Finger interruptions and upright cracks."""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import as_one, middle_of
from elinspect.detectors.flat import COARSE
from elinspect.records import FloatImage, PanelView
from elinspect.vision import cv2


def fields_of(view: PanelView, height: int = COARSE) -> list[tuple[int, int]]:
    """Return the coarse rows between busbars, first and end, from top to bottom; each of so many map rows."""
    steps = np.diff(np.concatenate([[1], view.busbar_rows.astype(np.int8), [1]]))
    firsts, ends = np.flatnonzero(steps == -1), np.flatnonzero(steps == 1)
    # A coarse row that is partly busbar belongs to no field.
    fields = [(-(-int(first) // height), int(end) // height) for first, end in zip(firsts, ends, strict=True)]
    rows = -(-len(view.busbar_rows) // height)
    return [(first, min(end, rows)) for first, end in fields if end - first >= 2]


def streak_depth(view: PanelView, part: slice, fields: list[tuple[int, int]]) -> tuple[FloatImage, NDArray[np.float32]]:
    """Return the depth of streaks under both their sides, and each cell's texture.

    Parameters
    ----------
    view : PanelView
        The panel.
    part : slice
        Which cells.
    fields : list of (int, int)
        From `fields_of`.

    Returns
    -------
    ndarray of float32, shape (cells, coarse rows, columns)
        Natural logarithm, 0 where a place is not darker than both sides.
    ndarray of float32, shape (cells,)
        What four fifths of the places stay below.
    """
    streaks = view.streaks[part]
    if len(fields) > 2:
        # What runs through all fields alike is an uneven finger or the wafer, not an interruption.
        streaks = streaks - middle_of(streaks[:, _every_other(streaks.shape[1])].transpose(0, 2, 1))[:, None]
    depth = _notch_depth(streaks, view.inside, view.mm_per_px)
    texture = _quantile_of_each(depth[:, :, ::4], 0.8)
    return depth, texture


def _notch_depth(streaks: FloatImage, inside: NDArray[np.bool_], mm_per_px: float) -> FloatImage:
    """How far a place lies below the lower of its two sides across the streak, 0 where it is not below both.

    The edge of a dark region has one dark side and is no streak.
    """
    columns = np.flatnonzero(inside.any(axis=0))
    if not columns.size:
        return np.zeros_like(streaks)
    reach, cells = round(4.5 / mm_per_px), len(streaks)
    clamped = np.clip(np.arange(-reach, streaks.shape[2] + reach), columns[0], columns[-1])
    wide = as_one(streaks[:, :, clamped])
    end = reach + streaks.shape[2]
    depth = np.zeros_like(as_one(streaks))
    for width_mm, distance_mm in ((1.0, 2.0), (2.5, 4.0)):
        size, distance = round(width_mm / mm_per_px / 2) * 2 + 1, round(distance_mm / mm_per_px)
        smooth = cv2.blur(wide, (size, 1))
        left, right = (smooth[:, reach + shift : end + shift] for shift in (-distance, distance))
        notch = np.minimum(left, right)
        notch -= smooth[:, reach:end]
        np.maximum(depth, notch, out=depth)
    return depth.reshape(cells, -1, depth.shape[1])


def _every_other(rows: int) -> NDArray[np.intp]:
    """Every other row, the same ones from below as from above."""
    upper = np.arange(0, (rows + 1) // 2, 2)
    return np.unique(np.concatenate([upper, rows - 1 - upper]))


def _quantile_of_each(stack: FloatImage, share: float) -> NDArray[np.float32]:
    """Quantile of each cell, the value below: one selection in place of the interpolation of `numpy.quantile`."""
    flat = stack.reshape(len(stack), -1)
    place = round(share * (flat.shape[1] - 1))
    return np.asarray(np.partition(flat, place, axis=1)[:, place], np.float32)
