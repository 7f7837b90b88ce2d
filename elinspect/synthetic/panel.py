"""A whole panel: cells laid out, photographed, with the truth beside the picture."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import address_of, clockwise_from_top_left, gate_from_stored, grid_places
from elinspect.recipe import CellFormat, CutEdge, ProductRecipe
from elinspect.records import CrackMode, FloatImage, Kind, Orientation, Points, read_only
from elinspect.synthetic.camera import CameraSettings, expose, view_of
from elinspect.synthetic.cell import CellState, draw_cell
from elinspect.synthetic.circuit import circuits_of, driven
from elinspect.synthetic.defects import (
    BridgedString,
    BussingJointFault,
    CellDefect,
    DarkCell,
    DarkString,
    Defect,
    MisplacedCell,
    OpenString,
    ReversedCell,
)
from elinspect.synthetic.look import Look, draw_look
from elinspect.synthetic.marks import Mark, drop_of
from elinspect.synthetic.network import CellNetwork, Electrics
from elinspect.synthetic.spot import CellSpot
from elinspect.synthetic.wafer import draw_wafers
from elinspect.vision import cv2

_BUSSING_MM = 14.0
"""Room for the bussing ribbons beside the cells."""


@dataclass(frozen=True, slots=True, eq=False)
class TrueDefect:
    """What truly is in the picture.

    Attributes
    ----------
    kind : Kind
        What it is.
    string, position : int or None
        Address; position None for a whole string.
    outlines_px : tuple of ndarray, each of shape (n, 2)
        Polygons (x, y) in file pixels; the defect is their union.
    paths_px : tuple of ndarray, each of shape (n, 2)
        A crack and its branches, file pixels; empty for other kinds.
    contrast : float
        Deepest drop of luminance it makes, natural logarithm, before blur and noise.
    length_mm, area_fraction : float or None
        Length of all paths or of the streak; share of the cell.
    mode : CrackMode or None
        What the crack does to the current, as the network says.
    step, line : float or None
        How much darker a crack makes what it changes, mean of the natural logarithm (0: a mere line); depth of its
        line.
    caused_by : int or None
        Index, among the panel's defects, of the crack that cut this area off.
    """

    kind: Kind
    string: int
    position: int | None
    outlines_px: tuple[Points, ...]
    contrast: float
    paths_px: tuple[Points, ...] = ()
    length_mm: float | None = None
    area_fraction: float | None = None
    mode: CrackMode | None = None
    step: float | None = None
    line: float | None = None
    caused_by: int | None = None

    def mask(self, shape: tuple[int, ...]) -> NDArray[np.bool_]:
        """Return the pixels of the defect in a picture of this shape (rows, columns)."""
        ink = np.zeros(shape, np.uint8)
        for outline in self.outlines_px:
            # One by one: together, OpenCV would leave out where they overlap.
            cv2.fillPoly(ink, [np.round(outline * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        return ink > 0

    def seen_through(self, matrix: NDArray[np.float64]) -> "TrueDefect":
        """Return the defect with its points (x, y) brought through a homography."""
        outlines, paths = (
            tuple(read_only(_moved(matrix, points)) for points in group) for group in (self.outlines_px, self.paths_px)
        )
        return replace(self, outlines_px=outlines, paths_px=paths)


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedPanel:
    """A picture as the camera would store it, and the truth.

    Attributes
    ----------
    picture : ndarray of uint8 or uint16, shape (height_px, width_px)
        Stored counts, dark level included.
    recipe : ProductRecipe
        The product.
    camera : CameraSettings
        How it was taken.
    orientation : Orientation
        Brings the stored picture to the gate view.
    corners_px : ndarray, shape (n_cells, 4, 2)
        Corners (x, y) of each cell in file pixels: top left, top right, bottom right, bottom left as the gate view
        shows them; cells in the order of addresses.
    panel_corners_px : ndarray, shape (4, 2)
        Outline of the field of cells, clockwise from the top left of the stored picture.
    file_from_plane : ndarray, shape (3, 3)
        Homography from (x, y, 1) in mm of the gate view (field's top left corner at 0, 0) to file pixels.
    turned : tuple of bool
        For each string, whether it lies rotated by 180°.
    defects : tuple of TrueDefect
        What is in the picture.
    patterns : tuple of TrueDefect
        Stains, scratches and belt marks that are seen well: kind material pattern, no defects of the panel.
    low_picture : ndarray of uint8 or uint16, shape (height_px, width_px), or None
        The same panel at `low_current` of the full current, exposed so much longer.
    low_current : float or None
        That share.
    """

    picture: NDArray[np.uint8] | NDArray[np.uint16]
    recipe: ProductRecipe
    camera: CameraSettings
    orientation: Orientation
    corners_px: Points
    panel_corners_px: Points
    file_from_plane: NDArray[np.float64]
    turned: tuple[bool, ...]
    defects: tuple[TrueDefect, ...]
    patterns: tuple[TrueDefect, ...] = ()
    low_picture: NDArray[np.uint8] | NDArray[np.uint16] | None = None
    low_current: float | None = None


def turned_strings(recipe: ProductRecipe) -> tuple[bool, ...]:
    """Return which strings lie rotated by 180°: every second one of each block (serpentine connection)."""
    layout = recipe.layout
    return tuple(string % layout.strings_per_block % 2 == 1 for string in range(layout.n_strings))


def simulate_panel(
    recipe: ProductRecipe,
    rng: np.random.Generator,
    defects: Sequence[Defect] = (),
    camera: CameraSettings | None = None,
    look: Look | None = None,
    bussing: bool = True,
    low_current: float | None = None,
    progress: Callable[[], object] | None = None,
) -> SimulatedPanel:
    """Simulate one panel.

    Parameters
    ----------
    recipe : ProductRecipe
        The product.
    rng : numpy.random.Generator
        Draws everything that is not given; the same state gives the same picture.
    defects : sequence of Defect
        Written out, or from `draw_defects`.
    camera : CameraSettings, optional
        How it is photographed; straight and sharp if not given.
    look : Look, optional
        What the cells have in common; drawn if not given.
    bussing : bool
        Whether bussing ribbons are seen beside the strings.
    low_current : float, optional
        Also take a picture at this share of the full current, 0.01 to 1.
    progress : callable, optional
        Called after each cell.

    Raises
    ------
    ValueError
        If a defect lies outside the layout, or `low_current` outside its bounds.
    """
    if low_current is not None and not 0.01 <= low_current <= 1:
        raise ValueError(f"low_current must lie in 0.01..1, not {low_current}")
    camera = camera or CameraSettings()
    look = look or draw_look(recipe.cell, rng)
    turned = turned_strings(recipe)
    place_mm = cell_corners_mm(recipe)
    size_mm = place_mm.reshape(-1, 2).max(axis=0)
    own, moved = _by_cell(recipe, defects, turned)
    corners_mm = place_mm.copy()
    for index, shift in moved.items():
        corners_mm[index] = _shifted(place_mm[index], shift)
    flat = _Flat.make(size_mm, camera.px_per_mm)
    low = None if low_current is None else _Flat.make(size_mm, camera.px_per_mm)
    if bussing:
        shine = float(rng.uniform(0.01, 0.05))
        for layer in (flat, low) if low is not None else (flat,):
            _draw_bussing(recipe, layer, size_mm, shine)
    marks = _draw_cells(
        recipe, rng, look, _Sheet(flat, low, place_mm, turned), (defects, own, moved), low_current, progress
    )
    margin = camera.margin_mm
    if margin is None:
        margin = 0.0 if recipe.layout.n_strings == 1 else 40.0
    gate_from_plane, gate_size = view_of(camera, float(size_mm[0]), float(size_mm[1]), margin)
    orientation = camera.orientation or Orientation(recipe.camera.rotation_deg, recipe.camera.mirrored)
    upright = orientation.rotation_deg in (0, 180)
    width, height = gate_size if upright else gate_size[::-1]
    file_from_plane = np.linalg.inv(gate_from_stored(orientation, width, height)) @ gate_from_plane

    def taken(layer: _Flat) -> NDArray[np.uint8] | NDArray[np.uint16]:
        seen = cv2.warpPerspective(
            layer.luminance, file_from_plane @ layer.plane_from_flat, (width, height), flags=cv2.INTER_LINEAR
        )
        return read_only(expose(camera, np.asarray(seen, np.float32), rng))

    field = _moved(file_from_plane, np.array([[0.0, 0], [size_mm[0], 0], size_mm, [0, size_mm[1]]]))
    defects_true, patterns = _truth(recipe, file_from_plane, corners_mm, place_mm, marks, defects)
    return SimulatedPanel(
        taken(flat), recipe, camera, orientation, read_only(_moved(file_from_plane, corners_mm)),
        read_only(clockwise_from_top_left(field)), read_only(file_from_plane), turned, defects_true, patterns,
        None if low is None else taken(low), low_current,
    )  # fmt: skip


def cell_corners_mm(recipe: ProductRecipe) -> Points:
    """Return the corners (x, y) of every cell in mm of the gate view, shape (n_cells, 4, 2), from the top left."""
    cell, spacing = recipe.cell, recipe.spacing
    places = grid_places(recipe.layout, recipe.addresses.origin_corner).astype(np.float64)
    row, column = places[:, 0], places[:, 1]
    blocks_before = column // recipe.layout.cells_per_string
    x = column * (cell.along_mm + spacing.cell_gap_mm) + blocks_before * (spacing.block_gap_mm - spacing.cell_gap_mm)
    y = row * (cell.across_mm + spacing.string_gap_mm)
    box = np.array([[0, 0], [cell.along_mm, 0], [cell.along_mm, cell.across_mm], [0, cell.across_mm]])
    return np.asarray(np.stack([x, y], axis=1)[:, None] + box)


@dataclass(frozen=True, slots=True, eq=False)
class _Flat:
    """The panel seen straight and sharp; drawn into while it is being made."""

    luminance: FloatImage
    px_per_mm: float

    @classmethod
    def make(cls, size_mm: NDArray[np.float64], px_per_mm: float) -> "_Flat":
        columns, rows = np.ceil((size_mm + 2 * _BUSSING_MM) * px_per_mm).astype(int) + 1
        return cls(np.zeros((rows, columns), np.float32), px_per_mm)

    @property
    def plane_from_flat(self) -> NDArray[np.float64]:
        step = 1 / self.px_per_mm
        return np.array([[step, 0, -_BUSSING_MM], [0, step, -_BUSSING_MM], [0, 0, 1.0]])

    def window(self, low_mm: Points, high_mm: Points) -> tuple[tuple[slice, slice], CellSpot]:
        """Return the pixels that hold a rectangle of the plane, and their places from its top left corner."""
        low = np.floor((low_mm + _BUSSING_MM) * self.px_per_mm - 1).astype(int)
        high = np.ceil((high_mm + _BUSSING_MM) * self.px_per_mm + 1).astype(int)
        x, y = (np.arange(low[i], high[i] + 1) / self.px_per_mm - _BUSSING_MM - low_mm[i] for i in (0, 1))
        return (slice(low[1], high[1] + 1), slice(low[0], high[0] + 1)), CellSpot(x, y)

    def paste(
        self,
        window: tuple[slice, slice],
        luminance: FloatImage,
        cover: FloatImage,
        spot: CellSpot,
        cell: CellFormat,
        shift: MisplacedCell | None,
    ) -> None:
        """Lay a drawn cell on the plane, beside its place where it is misplaced."""
        if shift is None:
            under = self.luminance[window]
            under *= 1 - cover
            under += luminance * cover
            return
        box = np.array([[0.0, 0], [cell.along_mm, 0], [cell.along_mm, cell.across_mm], [0, cell.across_mm]])
        start = np.array([window[1].start, window[0].start])
        before = spot.to_px(box)
        matrix, _ = cv2.findHomography(before, spot.to_px(_shifted(box, shift)) + start)
        size = self.luminance.shape[::-1]
        light, on = (cv2.warpPerspective(layer, matrix, size, flags=cv2.INTER_LINEAR) for layer in (luminance, cover))
        whole = self.luminance
        whole *= 1 - on
        whole += np.asarray(light * on, np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """What cells are drawn on: the panel's plane at full and at low current, places of the cells, turned strings."""

    flat: _Flat
    low: _Flat | None
    place_mm: Points
    turned: tuple[bool, ...]


def _draw_cells(
    recipe: ProductRecipe,
    rng: np.random.Generator,
    look: Look,
    sheet: _Sheet,
    wrong: tuple[Sequence[Defect], list[list[CellDefect]], dict[int, MisplacedCell]],
    low_current: float | None,
    progress: Callable[[], object] | None,
) -> list[tuple[Mark, ...]]:
    defects, own, moved = wrong
    network = network_of(recipe.cell, look)
    drive = driven(recipe, look.electrics, defects)
    low = None if low_current is None else driven(recipe, look.electrics, defects, low_current)
    wafers = draw_wafers(recipe.cell, look, rng)
    marks = []
    for index, corners in enumerate(sheet.place_mm):
        window, spot = sheet.flat.window(corners[0], corners[2])
        is_turned = sheet.turned[address_of(recipe.layout, index).string - 1]
        state = CellState(
            float(drive.current[index]), float(drive.level[index]), None if low is None else float(low.current[index])
        )
        drawn = draw_cell(network, look, rng, spot, next(wafers), tuple(own[index]), is_turned, state)
        shift = moved.get(index)
        sheet.flat.paste(window, drawn.luminance, drawn.cover, spot, recipe.cell, shift)
        if sheet.low is not None and drawn.low is not None and low_current is not None:
            sheet.low.paste(window, drawn.low, drawn.cover, spot, recipe.cell, shift)
        marks.append(drawn.marks)
        if progress is not None:
            progress()
    return marks


@lru_cache(maxsize=8)
def _network(cell: CellFormat, electrics: Electrics, pads: int, inset_mm: float) -> CellNetwork:
    return CellNetwork(cell, electrics, pads, inset_mm)


def network_of(cell: CellFormat, look: Look) -> CellNetwork:
    """Return the network of a format; one with the same look is kept with its factorisation."""
    return _network(cell, look.electrics, look.pads, look.busbar_inset_mm)


def _by_cell(
    recipe: ProductRecipe, defects: Sequence[Defect], turned: tuple[bool, ...]
) -> tuple[list[list[CellDefect]], dict[int, MisplacedCell]]:
    """Return the defects drawn into each cell, and which cells lie beside their places."""
    layout = recipe.layout
    own: list[list[CellDefect]] = [[] for _ in range(layout.n_cells)]
    moved: dict[int, MisplacedCell] = {}
    for defect in defects:
        position = getattr(defect, "position", 1)
        if not (1 <= defect.string <= layout.n_strings and 1 <= position <= layout.cells_per_string):
            raise ValueError(f"string {defect.string}, position {position} is outside layout {layout}")
        first = (defect.string - 1) * layout.cells_per_string
        if isinstance(defect, MisplacedCell):
            moved[first + position - 1] = defect
        elif isinstance(defect, BussingJointFault):
            own[_entry_cell(recipe, defect.string, turned[defect.string - 1])].append(defect)
        elif not isinstance(defect, DarkCell | ReversedCell | DarkString | BridgedString | OpenString):
            own[first + position - 1].append(defect)
    return own, moved


def _entry_cell(recipe: ProductRecipe, string: int, turned: bool) -> int:
    """Return the index of the cell whose ribbons go to the bussing on the light side: the left, or turned the right."""
    each = recipe.layout.cells_per_string
    cells = np.arange((string - 1) * each, string * each)
    x = cell_corners_mm(recipe)[cells, 0, 0]
    flipped = turned != (recipe.cell.cut_edge is CutEdge.RIGHT)
    return int(cells[np.argmax(x) if flipped else np.argmin(x)])


def _draw_bussing(recipe: ProductRecipe, flat: _Flat, size_mm: NDArray[np.float64], shine: float) -> None:
    """Draw the ribbons that join the strings' ends: they only reflect a little of the light around them."""
    for x in (-9.0, float(size_mm[0]) + 4.0):
        window, _ = flat.window(np.array([x, 4.0]), np.array([x + 5.0, float(size_mm[1]) - 4.0]))
        flat.luminance[window] = shine
    between = recipe.spacing.block_gap_mm
    if recipe.layout.blocks > 1 and between > 10:
        block = (size_mm[0] + between) / recipe.layout.blocks
        for number in range(1, recipe.layout.blocks):
            middle = number * block - between / 2
            window, _ = flat.window(np.array([middle - 2.5, 4.0]), np.array([middle + 2.5, float(size_mm[1]) - 4.0]))
            flat.luminance[window] = shine


def _moved(matrix: NDArray[np.float64], points: Points) -> Points:
    return np.asarray(cv2.perspectiveTransform(points.reshape(-1, 1, 2), matrix), np.float64).reshape(points.shape)


def _shifted(corners_mm: Points, shift: MisplacedCell) -> Points:
    middle = corners_mm.mean(axis=0)
    angle = np.deg2rad(shift.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray((corners_mm - middle) @ turn.T + middle + (shift.shift_x_mm, shift.shift_y_mm))


def _truth(
    recipe: ProductRecipe,
    file_from_plane: NDArray[np.float64],
    corners_mm: Points,
    place_mm: Points,
    marks: list[tuple[Mark, ...]],
    defects: Sequence[Defect],
) -> tuple[tuple[TrueDefect, ...], tuple[TrueDefect, ...]]:
    """Return the defects, and the patterns that are none."""
    found: list[TrueDefect] = []
    patterns: list[TrueDefect] = []
    for index, of_cell in enumerate(marks):
        address = address_of(recipe.layout, index)
        onto, _ = cv2.findHomography(place_mm[index] - place_mm[index, 0], corners_mm[index])
        for mark in of_cell:
            outlines, paths = (
                tuple(read_only(_moved(file_from_plane @ onto, points)) for points in group)
                for group in (mark.outlines_mm, mark.paths_mm)
            )
            true = TrueDefect(
                mark.kind, address.string, address.position, outlines, mark.contrast,
                paths, mark.length_mm, mark.area_fraction, mark.mode, mark.step, mark.line,
            )  # fmt: skip
            if mark.kind is Kind.MATERIAL_PATTERN:
                patterns.append(true)
            else:
                found.append(replace(true, caused_by=len(found) - 1) if mark.of_crack else true)
    found += _whole(recipe, defects, corners_mm, file_from_plane)
    return tuple(found), tuple(patterns)


def _whole(
    recipe: ProductRecipe, defects: Sequence[Defect], corners_mm: Points, matrix: NDArray[np.float64]
) -> list[TrueDefect]:
    """Return the truth about what makes cells dark, or lies beside its place, as a whole."""
    each = recipe.layout.cells_per_string
    found = []
    for defect in defects:
        first = (defect.string - 1) * each
        if isinstance(defect, DarkCell | ReversedCell | MisplacedCell):
            at = corners_mm[first + defect.position - 1]
            kind = {DarkCell: Kind.DARK_CELL, ReversedCell: Kind.REVERSED_CELL, MisplacedCell: Kind.MISPLACED_CELL}
            drop = drop_of(defect.remaining) if isinstance(defect, DarkCell) else drop_of(
                0.0 if isinstance(defect, ReversedCell) else 1.0
            )  # fmt: skip
            outline = (read_only(_moved(matrix, at)),)
            found.append(
                TrueDefect(kind[type(defect)], defect.string, defect.position, outline, drop, area_fraction=1.0)
            )
        elif isinstance(defect, DarkString | BridgedString | OpenString):
            strings = [defect.string]
            drop = drop_of(0.0) if isinstance(defect, OpenString) else drop_of(defect.remaining)
            if isinstance(defect, OpenString):
                strings = [s for circuit in circuits_of(recipe) if defect.string in circuit for s in circuit]
            boxes = tuple(
                read_only(_moved(matrix, _box_of(corners_mm[(string - 1) * each : string * each])))
                for string in strings
            )
            kind_of = {
                DarkString: Kind.DARK_STRING, BridgedString: Kind.BRIDGED_STRING, OpenString: Kind.OPEN_CIRCUIT,
            }  # fmt: skip
            found.append(TrueDefect(kind_of[type(defect)], defect.string, None, boxes, drop, area_fraction=1.0))
    return found


def _box_of(corners_mm: Points) -> Points:
    points = corners_mm.reshape(-1, 2)
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
