"""Grids over plainly drawn panels: all layouts, dark cells and strings, and what must not change the answer."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_panels import HALF_CUT, Plan, Shot, draw, mirrored_file, photographed, turned_file
from real_cells import overlap

from elinspect.geometry import FoundGrid, find_grid, find_panel, found_grid
from elinspect.recipe import AddressScheme, Camera, Product, ProductRecipe, assumed_product
from elinspect.records import CellGrid, Corner, ElImage, Layout, NotFound, Orientation, read_only

CELL_TOLERANCE = 0.97
"""Least intersection over union of every cell: two pixels off in cells of about a hundred."""
SAME_PX = 0.25
"""How far corners may move when only noise, gain or offset of the picture change."""


def found(image: ElImage, product: Product) -> CellGrid:
    outline = find_panel(image, product)
    assert not isinstance(outline, NotFound), outline.reason.text
    grid = find_grid(image, outline, product)
    assert isinstance(grid, CellGrid), grid.reason.text
    return grid


PLANS = {
    "36 cells, 2 busbars": Plan(Layout.parse("4x9"), 125, 125, busbars=2, wire_mm=2, chamfer_mm=18),
    "60 mono cells": Plan(Layout.parse("6x10"), chamfer_mm=8),
    "72 multi cells, narrow gaps": Plan(Layout.parse("6x12"), texture=0.2, gap_mm=1, string_gap_mm=1.5),
    "108 half cells": Plan(Layout.parse("2x6x9"), **HALF_CUT),
    "144 half cells, close blocks": Plan(Layout.parse("2x6x12"), block_gap_mm=7, gap_mm=1, **HALF_CUT),
    "156 half cells, 20 wires": Plan(Layout.parse("2x6x13"), **{**HALF_CUT, "busbars": 20, "wire_mm": 0.3}),
    "thirds in three blocks": Plan(Layout.parse("3x6x8"), 61, 182, busbars=10, wire_mm=0.35),
    "one string": Plan(Layout.parse("1x12")),
}
SHOTS = {
    "straight": Shot(),
    "turned and tilted": Shot(turn_deg=-10, tilt_deg=(8, 6), vignetting=0.4),
    "15 degrees, bent by the lens": Shot(turn_deg=2, tilt_deg=(-15, 4), lens=-0.02),
}


@pytest.mark.parametrize("shot", SHOTS)
@pytest.mark.parametrize("plan", PLANS)
def test_every_layout_is_found(plan: str, shot: str) -> None:
    rng = np.random.default_rng(4)
    drawn = PLANS[plan]
    image, quads = photographed(draw(drawn, 0.8, rng), SHOTS[shot], rng)
    grid = found(image, assumed_product(drawn.layout))
    assert overlap(grid.corners_px, quads).min() > CELL_TOLERANCE - 0.04 * (drawn.along_mm < 100)
    assert grid.orientation == Orientation()


DARK = {
    "corner cells": dict.fromkeys((0, 9, 50, 59), 0.01),
    "many cells": dict.fromkeys((3, 4, 13, 14, 33, 57), 0.05),
    "an inner string": dict.fromkeys(range(20, 30), 0.02),
    "the first string": dict.fromkeys(range(10), 0.08),
    "the last string": dict.fromkeys(range(50, 60), 0.08),
    "the last string and a corner": dict.fromkeys((0, *range(50, 60)), 0.08),
}


@pytest.mark.parametrize("dark", DARK)
def test_dark_cells_and_strings_are_filled_in(dark: str) -> None:
    rng = np.random.default_rng(5)
    plan = Plan(Layout.parse("6x10"), levels=DARK[dark])
    image, quads = photographed(draw(plan, 0.8, rng, background=2), Shot(turn_deg=3, tilt_deg=(4, -6)), rng)
    grid = found(image, assumed_product(plan.layout))
    assert overlap(grid.corners_px, quads).min() > 0.95


WITHOUT_LIGHT = {
    "three cells at a corner": (0, 1, 10),
    "the first string": range(10),
    "the last two strings": range(40, 60),
    "an end column": range(0, 60, 10),
}


def without_light(cells: str, off_px: int = 0) -> tuple[ElImage, np.ndarray, FoundGrid | NotFound]:
    """Return picture, truth and answer for cells as dark as the ground, the panel `off_px` from the middle."""
    rng = np.random.default_rng(5)
    plan = Plan(Layout.parse("6x10"), levels=dict.fromkeys(WITHOUT_LIGHT[cells], 0.0), margin_mm=140)
    image, quads = photographed(draw(plan, 0.6, rng), Shot(turn_deg=3, tilt_deg=(4, -6)), rng)
    image = replace(image, counts=read_only(image.counts[: image.height_px - 2 * off_px].copy()))
    product = assumed_product(plan.layout)
    outline = find_panel(image, product)
    assert not isinstance(outline, NotFound), outline.reason.text
    return image, quads, found_grid(image, outline, product)


@pytest.mark.parametrize("cells", WITHOUT_LIGHT)
def test_cells_at_the_edge_that_give_no_light_at_all_are_placed(cells: str) -> None:
    _, quads, answer = without_light(cells)
    assert isinstance(answer, FoundGrid)
    assert overlap(answer.grid.corners_px, quads).min() > 0.95
    # Where only the middle of the picture tells the side, the inspector is told so.
    strings = {"the first string": "1", "the last two strings": "5, 6"}.get(cells)
    codes = [note.code for note in answer.notes]
    if cells == "three cells at a corner":
        assert codes == []
        return
    assert codes == ["geometry.dark_column_placed" if strings is None else "geometry.dark_strings_placed"]
    assert answer.notes[0].values.get("strings") == strings
    assert answer.grid.confidence <= 0.5


def test_a_string_without_light_is_not_placed_where_the_panel_lies_off_the_middle() -> None:
    _, _, answer = without_light("the first string", off_px=36)
    assert isinstance(answer, NotFound)
    assert answer.reason.code == "geometry.fewer_strings"
    assert answer.reason.values == {"layout": "6x10", "seen": "5x10"}


def test_blocks_as_near_as_seven_millimetres_are_parted() -> None:
    rng = np.random.default_rng(12)
    plan = Plan(Layout.parse("2x6x13"), block_gap_mm=7.2, gap_mm=3.2, **{**HALF_CUT, "busbars": 9})
    image, quads = photographed(draw(plan, 0.8, rng), Shot(turn_deg=-3, tilt_deg=(9, 10), blur_px=1.4), rng)
    assert overlap(found(image, assumed_product(plan.layout)).corners_px, quads).min() > 0.93


def test_a_dark_half_string_beside_a_bright_partner() -> None:
    rng = np.random.default_rng(6)
    levels = {**dict.fromkeys(range(10), 0.02), **dict.fromkeys(range(60, 70), 2.0)}
    plan = Plan(Layout.parse("2x6x10"), levels=levels, **HALF_CUT)
    image, quads = photographed(draw(plan, 0.8, rng), Shot(turn_deg=-2), rng)
    assert overlap(found(image, assumed_product(plan.layout)).corners_px, quads).min() > 0.93


@pytest.fixture(scope="module")
def sixty() -> tuple[ElImage, np.ndarray]:
    rng = np.random.default_rng(7)
    plan = Plan(Layout.parse("6x10"), texture=0.1, levels={17: 0.3})
    return photographed(draw(plan, 0.8, rng), Shot(turn_deg=4, tilt_deg=(5, 5)), rng)


def _recipe(**changes: object) -> ProductRecipe:
    return replace(assumed_product(Layout.parse("6x10")).recipe, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_recipe_brings_any_picture_to_the_gate_view(
    sixty: tuple[ElImage, np.ndarray], quarter_turns: int, mirrored: bool
) -> None:
    image, quads = turned_file(*sixty, quarter_turns)
    if mirrored:
        image, quads = mirrored_file(image, quads)
    # Undoing the turn: a mirror after a turn is undone by the same mirror, then the turn back.
    back = (4 - quarter_turns) % 4 * 90 if not mirrored else quarter_turns * 90
    camera = Camera(rotation_deg=back, mirrored=mirrored)  # type: ignore[arg-type]
    grid = found(image, Product(_recipe(camera=camera)))
    assert grid.orientation == Orientation(camera.rotation_deg, camera.mirrored)
    assert overlap(grid.corners_px, quads).min() > CELL_TOLERANCE
    # Not only the same places: every corner keeps its name.
    assert np.abs(grid.corners_px - quads).max() < 3


def test_the_tag_of_the_file_comes_before_the_camera(sixty: tuple[ElImage, np.ndarray]) -> None:
    image, quads = turned_file(*sixty, 1)
    tagged = replace(image, orientation=Orientation(90))
    grid = found(tagged, Product(_recipe(camera=Camera(rotation_deg=180))))
    assert grid.orientation == Orientation(270)
    assert np.abs(grid.corners_px - quads).max() < 3


def test_upright_strings_are_turned_when_nothing_is_known(sixty: tuple[ElImage, np.ndarray]) -> None:
    image, quads = turned_file(*sixty, 3)
    grid = found(image, assumed_product(Layout.parse("6x10")))
    assert grid.orientation == Orientation(90)
    assert np.abs(grid.corners_px - quads).max() < 3


@pytest.mark.parametrize("corner", list(Corner))
def test_addresses_begin_at_the_origin_corner(sixty: tuple[ElImage, np.ndarray], corner: Corner) -> None:
    image, quads = sixty
    grid = found(image, Product(_recipe(addresses=AddressScheme(origin_corner=corner))))
    cell = {Corner.TOP_LEFT: 0, Corner.TOP_RIGHT: 9, Corner.BOTTOM_LEFT: 50, Corner.BOTTOM_RIGHT: 59}[corner]
    assert np.abs(grid.corners_px[0] - quads[cell]).max() < 3


@pytest.mark.parametrize(("gain", "offset"), [(0.02, 0.0), (1.0, 4000.0), (0.3, 900.0)])
def test_gain_and_offset_change_nothing(sixty: tuple[ElImage, np.ndarray], gain: float, offset: float) -> None:
    image, _ = sixty
    product = assumed_product(Layout.parse("6x10"))
    other = replace(image, counts=read_only(image.counts * np.float32(gain) + np.float32(offset)))
    assert np.abs(found(other, product).corners_px - found(image, product).corners_px).max() < SAME_PX


def test_added_noise_moves_corners_little(sixty: tuple[ElImage, np.ndarray]) -> None:
    image, quads = sixty
    rng = np.random.default_rng(8)
    usual = float(np.median(image.counts[image.counts > image.counts.mean()]))
    noisy = image.counts + rng.normal(0, 0.15 * usual, image.counts.shape).astype(np.float32)
    grid = found(replace(image, counts=read_only(noisy)), assumed_product(Layout.parse("6x10")))
    assert overlap(grid.corners_px, quads).min() > 0.95


def test_the_picture_itself_is_not_touched(sixty: tuple[ElImage, np.ndarray]) -> None:
    image, _ = sixty
    before = image.counts.copy()
    found(image, assumed_product(Layout.parse("6x10")))
    assert np.array_equal(before, image.counts)
