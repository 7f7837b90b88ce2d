"""Product recipe and acceptance criteria: TOML files as frozen, validated values.

A wrong file is refused with the file, the table and the key; nothing is guessed and unknown keys are errors, so that a
misspelt limit can never be silently ignored.
"""

import tomllib
from dataclasses import dataclass, field
from enum import StrEnum
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BeforeValidator, ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as validated

from elinspect.catalogue import words
from elinspect.errors import SettingsFileError
from elinspect.records import AddressScheme as AddressScheme
from elinspect.records import CrackMode, Disposition, Kind, Layout, ViewSide
from elinspect.records import Numbering as Numbering

RECIPE_SCHEMA = "elinspect.recipe/1"
CRITERIA_SCHEMA = "elinspect.criteria/1"

_STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)
_Positive = Annotated[float, Field(gt=0)]
_NotNegative = Annotated[float, Field(ge=0)]
_Share = Annotated[float, Field(ge=0, le=1)]


def _layout(value: object) -> object:
    return Layout.parse(value) if isinstance(value, str) else value


class Wafer(StrEnum):
    """Kind of wafer."""

    MONO = "mono"
    MULTI = "multi"


class Technology(StrEnum):
    """What the cell's conducting layers do to the picture."""

    PERC_LIKE = "perc_like"
    TOPCON_LIKE = "topcon_like"
    HJT_LIKE = "hjt_like"


class CutEdge(StrEnum):
    """Long side of a half-cut cell that was cut, as seen in the gate view; none for full cells."""

    NONE = "none"
    LEFT = "left"
    RIGHT = "right"


@validated(frozen=True, slots=True, config=_STRICT)
class CellFormat:
    """One cell.

    Attributes
    ----------
    along_mm, across_mm : float
        Size along the string and across it.
    wafer : Wafer
        Mono or multi.
    technology : Technology
        Cell technology.
    busbars : int
        Busbars or wires, which run along the string.
    chamfer_mm : float
        Leg of a chamfered corner; 0 for square cells.
    cut_edge : CutEdge
        Which edge was cut.
    """

    along_mm: _Positive
    across_mm: _Positive
    wafer: Wafer = Wafer.MONO
    technology: Technology = Technology.PERC_LIKE
    busbars: Annotated[int, Field(ge=0, le=40)] = 5
    chamfer_mm: _NotNegative = 0.0
    cut_edge: CutEdge = CutEdge.NONE


@validated(frozen=True, slots=True, config=_STRICT)
class Spacing:
    """Gaps between cells of a string, between strings and between blocks."""

    cell_gap_mm: float = 2.0
    string_gap_mm: float = 2.0
    block_gap_mm: _NotNegative = 20.0


@validated(frozen=True, slots=True, config=_STRICT)
class Camera:
    """How the gate's camera sees the panel; the turn brings its pictures to the gate view."""

    view_side: ViewSide = ViewSide.FRONT
    rotation_deg: Literal[0, 90, 180, 270] = 0
    mirrored: bool = False


@validated(frozen=True, slots=True, config=_STRICT)
class Circuit:
    """How the strings are connected.

    Attributes
    ----------
    series : tuple of tuple of int
        Each inner tuple lists strings in series order; the inner tuples are parallel. Empty: each block is one series
        circuit of its strings in order, and the blocks are parallel.
    bypass_groups : tuple of tuple of int
        Strings that will share one bypass diode in the junction box (fitted after lamination). Empty: not stated.
    """

    series: tuple[tuple[int, ...], ...] = ()
    bypass_groups: tuple[tuple[int, ...], ...] = ()


@validated(frozen=True, slots=True, config=_STRICT)
class Electrical:
    """Datasheet values of the finished module at standard test conditions; None where not given."""

    power_w: _Positive | None = None
    voc_v: _Positive | None = None
    isc_a: _Positive | None = None
    vmp_v: _Positive | None = None
    imp_a: _Positive | None = None
    cell_breakdown_v: Annotated[float, Field(lt=0)] | None = None


