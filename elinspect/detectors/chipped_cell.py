"""Chips: a piece missing at an edge or corner, where all other cells of the panel have silicon."""

import numpy as np

from elinspect.detectors.black_places import BlackPlace, black_places, finding_of
from elinspect.detectors.view import REFERENCE_CELLS
from elinspect.records import Detection, Finding, Kind, PanelView, read_only
from elinspect.settings import ChippedCellSettings


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
        Closed outlines up to where the cell is looked at. The format's outline is what the panel's cells have in
        common, so chamfers are none; with fewer than eight cells nothing is found. A dark region at the edge that is
        larger than a chip can be is an inactive area.
    """
    scores = np.zeros(len(view.flat), np.float32)
    findings: list[Finding] = []
    for cell in np.flatnonzero(view.judged) if len(view.flat) >= REFERENCE_CELLS else ():
        for place in black_places(view, int(cell), settings.black_share):
            score = _score(view, place, settings)
            scores[cell] = max(scores[cell], score)
            if score >= settings.threshold:
                findings.append(finding_of(view, Kind.CHIPPED_CELL, int(cell), place, score))
    return Detection(Kind.CHIPPED_CELL, read_only(scores), tuple(findings))


def _score(view: PanelView, place: BlackPlace, settings: ChippedCellSettings) -> float:
    """Area over that which gives 0.5; none for what lies within the cell, is too large, or fades out."""
    share = float(place.region.mean())
    if not place.at_rim or share > settings.most_area_fraction or place.around < settings.least_around:
        return 0.0
    long, short, _ = place.sides_mm(view.mm_per_px)
    if long > settings.most_ratio * short and short < settings.least_depth_mm:
        return 0.0
    area = place.area_mm2(view.mm_per_px)
    return area / (area + settings.half_area_mm2)
