"""Detectors: one module per kind, each a function from the panel's view and its settings to findings and scores."""

from dataclasses import replace

import numpy as np

from elinspect.detectors import (
    bridged_string,
    chipped_cell,
    crack,
    dark_cell,
    dark_string,
    finger_interruption,
    foreign_body,
    inactive_area,
    material_pattern,
    misplaced_cell,
    open_circuit,
    reversed_cell,
    ribbon_offset,
    solder_fault,
)
from elinspect.detectors.black_places import levels
from elinspect.detectors.explained import without_explained
from elinspect.detectors.finger_interruption import not_on_cracks, not_on_rings, with_bundles
from elinspect.detectors.foreign_body import not_between_cracks
from elinspect.detectors.nearness import kind_scores
from elinspect.detectors.probe_contact import contact_notes
from elinspect.detectors.silicon import silicon_of
from elinspect.detectors.starved_kind import not_among_starved
from elinspect.detectors.view import REFERENCE_CELLS, prepare
from elinspect.records import Detection, PanelView
from elinspect.settings import DetectorSettings

__all__ = ["contact_notes", "detect_all", "kind_scores", "prepare"]

NEAR_MM = 1.5
"""How near to the outline of a black place something is explained by it: blur, and the error of an outline."""


_STAIN_MM = 2.5
"""The same for the outline of a stain, which is found on a coarse map."""


_LARGE_FRACTION = 0.02
"""Share of the cell from which a dark region is surely more than a bundle of broken fingers."""


_BLACK = 0.012
"""Share of the light beyond that of the gaps that nothing keeps which is not there; what was cut off may keep more.
From simulated chips (at most 0.010) and pieces cut off that keep 4 to 5 % of their light."""

_SMALL_FRACTION = 0.004
"""Share of the cell below which an area is little more than its blur."""

_COVERED, _COVERED_SMALL = 0.7, 0.5
"""Share of an area, and of one that is little more than its blur, that a chip must cover to be it."""

_DIM = 0.3
"""Share of the light from which on a dark strip along a busbar still is fed: by the busbars beside it."""


_LONG = 0.6
"""Share of the cell's length from which on a dim strip may be a ribbon's: what a few centimetres of it leave without
contact stays brighter than any area."""

_SURE_FAULT = 0.64
"""Score of a solder fault from which on such a strip is its own: a weaker one may itself come of a piece cut off."""


_FREE_MM = 5.0
"""Distance from every edge, and beyond a busbar, from which on a stain is no piece that was cut off."""

_UPRIGHT = 0.75
"""Height over length along the busbar from which on a stain is no stretch without contact."""


def detect_all(view: PanelView, settings: DetectorSettings) -> tuple[Detection, ...]:
    """Run every detector.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : DetectorSettings
        One record per kind.

    Returns
    -------
    tuple of Detection
        One per kind, always in this order.
    """
    search = crack.search(view, settings.crack)
    near, level = round(NEAR_MM / view.pictures.mm_per_px), levels(view)
    bodies = not_between_cracks(
        foreign_body.detect(view, settings.foreign_body, level),
        search.detection,
        view,
        settings.foreign_body.crack_reach_mm,
    )
    silicon = silicon_of(view) if len(view.flat) >= REFERENCE_CELLS else None
    chips = chipped_cell.detect(view, settings.chipped_cell, silicon)
    pattern_search = material_pattern.search(view, settings.material_pattern, search.shared, level)
    patterns = pattern_search.detection
    of_no_ribbon, of_no_crack = _stains(patterns, view)
    cracks = without_explained(search.detection, (bodies,), 0.8, reach_px=near)
    cracks = without_explained(cracks, (of_no_crack,), 0.8, reach_px=_STAIN_MM / view.pictures.mm_per_px)
    faults = solder_fault.detect(view, settings.solder_fault)
    areas = _not_along_busbars(
        inactive_area.detect(view, settings.inactive_area, silicon, cracks.findings), faults, view, near
    )
    areas = without_explained(areas, (bodies, of_no_crack), 0.7, reach_px=near, closed=True)
    areas = _not_chips(areas, _remaining(chips, most=_BLACK), near)
    # A place at the edge is a chip or was cut off: what still gives light, or is larger than the chip, was cut off.
    chips = without_explained(chips, (areas,), 0.7, reach_px=near, closed=True)
    black = (areas, chips, bodies)
    streaks = finger_interruption.detect(view, settings.finger_interruption, search.wires_off)
    streaks = with_bundles(streaks, search.bundles, view, settings.finger_interruption)
    fingers = not_on_rings(not_on_cracks(streaks, cracks, view), pattern_search.rings, view)
    without_current = (
        open_circuit.detect(view, settings.circuit),
        bridged_string.detect(view, settings.circuit),
        dark_string.detect(view, settings.circuit),
        reversed_cell.detect(view, settings.circuit),
    )
    return (
        cracks,
        areas,
        not_among_starved(dark_cell.detect(view, settings.dark_cell), without_current),
        without_explained(fingers, (_large(areas), chips, bodies), 0.8),
        *without_current,
        misplaced_cell.detect(view, settings.misplaced_cell),
        ribbon_offset.detect(view, settings.ribbon_offset),
        chips,
        bodies,
        *(without_explained(own, (*black, of_no_ribbon), 0.25, reach_px=near, closed=True) for own in faults),
        without_explained(patterns, black, 0.4, reach_px=near, closed=True),
    )


