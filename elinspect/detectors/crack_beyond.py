"""Cracks that go on beyond a busbar: the search loses them where nothing is to be seen, and finds two lines for one."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.crack_shape import CrackLine, thread
from elinspect.detectors.crack_weighing import Scored
from elinspect.records import Points
from elinspect.settings import CrackSettings

_STRAIGHT = 8
"""So many places before its end say where a line goes on."""
_TOUCHING_PX = 3.0
"""The way from end to end says nothing of its direction where it is no longer than this."""


def gone_on(
    found: list[Scored], busbar_rows: NDArray[np.bool_], mm_per_px: float, settings: CrackSettings
) -> list[Scored]:
    """Make one of lines that go on straight beyond a busbar; it is worth what they are worth together.

    Parameters
    ----------
    found : list of (float, CrackLine)
        Lines of one cell with the contrast asked for.
    busbar_rows : ndarray of bool, shape (rows,)
        Which rows busbars cover.
    mm_per_px : float
        Scale of the lines' points.
    settings : CrackSettings
        How far they may lie apart, how straight they must go on.

    Returns
    -------
    list of (float, CrackLine)
        As many, or fewer.
    """
    out = sorted(found, key=lambda scored: -scored[0])
    most = settings.beyond_busbar_mm / mm_per_px
    at = 0
    while at < len(out):
        for other in range(at + 1, len(out)):
            both = _one_line(out[at], out[other], busbar_rows, most, settings.beyond_busbar_deg)
            if both is not None:
                out[at] = both
                del out[other]
                break
        else:
            at += 1
    return out


def _one_line(
    one: Scored, other: Scored, busbar_rows: NDArray[np.bool_], most: float, most_deg: float
) -> Scored | None:
    """Both as one line, or None where they are not."""
    (worth, line), (further, beyond) = one, other
    for first in (line.points, line.points[::-1]):
        for second in (beyond.points, beyond.points[::-1]):
            if _goes_on(first, second, busbar_rows, most, most_deg):
                return worth + further, _as_one(line, beyond, np.concatenate([first, second]))
    return None


def _as_one(line: CrackLine, beyond: CrackLine, points: Points) -> CrackLine:
    return replace(
        line,
        points=thread(points),
        contrast=min(line.contrast, beyond.contrast),
        steadiness=min(line.steadiness, beyond.steadiness),
        longer=max(line.longer, beyond.longer),
    )


def _goes_on(first: Points, second: Points, busbar_rows: NDArray[np.bool_], most: float, most_deg: float) -> bool:
    """Whether the second line begins where the first one would be beyond a busbar, and runs on as that does."""
    start, end = first[-1], second[0]
    if np.linalg.norm(end - start) > most or not _bar_between(start[0], end[0], busbar_rows):
        return False
    ahead = first[-1] - first[max(len(first) - 1 - _STRAIGHT, 0)]
    further = second[min(_STRAIGHT, len(second) - 1)] - second[0]
    ways = [ahead, end - start, further] if np.linalg.norm(end - start) > _TOUCHING_PX else [ahead, further]
    return all(_between_deg(one, other) <= most_deg for one, other in pairwise(ways))


def _bar_between(row: float, other: float, busbar_rows: NDArray[np.bool_]) -> bool:
    low, high = (round(float(at)) for at in sorted((row, other)))
    return bool(busbar_rows[max(low, 0) : high + 1].any())


def _between_deg(one: Points, other: Points) -> float:
    sizes = float(np.linalg.norm(one) * np.linalg.norm(other))
    return float(np.degrees(np.arccos(np.clip(one @ other / max(sizes, 1e-9), -1, 1))))
