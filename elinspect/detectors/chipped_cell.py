"""Chips: a piece missing at an edge or corner, where all other cells of the panel have silicon."""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import over_cells
from elinspect.detectors.nearness import in_turn
from elinspect.detectors.silicon import Silicon, silicon_of
from elinspect.detectors.view import REFERENCE_CELLS
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, Points, read_only
from elinspect.settings import ChippedCellSettings
from elinspect.vision import cv2

_SOME = 8
"""Fewer dark places of a rim than a chip would leave say nothing."""


def detect(view: PanelView, settings: ChippedCellSettings) -> Detection:
    """Find chips.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : ChippedCellSettings
        How dark, how large.

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
        silicon = silicon_of(view)
        least = np.where(silicon.present, silicon.usual + np.log(settings.black_share), -np.inf).astype(np.float32)

        darkness = _darkness_of_rims(view, silicon, settings)

        def work(part: slice) -> list[list[Finding]]:
            return [_chips(view, cell, silicon, least, settings) for cell in range(part.start, part.stop)]

        for cell, found in enumerate([of_cell for part in over_cells(work, n) for of_cell in part]):
            if view.judged[cell] and found:
                scores[cell] = max(chip.score for chip in found)
                findings += [chip for chip in found if chip.score >= settings.threshold]
    nearness = in_turn(darkness, scores, settings.threshold) * view.judged
    return Detection(Kind.CHIPPED_CELL, read_only(scores), tuple(findings), nearness, seen=n >= REFERENCE_CELLS)


def _darkness_of_rims(view: PanelView, silicon: Silicon, settings: ChippedCellSettings) -> NDArray[np.float32]:
    """How near the darkest places of each cell's rim come to black, 0 to 1."""
    rim = np.flatnonzero(silicon.rim & silicon.present)
    if len(rim) <= _SOME:
        return np.zeros(len(view.log_cells), np.float32)
    level = view.log_cells.reshape(len(view.log_cells), -1)[:, rim] - silicon.usual.ravel()[rim]
    darkest = np.partition(level, _SOME, axis=1)[:, _SOME]
    return np.asarray(np.clip(darkest / np.log(settings.black_share), 0, 1), np.float32)


def _chips(
    view: PanelView, cell: int, silicon: Silicon, least: FloatImage, settings: ChippedCellSettings
) -> list[Finding]:
    black = (view.log_cells[cell] < least).astype(np.uint8)
    black = cv2.morphologyEx(black, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE)
    if not (black.astype(bool) & silicon.rim).any():
        return []
    _, label = cv2.connectedComponents(black, connectivity=8)
    at_rim = np.unique(label[silicon.rim & (black > 0)])
    return [chip for number in at_rim if (chip := _chip(view, cell, label == number, silicon, settings)) is not None]


def _chip(
    view: PanelView, cell: int, region: NDArray[np.bool_], silicon: Silicon, settings: ChippedCellSettings
) -> Finding | None:
    area_mm2 = float(region.sum()) * view.mm_per_px**2
    outline = _outline(region)
    _, sides, _ = cv2.minAreaRect(outline[:, ::-1].astype(np.float32))
    long, short = ((side + 1) * view.mm_per_px for side in (max(sides), min(sides)))
    if area_mm2 > settings.most_area_mm2 or (long > settings.most_ratio * short and short < settings.least_depth_mm):
        return None
    level = view.log_cells[cell] - silicon.usual
    remaining = float(np.exp(np.median(level[region])))
    around = _around(region, silicon.present)
    if (
        remaining > settings.most_remaining
        or not around.any()
        or np.exp(np.median(level[around])) < settings.least_around
    ):
        return None
    return Finding(
        Kind.CHIPPED_CELL,
        cell,
        area_mm2 / (area_mm2 + settings.half_area_mm2),
        view.to_picture(outline),
        area_fraction=float(region.mean()),
        measurements={
            "long_side_mm": round(long, 1),
            "short_side_mm": round(short, 1),
            "remaining_luminance_share": round(remaining, 3),
        },
    )


def _around(region: NDArray[np.bool_], present: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Ring of silicon around a region, two places away from it."""
    wide, close = (
        cv2.dilate(region.astype(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) for reach in (5, 2)
    )
    return np.asarray((wide > 0) & (close == 0) & present)


def _outline(region: NDArray[np.bool_]) -> Points:
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    contour = max(contours, key=cv2.contourArea)[:, 0, ::-1].astype(np.float64)
    return np.asarray(contour)
