"""The exact course of a crack: from the coarse path to the bottom of the dark line, or to the steepest place of a step.

Lines that meet are one crack.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Points
from elinspect.vision import cv2

_SPACING = 1.5
_REACH = 4.0
_OFFSETS = np.arange(-_REACH, _REACH + 0.25, 0.5)
_SIDE = 3.5
_STEP_SIDES = (1.5, 2.5, 3.5, 4.5, 5.5)
_OVERHANG = 9.0
_END_SHARE = 0.4
_TURN_PLACES = 4
_WIDEST_GAP = 21.0
"""Wider than a bridged busbar, pixels."""


@dataclass(frozen=True, slots=True, eq=False)
class CrackLine:
    """A crack's course.

    Attributes
    ----------
    points : ndarray, shape (m, 2)
        (row, column) about every 1.5 px, at least two.
    contrast : float
        Median depth of the line under both its sides, natural logarithm.
    steadiness : float
        Depth that nine tenths of the line reach, over the median: 1 for a line without gaps.
    longer : float
        What all of its trace collected over what it is worth for its cell's rank.
    """

    points: Points
    contrast: float
    steadiness: float
    longer: float = 1.0

    @property
    def length(self) -> float:
        """Length in the unit of the points."""
        return float(np.linalg.norm(np.diff(self.points, axis=0), axis=1).sum())

    @property
    def wandering(self) -> float:
        """How much it turns every 6 px, root mean square, radians; 0 for a line too short to say."""
        ways = np.diff(self.points[::_TURN_PLACES], axis=0)
        before, after = ways[:-1], ways[1:]
        across = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
        turns = np.arctan2(across, (before * after).sum(axis=1))
        return float(np.sqrt(turns @ turns / max(turns.size, 1)))


def joined(lines: list[CrackLine], reach: float) -> list[list[int]]:
    """Return which lines belong together: each inner list the indices of lines that meet within `reach` pixels."""
    groups: list[list[int]] = []
    for index, line in enumerate(lines):
        met = [group for group in groups if any(_distances(lines[i].points, line.points).min() <= reach for i in group)]
        groups = [group for group in groups if group not in met]
        groups.append(sorted([index, *(i for group in met for i in group)]))
    return sorted(groups)


def share_beside(line: Points, other: Points, reach: float) -> float:
    """Return the share of a line's points that lie within `reach` pixels of another's."""
    return float((_distances(line, other).min(axis=1) <= reach).mean())


def tour(lines: list[CrackLine]) -> Points:
    """Return one open polyline that runs along all lines, back and forth on all but the first."""
    course = _thinned(lines[0].points)
    for line in lines[1:]:
        points = _thinned(line.points)
        at, start = np.unravel_index(int(_distances(course, points).argmin()), (len(course), len(points)))
        out, back = points[start:], points[: start + 1]
        excursion = np.concatenate([out, out[-2::-1], back[-2::-1], back[1:], course[at : at + 1]])
        course = np.concatenate([course[: at + 1], excursion, course[at + 1 :]])
    return course


def _distances(first: Points, second: Points) -> NDArray[np.float64]:
    return np.asarray(np.linalg.norm(first[:, None] - second[None], axis=2))


def _thinned(points: Points) -> Points:
    """Leave points out as long as the line moves by less than a sixth of a pixel."""
    thin = cv2.approxPolyDP(points.astype(np.float32)[:, None], 0.15, False)
    return np.asarray(thin[:, 0], np.float64)


def follow_line(level: FloatImage, path: Points, bridged: NDArray[np.bool_] | None = None) -> CrackLine:
    """Follow the dark line along a coarse path.

    Parameters
    ----------
    level : ndarray, shape (rows, columns)
        Flat cell, busbars bridged.
    path : ndarray, shape (m, 2)
        (row, column), good to a few pixels, its ends to a filter's length.
    bridged : ndarray of bool, shape (rows,), optional
        Rows in which nothing is to be seen: they part no line.

    Returns
    -------
    CrackLine
        The path itself where no line is to be followed.
    """
    middle, normal, profile = _unrolled(level, path, _SIDE)
    here, low, high = (_shifted(profile, shift) for shift in (0.0, -_SIDE, _SIDE))
    return _followed(middle, normal, np.minimum(low, high) - here, bridged)


def follow_step(level: FloatImage, path: Points, bridged: NDArray[np.bool_] | None = None) -> CrackLine:
    """Follow the step between a brighter and a darker side along a coarse path; arguments as `follow_line`.

    Returns
    -------
    CrackLine
        Its contrast is the height of the step.
    """
    middle, normal, profile = _unrolled(level, path, _STEP_SIDES[-1])
    low, high = (_mean_beside(profile, sign) for sign in (-1, 1))
    either = [_followed(middle, normal, height, bridged) for height in (high - low, low - high)]
    return max(either, key=lambda line: line.contrast)


def _unrolled(level: FloatImage, path: Points, side: float) -> tuple[Points, Points, NDArray[np.float64]]:
    """Points along a path, normals there, and the level at all offsets and `side` beyond them."""
    middle = _evenly(_with_overhang(path))
    normal = _normals(middle)
    wide = np.arange(-_REACH - side, _REACH + side + 0.25, 0.5)
    points = middle[:, None] + wide[None, :, None] * normal[:, None]
    # Only as much of the cell as is looked at is smoothed; the margin is wider than the filter.
    low = np.clip(np.floor(points.min(axis=(0, 1))).astype(int) - 6, 0, np.array(level.shape) - 1)
    high = np.clip(np.ceil(points.max(axis=(0, 1))).astype(int) + 7, 1, level.shape)
    smooth = np.asarray(cv2.GaussianBlur(level[low[0] : high[0], low[1] : high[1]], (0, 0), 1.0), np.float32)
    return middle, normal, _sampled(smooth, points - low)


def _mean_beside(profile: NDArray[np.float64], sign: int) -> NDArray[np.float64]:
    """Mean level on one side of each offset."""
    mean = np.zeros((len(profile), len(_OFFSETS)))
    for side in _STEP_SIDES:
        mean += _shifted(profile, sign * side)
    return mean / len(_STEP_SIDES)


def _shifted(profile: NDArray[np.float64], shift: float) -> NDArray[np.float64]:
    """Columns of an unrolled profile that lie `shift` pixels beside each offset."""
    spare = (profile.shape[1] - len(_OFFSETS)) // 2
    start = spare + round(shift * 2)
    return profile[:, start : start + len(_OFFSETS)]


def _followed(
    middle: Points, normal: Points, depth: NDArray[np.float64], bridged: NDArray[np.bool_] | None
) -> CrackLine:
    course = _smoothest(depth)
    depths = np.convolve(depth[np.arange(len(course)), course], np.ones(5) / 5, mode="same")
    contrast = float(np.median(depths[6:-6])) if len(depths) > 14 else float(np.median(depths))
    line = middle + _OFFSETS[course][:, None] * normal
    good = _longest_run(depths >= _END_SHARE * contrast, _hidden(line, bridged))
    first, last = (int(good[0]), int(good[-1])) if contrast > 0 and good.size else (0, len(line) - 1)
    if last - first < 3:
        first, last = 0, len(line) - 1
    smooth_depths = np.convolve(depths[first : last + 1], np.ones(5) / 5, mode="valid")
    steadiness = float(np.quantile(smooth_depths, 0.1)) / contrast if contrast > 0 and smooth_depths.size else 0.0
    return CrackLine(rounded(line[first : last + 1]), contrast, steadiness)


def _hidden(line: Points, bridged: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    if bridged is None:
        return np.zeros(len(line), bool)
    return np.asarray(bridged[np.clip(np.round(line[:, 0]).astype(int), 0, len(bridged) - 1)])


def _longest_run(good: NDArray[np.bool_], hidden: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Keep the longest piece without a wide gap: round a corner a path takes a short cut where nothing is.

    Places that are hidden make a gap no wider.
    """
    at = np.flatnonzero(good)
    passed = np.cumsum(~hidden)
    pieces = np.split(at, np.flatnonzero(np.diff(passed[at]) > _WIDEST_GAP / _SPACING) + 1)
    return max(pieces, key=len)


