"""What a crack means: its pattern, what it touches, how much it could cut off.

Patterns are those of field studies (Köntges et al. 2013, IEEE J. Photovolt. 3:95; names and the seventh, the cross of a
needle, from Morlier et al. 2015, IEEE J. Photovolt. 5:1735; values from memory).
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.view import HALF
from elinspect.records import PanelView, Points
from elinspect.vision import cv2

_SEVERAL_DEG = 30.0
_OBLIQUE_DEG = (22.5, 67.5)
_DENDRITIC_LINES = 5
_CROSS_MM = 30.0
_RIGHT_ANGLE_DEG = 60.0
_TOUCH_MM = 3.0


def pattern_of(lines: list[Points], mm_per_px: float) -> str:
    """Name the pattern of a crack.

    Parameters
    ----------
    lines : list of ndarray, shape (m, 2)
        Its lines, (row, column), the main one first.
    mm_per_px : float
        Scale.

    Returns
    -------
    str
        ``dendritic``, ``cross``, ``several_directions``, ``along_busbars``, ``across_busbars``, ``rising`` or
        ``falling`` (as seen from left to right).
    """
    if len(lines) >= _DENDRITIC_LINES:
        return "dendritic"
    angles = [_angle_deg(line) for line in lines]
    apart = [abs((angle - angles[0] + 90) % 180 - 90) for angle in angles]
    lengths = [float(np.linalg.norm(line[-1] - line[0])) * mm_per_px for line in lines]
    if max(apart) >= _RIGHT_ANGLE_DEG and max(lengths) <= _CROSS_MM and _crosses(lines):
        return "cross"
    if max(apart) > _SEVERAL_DEG:
        return "several_directions"
    from_string = abs((angles[0] + 90) % 180 - 90)
    if from_string < _OBLIQUE_DEG[0]:
        return "along_busbars"
    if from_string > _OBLIQUE_DEG[1]:
        return "across_busbars"
    return "rising" if 0 < angles[0] % 180 < 90 else "falling"


def _angle_deg(line: Points) -> float:
    down, right = line[-1] - line[0]
    return float(np.degrees(np.arctan2(-down, right)))


def _crosses(lines: list[Points]) -> bool:
    """Whether the first line is met by another away from both its ends."""
    first = lines[0]
    for other in lines[1:]:
        nearest = int(np.linalg.norm(first[:, None] - other[None], axis=2).min(axis=1).argmin())
        if 0.2 * len(first) <= nearest <= 0.8 * len(first):
            return True
    return False


def touched(view: PanelView, lines: list[Points]) -> str:
    """Say what a crack touches: ``edge``, ``busbar``, ``edge and busbar`` or ``nothing``."""
    points = np.concatenate(lines)
    reach = _TOUCH_MM / view.mm_per_px
    # What is not looked at for the blur of the rim counts as edge.
    inside = cv2.distanceTransform(np.pad(view.inside.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    rows, columns = (np.clip(np.round(points[:, i]).astype(int), 0, view.inside.shape[i] - 1) for i in (0, 1))
    at_edge = bool((inside[rows, columns] <= reach).any())
    bars = np.flatnonzero(view.busbar_rows)
    at_busbar = bool(bars.size and np.abs(points[:, :1] - bars[None]).min() <= reach)
    if at_edge and at_busbar:
        return "edge and busbar"
    return "edge" if at_edge else "busbar" if at_busbar else "nothing"


def could_cut_off(view: PanelView, lines: list[Points]) -> float | None:
    """Return the share of the cell that would lose all current if the crack opened over its whole length.

    Fingers carry current up and down to busbars: what lies between two crossings of the crack, or between the crack and
    an edge, without a busbar, is cut off. None for a cell without busbars.
    """
    if not view.busbar_rows.any():
        return None
    inside, bars, blocked = _drawn(view, lines)
    fed = _fed(bars, blocked) | _fed(bars[::-1], blocked[::-1])[::-1]
    return float((inside & ~blocked & ~fed).sum()) / inside.size


def _drawn(view: PanelView, lines: list[Points]) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Inside, busbar rows, and the crack's places, at half the scale."""
    rows, columns = view.deviation.shape[1:]
    inside = cv2.resize(view.inside.astype(np.uint8), (columns, rows), interpolation=cv2.INTER_AREA)
    # The rim that is not looked at for its blur can be cut off too.
    rim = 2 * round(_TOUCH_MM / view.mm_per_px / HALF) + 1
    inside = np.asarray(cv2.dilate(inside, np.ones((rim, rim), np.uint8)), np.uint8)
    bars = cv2.resize(view.busbar_rows.astype(np.float32)[:, None], (1, rows), interpolation=cv2.INTER_AREA)[:, 0] > 0.3
    ink = np.zeros((rows, columns), np.uint8)
    for line in lines:
        at = np.round(((line[:, ::-1] + 0.5) / HALF - 0.5) * 16).astype(np.int32)
        cv2.polylines(ink, [at[:, None]], False, 1, 1, cv2.LINE_8, 4)
    return inside > 0, bars, ink > 0


def _fed(bars: NDArray[np.bool_], blocked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Places that a busbar above feeds: it is nearer than any place of the crack above them."""
    rows = np.arange(len(bars), dtype=np.int16)
    last_bar = np.maximum.accumulate(np.where(bars, rows, np.int16(-1)))
    last_blocked = np.where(blocked & ~bars[:, None], rows[:, None], np.int16(-1))
    return np.asarray(last_bar[:, None] > np.maximum.accumulate(last_blocked, axis=0))
