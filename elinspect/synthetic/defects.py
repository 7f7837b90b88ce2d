"""Specifications of defects: where each lies in its cell and how strong it is.

Places in a cell are shares of it as the gate view shows it (`elinspect.frames.CellPlace`). Everything random about a
defect's shape is drawn before (see `elinspect.synthetic.chance`), so that a specification is explicit.
"""

import math
from dataclasses import dataclass

from elinspect.frames import CellPlace

Path = tuple[CellPlace, ...]
"""A polyline in a cell."""


def _check_share(name: str, value: float) -> None:
    if not 0 <= value <= 1:
        raise ValueError(f"{name} must lie in 0..1, not {value}")


def _check_positive(name: str, value: float) -> None:
    if not (value > 0 and math.isfinite(value)):
        raise ValueError(f"{name} must be above 0, not {value}")


def _check_places(name: str, places: Path, at_least: int) -> None:
    if len(places) < at_least:
        raise ValueError(f"{name} needs at least {at_least} places, not {len(places)}")
    for place in places:
        _check_share(f"{name}.u", place.u)
        _check_share(f"{name}.v", place.v)


@dataclass(frozen=True, slots=True)
class Crack:
    """A crack: a dark line that may break fingers.

    Attributes
    ----------
    string, position : int
        Address of the cell.
    paths : tuple of Path
        The crack and, after it, its branches.
    severed : float
        Share of the crossed fingers that it breaks, 0..1; the luminance step follows from the broken fingers.
    contrast : float
        Depth of the line itself, natural logarithm of luminance.
    width_mm : float
        Width of the line (two standard deviations of its profile).
    """

    string: int
    position: int
    paths: tuple[Path, ...]
    severed: float = 0.0
    contrast: float = 0.2
    width_mm: float = 0.8

    def __post_init__(self) -> None:
        if not self.paths:
            raise ValueError("paths must hold at least one path")
        for path in self.paths:
            _check_places("paths", path, 2)
        _check_share("severed", self.severed)
        _check_positive("contrast", self.contrast)
        _check_positive("width_mm", self.width_mm)


@dataclass(frozen=True, slots=True)
class InactiveArea:
    """A part of a cell that carries (almost) no current.

    Attributes
    ----------
    string, position : int
        Address of the cell.
    outline : Path
        Polygon.
    remaining : float
        Luminance left, share of what would be there.
    """

    string: int
    position: int
    outline: Path
    remaining: float = 0.08

    def __post_init__(self) -> None:
        _check_places("outline", self.outline, 3)
        _check_share("remaining", self.remaining)


@dataclass(frozen=True, slots=True)
class FingerInterruption:
    """One or several neighbouring fingers broken at one height.

    Attributes
    ----------
    string, position : int
        Address of the cell.
    place : CellPlace
        Where the first finger is broken. A break half way between two busbars changes nothing: no current flows there.
    fingers : int
        Neighbouring fingers broken.
    severed : float
        1 breaks them wholly, less leaves a resistance.
    """

    string: int
    position: int
    place: CellPlace
    fingers: int = 1
    severed: float = 1.0

    def __post_init__(self) -> None:
        _check_places("place", (self.place,), 1)
        _check_share("severed", self.severed)
        if self.fingers < 1:
            raise ValueError(f"fingers must be 1 or more, not {self.fingers}")


@dataclass(frozen=True, slots=True)
class DarkCell:
    """A cell that is dark as a whole; `remaining` is its luminance over that of a usual one."""

    string: int
    position: int
    remaining: float = 0.45

    def __post_init__(self) -> None:
        _check_share("remaining", self.remaining)


@dataclass(frozen=True, slots=True)
class DarkString:
    """A string that is dark as a whole; `remaining` is its luminance over that of a usual one."""

    string: int
    remaining: float = 0.25

    def __post_init__(self) -> None:
        _check_share("remaining", self.remaining)


CellDefect = Crack | InactiveArea | FingerInterruption
"""Defects drawn into a cell."""
Defect = CellDefect | DarkCell | DarkString
"""All defects that can be simulated."""
