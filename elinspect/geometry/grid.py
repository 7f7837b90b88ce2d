"""The grid of cells: the recipe's lattice laid into the outline, fitted to what the picture shows, checked, refined."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.frames import clockwise_from_top_left, gate_from_stored, grid_places, then_turned
from elinspect.geometry.coarse import CoarsePicture, coarse_picture
from elinspect.geometry.comb import axis_evidence, best_comb
from elinspect.geometry.edges import GapShape, Windows, line_windows, measured_edges, outer_shape, typical_gap
from elinspect.geometry.flat import Bands, FlatPicture, bands_of, flattened
from elinspect.geometry.homography import from_corners, moved, rectangle, side_lengths
from elinspect.geometry.lattice import Lattice, fitted, lattice_in, pitches_mm
from elinspect.geometry.likeness import seen_layout
from elinspect.geometry.quads import cell_quads, straight_edges
from elinspect.geometry.sightings import as_sightings, seen_in
from elinspect.geometry.verdict import GridEvidence, faintest_row, is_sound, weighed
from elinspect.recipe import Product
from elinspect.records import CellGrid, ElImage, Layout, NotFound, Orientation, PanelOutline, Points, read_only

_MARGIN = 0.35
_STILL_PX = 0.7
_MOST_DARK = 2
"""Most strings at the edge of the field that may be dark."""
_OTHER_GAP = 0.008
_SURE = 6.0
"""Least contrast, in multiples of its noise, of the gaps within a dark string at the edge of the field."""
_PASSES = (((0.12, 0.09), False), ((0.08, 0.06), True), ((0.04, 0.04), True))
"""Windows along u and v in pitches, and whether the lens is fitted: it would fit itself to wrong lines at first."""


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
    refusals = []
    for orientation in _orientations(image, outline, product):
        corners = _in_gate_view(outline.corners_px, orientation, image)
        found = _grid_within(image, coarse, corners, orientation, product)
        if isinstance(found, CellGrid):
            return found
        refusals.append(found)
    # The way of looking at the picture that explains more of it says best what is wrong.
    return max(refusals, key=lambda refusal: refusal[1])[0]


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
) -> CellGrid | tuple[NotFound, float]:
    """Return the grid, or why there is none and the share of the lines that were seen."""
    layout = product.recipe.layout
    size = (image.width_px, image.height_px)
    lattice = lattice_in(corners, layout, product.recipe, size)
    if layout.n_cells == 1:
        return _as_grid(lattice, lattice.cell_corners().reshape(-1, 4, 2), orientation, product, 0.5)
    lattice, flat, bands = _settled(coarse, lattice)
    evidence = weighed(flat, bands, product)
    if not is_sound(evidence, product):
        seen = seen_layout(flattened(coarse, _whole(corners, size), 0.02))
        darkened = _with_dark_strings(coarse, corners, seen, product, size)
        if darkened is None:
            share = evidence.gaps_along + evidence.gaps_across - abs(evidence.ratio_misfit)
            return NotFound(_doubt(layout, seen)), share
        lattice, evidence = darkened
    lattice, quads = _refined(image, coarse, lattice, product)
    return _as_grid(lattice, quads, orientation, product, evidence.confidence)


def _whole(corners: Points, size: tuple[int, int]) -> Lattice:
    """Return the field as if it were one cell."""
    return Lattice(Layout(1, 1, 1), from_corners(rectangle(1, 1), corners), np.zeros(1), (0.0, 0.0), 0.0, size)


def _with_dark_strings(
    coarse: CoarsePicture, corners: Points, seen: Layout | None, product: Product, size: tuple[int, int]
) -> tuple[Lattice, GridEvidence] | None:
    """Look for the layout with dark strings at the top or bottom of the field, which the outline could not show.

    Only faint light of the dark strings themselves can say on which side they lie; without it the answer is None.
    """
    layout = product.recipe.layout
    if seen is None or seen.grid_shape[1] != layout.grid_shape[1]:
        return None
    missing = layout.grid_shape[0] - seen.grid_shape[0]
    if not 0 < missing <= min(_MOST_DARK, layout.grid_shape[0] - 2):
        return None
    answers = []
    for above in range(missing + 1):
        dark = (above, missing - above)
        lattice = lattice_in(corners, layout, product.recipe, size, dark)
        lattice, flat, bands = _settled(coarse, lattice)
        evidence = weighed(flat, bands, product)
        if is_sound(evidence, product):
            answers.append((faintest_row(flat, bands, dark), lattice, evidence))
    answers.sort(key=lambda answer: answer[0], reverse=True)
    if not answers or answers[0][0] < _SURE or (len(answers) > 1 and answers[0][0] < 2 * answers[1][0]):
        return None
    return answers[0][1], answers[0][2]


def _settled(coarse: CoarsePicture, lattice: Lattice) -> tuple[Lattice, FlatPicture, Bands]:
    """Fit the lattice to the lines that show, from wide windows to narrow ones, until it stands still."""
    flat = flattened(coarse, lattice, _MARGIN)
    combed = _combed(flat, bands_of(flat))
    if _moved_px(lattice, combed) > _STILL_PX * coarse.factor:
        lattice, flat = combed, flattened(coarse, combed, _MARGIN)
    bands = bands_of(flat)
    for window, with_lens in _PASSES:
        seen = as_sightings(flat, bands, *seen_in(flat, bands, window))
        fit, _ = fitted(lattice, seen, with_lens)
        moved_px = _moved_px(lattice, fit)
        lattice = fit
        if moved_px > _STILL_PX * coarse.factor:
            flat = flattened(coarse, lattice, _MARGIN)
            bands = bands_of(flat)
        elif with_lens:
            break
    return lattice, flat, bands


def _moved_px(before: Lattice, after: Lattice) -> float:
    """Return the largest distance (file px) by which a corner of a cell has moved."""
    return float(np.linalg.norm(before.cell_corners() - after.cell_corners(), axis=-1).max())


def _refined(image: ElImage, coarse: CoarsePicture, lattice: Lattice, product: Product) -> tuple[Lattice, Points]:
    """Measure every edge in the file and return the lattice with its true gaps and the corners of all cells."""
    windows, shapes = _gap_shapes(image, coarse, lattice, product)
    if shapes is None:
        return lattice, lattice.cell_corners().reshape(-1, 4, 2)
    gaps = tuple(shapes[k].width_px / float(np.median(windows[k].px_per_pitch)) for k in (0, 1))
    if max(abs(found - expected) for found, expected in zip(gaps, lattice.gaps, strict=True)) > _OTHER_GAP:
        # The windows were made for the recipe's gap: make them again for the one that is there.
        lattice = replace(lattice, gaps=(gaps[0], gaps[1]))
        windows, again = _gap_shapes(image, coarse, lattice, product)
        shapes = again or shapes
    seen = [measured_edges(windows[axis], shapes[axis], coarse.noise * coarse.factor) for axis in (0, 1)]
    lattice = replace(lattice, gaps=(seen[0].gap, seen[1].gap))
    return lattice, cell_quads(lattice, straight_edges(lattice, *seen))


def _doubt(layout: Layout, seen: Layout | None) -> Message:
    """Say what the field within the outline looks like, if not like the layout sought."""
    if seen is None:
        return Message("geometry.no_grid", {"layout": str(layout)})
    if seen == layout:
        return Message("geometry.unclear_grid", {"layout": str(layout)})
    same_columns = seen.grid_shape[1] == layout.grid_shape[1]
    if same_columns and 0 < layout.grid_shape[0] - seen.grid_shape[0] <= _MOST_DARK:
        return Message("geometry.fewer_strings", {"layout": str(layout), "seen": str(seen)})
    return Message("geometry.other_layout", {"layout": str(layout), "seen": str(seen)})


def _combed(flat: FlatPicture, bands: Bands) -> Lattice:
    """Move and stretch the lattice along its axes to where the lines are; each block for itself."""
    lattice = flat.lattice
    layout = lattice.layout
    rows, _ = layout.grid_shape
    n = layout.cells_per_string
    slack_u, slack_v = 0.2 * flat.px_per_pitch[0], 0.2 * flat.px_per_pitch[1]
    along_u = axis_evidence(bands.along_u, flat.px_per_pitch[0], bands.noise_u)
    along_v = axis_evidence(bands.along_v, flat.px_per_pitch[1], bands.noise_v)
    begins, ends = [], []
    for b in range(layout.blocks):
        expected = flat.column_px(b * n + lattice.shifts[b] + np.array([0, n]))
        side_begin = along_u.outer_begins if b == 0 else along_u.begins
        side_end = along_u.outer_ends if b == layout.blocks - 1 else along_u.ends
        comb = best_comb(along_u.gap, (side_begin, side_end), n, (expected[0], expected[1]), slack_u, 1.0)
        begins.append(float(flat.u_at(comb.first)))
        ends.append(float(flat.u_at(comb.last)))
    sides_v = along_v.outer_begins, along_v.outer_ends
    comb = best_comb(along_v.gap, sides_v, rows, (float(flat.row_px(0)), float(flat.row_px(rows))), slack_v, 0.0)
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


def _gap_shapes(
    image: ElImage, coarse: CoarsePicture, lattice: Lattice, product: Product
) -> tuple[tuple[Windows, Windows], tuple[GapShape, GapShape] | None]:
    """Sample the file across all lines and measure the typical gap of both axes; None if no edge shows."""
    mm = pitches_mm(product.recipe)
    along = line_windows(image.counts, lattice, 0, mm[0], coarse.floor)
    across = line_windows(image.counts, lattice, 1, mm[1], coarse.floor)
    outer = outer_shape((along, across))
    found = [typical_gap(windows, lattice.gaps[k], mm[k], outer) for k, windows in enumerate((along, across))]
    usual = found[0] or found[1] or outer
    if usual is None:
        return (along, across), None
    shapes = []
    for k, windows in enumerate((along, across)):
        nominal_px = lattice.gaps[k] * float(np.median(windows.px_per_pitch))
        shapes.append(found[k] or replace(usual, width_px=nominal_px))
    return (along, across), (shapes[0], shapes[1])


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
