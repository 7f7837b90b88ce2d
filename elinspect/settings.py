"""Settings of the detectors and of the geometry, one frozen record each.

Lengths are in mm of the cell, heights in multiples of the measured noise or as shares; each field says its unit and
where its default comes from.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class GeometrySettings:
    """How cells are cut.

    Attributes
    ----------
    finest_mm_per_px, coarsest_mm_per_px : float
        Cell pictures are made at the file's own resolution, but not finer than the first (time and memory without more
        to see: a hairline of a sharp camera is blurred over more than this) nor coarser than the second (upsampled).
    """

    finest_mm_per_px: float = 0.3
    coarsest_mm_per_px: float = 0.6
