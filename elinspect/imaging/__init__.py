"""Read exposures, correct them, and say how good they are."""

from elinspect.imaging.noise import signal_to_noise_from_pair
from elinspect.imaging.quality import assess, blank_reason
from elinspect.imaging.reading import read_exposures, read_image, single_exposure
from elinspect.imaging.stored import ReadingLimits

__all__ = [
    "ReadingLimits",
    "assess",
    "blank_reason",
    "read_exposures",
    "read_image",
    "signal_to_noise_from_pair",
    "single_exposure",
]
