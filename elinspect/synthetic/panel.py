"""A whole panel: cells laid out, photographed, with the truth beside the picture."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import address_of, clockwise_from_top_left, gate_from_stored
from elinspect.recipe import CellFormat, CutEdge, ProductRecipe
from elinspect.records import FloatImage, Orientation, Points, read_only
from elinspect.synthetic.camera import CameraSettings, bent, view_of
from elinspect.synthetic.cell import CellState, draw_cell
from elinspect.synthetic.circuit import driven
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
from elinspect.synthetic.marks import Mark
from elinspect.synthetic.network import CellNetwork, Electrics
from elinspect.synthetic.overlays import Overlaid, Overlays, lay_over
from elinspect.synthetic.plane import BUSSING_MM, Plane, cell_corners_mm, draw_bussing, shifted
from elinspect.synthetic.sensor import Picture, Tile, expose, in_tiles
from elinspect.synthetic.truth import TrueDefect, moved, truth_of_panel
from elinspect.synthetic.wafer import draw_wafers
from elinspect.vision import cv2


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
        Homography from (x, y, 1) in mm of the gate view (field's top left corner at 0, 0) to file pixels, before the
        lens bends them; all other points are those behind the lens.
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
    tiles : tuple of Tile
        The same panel in several exposures, where the camera takes it so; they overlap.
    overlaid : tuple of Overlaid
        What lies over the panel, outlines in file pixels.
    """

    picture: Picture
    recipe: ProductRecipe
    camera: CameraSettings
    orientation: Orientation
    corners_px: Points
    panel_corners_px: Points
    file_from_plane: NDArray[np.float64]
    turned: tuple[bool, ...]
    defects: tuple[TrueDefect, ...]
    patterns: tuple[TrueDefect, ...] = ()
    low_picture: Picture | None = None
    low_current: float | None = None
    tiles: tuple[Tile, ...] = ()
    overlaid: tuple[Overlaid, ...] = ()


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
    overlays: Overlays | None = None,
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
    overlays : Overlays, optional
        What lies over the panel; nothing if not given.

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
    own, beside = _by_cell(recipe, defects, turned)
    corners_mm = place_mm.copy()
    for index, shift in beside.items():
        corners_mm[index] = shifted(place_mm[index], shift)
    layers = [Plane.make(size_mm, camera.px_per_mm) for _ in range(1 if low_current is None else 2)]
    if bussing:
        shine = float(rng.uniform(0.01, 0.05))
        for layer in layers:
            draw_bussing(recipe, layer, size_mm, shine)
    sheet = _Sheet(layers, place_mm, turned)
    marks = _draw_cells(recipe, rng, look, sheet, (defects, own, beside), low_current, progress)
    laid: tuple[Overlaid, ...] = ()
    if overlays is not None:
        seed = rng.integers(2**63)
        for number, layer in enumerate(layers):
            over, laid = lay_over(
                layer.luminance, overlays, np.random.default_rng(seed), (float(size_mm[0]), float(size_mm[1])),
                camera.px_per_mm, BUSSING_MM,
            )  # fmt: skip
            layers[number] = Plane(over, camera.px_per_mm)
    view = _View.make(recipe, camera, size_mm)

    def onto(points: Points) -> Points:
        return read_only(bent(camera, moved(view.matrix, points), view.size))

    seen = [view.through(layer) for layer in layers]
    field = onto(np.array([[0.0, 0], [size_mm[0], 0], size_mm, [0, size_mm[1]]]))
    found, patterns = truth_of_panel(recipe, onto, corners_mm, place_mm, marks, defects)
    return SimulatedPanel(
        picture=read_only(expose(camera, seen[0], rng)),
        recipe=recipe,
        camera=camera,
        orientation=view.orientation,
        corners_px=onto(corners_mm),
        panel_corners_px=read_only(clockwise_from_top_left(field)),
        file_from_plane=read_only(view.matrix),
        turned=turned,
        defects=found,
        patterns=patterns,
        low_picture=None if low_current is None else read_only(expose(camera, seen[1], rng)),
        low_current=low_current,
        tiles=in_tiles(camera, seen[0], rng) if camera.tiles != (1, 1) else (),
        overlaid=tuple(Overlaid(one.what, onto(one.outline)) for one in laid),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """How the stored picture sees the plane: homography from mm, width and height, orientation."""

    matrix: NDArray[np.float64]
    size: tuple[int, int]
    orientation: Orientation

    @classmethod
    def make(cls, recipe: ProductRecipe, camera: CameraSettings, size_mm: NDArray[np.float64]) -> "_View":
        margin = camera.margin_mm
        if margin is None:
            margin = 0.0 if recipe.layout.n_strings == 1 else 40.0
        gate_from_plane, gate_size = view_of(camera, float(size_mm[0]), float(size_mm[1]), margin)
        orientation = camera.orientation or Orientation(recipe.camera.rotation_deg, recipe.camera.mirrored)
        size = gate_size if orientation.rotation_deg in (0, 180) else gate_size[::-1]
        return cls(np.linalg.inv(gate_from_stored(orientation, *size)) @ gate_from_plane, size, orientation)

    def through(self, layer: Plane) -> FloatImage:
        """Return the plane as a sharp camera without a lens' faults sees it."""
        matrix = self.matrix @ layer.mm_from_px
        return np.asarray(cv2.warpPerspective(layer.luminance, matrix, self.size, flags=cv2.INTER_LINEAR), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """What cells are drawn on: the plane at full current and perhaps at low; places of the cells; turned strings."""

    layers: list[Plane]
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
    defects, own, beside = wrong
    network = network_of(recipe.cell, look)
    drive = driven(recipe, look.electrics, defects)
    low = None if low_current is None else driven(recipe, look.electrics, defects, low_current)
    wafers = draw_wafers(recipe.cell, look, rng)
    marks = []
    for index, corners in enumerate(sheet.place_mm):
        window, spot = sheet.layers[0].window(corners[0], corners[2])
        is_turned = sheet.turned[address_of(recipe.layout, index).string - 1]
        state = CellState(
            float(drive.current[index]), float(drive.level[index]), None if low is None else float(low.current[index])
        )
        drawn = draw_cell(network, look, rng, spot, next(wafers), tuple(own[index]), is_turned, state)
        shift = beside.get(index)
        for layer, luminance in zip(sheet.layers, drawn.pictures, strict=True):
            layer.paste(window, luminance, drawn.cover, spot, recipe.cell, shift)
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
    beside: dict[int, MisplacedCell] = {}
    for defect in defects:
        position = getattr(defect, "position", 1)
        if not (1 <= defect.string <= layout.n_strings and 1 <= position <= layout.cells_per_string):
            raise ValueError(f"string {defect.string}, position {position} is outside layout {layout}")
        first = (defect.string - 1) * layout.cells_per_string
        if isinstance(defect, MisplacedCell):
            beside[first + position - 1] = defect
        elif isinstance(defect, BussingJointFault):
            own[_entry_cell(recipe, defect.string, turned[defect.string - 1])].append(defect)
        elif not isinstance(defect, DarkCell | ReversedCell | DarkString | BridgedString | OpenString):
            own[first + position - 1].append(defect)
    return own, beside


def _entry_cell(recipe: ProductRecipe, string: int, turned: bool) -> int:
    """Return the index of the cell whose ribbons go to the bussing on the light side: the left, or turned the right."""
    each = recipe.layout.cells_per_string
    cells = np.arange((string - 1) * each, string * each)
    x = cell_corners_mm(recipe)[cells, 0, 0]
    flipped = turned != (recipe.cell.cut_edge is CutEdge.RIGHT)
    return int(cells[np.argmax(x) if flipped else np.argmin(x)])
