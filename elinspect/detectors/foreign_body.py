"""Foreign bodies: something that lies on a cell and lets no light through; black, with an edge as sharp as the picture.

What breaks in a cell fades out along the fingers, what lies on it does not.
"""

import math
from dataclasses import replace

import numpy as np

from elinspect.detectors.black_places import BlackPlace, Levels, black_places, finding_of, levels
from elinspect.detectors.chunks import middle_of
from elinspect.detectors.explained import along, depth_within
from elinspect.detectors.nearness import in_turn
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, Points, read_only
from elinspect.settings import ForeignBodySettings


def detect(view: PanelView, settings: ForeignBodySettings, known: Levels | None = None) -> Detection:
    """Find foreign bodies.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : ForeignBodySettings
        How dark, how sharp, how large.
    known : Levels, optional
        The panel's `levels`, where they are known already.

    Returns
    -------
    Detection
        Closed outlines; bodies that reach the edge of their cell look like chips and are reported as such.
    """
    scores = np.zeros(len(view.flat), np.float32)
    findings: list[Finding] = []
    level, inside, texture = known or levels(view)
    # Grains are dark too: the more of them, the blacker a body has to be.
    black = np.clip(
        -settings.texture_multiple * texture, math.log(settings.blackest_share), math.log(settings.black_share)
    )
    lowest = np.where(inside, level, np.float32(0)).min(axis=(1, 2))
    for cell in np.flatnonzero(view.judged & (lowest < black)).tolist():
        for place in black_places(level[cell], inside, float(black[cell])):
            score = _score(view, place, settings)
            if score > 0 and _in_sisters(level, place, float(black[cell]), settings.most_sisters):
                continue
            scores[cell] = max(scores[cell], score)
            if score >= settings.threshold:
                edge = round(place.around, 3)
                findings.append(finding_of(view, Kind.FOREIGN_BODY, cell, place, score, edge_share=edge))
    nearness = in_turn(lowest / black, scores, settings.threshold) * view.judged
    return Detection(Kind.FOREIGN_BODY, read_only(scores), tuple(findings), nearness)


def not_between_cracks(bodies: Detection, cracks: Detection, view: PanelView, reach_mm: float) -> Detection:
    """Leave out black places at which a crack ends that goes on beyond them: what is black there was cut off."""
    reach = reach_mm / view.pictures.mm_per_px
    behind = [
        crack
        for crack in cracks.findings
        if _leads_on(crack.outline, [body.outline for body in bodies.findings if body.cell == crack.cell], reach)
    ]
    kept = tuple(
        body
        for body in bodies.findings
        if not any(
            crack.cell == body.cell and depth_within(along(crack.outline), body.outline).max() >= -reach
            for crack in behind
        )
    )
    return replace(bodies, findings=kept)


def _leads_on(crack: Points, bodies: list[Points], reach: float) -> bool:
    """Whether most of a line lies away from all black places: it is not one of their outlines."""
    if not bodies:
        return False
    depth = np.max([depth_within(along(crack), body) for body in bodies], axis=0)
    return float((depth >= -reach).mean()) < 0.6


def _in_sisters(level: FloatImage, place: BlackPlace, black: float, most: int) -> bool:
    """Whether more cells than `most` are dark at the same place, or at that of a wafer turned half a turn: grains."""
    inner = np.flatnonzero(place.region)
    places = level.reshape(len(level), -1)
    alike = [
        middle_of(np.ascontiguousarray(places[:, own])) < black / 2 for own in (inner, places.shape[1] - 1 - inner)
    ]
    return int(np.count_nonzero(alike[0] | alike[1])) - 1 > most


def _score(view: PanelView, place: BlackPlace, settings: ForeignBodySettings) -> float:
    """Area over that which gives 0.5, times how sharp its edge is."""
    if place.at_rim or float(place.region.mean()) > settings.most_area_fraction:
        return 0.0
    long, short, angle = place.sides_mm(view.mm_per_px)
    # Dark fingers stand upright between busbars, bundles of them too.
    if angle > 90 - settings.upright_deg and long > 2 * short:
        return 0.0
    area = place.area_mm2(view.mm_per_px)
    sharpness = min(max(place.around - settings.soft_around, 0.0) / (settings.sharp_around - settings.soft_around), 1.0)
    return area / (area + settings.half_area_mm2) * sharpness
