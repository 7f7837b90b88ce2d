"""A whole panel: cells laid out, photographed, with the truth beside the picture."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import address_of, clockwise_from_top_left, gate_from_stored, grid_places
from elinspect.recipe import ProductRecipe
from elinspect.records import CrackMode, FloatImage, Kind, Orientation, Points, read_only
from elinspect.synthetic.camera import CameraSettings, expose, view_of
from elinspect.synthetic.cell import CellSpot, Mark, draw_cell
from elinspect.synthetic.defects import CellDefect, DarkCell, DarkString, Defect
from elinspect.synthetic.look import Look, draw_look
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
        What the crack does to the current.
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
    caused_by: int | None = None

    def mask(self, shape: tuple[int, ...]) -> NDArray[np.bool_]:
        """Return the pixels of the defect in a picture of this shape (rows, columns)."""
        ink = np.zeros(shape, np.uint8)
        for outline in self.outlines_px:
            # One by one: together, OpenCV would leave out where they overlap.
            cv2.fillPoly(ink, [np.round(outline * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        return ink > 0


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

    Raises
    ------
    ValueError
        If a defect lies outside the layout.
    """
    camera = camera or CameraSettings()
    look = look or draw_look(recipe.cell, rng)
    turned = turned_strings(recipe)
    corners_mm = cell_corners_mm(recipe)
    size_mm = corners_mm.reshape(-1, 2).max(axis=0)
    flat = _Flat.make(size_mm, camera.px_per_mm)
    if bussing:
        _draw_bussing(recipe, flat, size_mm, rng)
    marks = _draw_cells(recipe, rng, look, flat, corners_mm, defects, turned)
    margin = camera.margin_mm
    if margin is None:
        margin = 0.0 if recipe.layout.n_strings == 1 else 40.0
    gate_from_plane, gate_size = view_of(camera, float(size_mm[0]), float(size_mm[1]), margin)
    orientation = camera.orientation or Orientation(recipe.camera.rotation_deg, recipe.camera.mirrored)
    upright = orientation.rotation_deg in (0, 180)
    width, height = gate_size if upright else gate_size[::-1]
    file_from_plane = np.linalg.inv(gate_from_stored(orientation, width, height)) @ gate_from_plane
    seen = cv2.warpPerspective(
        flat.luminance, file_from_plane @ flat.plane_from_flat, (width, height), flags=cv2.INTER_LINEAR
    )
    field = _moved(file_from_plane, np.array([[0.0, 0], [size_mm[0], 0], size_mm, [0, size_mm[1]]]))
    return SimulatedPanel(
        read_only(expose(camera, np.asarray(seen, np.float32), rng)),
        recipe,
        camera,
        orientation,
        read_only(_moved(file_from_plane, corners_mm)),
        read_only(clockwise_from_top_left(field)),
        read_only(file_from_plane),
        turned,
        _truth(recipe, file_from_plane, corners_mm, marks, defects),
    )


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


def _draw_cells(
    recipe: ProductRecipe,
    rng: np.random.Generator,
    look: Look,
    flat: _Flat,
    corners_mm: Points,
    defects: Sequence[Defect],
    turned: tuple[bool, ...],
) -> list[tuple[Mark, ...]]:
    own, levels = _by_cell(recipe, defects)
    marks = []
    for index, corners in enumerate(corners_mm):
        window, spot = flat.window(corners[0], corners[2])
        is_turned = turned[address_of(recipe.layout, index).string - 1]
        luminance, cover, made = draw_cell(recipe.cell, look, rng, spot, tuple(own[index]), is_turned)
        under = flat.luminance[window]
        under *= 1 - cover
        under += luminance * cover * levels[index]
        marks.append(made)
    return marks


def _by_cell(recipe: ProductRecipe, defects: Sequence[Defect]) -> tuple[list[list[CellDefect]], NDArray[np.float32]]:
    layout = recipe.layout
    own: list[list[CellDefect]] = [[] for _ in range(layout.n_cells)]
    levels = np.ones(layout.n_cells, np.float32)
    for defect in defects:
        position = 1 if isinstance(defect, DarkString) else defect.position
        if not (1 <= defect.string <= layout.n_strings and 1 <= position <= layout.cells_per_string):
            raise ValueError(f"string {defect.string}, position {position} is outside layout {layout}")
        first = (defect.string - 1) * layout.cells_per_string
        if isinstance(defect, DarkString):
            levels[first : first + layout.cells_per_string] *= defect.remaining
        elif isinstance(defect, DarkCell):
            levels[first + position - 1] *= defect.remaining
        else:
            own[first + position - 1].append(defect)
    return own, levels


def _draw_bussing(recipe: ProductRecipe, flat: _Flat, size_mm: NDArray[np.float64], rng: np.random.Generator) -> None:
    """Draw the ribbons that join the strings' ends: they only reflect a little of the light around them."""
    shine = float(rng.uniform(0.01, 0.05))
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


def _truth(
    recipe: ProductRecipe,
    file_from_plane: NDArray[np.float64],
    corners_mm: Points,
    marks: list[tuple[Mark, ...]],
    defects: Sequence[Defect],
) -> tuple[TrueDefect, ...]:
    found: list[TrueDefect] = []
    for index, of_cell in enumerate(marks):
        address = address_of(recipe.layout, index)
        for mark in of_cell:
            outlines, paths = (
                tuple(read_only(_moved(file_from_plane, points + corners_mm[index, 0])) for points in group)
                for group in (mark.outlines_mm, mark.paths_mm)
            )
            true = TrueDefect(
                mark.kind, address.string, address.position, outlines, mark.contrast,
                paths, mark.length_mm, mark.area_fraction, mark.mode,
            )  # fmt: skip
            found.append(replace(true, caused_by=len(found) - 1) if mark.of_crack else true)
    for defect in defects:
        if isinstance(defect, DarkCell):
            at = (defect.string - 1) * recipe.layout.cells_per_string + defect.position - 1
            found.append(_dark(Kind.DARK_CELL, defect, defect.position, corners_mm[at], file_from_plane))
        elif isinstance(defect, DarkString):
            first = (defect.string - 1) * recipe.layout.cells_per_string
            cells = corners_mm[first : first + recipe.layout.cells_per_string].reshape(-1, 2)
            (left, top), (right, bottom) = cells.min(axis=0), cells.max(axis=0)
            box = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
            found.append(_dark(Kind.DARK_STRING, defect, None, box, file_from_plane))
    return tuple(found)


def _dark(
    kind: Kind, defect: DarkCell | DarkString, position: int | None, box_mm: Points, matrix: NDArray[np.float64]
) -> TrueDefect:
    drop = -float(np.log(max(defect.remaining, 0.005)))
    outline = read_only(_moved(matrix, box_mm))
    return TrueDefect(kind, defect.string, position, (outline,), drop, area_fraction=1.0)
