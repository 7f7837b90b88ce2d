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

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import ClassVar, Literal, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message, Value
from elinspect.errors import SettingsFileError

FloatImage = NDArray[np.float32]
"""Picture or stack of pictures in counts above the dark level."""
Points = NDArray[np.float64]
"""Points in one of the frames named above, shape (n, 2) unless said otherwise."""

_Array = TypeVar("_Array", bound=np.ndarray)


def read_only(array: _Array) -> _Array:
    """Return the array with writing switched off: records are shared between rooms."""
    array.flags.writeable = False
    return array


class Kind(StrEnum):
    """Kinds of flag."""

    CRACK = "crack"
    INACTIVE_AREA = "inactive_area"
    DARK_CELL = "dark_cell"
    FINGER_INTERRUPTION = "finger_interruption"
    SOLDER_FAULT = "solder_fault"
    RIBBON_OFFSET = "ribbon_offset"
    CHIPPED_CELL = "chipped_cell"
    MISPLACED_CELL = "misplaced_cell"
    REVERSED_CELL = "reversed_cell"
    FOREIGN_BODY = "foreign_body"
    MATERIAL_PATTERN = "material_pattern"
    DARK_STRING = "dark_string"
    BRIDGED_STRING = "bridged_string"
    OPEN_CIRCUIT = "open_circuit"
    BUSSING_JOINT_FAULT = "bussing_joint_fault"
    OTHER = "other"


STRING_KINDS = frozenset({Kind.DARK_STRING, Kind.BRIDGED_STRING})
"""Kinds that belong to a whole string (no position)."""
PANEL_KINDS = frozenset({Kind.OPEN_CIRCUIT, Kind.BUSSING_JOINT_FAULT})
"""Kinds that belong to the panel or a joint outside the strings (no string, no position)."""


class Stage(StrEnum):
    """Where in the making of a module the picture was taken."""

    STRING = "string"
    BEFORE_LAMINATION = "before_lamination"
    AFTER_LAMINATION = "after_lamination"
    FINAL = "final"


class Purpose(StrEnum):
    """Why the picture was taken; only production can release anything or count in yield."""

    PRODUCTION = "production"
    AUDIT = "audit"
    REFERENCE = "reference"
    ENGINEERING = "engineering"
    REHEARSAL = "rehearsal"
    DEMO = "demo"
    ARCHIVE = "archive"


class Disposition(StrEnum):
    """What is decided about a panel."""

    ACCEPT = "accept"
    REWORK = "rework"
    HOLD = "hold"
    CONCESSION = "concession"
    SCRAP = "scrap"


class Answer(StrEnum):
    """The inspector's verdict on a flag."""

    CONFIRMED = "confirmed"
    DISMISSED = "dismissed"
    CHANGED = "changed"


class Source(StrEnum):
    """Who made a flag."""

    MACHINE = "machine"
    INSPECTOR = "inspector"


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


class CrackMode(StrEnum):
    """What a crack does to the current (IEA-PVPS T13-01:2014, as quoted in Parikh et al. 2020, Appl. Sci. 10:8834)."""

    A = "A"
    B = "B"
    C = "C"


class CrackPattern(StrEnum):
    """How a crack runs, as seen from left to right.

    Six categories of Köntges et al. 2013 (names from memory), and cross cracks after Morlier et al. 2015.
    """

    ALONG_BUSBARS = "along_busbars"
    ACROSS_BUSBARS = "across_busbars"
    RISING = "rising"
    FALLING = "falling"
    SEVERAL_DIRECTIONS = "several_directions"
    DENDRITIC = "dendritic"
    CROSS = "cross"


class Technology(StrEnum):
    """What the cell's conducting layers do to the picture."""

    PERC_LIKE = "perc_like"
    TOPCON_LIKE = "topcon_like"
    HJT_LIKE = "hjt_like"


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