@validated(frozen=True, slots=True, config=_STRICT)
class ProductRecipe:
    """What the panel is: layout, cells, camera side, addresses, circuit, electrical data."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    version: Annotated[str, Field(min_length=1, max_length=40)]
    layout: Annotated[Layout, BeforeValidator(_layout)]
    cell: CellFormat
    schema: Literal["elinspect.recipe/1"] = "elinspect.recipe/1"
    spacing: Spacing = field(default_factory=Spacing)
    camera: Camera = field(default_factory=Camera)
    addresses: AddressScheme = field(default_factory=AddressScheme)
    circuit: Circuit = field(default_factory=Circuit)
    electrical: Electrical = field(default_factory=Electrical)

    def __post_init__(self) -> None:
        strings = range(1, self.layout.n_strings + 1)
        for name, groups in (("series", self.circuit.series), ("bypass_groups", self.circuit.bypass_groups)):
            listed = sorted(string for group in groups for string in group)
            if groups and listed != list(strings):
                raise ValueError(f"circuit.{name} must list each string 1..{self.layout.n_strings} once")

    @property
    def label(self) -> str:
        """Name and version as the log keeps them."""
        return f"{self.name} {self.version}"


class Judgement(StrEnum):
    """What the criteria do with a kind."""

    JUDGED = "judged"
    SHOWN = "shown"
    NOT_JUDGEABLE = "not_judgeable"


@validated(frozen=True, slots=True, config=_STRICT)
class Limit:
    """One limit of one kind; it is reached when every condition given holds.

    Attributes
    ----------
    name : str
        Short name; ``crack`` with name ``any`` is shown as ``crack.any``.
    disposition : Disposition
        What reaching it suggests: rework or hold.
    origin : str
        Published rule or 'plant's choice'.
    min_length_mm, min_area_fraction, min_count_per_cell, modes
        Conditions; absent ones do not restrict. `min_count_per_cell` counts flags of the kind on the cell.
    """

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    origin: Annotated[str, Field(min_length=1)]
    disposition: Literal[Disposition.REWORK, Disposition.HOLD] = Disposition.REWORK
    min_length_mm: _Positive | None = None
    min_area_fraction: Annotated[float, Field(gt=0, le=1)] | None = None
    min_count_per_cell: Annotated[int, Field(ge=1)] | None = None
    modes: tuple[CrackMode, ...] = ()


@validated(frozen=True, slots=True, config=_STRICT)
class KindCriteria:
    """How one kind is treated."""

    judgement: Judgement = Judgement.JUDGED
    limits: tuple[Limit, ...] = ()

    def __post_init__(self) -> None:
        names = [limit.name for limit in self.limits]
        if len(set(names)) != len(names):
            raise ValueError("two limits have the same name")
        if self.judgement is not Judgement.JUDGED and self.limits:
            raise ValueError(f"a kind that is {self.judgement} cannot have limits")


@validated(frozen=True, slots=True, config=_STRICT)
class QualityLimits:
    """Below these an image may not be judged by.

    Attributes
    ----------
    min_signal_to_noise : float
        Of one pixel.
    max_saturated_fraction : float
        Share of the cells' pixels.
    max_unjudged_cells : int
        Cells that could not be judged.
    """

    min_signal_to_noise: _NotNegative = 5.0
    max_saturated_fraction: _Share = 0.02
    max_unjudged_cells: Annotated[int, Field(ge=0)] = 0


@validated(frozen=True, slots=True, config=_STRICT)
class AcceptanceCriteria:
    """The plant's limits, versioned apart from the recipe."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    version: Annotated[str, Field(min_length=1, max_length=40)]
    schema: Literal["elinspect.criteria/1"] = "elinspect.criteria/1"
    quality: QualityLimits = field(default_factory=QualityLimits)
    kinds: dict[Kind, KindCriteria] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """Name and version as the log keeps them."""
        return f"{self.name} {self.version}"