def _large(areas: Detection) -> Detection:
    large = tuple(area for area in areas.findings if (area.area_fraction or 0) >= _LARGE_FRACTION)
    return replace(areas, findings=large)


def _stains(patterns: Detection, view: PanelView) -> tuple[Detection, Detection]:
    """Return stains that no ribbon makes, which are longer along it, and stains that no crack makes.

    What lies away from the edges on both sides of a busbar is fed by it, and cannot have been cut off.
    """
    scale = view.mm_per_px / view.pictures.mm_per_px
    bars = np.flatnonzero(view.busbar_rows) * scale
    away = _FREE_MM / view.pictures.mm_per_px
    last = np.array(view.pictures.full_current.shape[1:]) - 1
    of_no_ribbon, of_no_crack = [], []
    for one in patterns.findings:
        points = one.outline
        low, high = points[:, 0].min(), points[:, 0].max()
        if one.measurements["pattern"] != "stain":
            continue
        if high - low >= _UPRIGHT * np.ptp(points[:, 1]):
            of_no_ribbon.append(one)
        across = bool(((bars > low + away) & (bars < high - away)).any())
        if across and points.min() >= away and (last - points).min() >= away:
            of_no_crack.append(one)
    return replace(patterns, findings=tuple(of_no_ribbon)), replace(patterns, findings=tuple(of_no_crack))


def _not_chips(areas: Detection, chips: Detection, near: int) -> Detection:
    """Leave out areas that are chips: of small ones less need be covered, blur makes their outline far too large."""
    by_share = {
        share: {id(area) for area in without_explained(areas, (chips,), share, reach_px=near, closed=True).findings}
        for share in (_COVERED_SMALL, _COVERED)
    }
    left = tuple(
        area
        for area in areas.findings
        if id(area) in by_share[_COVERED_SMALL if (area.area_fraction or 0) < _SMALL_FRACTION else _COVERED]
    )
    return replace(areas, findings=left)


def _remaining(found: Detection, least: float = 0.0, most: float = 1.0) -> Detection:
    """Return the findings that keep a share of their light between two bounds."""
    kept = tuple(
        one for one in found.findings if least <= float(one.measurements["remaining_luminance_share"] or 0) <= most
    )
    return replace(found, findings=kept)


def _not_along_busbars(areas: Detection, faults: tuple[Detection, Detection], view: PanelView, near: int) -> Detection:
    """Leave out dim strips along busbars: their ribbon has no contact, and nothing was cut off."""
    least = _LONG * view.pictures.full_current.shape[2]
    dim = _remaining(areas, least=_DIM)
    strips = {id(area) for area in dim.findings if np.ptp(area.outline[:, 1]) >= least}
    sure = [replace(own, findings=tuple(one for one in own.findings if one.score >= _SURE_FAULT)) for own in faults]
    left = {id(area) for area in without_explained(dim, sure, 0.6, reach_px=near, closed=True).findings}
    return replace(areas, findings=tuple(area for area in areas.findings if id(area) not in strips - left))
