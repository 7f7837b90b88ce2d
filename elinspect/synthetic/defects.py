"""Specifications of defects: where each lies in its cell and how strong it is.

Places in a cell are shares of it as the gate view shows it (`elinspect.frames.CellPlace`). Everything random about a
defect's shape is drawn before (see `elinspect.synthetic.chance`), so that a specification is explicit.
"""

import math
from dataclasses import dataclass, replace

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
    touching : float
        Share of the broken fingers whose ends still touch, each with a resistance of its own: what is left of the
        current then shows as streaks.
    alike_mm : float
        Over about so many mm neighbouring fingers touch alike, so that pieces are dim or dark as a whole; 0: each has
        a resistance of its own.
    """

    string: int
    position: int
    paths: tuple[Path, ...]
    severed: float = 0.0
    contrast: float = 0.2
    width_mm: float = 0.8
    touching: float = 0.0
    alike_mm: float = 0.0

    def __post_init__(self) -> None:
        if not self.paths:
            raise ValueError("paths must hold at least one path")
        for path in self.paths:
            _check_places("paths", path, 2)
        _check_share("severed", self.severed)
        _check_share("touching", self.touching)
        _check_positive("contrast", self.contrast)
        _check_positive("width_mm", self.width_mm)
        if not 0 <= self.alike_mm <= 100:
            raise ValueError(f"alike_mm must lie in 0..100, not {self.alike_mm}")


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
        Where the first finger is broken. A break half way between two busbars changes nothing: no current flows there
        (`draw_finger_interruption` draws none there).
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
class SolderFault:
    """A stretch of ribbon that is not soldered to its busbar.

    Attributes
    ----------
    string, position : int
        Address of the cell.
    busbar : int
        Which busbar, from 1, from the top of the gate view.
    start, end : float
        Stretch along the cell, shares of it; 0 and 1 for the whole ribbon.
    """

    string: int
    position: int
    busbar: int
    start: float = 0.0
    end: float = 1.0

    def __post_init__(self) -> None:
        _check_share("start", self.start)
        _check_share("end", self.end)
        if self.end <= self.start:
            raise ValueError(f"end must be above start, {self.start}, not {self.end}")
        if self.busbar < 1:
            raise ValueError(f"busbar must be 1 or more, not {self.busbar}")


@dataclass(frozen=True, slots=True)
class RibbonOffset:
    """A ribbon without contact that lies beside its busbar by `offset_mm` (down in the gate view)."""

    string: int
    position: int
    busbar: int
    offset_mm: float

    def __post_init__(self) -> None:
        if self.busbar < 1:
            raise ValueError(f"busbar must be 1 or more, not {self.busbar}")
        if not abs(self.offset_mm) <= 20:
            raise ValueError(f"offset_mm must lie in -20..20, not {self.offset_mm}")


@dataclass(frozen=True, slots=True)
class ShuntedCell:
    """A cell with a resistance of `ohm` across its junction at one place: dark, darkest at low current."""

    string: int
    position: int
    place: CellPlace
    ohm: float = 0.15

    def __post_init__(self) -> None:
        _check_places("place", (self.place,), 1)
        _check_positive("ohm", self.ohm)


@dataclass(frozen=True, slots=True)
class ChippedCell:
    """A cell with a piece missing; the outline is a polygon that reaches over its edge."""

    string: int
    position: int
    outline: Path

    def __post_init__(self) -> None:
        _check_places("outline", self.outline, 3)


@dataclass(frozen=True, slots=True)
class MisplacedCell:
    """A cell that lies beside its place: shifted (x right, y down in the gate view) and turned clockwise."""

    string: int
    position: int
    shift_x_mm: float = 0.0
    shift_y_mm: float = 0.0
    turn_deg: float = 0.0

    def __post_init__(self) -> None:
        for name, bound in (("shift_x_mm", 30.0), ("shift_y_mm", 30.0), ("turn_deg", 10.0)):
            if not abs(getattr(self, name)) <= bound:
                raise ValueError(f"{name} must lie in -{bound}..{bound}, not {getattr(self, name)}")


@dataclass(frozen=True, slots=True)
class ForeignBody:
    """Something that lies on a cell and lets hardly any light through; a polygon that may reach over its edge."""

    string: int
    position: int
    outline: Path
    remaining: float = 0.05

    def __post_init__(self) -> None:
        _check_places("outline", self.outline, 3)
        _check_share("remaining", self.remaining)


@dataclass(frozen=True, slots=True)
class ReversedCell:
    """A cell laid with its poles exchanged: it blocks, breaks down in a few points, and gives no light."""

    string: int
    position: int


@dataclass(frozen=True, slots=True)
class BridgedString:
    """A string whose ends are joined by a ribbon across: `remaining` of the current still goes through it."""

    string: int
    remaining: float = 0.01

    def __post_init__(self) -> None:
        _check_share("remaining", self.remaining)


@dataclass(frozen=True, slots=True)
class OpenString:
    """A string whose circuit is open: nothing flows in any string of that circuit."""

    string: int


@dataclass(frozen=True, slots=True)
class BussingJointFault:
    """One ribbon that is not joined to the bussing ribbon, at the end where ribbons lie on the cells' light side.

    Attributes
    ----------
    string : int
        Which string.
    ribbon : int
        Which ribbon, from 1, from the top of the gate view.
    """

    string: int
    ribbon: int

    def __post_init__(self) -> None:
        if self.ribbon < 1:
            raise ValueError(f"ribbon must be 1 or more, not {self.ribbon}")


@dataclass(frozen=True, slots=True)
class DarkCell:
    """A cell of a worse class: dark as a whole at the same current; `remaining` is its luminance over a usual one's."""

    string: int
    position: int
    remaining: float = 0.45

    def __post_init__(self) -> None:
        _check_share("remaining", self.remaining)


@dataclass(frozen=True, slots=True)
class DarkString:
    """A string that is contacted in part: `remaining` of the current goes through it, the rest past it."""

    string: int
    remaining: float = 0.25

    def __post_init__(self) -> None:
        _check_share("remaining", self.remaining)


CellDefect = (
    Crack
    | InactiveArea
    | FingerInterruption
    | SolderFault
    | RibbonOffset
    | ShuntedCell
    | ChippedCell
    | ForeignBody
    | BussingJointFault
)
"""Defects drawn into a cell."""
StringDefect = DarkString | BridgedString | OpenString
"""Defects of a whole string."""
Defect = CellDefect | DarkCell | ReversedCell | MisplacedCell | StringDefect
"""All defects that can be simulated."""


def turned_about(defect: CellDefect, busbars: int) -> CellDefect:
    """Return the defect as it is seen when the cell is rotated by 180°."""
    if isinstance(defect, Crack):
        return replace(defect, paths=tuple(_path_about(path) for path in defect.paths))
    if isinstance(defect, InactiveArea | ChippedCell | ForeignBody):
        return replace(defect, outline=_path_about(defect.outline))
    if isinstance(defect, SolderFault):
        return replace(defect, busbar=busbars + 1 - defect.busbar, start=1 - defect.end, end=1 - defect.start)
    if isinstance(defect, BussingJointFault):
        return replace(defect, ribbon=busbars + 1 - defect.ribbon)
    if isinstance(defect, RibbonOffset):
        return replace(defect, busbar=busbars + 1 - defect.busbar, offset_mm=-defect.offset_mm)
    return replace(defect, place=_place_about(defect.place))


def _place_about(place: CellPlace) -> CellPlace:
    return CellPlace(1 - place.u, 1 - place.v)


def _path_about(path: Path) -> Path:
    return tuple(_place_about(place) for place in path)
