"""The grid of cells: the recipe's lattice laid into the outline, fitted to what the picture shows, checked, refined."""

from dataclasses import dataclass, replace

import numpy as np

from elinspect.catalogue import Message
from elinspect.frames import clockwise_from_top_left, grid_places, then_turned
from elinspect.geometry.coarse import CoarsePicture, coarse_picture
from elinspect.geometry.dark_edges import Placed, dark_rows, with_dark_edges
from elinspect.geometry.homography import side_lengths
from elinspect.geometry.lattice import Lattice, lattice_in, pitches_mm
from elinspect.geometry.likeness import (
    NARROW_RATIO,
    Seen,
    parted_otherwise,
    seen_layout,
    shows_strips,
    split,
    strings_otherwise,
)
from elinspect.geometry.outline import in_gate_view
from elinspect.geometry.refining import RefinedGrid, hidden_blocks, refined
from elinspect.geometry.settling import settled
from elinspect.geometry.verdict import inner_lines, is_sound, weighed
from elinspect.recipe import Product
from elinspect.records import CellGrid, ElImage, Layout, NotFound, Orientation, PanelOutline, Points, read_only

_MOST_DARK = 2
"""Most strings at the edge of the field that may be dark."""
_FEWER = "geometry.fewer_strings"
_ONE_BLOCK = "geometry.one_block"


@dataclass(frozen=True, slots=True, eq=False)
class FoundGrid:
    """A grid with what lies behind it.

    Attributes
    ----------
    grid : CellGrid
        Cells in the order of addresses.
    refined : RefinedGrid or None
        What was measured, by row and column; None for a single cell.
    notes : tuple of Message
        What the inspector should know about how it was found.
    """

    grid: CellGrid
    refined: RefinedGrid | None
    notes: tuple[Message, ...] = ()


def find_grid(image: ElImage, outline: PanelOutline, product: Product) -> CellGrid | NotFound:
    """Find every cell of the recipe's layout inside the outline.

    Parameters
    ----------
    image : ElImage
        The exposure.
    outline : PanelOutline
        From `find_panel` for the same image.
    product : Product
        The layout sought, its cell size and gaps, and how the camera sees it. Where only the layout is known, strings
        are taken to run along the side of the picture that fits the layout.

    Returns
    -------
    CellGrid or NotFound
        The grid, or in words why the picture does not show this layout and what it looks like instead.
    """
    found = found_grid(image, outline, product)
    return found if isinstance(found, NotFound) else found.grid


def found_grid(image: ElImage, outline: PanelOutline, product: Product) -> FoundGrid | NotFound:
    """Find the grid as `find_grid` does, and keep what was measured on the way."""
    cell = product.recipe.cell
    if cell.across_mm / cell.along_mm > NARROW_RATIO and product.recipe.layout.n_cells > 1:
        return NotFound(Message("geometry.shingled"))
    coarse = coarse_picture(image)
    size = image.width_px, image.height_px
    views = [(turn, in_gate_view(outline.corners_px, turn, image)) for turn in _orientations(image, outline, product)]
    if product.recipe.layout.n_cells == 1:
        lattice = lattice_in(views[0][1], product.recipe.layout, product.recipe, size)
        quads = lattice.cell_corners().reshape(-1, 4, 2)
        return FoundGrid(_as_grid(lattice, quads, views[0][0], product, outline.confidence), None)
    for orientation, corners in views:
        settled_lattice = _sound_lattice(coarse, corners, product, size)
        if settled_lattice is not None:
            other = parted_otherwise(coarse, *settled_lattice)
            if other is None and not product.scale_known:
                other = strings_otherwise(coarse, settled_lattice[0])
            if other is not None:
                return NotFound(_doubt(product.recipe.layout, other))
            return _finished(image, coarse, settled_lattice, orientation, product)
    for orientation, corners in views:
        placed = with_dark_edges(coarse, corners, product, size)
        if placed is not None:
            found = _finished(image, coarse, (placed.lattice, placed.confidence), orientation, product)
            return found if isinstance(found, NotFound) else replace(found, notes=_notes(placed, product))
    if product.turn_known and _shown_turned(coarse, outline, image, product):
        return NotFound(Message("geometry.turned", {"layout": str(product.recipe.layout)}))
    seen = [seen_layout(coarse, corners, size) for _, corners in views]
    likelier = _likelier(seen)
    doubt = _doubt(product.recipe.layout, likelier.layout if likelier is not None else None)
    # Busbars of cells look like strips laid over each other, seen from the side.
    strips = doubt.code not in (_FEWER, _ONE_BLOCK) and any(
        cells is None and shows_strips(coarse, corners, size) for cells, (_, corners) in zip(seen, views, strict=True)
    )
    return NotFound(Message("geometry.shingled") if strips else doubt)


