"""Circuits through which no current runs: an open joint, or no contact."""

from elinspect.detectors.starved_kind import detection_of
from elinspect.records import Detection, Kind, PanelView
from elinspect.settings import CircuitSettings


def detect(view: PanelView, settings: CircuitSettings) -> Detection:
    """Find them; `elinspect.detectors.current` tells the states apart."""
    return detection_of(Kind.OPEN_CIRCUIT, view, settings)