@dataclass(frozen=True, slots=True)
class Product:
    """A recipe together with whether its sizes are known or only assumed.

    Attributes
    ----------
    recipe : ProductRecipe
        The product.
    scale_known : bool
        False if only a layout was given and the cell size is assumed.
    turn_known : bool
        False if only a layout was given and the camera's turn is taken from the picture.
    """

    recipe: ProductRecipe
    scale_known: bool = True
    turn_known: bool = True


def assumed_product(layout: Layout) -> Product:
    """Make a product of which only the layout is known.

    The cell size is assumed: 156 mm for one block, half cells of 182 mm x 91 mm for several (facts of the trade; no
    figure in mm may be given out).
    """
    if layout.blocks == 1:
        cell, spacing = CellFormat(156.0, 156.0), Spacing()
    else:
        cell, spacing = CellFormat(91.0, 182.0, cut_edge=CutEdge.LEFT, busbars=10), Spacing()
    recipe = ProductRecipe(f"layout {layout}", "assumed", layout, cell, spacing=spacing)
    return Product(recipe, scale_known=False, turn_known=False)


_File = TypeVar("_File", ProductRecipe, AcceptanceCriteria)


def _read(path: Path, kind: type[_File], what: str, schema: str) -> _File:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsFileError("settings.missing", what=what, file=str(path)) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsFileError("settings.unreadable", what=what, file=str(path), cause=str(error)) from error
    return _parse(text, str(path), kind, what, schema)


def _parse(text: str, file: str, kind: type[_File], what: str, schema: str) -> _File:
    try:
        table: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsFileError("settings.not_toml", what=what, file=file, cause=str(error)) from error
    given = table.get("schema", schema)
    if given != schema:
        raise SettingsFileError("settings.schema", what=what, file=file, given=str(given), expected=schema)
    try:
        return TypeAdapter(kind).validate_python(table)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the top level"
        raise SettingsFileError("settings.invalid", what=what, file=file, where=where, cause=first["msg"]) from error
    except SettingsFileError as error:
        raise SettingsFileError("settings.invalid", what=what, file=file, where="layout", cause=str(error)) from error


def read_recipe(path: Path) -> ProductRecipe:
    """Read a product recipe.

    Raises
    ------
    SettingsFileError
        If the file is missing, not TOML, or wrong; the text names file, table and key.
    """
    return _read(path, ProductRecipe, words("what.recipe"), RECIPE_SCHEMA)


def read_criteria(path: Path) -> AcceptanceCriteria:
    """Read acceptance criteria; raises as `read_recipe`."""
    return _read(path, AcceptanceCriteria, words("what.criteria"), CRITERIA_SCHEMA)


def default_criteria() -> AcceptanceCriteria:
    """Return the acceptance criteria shipped with the program."""
    text = resources.files("elinspect").joinpath("data/default_criteria.toml").read_text(encoding="utf-8")
    return _parse(text, "default_criteria.toml", AcceptanceCriteria, words("what.criteria"), CRITERIA_SCHEMA)


def _letters(number: int) -> str:
    text = ""
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def write_address(scheme: AddressScheme, string: int | None, position: int | None) -> str:
    """Write an address the plant's way; an empty text for the panel as a whole, the string alone for a string."""
    if string is None:
        return ""
    string_text = _letters(string) if scheme.strings is Numbering.LETTERS else str(string)
    if position is None:
        return string_text
    position_text = _letters(position) if scheme.positions is Numbering.LETTERS else str(position)
    parts = (string_text, position_text) if scheme.string_first else (position_text, string_text)
    return scheme.separator.join(parts)


def read_address(recipe: ProductRecipe, text: str) -> tuple[int, int]:
    """Read string and position from an address written the plant's way; the inverse of `write_address`.

    Raises
    ------
    SettingsFileError
        If the text is no address of this product.
    """
    layout, scheme = recipe.layout, recipe.addresses
    for string in range(1, layout.n_strings + 1):
        for position in range(1, layout.cells_per_string + 1):
            if write_address(scheme, string, position).casefold() == text.strip().casefold():
                return string, position
    raise SettingsFileError("settings.address", given=text)
