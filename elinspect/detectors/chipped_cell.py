"""Chips: a piece missing at an edge or corner, where all other cells of the panel have silicon.

Where silicon is missing the picture is as bright as between the cells: black in a bare string, and up to half as bright
as a cell where glass and back sheet scatter. So all levels here lie between these two: 0 as in the gaps, 1 as silicon.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import middle_of, over_cells
from elinspect.detectors.nearness import in_turn
from elinspect.detectors.silicon import Silicon, silicon_of
from elinspect.detectors.view import REFERENCE_CELLS
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, Points, read_only
from elinspect.settings import ChippedCellSettings
from elinspect.vision import cv2

_SOME = 8
"""Fewer dark places of a rim than a chip would leave say nothing."""

_LEAST_STEP = 0.2
"""Where silicon is hardly brighter than the gaps, missing silicon can not be seen."""

_LEAST_SHARE = 0.05
"""What is unlike a chip in one way still ranks before what is unlike in two."""

_LEAST_AREA_MM2, _MOST_MULTIPLE = 3.0, 2.0
"""Smaller places, and places so many times larger than a chip can be, are not looked at: they would score next to
nothing."""

_LEAST_RIM_MM2 = 1.0
_RING_PX = 5


def detect(view: PanelView, settings: ChippedCellSettings, silicon: Silicon | None = None) -> Detection:
    """Find chips.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : ChippedCellSettings
        How dark, how large.
    silicon : Silicon, optional
        The panel's, where it is known already.

    Returns
    -------
    Detection
        Closed outlines up to half a millimetre from the edge. The format's outline is what the panel's cells have in
        common, so chamfers are none; with fewer than eight cells nothing is found. A dark region at the edge that is
        larger than a chip can be is an inactive area.
    """
    n = len(view.flat)
    scores, darkness = np.zeros(n, np.float32), np.zeros(n, np.float32)
    findings: list[Finding] = []
    if n >= REFERENCE_CELLS:
        format_edge = _Format.of(silicon or silicon_of(view), settings)
        darkness = _darkness_of_rims(view, format_edge)

        def work(part: slice) -> list[list[Finding]]:
            return [_chips(view, cell, format_edge, settings) for cell in range(part.start, part.stop)]

        for cell, found in enumerate([of_cell for part in over_cells(work, n) for of_cell in part]):
            if view.judged[cell] and found:
                scores[cell] = max(chip.score for chip in found)
                findings += [chip for chip in found if chip.score >= settings.threshold]
    nearness = in_turn(darkness, scores, settings.threshold) * view.judged
    return Detection(Kind.CHIPPED_CELL, read_only(scores), tuple(findings), nearness, seen=n >= REFERENCE_CELLS)


@dataclass(frozen=True, slots=True, eq=False)
class _Format:
    """What all cells of the panel have in common, at the scale of the maps.

    Attributes
    ----------
    silicon : Silicon
        Where silicon is.
    step : ndarray of float32, shape (rows, columns)
        Luminance of the silicon less that of the gaps, over that of a cell.
    least : ndarray of float32, shape (rows, columns)
        Natural logarithm of the luminance below which silicon is missing; minus infinity where none can be missed.
    rim : ndarray of int
        Flat indices of the rim there.
    depth : ndarray of float32, shape (rows, columns)
        Distance from the silicon's edge, px.
    """

    silicon: Silicon
    step: FloatImage
    least: FloatImage
    rim: NDArray[np.intp]
    depth: FloatImage

    @classmethod
    def of(cls, silicon: Silicon, settings: ChippedCellSettings) -> Self:
        step = np.exp(silicon.usual) - np.float32(silicon.beyond)
        seen = silicon.present & (step >= _LEAST_STEP)
        limit = np.log(silicon.beyond + settings.edge_level * np.maximum(step, _LEAST_STEP))
        depth = cv2.distanceTransform(np.pad(silicon.whole.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
        least = np.where(seen, limit, -np.inf).astype(np.float32)
        return cls(silicon, step, least, np.flatnonzero(silicon.rim & seen), np.asarray(depth, np.float32))


def _darkness_of_rims(view: PanelView, edge: _Format) -> NDArray[np.float32]:
    """How near the darkest places of each cell's rim come to missing, 0 to 1."""
    if len(edge.rim) <= _SOME:
        return np.zeros(len(view.log_cells), np.float32)
    usual = edge.silicon.usual.ravel()[edge.rim]
    level = view.log_cells.reshape(len(view.log_cells), -1)[:, edge.rim] - usual
    level /= edge.least.ravel()[edge.rim] - usual
    return np.asarray(np.clip(np.partition(level, -_SOME, axis=1)[:, -_SOME], 0, 1), np.float32)


