"""Detectors: one module per kind, each a function from the panel's view and its settings to findings and scores."""

from elinspect.detectors import crack, dark_cell, finger_interruption, inactive_area
from elinspect.detectors.finger_interruption import not_on_cracks
from elinspect.detectors.view import prepare
from elinspect.records import Detection, PanelView
from elinspect.settings import DetectorSettings

__all__ = ["detect_all", "prepare"]


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
    cracks = crack.detect(view, settings.crack)
    return (
        cracks,
        inactive_area.detect(view, settings.inactive_area),
        dark_cell.detect(view, settings.dark_cell),
        not_on_cracks(finger_interruption.detect(view, settings.finger_interruption), cracks, view),
    )
