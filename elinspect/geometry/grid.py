"""The grid of cells: the recipe's lattice laid into the outline, fitted to what the picture shows, checked, refined."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.frames import clockwise_from_top_left, gate_from_stored, grid_places, then_turned
from elinspect.geometry.coarse import CoarsePicture, coarse_picture, pixel_noise
from elinspect.geometry.comb import axis_evidence, best_comb
from elinspect.geometry.flat import FlatPicture, flattened
from elinspect.geometry.homography import from_corners, moved, rectangle, side_lengths
from elinspect.geometry.lattice import Lattice, fitted, lattice_in, pitches_mm
from elinspect.geometry.likeness import seen_layout
from elinspect.geometry.sightings import as_sightings, bands_of, seen_in
from elinspect.geometry.verdict import is_sound, weighed
from elinspect.recipe import Product
from elinspect.records import CellGrid, ElImage, Layout, NotFound, Orientation, PanelOutline, Points, read_only

_MARGIN = 0.35


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
    coarse = coarse_picture(image)
    refusal: NotFound | None = None
    for orientation in _orientations(image, outline, product):
        corners = _in_gate_view(outline.corners_px, orientation, image)
        found = _grid_within(image, coarse, corners, orientation, product)
        if isinstance(found, CellGrid):
            return found
        refusal = refusal or found
    assert refusal is not None
    return refusal


def _in_gate_view(corners: Points, orientation: Orientation, image: ElImage) -> Points:
    """Return the same corners in file pixels, ordered clockwise from the top left of the gate view."""
    matrix = gate_from_stored(orientation, image.width_px, image.height_px)
    return moved(np.linalg.inv(matrix), clockwise_from_top_left(moved(matrix, corners)))


def _orientations(image: ElImage, outline: PanelOutline, product: Product) -> list[Orientation]:
    camera = product.recipe.camera
    if product.turn_known:
        return [then_turned(image.orientation, Orientation(camera.rotation_deg, camera.mirrored))]
    upright = then_turned(image.orientation, Orientation(0))
    turned = then_turned(image.orientation, Orientation(90))
    wide, high = side_lengths(_in_gate_view(outline.corners_px, upright, image))
    along, across = pitches_mm(product.recipe)
    rows, columns = product.recipe.layout.grid_shape
    wanted = np.log(columns * along / (rows * across))
    misfit = np.abs(np.log(wide / high) - wanted), np.abs(np.log(high / wide) - wanted)
    return [upright, turned] if misfit[0] <= misfit[1] else [turned, upright]


def _grid_within(
    image: ElImage, coarse: CoarsePicture, corners: Points, orientation: Orientation, product: Product
) -> CellGrid | NotFound:
    layout = product.recipe.layout
    lattice = lattice_in(corners, layout, product.recipe, (image.width_px, image.height_px))
    flat = _flat(coarse, lattice)
    if layout.n_cells > 1:
        lattice = _combed(flat)
        for window in ((0.12, 0.09), (0.06, 0.05)):
            flat = _flat(coarse, lattice)
            lattice, _ = fitted(lattice, as_sightings(flat, *seen_in(flat, window)), with_lens=False)
        flat = _flat(coarse, lattice)
        evidence = weighed(flat, product)
        if not is_sound(evidence, product):
            return NotFound(_doubt(coarse, corners, lattice.size, layout))
        return _as_grid(lattice, orientation, product, evidence.confidence)
    return _as_grid(lattice, orientation, product, 0.5)


def _doubt(coarse: CoarsePicture, corners: Points, size: tuple[int, int], layout: Layout) -> Message:
    """Say what the field within the outline looks like, if not like the layout sought."""
    whole = Lattice(Layout(1, 1, 1), from_corners(rectangle(1, 1), corners), np.zeros(1), (0.0, 0.0), 0.0, size)
    seen = seen_layout(_flat(coarse, whole))
    if seen is None:
        return Message("geometry.no_grid", {"layout": str(layout)})
    if seen == layout:
        return Message("geometry.unclear_grid", {"layout": str(layout)})
    return Message("geometry.other_layout", {"layout": str(layout), "seen": str(seen)})


def _flat(coarse: CoarsePicture, lattice: Lattice) -> FlatPicture:
    wide, high = side_lengths(lattice.field_corners())
    width, height = lattice.extent
    scale = wide / width / coarse.factor, high / height / coarse.factor
    floor = float(np.percentile(coarse.counts[::4, ::4], 1))
    return flattened(coarse, lattice, scale, _MARGIN, floor, pixel_noise(coarse.counts))


def _combed(flat: FlatPicture) -> Lattice:
    """Move and stretch the lattice along its axes to where the lines are; each block for itself."""
    lattice = flat.lattice
    layout = lattice.layout
    rows, _ = layout.grid_shape
    n = layout.cells_per_string
    slack_u, slack_v = 0.2 * flat.px_per_pitch[0], 0.2 * flat.px_per_pitch[1]
    profiles_u, noise_u, profiles_v, noise_v = bands_of(flat)
    along_u = axis_evidence(profiles_u, flat.px_per_pitch[0], noise_u)
    along_v = axis_evidence(profiles_v, flat.px_per_pitch[1], noise_v)
    begins, ends = [], []
    for b in range(layout.blocks):
        first = float(flat.column_px(b * n + lattice.shifts[b]))
        last = first + n * flat.px_per_pitch[0]
        comb = best_comb(along_u, n, (first - slack_u, first + slack_u), (last - slack_u, last + slack_u), 1.0)
        begins.append(float(flat.u_at(comb.first)))
        ends.append(float(flat.u_at(comb.last)))
    first, last = float(flat.row_px(0)), float(flat.row_px(rows))
    comb = best_comb(along_v, rows, (first - slack_v, first + slack_v), (last - slack_v, last + slack_v), 0.0)
    top, bottom = float(flat.v_at(comb.first)), float(flat.v_at(comb.last))
    return _rescaled(lattice, np.array(begins), np.array(ends), (top, bottom))


def _rescaled(
    lattice: Lattice, begins: NDArray[np.float64], ends: NDArray[np.float64], rows: tuple[float, float]
) -> Lattice:
    n = lattice.layout.cells_per_string
    pitch = float((ends - begins).mean()) / n
    shifts = (begins - begins[0]) / pitch - np.arange(begins.size) * n
    stretch_v = (rows[1] - rows[0]) / lattice.layout.grid_shape[0]
    old_from_new = np.array([[pitch, 0, begins[0]], [0, stretch_v, rows[0]], [0, 0, 1.0]])
    return replace(lattice, file_from_plane=lattice.file_from_plane @ old_from_new, shifts=shifts)


def _as_grid(lattice: Lattice, orientation: Orientation, product: Product, confidence: float) -> CellGrid:
    corners = lattice.cell_corners()
    places = grid_places(lattice.layout, product.recipe.addresses.origin_corner)
    return CellGrid(
        layout=lattice.layout,
        orientation=orientation,
        corners_px=read_only(corners[places[:, 0], places[:, 1]]),
        panel_corners_px=read_only(clockwise_from_top_left(lattice.field_corners())),
        confidence=confidence,
    )
