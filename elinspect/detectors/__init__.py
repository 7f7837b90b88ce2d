"""Detectors: one module per kind, each a function from the panel's view and its settings to findings and scores."""

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
from elinspect.detectors.explained import without_explained
from elinspect.detectors.finger_interruption import not_on_cracks
from elinspect.detectors.foreign_body import not_between_cracks
from elinspect.detectors.probe_contact import contact_notes
from elinspect.detectors.starved_kind import not_among_starved
from elinspect.detectors.view import prepare
from elinspect.records import Detection, PanelView
from elinspect.settings import DetectorSettings

__all__ = ["contact_notes", "detect_all", "prepare"]

NEAR_MM = 1.5
"""How near to the outline of a black place something is explained by it: blur, and the error of an outline."""


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
    near = round(NEAR_MM / view.pictures.mm_per_px)
    bodies = not_between_cracks(
        foreign_body.detect(view, settings.foreign_body), search.detection, view, settings.foreign_body.crack_reach_mm
    )
    chips = chipped_cell.detect(view, settings.chipped_cell)
    cracks = without_explained(search.detection, (bodies,), 0.8, reach_px=near)
    areas = without_explained(
        inactive_area.detect(view, settings.inactive_area), (bodies, chips), 0.7, reach_px=near, closed=True
    )
    black = (areas, chips, bodies)
    fingers = not_on_cracks(finger_interruption.detect(view, settings.finger_interruption), cracks, view)
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
        without_explained(fingers, black, 0.6, reach_px=near),
        *without_current,
        misplaced_cell.detect(view, settings.misplaced_cell),
        ribbon_offset.detect(view, settings.ribbon_offset),
        chips,
        bodies,
        *(
            without_explained(faults, black, 0.25, reach_px=near, closed=True)
            for faults in solder_fault.detect(view, settings.solder_fault)
        ),
        without_explained(
            material_pattern.detect(view, settings.material_pattern, search.shared),
            black,
            0.4,
            reach_px=near,
            closed=True,
        ),
    )
