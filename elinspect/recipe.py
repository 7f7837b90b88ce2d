"""Product recipe: a TOML file as frozen, validated values; the acceptance criteria beside it are in `criteria`.

A wrong file is refused with the file, the table and the key; nothing is guessed and unknown keys are errors, so that a
misspelt limit can never be silently ignored.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field
from pydantic.dataclasses import dataclass as validated

from elinspect.catalogue import words
from elinspect.criteria import AcceptanceCriteria as AcceptanceCriteria
from elinspect.criteria import Judgement as Judgement
from elinspect.criteria import KindCriteria as KindCriteria
from elinspect.criteria import Limit as Limit
from elinspect.criteria import QualityLimits as QualityLimits
from elinspect.criteria import default_criteria as default_criteria
from elinspect.criteria import read_criteria as read_criteria
from elinspect.errors import SettingsFileError
from elinspect.records import AddressScheme as AddressScheme
from elinspect.records import Layout, ViewSide
from elinspect.records import Numbering as Numbering
from elinspect.records import Technology as Technology
from elinspect.toml_file import STRICT, read_toml

RECIPE_SCHEMA = "elinspect.recipe/1"

_Positive = Annotated[float, Field(gt=0)]
_NotNegative = Annotated[float, Field(ge=0)]
_CellSide = Annotated[float, Field(ge=10, le=500)]
"""Cells of the trade have sides of 40 to 210 mm (common practice); far beyond, the unit is wrong."""
_Gap = Annotated[float, Field(ge=-20, le=500)]
"""Below 0 neighbours overlap."""


def _layout(value: object) -> object:
    return Layout.parse(value) if isinstance(value, str) else value


class Wafer(StrEnum):
    """Kind of wafer."""

    MONO = "mono"
    MULTI = "multi"


class CutEdge(StrEnum):
    """Long side of a half-cut cell that was cut, as seen in the gate view; none for full cells."""

    NONE = "none"
    LEFT = "left"
    RIGHT = "right"


@validated(frozen=True, slots=True, config=STRICT)
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

    along_mm: _CellSide
    across_mm: _CellSide
    wafer: Wafer = Wafer.MONO
    technology: Technology = Technology.PERC_LIKE
    busbars: Annotated[int, Field(ge=0, le=40)] = 5
    chamfer_mm: _NotNegative = 0.0
    cut_edge: CutEdge = CutEdge.NONE

    def __post_init__(self) -> None:
        room = min(self.across_mm / 2, self.along_mm / (2 if self.cut_edge is CutEdge.NONE else 1))
        if self.chamfer_mm > room:
            raise ValueError(f"chamfer_mm must be {room:g} at most in a cell of this size, not {self.chamfer_mm:g}")


@validated(frozen=True, slots=True, config=STRICT)
class Spacing:
    """Gaps between cells of a string, between strings and between blocks."""

    cell_gap_mm: _Gap = 2.0
    string_gap_mm: _Gap = 2.0
    block_gap_mm: Annotated[float, Field(ge=0, le=500)] = 20.0


@validated(frozen=True, slots=True, config=STRICT)
class Mask:
    """A rectangle of the stored picture that shows something else than the panel: burned-in text, a scale.

    Attributes
    ----------
    left, top, width, height : float
        In stored pixels, or in shares of the picture's width and height.
    unit : {'px', 'share'}
        Which of the two.
    tile : int
        File it belongs to, from 0.
    """

    left: _NotNegative
    top: _NotNegative
    width: _Positive
    height: _Positive
    unit: Literal["px", "share"] = "px"
    tile: Annotated[int, Field(ge=0)] = 0


@validated(frozen=True, slots=True, config=STRICT)
class ScaleCheck:
    """One comparison of what the tool shows with a caliper, on the same gaps between cells of a string.

    Light ends a little inside the wafer's edge, so that gaps show wider than they are; this says by how much.

    Attributes
    ----------
    caliper_gap_mm : float
        Mean of some gaps from wafer edge to wafer edge, by caliper or feeler gauge.
    seen_gap_mm : float
        Mean of the same gaps as shown by the tool without a scale check in the recipe.
    caliper_uncertainty_mm : float
        Standard uncertainty of the caliper's mean. Default: a reading of a workshop caliper (common practice).
    """

    caliper_gap_mm: float
    seen_gap_mm: float
    caliper_uncertainty_mm: _Positive = 0.05

    def __post_init__(self) -> None:
        if not -0.2 <= self.seen_gap_mm - self.caliper_gap_mm <= 3.0:
            raise ValueError("seen_gap_mm lies 0 to 3 mm above caliper_gap_mm: light ends inside the wafer's edge")


@validated(frozen=True, slots=True, config=STRICT)
class Camera:
    """How the gate's camera sees the panel; the turn brings its pictures to the gate view."""

    view_side: ViewSide = ViewSide.FRONT
    rotation_deg: Literal[0, 90, 180, 270] = 0
    mirrored: bool = False
    masks: tuple[Mask, ...] = ()