def _shown_turned(coarse: CoarsePicture, outline: PanelOutline, image: ElImage, product: Product) -> bool:
    """Whether the picture shows the recipe's layout a quarter turn away from where the recipe's camera has it."""
    told = then_turned(_told_orientation(image, product), Orientation(90))
    corners = in_gate_view(outline.corners_px, told, image)
    return _sound_lattice(coarse, corners, product, (image.width_px, image.height_px)) is not None


def _finished(
    image: ElImage,
    coarse: CoarsePicture,
    lattice_and_confidence: tuple[Lattice, float],
    orientation: Orientation,
    product: Product,
) -> FoundGrid | NotFound:
    lattice, confidence = lattice_and_confidence
    measured = refined(image, coarse, lattice, product.recipe)
    blocks = hidden_blocks(measured, product.recipe)
    if blocks > 1:
        return NotFound(_doubt(product.recipe.layout, split(product.recipe.layout, blocks)))
    return FoundGrid(_as_grid(measured.lattice, measured.quads, orientation, product, confidence), measured)


def _sound_lattice(
    coarse: CoarsePicture,
    corners: Points,
    product: Product,
    size: tuple[int, int],
) -> tuple[Lattice, float] | None:
    """Fit the recipe's lattice; return it with its confidence if the picture bears it out."""
    lattice, flat, bands = settled(coarse, lattice_in(corners, product.recipe.layout, product.recipe, size))
    evidence = weighed(flat, bands, product)
    return (lattice, evidence.confidence) if is_sound(evidence, product) else None


def _notes(placed: Placed, product: Product) -> tuple[Message, ...]:
    """Say where the place in the picture alone told on which side of the panel the dark cells lie."""
    if not placed.by_place:
        return ()
    layout = product.recipe.layout
    rows = dark_rows(placed.dark, layout.grid_shape[0])
    if not rows:
        return (Message("geometry.dark_column_placed"),)
    places = grid_places(layout, product.recipe.addresses.origin_corner)
    strings = sorted({k // layout.cells_per_string + 1 for k in np.flatnonzero(np.isin(places[:, 0], rows)).tolist()})
    return (Message("geometry.dark_strings_placed", {"n": len(strings), "strings": ", ".join(map(str, strings))}),)


def _likelier(views: list[Seen | None]) -> Seen | None:
    """Return the view in which strings run horizontally: busbars then make no lines across them."""
    seen = [view for view in views if view is not None]
    if not seen:
        return None
    return min(seen, key=lambda view: inner_lines(view.flat, view.bands))


def _doubt(layout: Layout, seen: Layout | None) -> Message:
    """Say what the field within the outline looks like, if not like the layout sought."""
    if seen is None:
        return Message("geometry.no_grid", {"layout": str(layout)})
    if seen == layout:
        return Message("geometry.unclear_grid", {"layout": str(layout)})
    if layout.blocks > 1 and seen == Layout(1, layout.strings_per_block, layout.cells_per_string):
        return Message(_ONE_BLOCK, {"layout": str(layout), "seen": str(seen)})
    same_columns = seen.grid_shape[1] == layout.grid_shape[1]
    if same_columns and 0 < layout.grid_shape[0] - seen.grid_shape[0] <= _MOST_DARK:
        return Message(_FEWER, {"layout": str(layout), "seen": str(seen)})
    return Message("geometry.other_layout", {"layout": str(layout), "seen": str(seen)})


def _told_orientation(image: ElImage, product: Product) -> Orientation:
    camera = product.recipe.camera
    return then_turned(image.orientation, Orientation(camera.rotation_deg, camera.mirrored))


def _orientations(image: ElImage, outline: PanelOutline, product: Product) -> list[Orientation]:
    if product.turn_known:
        return [_told_orientation(image, product)]
    upright = then_turned(image.orientation, Orientation(0))
    turned = then_turned(image.orientation, Orientation(90))
    wide, high = side_lengths(in_gate_view(outline.corners_px, upright, image))
    along, across = pitches_mm(product.recipe)
    rows, columns = product.recipe.layout.grid_shape
    wanted = np.log(columns * along / (rows * across))
    misfit = np.abs(np.log(wide / high) - wanted), np.abs(np.log(high / wide) - wanted)
    return [upright, turned] if misfit[0] <= misfit[1] else [turned, upright]


def _as_grid(
    lattice: Lattice, quads: Points, orientation: Orientation, product: Product, confidence: float
) -> CellGrid:
    rows, columns = lattice.layout.grid_shape
    by_place = quads.reshape(rows, columns, 4, 2)
    places = grid_places(lattice.layout, product.recipe.addresses.origin_corner)
    outline = np.array([by_place[0, 0, 0], by_place[0, -1, 1], by_place[-1, -1, 2], by_place[-1, 0, 3]])
    return CellGrid(
        layout=lattice.layout,
        orientation=orientation,
        corners_px=read_only(by_place[places[:, 0], places[:, 1]]),
        panel_corners_px=read_only(clockwise_from_top_left(outline)),
        confidence=confidence,
    )
