"""Layouts, addresses and the way a plant writes them."""

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar, Literal

from elinspect.errors import SettingsFileError


@dataclass(frozen=True, slots=True)
class Layout:
    """Blocks x strings per block x cells per string.

    Attributes
    ----------
    blocks : int
        Electrically parallel parts, side by side along the string direction.
    strings_per_block : int
        Strings in each block, one above the other in the gate view.
    cells_per_string : int
        Cells in each string.
    """

    blocks: int
    strings_per_block: int
    cells_per_string: int

    @classmethod
    def parse(cls, text: str) -> "Layout":
        """Read ``6x10`` or ``2x6x12``.

        Raises
        ------
        SettingsFileError
            If the text is not two or three whole numbers from 1 joined by ``x``, or more than 1000 cells.
        """
        parts = text.strip().lower().split("x")
        if len(parts) not in (2, 3) or not all(
            part.isascii() and part.isdigit() and 0 < len(part) < 4 for part in parts
        ):
            raise SettingsFileError("settings.layout_text", given=text)
        numbers = [int(part) for part in parts]
        layout = cls(*([1, *numbers] if len(numbers) == 2 else numbers))
        if min(numbers) < 1 or layout.n_cells > 1000:
            raise SettingsFileError("settings.layout_text", given=text)
        return layout

    def __str__(self) -> str:
        core = f"{self.strings_per_block}x{self.cells_per_string}"
        return core if self.blocks == 1 else f"{self.blocks}x{core}"

    @property
    def n_strings(self) -> int:
        """Strings of the panel."""
        return self.blocks * self.strings_per_block

    @property
    def n_cells(self) -> int:
        """Cells of the panel."""
        return self.n_strings * self.cells_per_string

    @property
    def grid_shape(self) -> tuple[int, int]:
        """Rows and columns of cells in the gate view."""
        return self.strings_per_block, self.blocks * self.cells_per_string


class ViewSide(StrEnum):
    """The side from which a picture shows the panel."""

    FRONT = "front"
    REAR = "rear"


class Corner(StrEnum):
    """A corner of a picture."""

    TOP_LEFT = "top_left"
    TOP_RIGHT = "top_right"
    BOTTOM_RIGHT = "bottom_right"
    BOTTOM_LEFT = "bottom_left"


@dataclass(frozen=True, slots=True, order=True)
class Address:
    """A place in the panel frame.

    Attributes
    ----------
    string : int
        Number of the string through the panel, from 1.
    position : int
        Place of the cell in its string, from 1.
    """

    string: int
    position: int


class Numbering(StrEnum):
    """How a plant writes a string or a position."""

    NUMBERS = "numbers"
    LETTERS = "letters"


@dataclass(frozen=True, slots=True)
class AddressScheme:
    """The plant's own way to write addresses.

    Attributes
    ----------
    origin_corner : Corner
        Corner of the gate view where block 1, string 1, position 1 lies.
    strings, positions : Numbering
        Numbers or letters.
    string_first : bool
        Whether the string is written before the position.
    separator : str
        Between the two, at most three marks, no letters or digits.
    """

    origin_corner: Corner = Corner.TOP_LEFT
    strings: Numbering = Numbering.NUMBERS
    positions: Numbering = Numbering.NUMBERS
    string_first: bool = True
    separator: str = "-"

    # Where it is read from a file, unknown keys are errors, as everywhere in a recipe.
    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}

    def __post_init__(self) -> None:
        if not self.separator and self.strings is self.positions:
            raise ValueError("an empty separator needs letters on one side and numbers on the other")
        if len(self.separator) > 3 or any(mark.isalnum() for mark in self.separator):
            raise ValueError("the separator must be at most three marks that are no letters or digits")


@dataclass(frozen=True, slots=True)
class Orientation:
    """How a stored picture is brought to the gate view: first turned, then mirrored left-right.

    Attributes
    ----------
    rotation_deg : {0, 90, 180, 270}
        Clockwise turn of the stored picture.
    mirrored : bool
        Whether the turned picture is then mirrored left-right.
    """

    rotation_deg: Literal[0, 90, 180, 270] = 0
    mirrored: bool = False