_Spot = tuple[Annotated[float, Field(ge=-0.5, le=1.5)], Annotated[float, Field(ge=-0.5, le=1.5)]]


@validated(frozen=True, slots=True, config=STRICT)
class Bench:
    """How the rework bench sees the panel.

    Attributes
    ----------
    view_side : ViewSide, optional
        The side that is up on the bench; the camera's side if left out.
    rotation_deg : {0, 90, 180, 270}
        How far the panel is turned clockwise on the bench against the gate view, after it was turned over where the
        bench sees the other side.
    plus, minus, label : tuple of float, optional
        Where the leads and the serial's label are, in the gate view: to the right and down, over the width and the
        height of the field of cells; below 0 or above 1 outside it.
    """

    view_side: ViewSide | None = None
    rotation_deg: Literal[0, 90, 180, 270] = 0
    plus: _Spot | None = None
    minus: _Spot | None = None
    label: _Spot | None = None


@validated(frozen=True, slots=True, config=STRICT)
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


@validated(frozen=True, slots=True, config=STRICT)
class Electrical:
    """Datasheet values of the finished module at standard test conditions; None where not given."""

    power_w: _Positive | None = None
    voc_v: _Positive | None = None
    isc_a: _Positive | None = None
    vmp_v: _Positive | None = None
    imp_a: _Positive | None = None
    cell_breakdown_v: Annotated[float, Field(lt=0)] | None = None


@validated(frozen=True, slots=True, config=STRICT)
class ProductRecipe:
    """What the panel is: layout, cells, camera side, addresses, circuit, electrical data."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    version: Annotated[str, Field(min_length=1, max_length=40)]
    layout: Annotated[Layout, BeforeValidator(_layout)]
    cell: CellFormat
    schema: Literal["elinspect.recipe/1"] = "elinspect.recipe/1"
    spacing: Spacing = field(default_factory=Spacing)
    scale_check: ScaleCheck | None = None
    camera: Camera = field(default_factory=Camera)
    bench: Bench = field(default_factory=Bench)
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


def assumed_product(layout: Layout, cut: int | None = None, busbars: int | None = None) -> Product:
    """Make a product of which only the layout is known.

    The cell size is assumed: 156 mm for whole cells, otherwise a half or a third of 182 mm (facts of the trade; no
    figure in mm may be given out).

    Parameters
    ----------
    layout : Layout
        Blocks, strings, cells.
    cut : {1, 2, 3}, optional
        Into how many parts the wafers were cut. By default whole cells in one block and halves in several.
    busbars : int, optional
        Busbars or wires of a cell. Default: 5 of whole cells, 10 of others.
    """
    if (cut or min(layout.blocks, 2)) == 1:
        cell = CellFormat(156.0, 156.0, busbars=busbars or 5)
    else:
        parts = cut or 2
        cell = CellFormat(round(182.0 / parts, 1), 182.0, cut_edge=CutEdge.LEFT, busbars=busbars or 10)
    told = "" if cut is None else f", cut {cut}, {busbars or 'unknown'} busbars"
    recipe = ProductRecipe(f"layout {layout}{told}", "assumed", layout, cell)
    return Product(recipe, scale_known=False, turn_known=False)


def read_recipe(path: Path) -> ProductRecipe:
    """Read a product recipe.

    Raises
    ------
    SettingsFileError
        If the file is missing, not TOML, or wrong; the text names file, table and key.
    """
    return read_toml(path, ProductRecipe, words("what.recipe"), RECIPE_SCHEMA)


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
