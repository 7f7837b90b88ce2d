"""Frozen values that travel between the rooms.

Conventions
-----------
- Arrays inside records are read-only; a record with an array compares by identity (``eq=False``).
- Image arrays are indexed ``(row, column)``. Points of the *file as stored* are ``(x, y)``: x right, y down, (0, 0) the
  centre of the top-left pixel. Points of a *cell picture* are ``(row, column)``.
- The *gate view* is the picture in which strings lie horizontally and addresses are fixed (see `Orientation`).
- Cells are ordered by string, then by position: cell ``i`` is string ``i // cells_per_string + 1``, position
  ``i % cells_per_string + 1``.
"""

from elinspect.records.findings import Detection, Finding, Flag
from elinspect.records.panels import (
    Branch,
    CellGrid,
    CellPictures,
    CircuitFacts,
    NoModel,
    NotFound,
    PanelMeasures,
    PanelOutline,
    PanelView,
)
from elinspect.records.pictures import (
    ElImage,
    ExposureConditions,
    Exposures,
    FloatImage,
    ImageQuality,
    PixelPlace,
    Points,
    Tile,
    read_only,
)
from elinspect.records.places import Address, AddressScheme, Corner, Layout, Numbering, Orientation, ViewSide
from elinspect.records.results import (
    CellLoss,
    CellResult,
    ExposureFile,
    ExposureRole,
    Fingerprints,
    ImageFacts,
    Outcome,
    PanelFacts,
    PanelLoss,
    PanelResult,
    Proposal,
    Recheck,
    RecheckedFlag,
    ReworkAction,
    ReworkPlan,
    ReworkStep,
    Versions,
)
from elinspect.records.words import (
    PANEL_KINDS,
    STRING_KINDS,
    Answer,
    CrackMode,
    CrackPattern,
    Disposition,
    Kind,
    Purpose,
    Source,
    Stage,
    Technology,
    Unjudged,
)

__all__ = [
    "PANEL_KINDS",
    "STRING_KINDS",
    "Address",
    "AddressScheme",
    "Answer",
    "Branch",
    "CellGrid",
    "CellLoss",
    "CellPictures",
    "CellResult",
    "CircuitFacts",
    "Corner",
    "CrackMode",
    "CrackPattern",
    "Detection",
    "Disposition",
    "ElImage",
    "ExposureConditions",
    "ExposureFile",
    "ExposureRole",
    "Exposures",
    "Finding",
    "Fingerprints",
    "Flag",
    "FloatImage",
    "ImageFacts",
    "ImageQuality",
    "Kind",
    "Layout",
    "NoModel",
    "NotFound",
    "Numbering",
    "Orientation",
    "Outcome",
    "PanelFacts",
    "PanelLoss",
    "PanelMeasures",
    "PanelOutline",
    "PanelResult",
    "PanelView",
    "PixelPlace",
    "Points",
    "Proposal",
    "Purpose",
    "Recheck",
    "RecheckedFlag",
    "ReworkAction",
    "ReworkPlan",
    "ReworkStep",
    "Source",
    "Stage",
    "Technology",
    "Tile",
    "Unjudged",
    "Versions",
    "ViewSide",
    "read_only",
]
