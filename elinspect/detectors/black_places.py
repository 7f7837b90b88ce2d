"""Places all but without light, each with its edge: what foreign bodies are told by."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import middle_of, over_cells
from elinspect.detectors.spread import spread_places
from elinspect.detectors.view import HALF
from elinspect.records import Finding, FloatImage, Kind, PanelView, Points
from elinspect.vision import cv2

_RING = 2


@dataclass(frozen=True, slots=True, eq=False)
class BlackPlace:
    """A connected region of one cell, at half the scale of the maps.

    Attributes
    ----------
    region : ndarray of bool
        Where.
    at_rim : bool
        Whether it reaches what lies beyond the cell.
    remaining : float
        Its luminance over the expected one.
    around : float
        The same of a ring of two pixels around it, inside the cell: near 1 for an edge as sharp as the picture.
    """

    region: NDArray[np.bool_]
    at_rim: bool
    remaining: float
    around: float

    def outline(self) -> Points:
        """Return the closed outline (row, column) in map pixels."""
        contours, _ = cv2.findContours(self.region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        contour = max(contours, key=cv2.contourArea)[:, 0, ::-1].astype(np.float64)
        if len(contour) < 3:
            low, high = contour.min(axis=0) - 0.5, contour.max(axis=0) + 0.5
            contour = np.array([low, [low[0], high[1]], high, [high[0], low[1]]])
        return (contour + 0.5) * HALF - 0.5

    def area_mm2(self, mm_per_px: float) -> float:
        """Return its area; `mm_per_px` is that of the maps."""
        return float(self.region.sum()) * (HALF * mm_per_px) ** 2

    def sides_mm(self, mm_per_px: float) -> tuple[float, float, float]:
        """Return the longer and the shorter side of the smallest rectangle around it, and the long side's angle.

        The angle is in degrees from the direction of the string, 0 to 90.
        """
        rows, columns = np.nonzero(self.region)
        _, sides, angle = cv2.minAreaRect(np.column_stack([columns, rows]).astype(np.float32))
        long_way = angle if sides[0] >= sides[1] else angle + 90
        off = abs((long_way + 90) % 180 - 90)
        scale = HALF * mm_per_px
        return (max(sides) + 1) * scale, (min(sides) + 1) * scale, off


def finding_of(view: PanelView, kind: Kind, cell: int, place: BlackPlace, score: float, **more: float) -> Finding:
    """Return a black place as a finding of a kind; `more` are further measurements by name."""
    long, short, _ = place.sides_mm(view.mm_per_px)
    return Finding(
        kind,
        cell,
        score,
        view.to_picture(place.outline()),
        area_fraction=float(place.region.mean()),
        measurements={
            "long_side_mm": round(long, 1),
            "short_side_mm": round(short, 1),
            "remaining_luminance_share": round(place.remaining, 3),
            **more,
        },
    )


Levels = tuple[FloatImage, NDArray[np.bool_], NDArray[np.float64]]
"""What `levels` returns."""


def levels(view: PanelView) -> Levels:
    """Return every cell against its own usual luminance, at half the scale of the maps.

    Returns
    -------
    level : ndarray of float32, shape (cells, rows, columns)
        Natural logarithm, 0 for what is usual in the cell.
    inside : ndarray of bool, shape (rows, columns)
        Where it can be trusted.
    texture : ndarray, shape (cells,)
        Robust spread of each cell's level.
    """
    small = view.deviation.shape[:0:-1]
    inside = cv2.resize(view.inside.astype(np.float32), small, interpolation=cv2.INTER_AREA) > 0.99
    if not inside.any():
        return view.deviation, inside, np.zeros(len(view.deviation))
    level, chosen = np.empty_like(view.deviation), spread_places(inside, 3)

    def work(part: slice) -> NDArray[np.float32]:
        own = view.deviation[part]
        places = np.ascontiguousarray(own.reshape(len(own), -1)[:, chosen])
        usual = middle_of(places)[:, None]
        np.subtract(own, usual[:, :, None], out=level[part])
        return middle_of(np.abs(places - usual))

    texture = np.concatenate(over_cells(work, len(level)))
    return level, inside, np.asarray(1.4826 * texture, np.float64)


def black_places(level: FloatImage, inside: NDArray[np.bool_], black: float) -> Iterator[BlackPlace]:
    """Find the places of a cell that lie below a level.

    Parameters
    ----------
    level : ndarray of float32, shape (rows, columns)
        The cell, from `levels`.
    inside : ndarray of bool
        Where to look.
    black : float
        Natural logarithm of luminance over the usual one.
    """
    dark = (level < black) & inside
    if not dark.any():
        return
    near_rim = cv2.dilate((~np.pad(inside, 1)).astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0
    _, label, stats, _ = cv2.connectedComponentsWithStats(dark.astype(np.uint8), connectivity=8)
    for number in range(1, len(stats)):
        region = label == number
        wide = cv2.dilate(region.astype(np.uint8), np.ones((2 * _RING + 1, 2 * _RING + 1), np.uint8)) > 0
        close = cv2.dilate(region.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        ring = wide & ~close & inside
        yield BlackPlace(
            region, bool((region & near_rim).any()), _share(level, region), _share(level, ring) if ring.any() else 0.0
        )


def _share(level: FloatImage, where: NDArray[np.bool_]) -> float:
    return float(np.exp(np.median(level[where])))
