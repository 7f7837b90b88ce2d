"""Find the points of a calibration target: a grid of dots or the inner corners of a chequerboard."""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Points
from elinspect.vision import cv2

_FEWEST_SHARE = 0.5
_NEAR = 0.3
_SMALLEST_DOT_PX = 9


class Pattern(StrEnum):
    """What is printed on the target."""

    DOTS = "dots"
    CHEQUERS = "chequers"


@dataclass(frozen=True, slots=True)
class Target:
    """A flat calibration target.

    Attributes
    ----------
    pattern : Pattern
        Round dots on a square grid, or a chequerboard.
    columns, rows : int
        Dots, or inner corners, along and down; at least 4 each.
    """

    pattern: Pattern
    columns: int
    rows: int

    def __post_init__(self) -> None:
        if min(self.columns, self.rows) < 4:
            raise ValueError("a target needs at least 4 x 4 points")


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """The points of a target seen in one picture.

    Attributes
    ----------
    places : ndarray of int, shape (n, 2)
        Column and row of each point on the target, counted from the first one seen at the left and at the top.
    points_px : ndarray, shape (n, 2)
        Points (x, y) in file pixels.
    """

    places: NDArray[np.intp]
    points_px: Points


def find_target(counts: FloatImage, target: Target) -> Sighting | None:
    """Find the points of a target in a picture of it.

    Parameters
    ----------
    counts : ndarray of float32, shape (height, width)
        The picture; light or dark dots, evenly lit or not. The target may be turned by up to 40 degrees.
    target : Target
        What to look for.

    Returns
    -------
    Sighting or None
        None if less than half of the dots, or not all corners of a chequerboard, were found, or if there are more dots
        in a row than the target has.
    """
    grey = _evenly_lit(counts)
    if target.pattern is Pattern.CHEQUERS:
        # As stored first: evening out the light costs half of the precision of the corners.
        return _chequers(_as_stored(counts), target) or _chequers(grey, target)
    found = [_on_grid(_dots(picture), target) for picture in (255 - grey, grey)]
    seen = [sighting for sighting in found if sighting is not None]
    return max(seen, key=lambda sighting: len(sighting.places), default=None)


def _as_stored(counts: FloatImage) -> NDArray[np.uint8]:
    low, high = np.percentile(counts[::4, ::4], (0.5, 99.5))
    return np.asarray(np.clip((counts - low) * (255 / max(float(high - low), 1e-6)), 0, 255), np.uint8)


def _evenly_lit(counts: FloatImage) -> NDArray[np.uint8]:
    """Return 8 bits in which shadows and fall-off of the light no longer hide the pattern: the surroundings are 128."""
    scaled = _as_stored(counts).astype(np.float32) / 255
    side = max(counts.shape) // 8 | 1
    local = cv2.boxFilter(scaled, -1, (side, side))
    return np.asarray(np.clip(128 + 128 * (scaled - local) / np.maximum(local, 0.1), 0, 255), np.uint8)


def _chequers(grey: NDArray[np.uint8], target: Target) -> Sighting | None:
    flags = cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY
    found, corners = cv2.findChessboardCornersSB(grey, (target.columns, target.rows), flags=flags)
    if not found:
        return None
    row, column = np.divmod(np.arange(target.rows * target.columns), target.columns)
    return Sighting(np.stack([column, row], axis=1), np.asarray(corners, np.float64).reshape(-1, 2))


def _dots(bright_dots: NDArray[np.uint8]) -> Points:
    """Return the middles (x, y) of round bright spots of the most usual size, shape (n, 2)."""
    level, mask = cv2.threshold(bright_dots, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
    wide, high = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    # A disc fills pi / 4 of its box; lines, letters and the cut dots at the rim do not.
    filled = area / np.maximum(wide * high, 1)
    round_ones = (area >= _SMALLEST_DOT_PX) & (filled > 0.6) & (wide < 2 * high) & (high < 2 * wide)
    round_ones[0] = False
    # A dot cut by the rim of the picture has its middle elsewhere.
    left, top = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    height, width = bright_dots.shape
    rim = np.maximum(2, np.maximum(wide, high) // 4)
    round_ones &= (left >= rim) & (top >= rim) & (left + wide + rim <= width) & (top + high + rim <= height)
    if not round_ones.any():
        return np.empty((0, 2))
    usual = float(np.median(area[round_ones]))
    chosen = np.flatnonzero(round_ones & (area > usual / 3) & (area < usual * 3))
    return np.array([_middle(bright_dots, stats[label], level) for label in chosen]).reshape(-1, 2)


def _middle(picture: NDArray[np.uint8], stat: NDArray[np.int32], level: float) -> tuple[float, float]:
    """Centre of gravity of what is brighter than the surroundings, with the blurred rim of the dot."""
    left, top, wide, high = (int(value) for value in stat[:4])
    rim = max(2, max(wide, high) // 4)
    first_row, first_column = max(top - rim, 0), max(left - rim, 0)
    part = picture[first_row : top + high + rim, first_column : left + wide + rim].astype(np.float64)
    ground = np.median(part[part < level]) if np.any(part < level) else part.min()
    weight = np.maximum(part - (ground + (part.max() - ground) * 0.15), 0)
    rows, columns = np.indices(part.shape)
    total = weight.sum()
    return first_column + float((weight * columns).sum() / total), first_row + float((weight * rows).sum() / total)


def _on_grid(dots: Points, target: Target) -> Sighting | None:
    """Give dots their places by walking from one to its neighbours, starting in the middle of the picture."""
    fewest = _FEWEST_SHARE * target.columns * target.rows
    if len(dots) < fewest:
        return None
    from scipy.spatial import cKDTree

    tree = cKDTree(dots)
    start = int(tree.query(np.median(dots, axis=0))[1])
    near = dots[tree.query(dots[start], 5)[1][1:]] - dots[start]
    right, down = near[np.argmax(near[:, 0])], near[np.argmax(near[:, 1])]
    placed = {(0, 0): start}
    taken = {start}
    queue = deque([((0, 0), right, down)])
    while queue:
        (column, row), right, down = queue.popleft()
        here = dots[placed[column, row]]
        for step, side in (((1, 0), right), ((-1, 0), -right), ((0, 1), down), ((0, -1), -down)):
            place = (column + step[0], row + step[1])
            distance, dot = tree.query(here + side)
            if place in placed or dot in taken or distance > _NEAR * np.linalg.norm(side):
                continue
            placed[place] = int(dot)
            taken.add(int(dot))
            moved = (dots[dot] - here) * (step[0] + step[1])
            # The grid seen from here: the step just made, and the other one as it was.
            queue.append((place, moved, down) if step[0] else (place, right, moved))
    places = np.array(list(placed))
    places -= places.min(axis=0)
    if len(places) < fewest or np.any(places.max(axis=0) >= (target.columns, target.rows)):
        return None
    return Sighting(places, dots[list(placed.values())])