@dataclass(frozen=True, slots=True, eq=False)
class ElImage:
    """One exposure as read: counts above dark level, no absolute grey level means anything.

    Attributes
    ----------
    path : Path
        The file.
    sha256 : str
        Hash of the stored bytes.
    counts : ndarray of float32, shape (height_px, width_px)
        Counts above the dark level, in the units of the sensor (a 12-bit camera gives 0..4095).
    bit_depth : int
        8, 12 or 16: declared by the file or, for 16-bit containers, taken from the values that occur.
    saturation : float
        Counts at and above which the sensor was full.
    orientation : Orientation
        Turn that the file's own tag asks for (EXIF, TIFF); the pixels here are the stored ones, not turned.
    """

    path: Path
    sha256: str
    counts: FloatImage
    bit_depth: int
    saturation: float
    orientation: Orientation = Orientation()

    @property
    def height_px(self) -> int:
        """Rows of the file."""
        return int(self.counts.shape[0])

    @property
    def width_px(self) -> int:
        """Columns of the file."""
        return int(self.counts.shape[1])


class PixelPlace(Protocol):
    """How the pixels of a file lie in the straight picture, in which a panel's lines are straight.

    Lens and place of a tile are known to it; the homography of the panel is not part of it.
    """

    def to_file(self, points: Points) -> Points:
        """Bring points (x, y) of the straight picture to file pixels, shape (..., 2)."""

    def to_straight(self, points_px: Points) -> Points:
        """Bring points (x, y) in file pixels to the straight picture, shape (..., 2)."""


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """One file of a panel's picture, ready to cut cells from.

    Attributes
    ----------
    full_current : ElImage
        Corrected counts, pixels as stored.
    low_current : ElImage or None
        The same view at low current.
    place : PixelPlace or None
        Where its pixels lie in the straight picture; None where the file is the straight picture.
    gain : float
        Counts are multiplied by it, so that all tiles show one panel.
    masks : ndarray, shape (n, 4)
        Rectangles (left, top, right, bottom) in file pixels that show something else than the panel.
    """

    full_current: ElImage
    low_current: ElImage | None = None
    place: PixelPlace | None = None
    gain: float = 1.0
    masks: NDArray[np.float64] = field(default_factory=lambda: read_only(np.empty((0, 4))))


@dataclass(frozen=True, slots=True)
class ExposureConditions:
    """What a side file says about the exposure; a value of None was not given."""

    current_a: float | None = None
    voltage_v: float | None = None
    temperature_c: float | None = None
    taken_at: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Exposures:
    """The exposure set of one panel.

    Attributes
    ----------
    full_current : tuple of ElImage
        Tiles taken at full current, in the order of their tile number; one image for most cameras.
    low_current : tuple of ElImage
        The same tiles at about a tenth of the current; empty if not taken.
    repeat : tuple of ElImage
        A second full-current exposure at identical settings, for noise; empty if not taken.
    dark : tuple of ElImage
        The same tiles without current; empty if not taken.
    serial : str or None
        Serial of the panel, an opaque string.
    conditions : ExposureConditions
        Current, voltage, temperature, time.
    notes : tuple of Message
        What was left out while the set was read, and why.
    """

    full_current: tuple[ElImage, ...]
    low_current: tuple[ElImage, ...] = ()
    repeat: tuple[ElImage, ...] = ()
    dark: tuple[ElImage, ...] = ()
    serial: str | None = None
    conditions: ExposureConditions = ExposureConditions()
    notes: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True)
class ImageQuality:
    """How good the raw image is; a figure of None could not be measured.

    Attributes
    ----------
    usable : bool
        Whether the panel may be judged by this image.
    signal_to_noise : float or None
        Median signal of the cells over the noise of one pixel.
    sharpness_px : float or None
        Standard deviation of the edge spread, file pixels.
    saturated_fraction : float or None
        Share of the cells' pixels at or above saturation, 0..1.
    mm_per_px : float or None
        Size of a file pixel; None while the cell size is only assumed.
    notes : tuple of Message
        What a person should know, also why the image is not usable.
    signal_to_noise_from : {'pair', 'image'} or None
        Whether two exposures at the same settings told the noise, or one alone.
    sharpness_mm : float or None
        `sharpness_px` on the panel.
    dark_fraction : float or None
        Share of the cells' pixels below a tenth of the usual cell's light above the ground, 0..1.
    shortest_crack_mm, narrowest_crack_mm : float or None
        Length and width of the smallest crack that this image supports a judgement on, an estimate.
    exposure_factor : float or None
        Factor by which a longer (above 1) or shorter exposure would use the sensor well; None where nothing is gained.
    """

    usable: bool
    signal_to_noise: float | None = None
    sharpness_px: float | None = None
    saturated_fraction: float | None = None
    mm_per_px: float | None = None
    notes: tuple[Message, ...] = ()
    signal_to_noise_from: Literal["pair", "image"] | None = None
    sharpness_mm: float | None = None
    dark_fraction: float | None = None
    shortest_crack_mm: float | None = None
    narrowest_crack_mm: float | None = None
    exposure_factor: float | None = None