def _with_overhang(path: Points) -> Points:
    """Go on straight a little beyond both ends: the search grid may have stopped short."""
    reach = min(len(path) - 1, 2)
    ahead, behind = path[-1] - path[-1 - reach], path[0] - path[reach]
    ends = [end / max(float(np.linalg.norm(end)), 1e-9) * _OVERHANG for end in (behind, ahead)]
    return np.concatenate([[path[0] + ends[0]], path, [path[-1] + ends[1]]])


def thread(corners: Points) -> Points:
    """Return places along a polyline, as evenly spaced as those of a followed line."""
    steps = np.linalg.norm(np.diff(corners, axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(steps)])
    even = np.linspace(0, at[-1], max(round(at[-1] / _SPACING), 4) + 1)
    return np.stack([np.interp(even, at, corners[:, axis]) for axis in (0, 1)], axis=1)


def _evenly(path: Points) -> Points:
    """Resample at even steps and round the corners of the search grid off."""
    return rounded(thread(path))


def rounded(points: Points) -> Points:
    """Smooth a line over about 6 px; the ends stay."""
    out = points.copy()
    for _ in range(4):
        out[1:-1] = 0.25 * out[:-2] + 0.5 * out[1:-1] + 0.25 * out[2:]
    return out


def _normals(points: Points) -> Points:
    along = np.gradient(points, axis=0)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    return np.asarray(across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9))


def _sampled(level: FloatImage, points: Points) -> NDArray[np.float64]:
    rows, columns = points[..., 0].astype(np.float32), points[..., 1].astype(np.float32)
    values = cv2.remap(level, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return values.astype(np.float64)


def _smoothest(depth: NDArray[np.float64]) -> NDArray[np.intp]:
    """Index of the offset per place, so that the summed depth is largest and neighbours differ by one at most."""
    places, offsets = depth.shape
    # One column of walls on either side, so that every place has two neighbours.
    total = np.full((places, offsets + 2), -np.inf)
    total[0, 1:-1], best = depth[0], np.empty(offsets)
    for place in range(1, places):
        before = total[place - 1]
        np.maximum(before[:-2], before[2:], out=best)
        np.maximum(before[1:-1], best, out=best)
        np.add(best, depth[place], out=total[place, 1:-1])
    at = int(total[-1].argmax())
    course = [at]
    # Number by number lists are several times faster than arrays.
    for options in total[-2::-1].tolist():
        # Straight on wins a tie.
        at = max((at, at - 1, at + 1), key=options.__getitem__)
        course.append(at)
    return np.array(course[::-1], np.intp) - 1