def _chips(view: PanelView, cell: int, edge: _Format, settings: ChippedCellSettings) -> list[Finding]:
    own = view.log_cells[cell]
    at_rim = edge.rim[own.ravel()[edge.rim] < edge.least.ravel()[edge.rim]]
    if len(at_rim) * view.mm_per_px**2 < _LEAST_RIM_MM2:
        return []
    missing = (own < edge.least).astype(np.uint8)
    missing = cv2.morphologyEx(missing, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE)
    _, label, boxes, _ = cv2.connectedComponentsWithStats(missing, connectivity=8)
    found = []
    areas_mm2 = boxes[:, cv2.CC_STAT_AREA] * view.mm_per_px**2
    told = (areas_mm2 >= _LEAST_AREA_MM2) & (areas_mm2 <= _MOST_MULTIPLE * settings.large_mm2[0])
    for number in np.flatnonzero(np.bincount(label.ravel()[at_rim])).tolist():
        if number == 0 or not told[number]:
            continue
        left, top, width, height = (int(side) for side in boxes[number, :4])
        box = (
            slice(max(top - _RING_PX, 0), top + height + _RING_PX),
            slice(max(left - _RING_PX, 0), left + width + _RING_PX),
        )
        found.append(_chip(view, cell, label[box] == number, box, edge, settings))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """A region of missing silicon at the edge.

    Attributes
    ----------
    outline : ndarray, shape (points, 2)
        Row and column, from the box it was cut out with.
    area_mm2, long_mm, short_mm : float
        Area, and sides of the smallest rectangle around it.
    opening_mm, depth_mm : float
        Length along the edge, and distance of its farthest point from the edge.
    level, at_rim, around : float
        Median level of all of it, of its outermost part, and of the silicon around it: 0 as gaps, 1 as silicon.
    darkest : float
        Level below which a quarter of it lies: blur lifts what is near its outline.
    share : float
        Its median luminance over that of the cell.
    step : float
        How much brighter than the gaps silicon is there, over the luminance of a cell.
    """

    outline: Points
    area_mm2: float
    long_mm: float
    short_mm: float
    opening_mm: float
    depth_mm: float
    level: float
    at_rim: float
    around: float
    darkest: float
    share: float
    step: float

    @classmethod
    def of(cls, own: FloatImage, region: NDArray[np.bool_], box: tuple[slice, slice], edge: _Format, mm: float) -> Self:
        outline = _outline(region)
        _, sides, _ = cv2.minAreaRect(outline[:, ::-1].astype(np.float32))
        shares = np.exp(own[box])
        level = np.asarray((shares - edge.silicon.beyond) / np.maximum(edge.step[box], _LEAST_STEP), np.float32)
        rim = region & edge.silicon.rim[box]
        around = _around(region, edge.silicon.present[box])
        return cls(
            outline,
            float(region.sum()) * mm**2,
            (max(sides) + 1) * mm,
            (min(sides) + 1) * mm,
            # The rim is two places deep.
            0.5 * float(rim.sum()) * mm,
            float(edge.depth[box][region].max()) * mm,
            float(middle_of(level[region])),
            float(middle_of(level[rim])) if rim.any() else 1.0,
            float(middle_of(level[around])) if around.any() else 0.0,
            float(np.quantile(level[region], 0.25)),
            float(middle_of(shares[region])),
            float(middle_of(edge.step[box][region])),
        )

    def score(self, beyond: float, settings: ChippedCellSettings) -> float:
        """Return how much like a chip it is, 0..1; `beyond` is the luminance of the gaps over that of a cell."""
        score = self.area_mm2 / (self.area_mm2 + settings.half_area_mm2)
        # As dark as the gaps, up to the edge, in bright silicon.
        score *= _ramp(self.level, *settings.remaining) * _ramp(self.at_rim, *settings.at_rim)
        score *= _ramp(self.around, *settings.around) * _ramp(self.step, *settings.step)
        # Not darker: that silicon is there, and lets no light by.
        score *= max(_ramp(self.share - beyond, *settings.darker), _ramp(self.share, *settings.black_share))
        # Neither a large piece that was cut off, nor a strip along the edge, as of a cell out of place.
        slim = self.opening_mm**2 / self.area_mm2
        clear = _ramp(self.step, *settings.clear_step) * _ramp(self.short_mm, *settings.least_short_mm)
        score *= _ramp(self.area_mm2, *settings.large_mm2)
        score *= max(_ramp(self.short_mm, *settings.short_mm) * _ramp(slim, *settings.slim), clear)
        # Nor a dark finger, which goes far in from the edge, and shades off on both sides.
        opening = self.opening_mm / self.depth_mm
        return score * max(_ramp(opening, *settings.opening), _ramp(self.around, *settings.sharp_around))


def _chip(
    view: PanelView,
    cell: int,
    region: NDArray[np.bool_],
    box: tuple[slice, slice],
    edge: _Format,
    settings: ChippedCellSettings,
) -> Finding:
    """Return a region of missing silicon, cut out of its cell with a box, as a finding."""
    piece = _Piece.of(view.log_cells[cell], region, box, edge, view.mm_per_px)
    return Finding(
        Kind.CHIPPED_CELL,
        cell,
        piece.score(edge.silicon.beyond, settings),
        view.to_picture(piece.outline + np.array([box[0].start, box[1].start])),
        area_fraction=float(region.sum()) / view.log_cells[cell].size,
        measurements={
            "long_side_mm": round(piece.long_mm, 1),
            "short_side_mm": round(piece.short_mm, 1),
            "remaining_luminance_share": round(max(piece.darkest, 0.0), 3),
        },
    )


def _ramp(value: float, none: float, full: float) -> float:
    """Return 1 at one value, next to nothing at the other, and what lies between in between."""
    return min(max((value - none) / (full - none), _LEAST_SHARE), 1.0)


def _around(region: NDArray[np.bool_], present: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Ring of silicon around a region, two places away from it."""
    wide, close = (
        cv2.dilate(region.astype(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
        for reach in (_RING_PX, 2)
    )
    return np.asarray((wide > 0) & (close == 0) & present)


def _outline(region: NDArray[np.bool_]) -> Points:
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    contour = max(contours, key=cv2.contourArea)[:, 0, ::-1].astype(np.float64)
    return np.asarray(contour)
