"""Strings that are dark beside a parallel partner that is bright for it: an open joint in the string."""

from elinspect.detectors.starved_kind import detection_of
from elinspect.records import Detection, Kind, PanelView
from elinspect.settings import CircuitSettings


def detect(view: PanelView, settings: CircuitSettings) -> Detection:
    """Find them; `elinspect.detectors.current` tells the states apart."""
    return detection_of(Kind.DARK_STRING, view, settings)
