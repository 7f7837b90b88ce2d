"""Strings, or parts of them, past which the current runs: something bridges them."""

from elinspect.detectors.starved_kind import detection_of
from elinspect.records import Detection, Kind, PanelView
from elinspect.settings import CircuitSettings


def detect(view: PanelView, settings: CircuitSettings) -> Detection:
    """Find them; `elinspect.detectors.current` tells the states apart."""
    return detection_of(Kind.BRIDGED_STRING, view, settings)
