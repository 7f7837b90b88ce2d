"""Dark places whose edges a crack search takes for cracks: bundles of broken fingers, and spots.

Neighbouring fingers that break at one height leave a dark box: its sides run straight along the fingers, its ends lie
at the break and at a busbar, or fade. A spot lies free of the rim and has no corners. What a crack cuts off ends at the
crack, which wanders and goes on beyond.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.flat import stretches_of
from elinspect.records import FloatImage, PanelView, Points
from elinspect.settings import BundleSettings
from elinspect.vision import cv2

_Mask = NDArray[np.bool_]

_EDGE_PX = 2
"""So near to the edge of the picture the gap's blur is seen."""
_LOW = 3
"""A box so many times as high as the rim shows its sides well enough inside."""
_HALF_WAY = (0.5, 0.3)
"""From the dark to the bright side of a line: a dark place ends there. A box that fades towards its other end keeps
straight sides lower down only."""


@dataclass(frozen=True, slots=True, eq=False)
class _Cell:
    """One cell as it is looked at here: slightly smoothed level, busbars bridged, and where it says something.

    `over_typical` is the level over the panel's typical cell, not smoothed, which goes on through the rim.
    """

    level: FloatImage
    over_typical: FloatImage
    inside: _Mask
    bars: NDArray[np.bool_]
    mm_per_px: float

    @property
    def seen(self) -> _Mask:
        return self.inside & ~self.bars[:, None]


@dataclass(frozen=True, slots=True)
class Bundle:
    """A box of broken fingers.

    Attributes
    ----------
    top, bottom, left, right : int
        First and last row and column, map pixels.
    depth : float
        How far it lies below what is beside it, natural logarithm.
    """

    top: int
    bottom: int
    left: int
    right: int
    depth: float


@dataclass(frozen=True, slots=True, eq=False)
class _DarkPlace:
    """Where a dark place is, with a seam of what an outline may be off; its box if broken fingers make one."""

    mask: _Mask
    bundle: Bundle | None


def dark_places_of(
    view: PanelView, cell: int, lines: list[Points], settings: BundleSettings
) -> tuple[list[bool], list[Bundle]]:
    """Say which lines run along boxes of broken fingers or along spots.

    Parameters
    ----------
    view : PanelView
        The panel.
    cell : int
        Which cell.
    lines : list of ndarray, shape (m, 2)
        (row, column) along each line, map pixels.
    settings : BundleSettings
        What a box and a spot are.

    Returns
    -------
    list of bool
        One per line; False for lines without a dark place beside them, and for those that leave its outline.
    list of Bundle
        The boxes along which lines run.
    """
    if not lines:
        return [], []
    level = cv2.GaussianBlur(view.flat[cell] + view.background[cell], (0, 0), 1.0)
    over_typical = np.asarray(view.log_cells[cell] - view.typical, np.float32)
    own = _Cell(np.asarray(level, np.float32), over_typical, view.inside, view.busbar_rows, view.mm_per_px)
    places = [place for points in lines for place in _dark_places(own, points, settings)]
    along = [[_share_within(place.mask, own, line) >= settings.least_within for place in places] for line in lines]
    there = [any(column) for column in zip(*along, strict=True)]
    bundles = [place.bundle for place, holds in zip(places, there, strict=True) if holds and place.bundle is not None]
    return [any(row) for row in along], bundles


def _share_within(place: _Mask, cell: _Cell, points: Points) -> float:
    """Share of a line that lies in a dark place, where anything is seen: ends go on a little into busbars and rim."""
    rows, columns = np.clip(np.round(points).astype(np.intp), 0, np.array(place.shape) - 1).T
    seen = cell.seen[rows, columns]
    return float(place[rows, columns][seen].mean()) if seen.any() else 0.0


def _dark_places(cell: _Cell, points: Points, settings: BundleSettings) -> list[_DarkPlace]:
    """Boxes and spots beside a line."""
    sides = _sides(cell, points, settings)
    if sides is None:
        return []
    seeds, dark, bright = sides
    found = []
    for share in _HALF_WAY:
        below = (cell.level < dark + share * (bright - dark)) & cell.inside
        between = _region_of(below & cell.seen, seeds, settings)
        box = None if between is None else _broken(between, points, cell, settings)
        if box is not None and _straight_through_rim(box, dark + share * (bright - dark), cell, settings):
            rows, columns = (np.flatnonzero(box.any(axis=axis)) for axis in (1, 0))
            bundle = Bundle(int(rows[0]), int(rows[-1]), int(columns[0]), int(columns[-1]), bright - dark)
            found.append(_DarkPlace(_with_seam(box, cell, settings), bundle))
            continue
        # Beside what is brighter than usual the rest of the cell is the darker side, and no dark place.
        whole = _region_of(below, seeds, settings) if below.sum() <= 0.5 * cell.inside.sum() else None
        if whole is not None and (_is_spot(whole, cell, settings) or _is_stain(whole, cell, settings)):
            found.append(_DarkPlace(_with_seam(whole, cell, settings), None))
    return found


