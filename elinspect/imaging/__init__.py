"""Read exposures, correct them, and say how good they are."""

from elinspect.imaging.reading import read_exposures, read_image, single_exposure
from elinspect.imaging.stored import ReadingLimits

__all__ = ["ReadingLimits", "read_exposures", "read_image", "single_exposure"]