@dataclass(frozen=True, slots=True)
class NotFound:
    """The panel or its grid was not found; an expected outcome, not an exception.

    Attributes
    ----------
    reason : Message
        Why, and what to do.
    """

    reason: Message


@dataclass(frozen=True, slots=True)
class NoModel:
    """There is no classifier for this inspection; an expected outcome, not an exception.

    Attributes
    ----------
    reason : Message
        Why: switched off, or what is wrong with the model file.
    """

    reason: Message


@dataclass(frozen=True, slots=True, eq=False)
class PanelOutline:
    """The field of cells in the picture.

    Attributes
    ----------
    corners_px : ndarray, shape (4, 2)
        Corners (x, y) in file pixels, clockwise from the top left of the stored picture.
    confidence : float
        0..1.
    """

    corners_px: Points
    confidence: float


@dataclass(frozen=True, slots=True, eq=False)
class CellGrid:
    """Where every cell lies.

    Attributes
    ----------
    layout : Layout
        What was looked for and found.
    orientation : Orientation
        From the stored picture to the gate view, the file's own tag included.
    corners_px : ndarray, shape (n_cells, 4, 2)
        Corners (x, y) of each cell in pixels of the straight picture, in gate-view order: top left, top right, bottom
        right, bottom left *as seen in the gate view*; cells in the order of addresses. The straight picture is the file
        itself where neither a lens is known nor tiles are joined.
    panel_corners_px : ndarray, shape (4, 2)
        Outline (x, y) of the field of cells in the same pixels, clockwise from the top left of the stored picture.
    confidence : float
        0..1.
    """

    layout: Layout
    orientation: Orientation
    corners_px: Points
    panel_corners_px: Points
    confidence: float


@dataclass(frozen=True, slots=True, eq=False)
class CellPictures:
    """All cells, each resampled once from the file into one stack, in the gate view.

    Attributes
    ----------
    grid : CellGrid
        Where they come from.
    full_current : ndarray of float32, shape (n_cells, rows, columns)
        Counts above dark level. The picture of a cell spans exactly its corners: corner (0, 0) of the cell is the
        centre of pixel (0, 0), the opposite corner the centre of pixel (rows - 1, columns - 1).
    low_current : ndarray of float32 or None
        The same at low current.
    file_from_cell : ndarray of float64, shape (n_cells, 3, 3)
        Homographies from (column, row, 1) of the cell picture to (x, y, 1) of the straight picture; `places` brings
        them on to the file.
    mm_per_px : float
        Size of a cell-picture pixel, from the cell size of the recipe or, if `scale_known` is false, an assumed one.
    scale_known : bool
        Whether mm figures may be given out.
    saturation : float
        Counts at and above which the sensor was full.
    tile : ndarray of int, shape (n_cells,)
        File from which each cell was cut.
    places : tuple of PixelPlace or None
        For each file how its pixels lie in the straight picture; None where it is the straight picture.
    masked : ndarray of bool, shape (n_cells,)
        Cells that a mask covers in part, or that no file shows whole.
    """

    grid: CellGrid
    full_current: FloatImage
    low_current: FloatImage | None
    file_from_cell: NDArray[np.float64]
    mm_per_px: float
    scale_known: bool
    saturation: float
    tile: NDArray[np.intp]
    places: tuple[PixelPlace | None, ...]
    masked: NDArray[np.bool_]

    def corners_in_files(self) -> Points:
        """Return the corners (x, y) of each cell in pixels of the file it was cut from, shape (n_cells, 4, 2)."""
        corners = np.array(self.grid.corners_px)
        for number, place in enumerate(self.places):
            if place is not None:
                own = self.tile == number
                corners[own] = place.to_file(corners[own])
        return corners