def _with_seam(region: _Mask, cell: _Cell, settings: BundleSettings) -> _Mask:
    seam = np.ones((2 * round(settings.seam_mm / cell.mm_per_px) + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate(region.astype(np.uint8), seam) > 0)


def _sides(cell: _Cell, points: Points, settings: BundleSettings) -> tuple[NDArray[np.intp], float, float] | None:
    """Places on the darker side of a line, and the levels of both sides; None for a line without a darker side."""
    along = np.gradient(points, axis=0)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    across *= settings.beside_mm / cell.mm_per_px / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    last = np.array(cell.level.shape) - 1
    sides = np.clip(np.round(np.stack([points - across, points + across])).astype(np.intp), 0, last)
    levels = cell.level[sides[..., 0], sides[..., 1]]
    bright, dark = float(np.median(levels.max(axis=0))), float(np.median(levels.min(axis=0)))
    seeds = sides[levels.argmin(axis=0), np.arange(len(points))]
    seeds = seeds[cell.seen[seeds[:, 0], seeds[:, 1]]]
    return (seeds, dark, bright) if bright - dark >= settings.least_step and len(seeds) else None


def _region_of(below: _Mask, seeds: NDArray[np.intp], settings: BundleSettings) -> _Mask | None:
    """The connected region that holds enough of the seeds."""
    _, label = cv2.connectedComponents(below.astype(np.uint8), connectivity=4)
    of_seeds = label[seeds[:, 0], seeds[:, 1]]
    own = int(np.bincount(of_seeds).argmax())
    return label == own if own and float((of_seeds == own).mean()) >= settings.least_share else None


def _broken(region: _Mask, points: Points, cell: _Cell, settings: BundleSettings) -> _Mask | None:
    """The region between busbars if it is a box, its part at a break if that is one."""
    if _is_box(region, cell, settings):
        return region
    at_break = _beside(region, points, cell, settings)
    return at_break if at_break is not None and _is_box(at_break, cell, settings) else None


def _beside(region: _Mask, points: Points, cell: _Cell, settings: BundleSettings) -> _Mask | None:
    """The part of a region near a line that runs straight across the fingers; None beside other lines.

    A box that fades ends anywhere, in whatever else is dark there, but at the break its corners are sharp.
    """
    rows = points[:, 0]
    tolerance = max(settings.straight_mm / cell.mm_per_px, 1.0)
    if np.mean(np.abs(rows - np.median(rows)) <= tolerance) < settings.least_straight:
        return None
    near = np.abs(np.arange(len(region)) - np.median(rows)) <= settings.corner_mm / cell.mm_per_px
    return region & near[:, None]


def _is_box(region: _Mask, cell: _Cell, settings: BundleSettings) -> bool:
    """Whether a region fills a box whose sides run straight along the fingers, or along the rim."""
    rows = np.flatnonzero(region.any(axis=1))
    if len(rows) < 3:
        return False
    lefts = region[rows].argmax(axis=1)
    rights = region.shape[1] - 1 - region[rows, ::-1].argmax(axis=1)
    left, right = float(np.median(lefts)), float(np.median(rights))
    if (right - left + 1) * cell.mm_per_px > settings.widest_mm:
        return False
    tolerance = max(settings.straight_mm / cell.mm_per_px, 1.0)
    wide = np.pad(cell.seen, ((0, 0), (1, 1)))
    at_rim = ~wide[rows, lefts], ~wide[rows, rights + 2]
    pairs = ((lefts, left, at_rim[0]), (rights, right, at_rim[1]))
    straight = min(float(((np.abs(side - at) <= tolerance) | rim).mean()) for side, at, rim in pairs)
    box = np.zeros_like(region)
    box[rows[0] : rows[-1] + 1, int(left) : int(np.ceil(right)) + 1] = True
    box &= cell.seen
    filled = float((region & box).sum()) / max(float(box.sum()), 1.0)
    return straight >= settings.least_straight and filled >= settings.least_filled


def _straight_through_rim(box: _Mask, below: float, cell: _Cell, settings: BundleSettings) -> bool:
    """Whether a low box at the top or bottom rim keeps its sides through it: a piece cut off gets wider there."""
    rows, columns = (np.flatnonzero(box.any(axis=axis)) for axis in (1, 0))
    seen = np.flatnonzero(cell.inside[:, columns].any(axis=1))
    for beyond in (np.arange(_EDGE_PX, seen[0]), np.arange(seen[-1] + 1, len(box) - _EDGE_PX)):
        touches = beyond.size and min(abs(beyond - rows[0]).min(), abs(beyond - rows[-1]).min()) <= 1
        if not touches or len(rows) > _LOW * len(beyond):
            continue
        dark = cv2.GaussianBlur(np.ascontiguousarray(cell.over_typical[beyond]), (0, 0), 1.0) < below
        reach = np.array([_run_around(row, int(columns[len(columns) // 2])) for row in dark])
        tolerance = max(settings.straight_mm / cell.mm_per_px, 1.0)
        straight = np.abs(reach - [columns[0], columns[-1]]) <= tolerance
        if straight.mean(axis=0).min() < settings.least_straight:
            return False
    return True


def _run_around(row: NDArray[np.bool_], middle: int) -> tuple[int, int]:
    """First and last place of the run of true places around one."""
    before, after = np.flatnonzero(~row[:middle]), np.flatnonzero(~row[middle:])
    return (int(before[-1]) + 1 if before.size else 0), (middle + int(after[0]) - 1 if after.size else len(row) - 1)


def _is_spot(region: _Mask, cell: _Cell, settings: BundleSettings) -> bool:
    """Whether a region without corners lies free of the rim, and at no busbar on one side only."""
    around = cv2.dilate(region.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    if (around & ~cell.inside).any() or _ends_at_bar(around, cell, settings):
        return False
    sides_mm = _solid_sides_mm(region, cell, settings)
    if sides_mm is None:
        return False
    short, long = sides_mm
    return short >= settings.least_spot_ratio * long and long <= settings.widest_mm


def _is_stain(region: _Mask, cell: _Cell, settings: BundleSettings) -> bool:
    """Whether a region without corners goes on beyond a busbar: what a crack cuts off is fed there, and ends."""
    if not _goes_on_beyond_bar(region, cell, settings):
        return False
    sides_mm = _solid_sides_mm(region, cell, settings)
    return sides_mm is not None and sides_mm[0] >= settings.least_stain_mm


def _solid_sides_mm(region: _Mask, cell: _Cell, settings: BundleSettings) -> tuple[float, float] | None:
    """Shorter and longer side of a region without corners; None if it does not fill its convex hull."""
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=cv2.contourArea)
    hull = cv2.convexHull(contour)
    # Half of a noisy cell lies below any level near its own: full of holes, however well its outline fills the hull.
    filled = min(cv2.contourArea(contour), float(region.sum()))
    if len(hull) < 3 or filled < settings.least_solid * cv2.contourArea(hull):
        return None
    _, sides, _ = cv2.minAreaRect(hull)
    return min(sides) * cell.mm_per_px, max(sides) * cell.mm_per_px


def _goes_on_beyond_bar(region: _Mask, cell: _Cell, settings: BundleSettings) -> bool:
    """Whether a region lies, as wide, on both sides of a busbar."""
    deep = max(round(settings.beyond_mm / cell.mm_per_px), 1)
    for first, end in stretches_of(cell.bars):
        if first < deep or end + deep > len(region):
            continue
        above, below = region[first - deep : first].all(axis=0), region[end : end + deep].all(axis=0)
        if (above & below).sum() >= max(0.5 * max(above.sum(), below.sum()), deep):
            return True
    return False


def _ends_at_bar(region: _Mask, cell: _Cell, settings: BundleSettings) -> bool:
    """Whether a busbar that a region reaches bounds it: a spot goes on beyond."""
    deep = settings.beside_mm / cell.mm_per_px
    rows = np.flatnonzero(region.any(axis=1))
    for first, end in stretches_of(cell.bars):
        if rows[0] < end and rows[-1] >= first and (first - rows[0] < deep or rows[-1] - end + 1 < deep):
            return True
    return False
