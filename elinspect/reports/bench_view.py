"""The panel as it lies on the rework bench: which side is up, how it is turned, where the leads and the label are."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import address_of, gate_from_stored, grid_places, then_turned
from elinspect.recipe import ProductRecipe, write_address
from elinspect.records import Address, Orientation, PanelFacts, ViewSide


@dataclass(frozen=True, slots=True)
class MapCell:
    """One cell on the map: its address, as the plant writes it, and its rectangle in mm (x right, y down)."""

    address: Address
    text: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class BenchMap:
    """A map of the panel as the bench sees it.

    Attributes
    ----------
    cells : tuple of MapCell
        In the order of addresses.
    width_mm, height_mm : float
        Of the field of cells.
    view_side : ViewSide
        The side that is up.
    from_gate : Orientation
        How the gate view is brought to this one; mirrored where the bench sees the other side than the camera.
    plus, minus, label : (x, y) or None
        In mm, may lie outside the field; None where the recipe does not say.
    """

    cells: tuple[MapCell, ...]
    width_mm: float
    height_mm: float
    view_side: ViewSide
    from_gate: Orientation
    plus: tuple[float, float] | None = None
    minus: tuple[float, float] | None = None
    label: tuple[float, float] | None = None


def bench_map(recipe: ProductRecipe) -> BenchMap:
    """Return the map of a product."""
    view_side, turn = bench_orientation(recipe)
    origins, size, (width, height) = _gate_rectangles(recipe)
    matrix = gate_from_stored(turn, width + 1, height + 1)  # type: ignore[arg-type]
    first, second = _moved(matrix, origins), _moved(matrix, origins + size)
    low, extent = np.minimum(first, second), np.abs(second - first)
    cells = tuple(
        MapCell(
            address,
            write_address(recipe.addresses, address.string, address.position),
            *(float(value) for value in (*low[index], *extent[index])),
        )
        for index, address in enumerate(address_of(recipe.layout, i) for i in range(recipe.layout.n_cells))
    )

    def place(mark: tuple[float, float] | None) -> tuple[float, float] | None:
        if mark is None:
            return None
        x, y = _moved(matrix, np.array([[mark[0] * width, mark[1] * height]]))[0]
        return float(x), float(y)

    across = turn.rotation_deg in (90, 270)
    shown = (height, width) if across else (width, height)
    bench = recipe.bench
    return BenchMap(cells, *shown, view_side, turn, place(bench.plus), place(bench.minus), place(bench.label))


def bench_orientation(recipe: ProductRecipe) -> tuple[ViewSide, Orientation]:
    """Return the side that is up on the bench, and how the gate view is brought to what the bench sees.

    A panel that is turned over is turned about its short axis: left and right change places (common practice).
    """
    side = recipe.bench.view_side or recipe.camera.view_side
    over = Orientation(0, side is not recipe.camera.view_side)
    return side, then_turned(over, Orientation(recipe.bench.rotation_deg))


def from_file(panel: PanelFacts, recipe: ProductRecipe) -> Orientation:
    """Return how a stored picture of the panel is brought to what the bench sees."""
    to_gate = Orientation(panel.rotation_deg or 0, bool(panel.mirrored))  # type: ignore[arg-type]
    return then_turned(to_gate, bench_orientation(recipe)[1])


def address_at(shown: BenchMap, x_mm: float, y_mm: float) -> Address | None:
    """Return the cell at a place of the map; None in a gap or outside."""
    for cell in shown.cells:
        if cell.x <= x_mm <= cell.x + cell.width and cell.y <= y_mm <= cell.y + cell.height:
            return cell.address
    return None


def _gate_rectangles(recipe: ProductRecipe) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[float, float]]:
    """Return the top left corners of all cells in the gate view, their size, and the size of the field, mm."""
    layout, cell, spacing = recipe.layout, recipe.cell, recipe.spacing
    places = grid_places(layout, recipe.addresses.origin_corner)
    row, column = places[:, 0], places[:, 1]
    x = column * (cell.along_mm + spacing.cell_gap_mm)
    x = x + column // layout.cells_per_string * (spacing.block_gap_mm - spacing.cell_gap_mm)
    y = row * (cell.across_mm + spacing.string_gap_mm)
    size = np.array([cell.along_mm, cell.across_mm])
    corners = np.stack([x, y], axis=1).astype(np.float64)
    width, height = corners.max(axis=0) + size
    return corners, size, (float(width), float(height))


def _moved(matrix: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(points @ matrix[:2, :2].T + matrix[:2, 2])