@dataclass(frozen=True, slots=True)
class Branch:
    """Strings in series that carry one and the same current.

    Attributes
    ----------
    circuit : int
        Which of the parallel circuits, from 0.
    section : int
        Between which two ties of the parallel circuits, from 0.
    strings : tuple of int
        In series order.
    """

    circuit: int
    section: int
    strings: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CircuitFacts:
    """How the strings are connected, and what the supply showed during the exposure.

    Attributes
    ----------
    branches : tuple of Branch
        Every string is in one of them.
    current_share : float or None
        Current over the product's short-circuit current; None if not known.
    voltage_surplus_cells : float or None
        Voltage less the voltage to be expected at that current, over that of one cell: about -12 with a string of 12
        bridged, well above 0 with a cell in reverse; None if not known.
    """

    branches: tuple[Branch, ...]
    current_share: float | None = None
    voltage_surplus_cells: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PanelMeasures:
    """Where cells and ribbons lie, in mm in the plane of the cells; NaN where an edge or a ribbon was not seen.

    Along is the direction of the strings, to the right in the gate view; across is down. Cells are in the order of
    addresses, gaps by row and column of the gate view. Uncertainties are expanded ones, k = 2 (JCGM 100:2008).

    Attributes
    ----------
    along_mm, across_mm : ndarray, shape (n_cells,)
        How far each cell lies from its place in the regular grid that fits all cells.
    rotation_deg : ndarray, shape (n_cells,)
        Turn of each cell against that grid, clockwise.
    uncertainty_mm : ndarray, shape (n_cells,)
        Of `along_mm` and `across_mm`.
    least_gap_mm : ndarray, shape (n_cells,)
        Narrowest gap of each cell to a neighbour.
    gaps_along_mm : ndarray, shape (rows, columns - 1)
        Between neighbours of a row, gaps between blocks included.
    gaps_across_mm : ndarray, shape (rows - 1, columns)
        Between neighbours of a column.
    gap_uncertainty_mm : tuple of float
        Of a gap along and across, against the other gaps of this panel.
    edge_uncertainty_mm : float
        Common to all gaps: how well it is known where the wafer ends beyond the light.
    edge_inset_mm : float
        How far light ends inside the wafer's edge, by the recipe's scale check; 0 without one.
    field_mm, field_uncertainty_mm : tuple of float
        Size of the field of cells along and across, wafer edge to wafer edge.
    ribbon_places_mm : ndarray, shape (ribbons,)
        Even places of the ribbons or wires across a cell, from its upper edge in the gate view.
    ribbon_offset_mm : ndarray, shape (n_cells, ribbons)
        How far each ribbon or wire lies from its place on the cell; no columns where none are seen.
    ribbon_bow_mm : ndarray, shape (n_cells, ribbons)
        How far it strays from a straight line within the cell.
    ribbon_uncertainty_mm : ndarray, shape (n_cells,)
        Of `ribbon_offset_mm`: large where the cell's own edges are not where its size says.
    """

    along_mm: NDArray[np.float64]
    across_mm: NDArray[np.float64]
    rotation_deg: NDArray[np.float64]
    uncertainty_mm: NDArray[np.float64]
    least_gap_mm: NDArray[np.float64]
    gaps_along_mm: NDArray[np.float64]
    gaps_across_mm: NDArray[np.float64]
    gap_uncertainty_mm: tuple[float, float]
    edge_uncertainty_mm: float
    edge_inset_mm: float
    field_mm: tuple[float, float]
    field_uncertainty_mm: tuple[float, float]
    ribbon_places_mm: NDArray[np.float64]
    ribbon_offset_mm: NDArray[np.float64]
    ribbon_bow_mm: NDArray[np.float64]
    ribbon_uncertainty_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PanelView:
    """What every detector looks at: the cells and maps computed once.

    Maps may be coarser than the cell pictures (hairlines need no finer scale); shapes below are in map pixels.
    `to_picture` brings points of the maps to the cell picture.

    Attributes
    ----------
    pictures : CellPictures
        The cells.
    inside : ndarray of bool, shape (rows, columns)
        Where every cell of the panel has silicon: chamfers and the blurred rim are outside.
    log_cells : ndarray of float32, shape (n_cells, rows, columns)
        Natural logarithm of each cell over its own median luminance; 0 is typical, gain drops out. A cell much darker
        than those of the same current stands over a tenth of their luminance instead.
    background : ndarray of float32, shape (n_cells, rows, columns)
        Smooth luminance of each cell in the same logarithm, busbars bridged.
    busbar_rows : ndarray of bool, shape (rows,)
        Rows of the maps covered by busbars, wires or ribbons.
    noise : ndarray of float32, shape (n_cells,)
        Standard deviation of the noise of one pixel of `log_cells`.
    typical : ndarray of float32, shape (rows, columns)
        The panel's typical cell (median over cells of `log_cells`); zero everywhere where there are too few cells.
    luminance : ndarray of float32, shape (n_cells,)
        Median counts of each cell inside.
    relative_luminance : ndarray of float32, shape (n_cells,)
        `luminance` over the median of the cells that carry the same current.
    judged : ndarray of bool, shape (n_cells,)
        False for a cell that cannot be judged (saturated, out of the picture, too noisy).
    flat : ndarray of float32, shape (n_cells, rows, columns)
        `log_cells` less `background`, busbars bridged, shading of the rim taken off; outside, the nearest place inside
        goes on.
    streaks : ndarray of float32, shape (n_cells, rows / 4 rounded up, columns)
        What of `flat` runs straight in finger direction (across the busbars), less its surroundings; rows four times
        as coarse.
    deviation : ndarray of float32, shape (n_cells, rows / 2 rounded up, columns / 2 rounded up)
        Luminance in the same logarithm, busbars bridged, less that of the panel's typical cell (where there are enough
        cells), at half the scale.
    mm_per_px : float
        Size of a map pixel.
    own_light : ndarray of float32, shape (n_cells,)
        `luminance` less the light that a dark cell only scatters; counts.
    circuit : CircuitFacts
        Which cells carry the same current, and what the supply showed.
    measures : PanelMeasures or None
        Where cells and ribbons lie; None where that was not measured (a single cell).
    """

    pictures: CellPictures
    inside: NDArray[np.bool_]
    log_cells: FloatImage
    background: FloatImage
    busbar_rows: NDArray[np.bool_]
    noise: NDArray[np.float32]
    typical: FloatImage
    luminance: NDArray[np.float32]
    relative_luminance: NDArray[np.float32]
    judged: NDArray[np.bool_]
    flat: FloatImage
    streaks: FloatImage
    deviation: FloatImage
    mm_per_px: float
    own_light: NDArray[np.float32]
    circuit: CircuitFacts
    measures: PanelMeasures | None = None

    def to_picture(self, points: Points) -> Points:
        """Bring points (row, column) of the maps to the cell picture.

        Parameters
        ----------
        points : ndarray, shape (..., 2)
            In map pixels.
        """
        scale = np.array(self.pictures.full_current.shape[1:]) / np.array(self.flat.shape[1:])
        # Maps are averages over blocks of picture pixels: block edges coincide, not pixel centres.
        return np.asarray((points + 0.5) * scale - 0.5)


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One thing a detector saw, in the frame of the cell picture.

    Attributes
    ----------
    kind : Kind
        What it is.
    cell : int
        Index of the cell.
    score : float
        0..1; continuous, comparable between cells of a panel and between panels.
    outline : ndarray, shape (m, 2)
        (row, column) in the cell picture: an open polyline for lines (crack, finger), a closed polygon (first point not
        repeated) for areas.
    length_mm, area_fraction : float or None
        Measures; areas as share of the cell.
    mode : CrackMode or None
        For cracks, what the image says about the current.
    measurements : mapping
        Further figures by name, units in the name.
    cells : tuple of int
        Indices of all cells that a finding about a string or the panel covers; empty for one about a cell.
    probability : float or None
        That the finding is true, by the classifier; None without one, or for kinds it does not know.
    evidence : str or None
        What the classifier saw, packed, so that it can learn from the inspector's answer.
    """

    kind: Kind
    cell: int
    score: float
    outline: Points
    length_mm: float | None = None
    area_fraction: float | None = None
    mode: CrackMode | None = None
    measurements: Mapping[str, Value] = field(default_factory=dict)
    cells: tuple[int, ...] = ()
    probability: float | None = None
    evidence: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Detection:
    """What one detector says about a panel.

    Attributes
    ----------
    kind : Kind
        The detector's kind.
    cell_scores : ndarray of float32, shape (n_cells,)
        Continuous score 0..1 of every cell, also below the threshold.
    findings : tuple of Finding
        What reached the threshold; empty when nothing did.
    """

    kind: Kind
    cell_scores: NDArray[np.float32]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Flag:
    """A mark on a cell, string or joint, as it stands in the result file and in the log.

    Attributes
    ----------
    id : str
        Unique within the inspection.
    kind : Kind
        What it is.
    string, position : int or None
        Address; position None for string flags, both None for panel flags.
    score : float
        0..1.
    outline_px : tuple of (x, y)
        Outline in file pixels.
    box_px : tuple of float
        x, y, width, height in file pixels.
    length_mm, area_fraction, mode, loss_w
        Measures; None where they cannot be given.
    source : Source
        Machine or inspector.
    measurements : mapping
        Further figures, units in the names.
    parent : str or None
        Id of the flag of the primary kind under which this one hangs.
    tile : int
        Index of the file.
    limit : str or None
        The limit it reaches, such as ``crack.any``; None below every limit.
    message : Message
        The reason in words.
    probability : float or None
        That the flag is true, by the classifier; None without one, or for kinds it does not know.
    evidence : str or None
        What the classifier saw, packed, so that it can learn from the inspector's answer.
    """

    id: str
    kind: Kind
    string: int | None
    position: int | None
    score: float
    outline_px: tuple[tuple[float, float], ...]
    box_px: tuple[float, float, float, float]
    message: Message
    length_mm: float | None = None
    area_fraction: float | None = None
    mode: CrackMode | None = None
    loss_w: float | None = None
    source: Source = Source.MACHINE
    measurements: Mapping[str, Value] = field(default_factory=dict)
    parent: str | None = None
    tile: int = 0
    limit: str | None = None
    probability: float | None = None
    evidence: str | None = None

    @property
    def stands_for(self) -> int:
        """How many places of its kind it stands for: 0 for a single one that hangs under the flag of them all."""
        if self.kind is not Kind.FINGER_INTERRUPTION:
            return 1
        number = 0 if "one_of" in self.measurements else self.measurements.get("interruptions")
        return int(number) if isinstance(number, int | float) else 1


@dataclass(frozen=True, slots=True, eq=False)
class CellResult:
    """One cell in the result.

    Attributes
    ----------
    address : Address
        String and position.
    corners_px : tuple of (x, y)
        Corners in file pixels, clockwise from the top left of the stored picture.
    relative_luminance : float or None
        Over the median of the cells that carry the same current.
    kind_scores : mapping from kind to float
        Scores 0..1, also below the threshold.
    defect_score : float or None
        Probability of a defect that would be confirmed; None if it cannot be given.
    judged : bool
        False if the cell cannot be judged.
    tile : int
        Index of the file.
    voltage_difference_mv : float or None
        Voltage of its junction less that of the usual cell with the same current, from the light; None if not judged.
    voltage_v : float or None
        Voltage of its junction, where the panel's voltage was given and every cell of its circuit is judged.
    """

    address: Address
    corners_px: tuple[tuple[float, float], ...]
    relative_luminance: float | None
    kind_scores: Mapping[str, float]
    defect_score: float | None
    judged: bool
    tile: int = 0
    voltage_difference_mv: float | None = None
    voltage_v: float | None = None


@dataclass(frozen=True, slots=True)
class CellLoss:
    """What the finished module would lose by the flags of one cell; an estimate from a picture.

    Attributes
    ----------
    string, position : int
        The cell; position 0 for a whole string.
    loss_w : float
        As it is now.
    worst_loss_w : float
        If every part that could come off did, at least `loss_w`.
    dissipated_w : float
        Heat the cell takes up in that worst case while the other modules of a long string drive their usual current
        through this one; 0 while it delivers power.
    hot_spot : bool
        Whether that would at least double the heat it takes from the light.
    """

    string: int
    position: int
    loss_w: float
    worst_loss_w: float
    dissipated_w: float = 0.0
    hot_spot: bool = False


@dataclass(frozen=True, slots=True)
class PanelLoss:
    """What the finished module would lose by its flags at standard test conditions; an estimate, not a rating.

    Attributes
    ----------
    power_w : float
        Of the module without flags, as on the datasheet.
    no_loss_fraction : float
        Share of a cell that can be inactive before the module loses noticeably: (Isc - Impp) / Isc of this product.
    loss_w, worst_loss_w : float
        By all flags together, as they are now and if every part that could come off did.
    cells : tuple of CellLoss
        Cells and strings whose flags were reckoned, each alone.
    assumptions : tuple of Message
        What was assumed; shown wherever the watts are.
    """

    power_w: float
    no_loss_fraction: float
    loss_w: float
    worst_loss_w: float
    cells: tuple[CellLoss, ...]
    assumptions: tuple[Message, ...]


class ReworkAction(StrEnum):
    """What a bench can do about a panel, in the order in which it is done."""

    HOLD = "hold"
    RETAKE = "retake"
    REMOVE_FOREIGN_BODY = "remove_foreign_body"
    SWAP_STRING = "swap_string"
    REPLACE_CELL = "replace_cell"
    TURN_CELL = "turn_cell"
    RESOLDER_RIBBON = "resolder_ribbon"
    RESOLDER_BUSSING_JOINT = "resolder_bussing_joint"
    REALIGN = "realign"


@dataclass(frozen=True, slots=True)
class ReworkStep:
    """One thing to do.

    Attributes
    ----------
    action : ReworkAction
        What.
    string, position : int or None
        Where; position None for a string or its joints, both None for the panel.
    flags : tuple of str
        Ids of the flags it is about.
    text : Message
        What to do and why, in words, with the plant's address.
    minutes : float or None
        By the plant's figures; None where it gave none.
    """

    action: ReworkAction
    string: int | None
    position: int | None
    flags: tuple[str, ...]
    text: Message
    minutes: float | None = None


@dataclass(frozen=True, slots=True)
class ReworkPlan:
    """What the bench should do, in order; a proposal, like the disposition.

    Attributes
    ----------
    steps : tuple of ReworkStep
        At least one.
    minutes : float or None
        Of all steps; None where any is not known.
    reworks_left : int
        Reworks the plant's rule still allows, this one included.
    """

    steps: tuple[ReworkStep, ...]
    minutes: float | None
    reworks_left: int


class Outcome(StrEnum):
    """What became of a flag after rework."""

    GONE = "gone"
    STILL_THERE = "still_there"
    MOVED = "moved"
    NOT_JUDGED = "not_judged"


@dataclass(frozen=True, slots=True)
class RecheckedFlag:
    """A flag of the attempt before, answered by the new picture.

    Attributes
    ----------
    flag : str
        Its id in the inspection before.
    kind : Kind
        Its kind.
    string, position : int or None
        Its place.
    outcome : Outcome
        What became of it.
    now : str or None
        Id of the new flag that is the same one; None where it is gone.
    """

    flag: str
    kind: Kind
    string: int | None
    position: int | None
    outcome: Outcome
    now: str | None


@dataclass(frozen=True, slots=True)
class Recheck:
    """A new attempt laid over the one before.

    Attributes
    ----------
    attempt_before : int
        Which attempt it was laid over.
    flags : tuple of RecheckedFlag
        Every flag that stood before.
    new : tuple of str
        Ids of flags that were not there before.
    damage : tuple of str
        Those of them at or beside a reworked place.
    match : str or None
        What the fingerprints of the cells say, see `elinspect.geometry.PanelMatch`; None where there are none.
    messages : tuple of Message
        All of it in words.
    """

    attempt_before: int
    flags: tuple[RecheckedFlag, ...]
    new: tuple[str, ...]
    damage: tuple[str, ...]
    match: str | None
    messages: tuple[Message, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Proposal:
    """The disposition the criteria suggest; never a decision.

    Attributes
    ----------
    disposition : Disposition
        Accept, rework or hold.
    reasons : tuple of Message
        At least one.
    """

    disposition: Disposition
    reasons: tuple[Message, ...]


class ExposureRole(StrEnum):
    """What one file of an exposure set is."""

    FULL_CURRENT = "full_current"
    LOW_CURRENT = "low_current"
    REPEAT = "repeat"
    DARK = "dark"


@dataclass(frozen=True, slots=True)
class ExposureFile:
    """One file of an exposure set, known by its bytes.

    Attributes
    ----------
    path : str
        Where it lay.
    sha256 : str
        Hash of its bytes (FIPS 180-4), hexadecimal.
    role : ExposureRole
        What it is.
    """

    path: str
    sha256: str
    role: ExposureRole


@dataclass(frozen=True, slots=True)
class ImageFacts:
    """The image as the result file names it; None where the file could not be read.

    Attributes
    ----------
    path, sha256, width_px, height_px, bit_depth : str, int or None
        The first tile.
    tiles, companions : tuple of str
        Paths of further tiles, and of exposures at low current, repeated and dark.
    files : tuple of ExposureFile
        Every file of the set, the first tile too; empty where nothing was read.
    """

    path: str
    sha256: str | None
    width_px: int | None = None
    height_px: int | None = None
    bit_depth: int | None = None
    tiles: tuple[str, ...] = ()
    companions: tuple[str, ...] = ()
    files: tuple[ExposureFile, ...] = ()


@dataclass(frozen=True, slots=True)
class Versions:
    """Versions in force; each a name with a version or a hash."""

    elinspect: str
    recipe: str
    criteria: str
    model: str | None = None
    camera: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PanelFacts:
    """The panel as found; everything but `found`, `reason` and `layout` is None where it was not.

    `addresses` is the plant's own way to write addresses, so that whoever shows the result later writes them so.
    """

    found: bool
    reason: Message | None
    layout: Layout
    view_side: ViewSide | None = None
    origin_corner: Corner | None = None
    mirrored: bool | None = None
    rotation_deg: int | None = None
    corners_px: tuple[tuple[float, float], ...] | None = None
    addresses: AddressScheme | None = None


@dataclass(frozen=True, slots=True)
class Fingerprints:
    """The texture of every cell, for telling whether a later picture shows the same cells.

    Attributes
    ----------
    shape : tuple of int
        Rows and columns of places of one fingerprint.
    codes : tuple of bytes
        One per cell in the order of addresses, two bits a place; empty for a cell that shows no texture.
    """

    shape: tuple[int, int]
    codes: tuple[bytes, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PanelResult:
    """Everything the pipeline says about one panel; the result file holds exactly this.

    Attributes
    ----------
    flags : tuple of Flag
        In order of severity, the gravest first.
    timing_s : mapping from stage to float
        Seconds; ``total`` always there.
    fingerprints : Fingerprints or None
        Texture of the cells, to recognise them in a later picture; None where the panel was not found.
    measures : PanelMeasures or None
        Gaps, places and ribbons in mm; None where the panel was not found or the cell size is only assumed.
    customer : str or None
        For whom the panel is made, where that was given; chooses among the criteria's overrides.
    loss : PanelLoss or None
        What the flags could cost; None where the product has no electrical data.
    rework : ReworkPlan or None
        What the bench should do; None where accept is proposed.
    recheck : Recheck or None
        What became of the flags of the attempt before; None for a first attempt, or without a log.
    """

    serial: str | None
    stage: Stage
    purpose: Purpose
    attempt: int
    image: ImageFacts
    versions: Versions
    quality: ImageQuality
    panel: PanelFacts
    cells: tuple[CellResult, ...]
    flags: tuple[Flag, ...]
    proposal: Proposal
    timing_s: Mapping[str, float]
    fingerprints: Fingerprints | None = None
    measures: PanelMeasures | None = None
    customer: str | None = None
    loss: PanelLoss | None = None
    rework: ReworkPlan | None = None
    recheck: Recheck | None = None
