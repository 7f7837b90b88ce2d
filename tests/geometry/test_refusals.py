"""What is no panel, or another panel, is refused in words."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_panels import HALF_CUT, Plan, Shot, draw, photographed
from real_cells import as_image, lay_out
from skimage import data

from elinspect.catalogue.english.geometry import TEXTS
from elinspect.geometry import find_grid, find_layout, find_panel
from elinspect.imaging import read_image
from elinspect.recipe import CellFormat, CutEdge, Product, ProductRecipe, Spacing, Technology, Wafer, assumed_product
from elinspect.records import CellGrid, ElImage, Layout, NotFound, PanelOutline, read_only
from elinspect.synthetic.camera import draw_camera
from elinspect.synthetic.defects import OpenString
from elinspect.synthetic.panel import simulate_panel
from elinspect.synthetic.truth_file import write_panel

LAYOUTS = ("6x10", "2x6x12", "4x9", "1x12")


def refusal(image: ElImage, layout: str) -> NotFound:
    product = assumed_product(Layout.parse(layout))
    outline = find_panel(image, product)
    answer = outline if isinstance(outline, NotFound) else find_grid(image, outline, product)
    assert isinstance(answer, NotFound), f"found {layout} with confidence {answer.confidence}"
    assert answer.reason.code in TEXTS
    assert len(answer.reason.text) > 40
    return answer


def _pictures() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:600, :960].astype(float)
    stripes = 100 + 60 * np.sign(np.sin(x / 9))
    return {
        "black": np.zeros((600, 960)),
        "white": np.full((600, 960), 255.0),
        "noise": rng.normal(100, 20, (600, 960)),
        "faint noise": rng.normal(2, 1, (600, 960)),
        "gradient": x / 4,
        "slanting gradient": (x + y) / 8,
        "vignette": 200 - ((x - 480) ** 2 + (y - 300) ** 2) / 2500,
        "stripes": stripes,
        "bright disc": 200.0 * ((x - 480) ** 2 + (y - 300) ** 2 < 200**2),
        "bright box": 200.0 * ((np.abs(x - 480) < 400) & (np.abs(y - 300) < 240)),
        "one pixel": np.full((1, 1), 40.0),
        "one row": np.full((1, 900), 40.0),
        "photo": data.camera().astype(float),
        "coins": data.coins().astype(float),
        "bricks": data.brick().astype(float),
        "printed page": data.page().astype(float),
        "chequers": data.checkerboard().astype(float),
        "moon": data.moon().astype(float),
    }


PICTURES = _pictures()


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("picture", PICTURES)
def test_no_panel_is_seen_where_none_is(picture: str, layout: str) -> None:
    refusal(as_image(PICTURES[picture].astype(np.float32)), layout)


@pytest.mark.parametrize(
    ("picture", "code"),
    [
        ("black", "geometry.uniform"),
        ("white", "geometry.uniform"),
        ("noise", "geometry.only_noise"),
        ("one pixel", "geometry.too_small"),
        ("gradient", "geometry.cut.top_right_bottom"),
    ],
)
def test_the_reason_fits_the_picture(picture: str, code: str) -> None:
    assert refusal(as_image(PICTURES[picture].astype(np.float32)), "6x10").reason.code == code


def test_a_picture_of_one_cell_needs_light_only_from_the_detectors() -> None:
    black = as_image(np.zeros((300, 300), np.float32))
    product = assumed_product(Layout.parse("1x1"))
    outline = find_panel(black, product)
    assert isinstance(outline, PanelOutline)
    assert isinstance(find_grid(black, outline, product), CellGrid)


@pytest.fixture(scope="module")
def drawn() -> dict[str, ElImage]:
    rng = np.random.default_rng(2)
    plans = {
        "6x10": Plan(Layout.parse("6x10"), busbars=5),
        "6x12": Plan(Layout.parse("6x12"), busbars=3, wire_mm=1.5),
        "4x9": Plan(Layout.parse("4x9"), busbars=4),
        "2x6x10": Plan(Layout.parse("2x6x10"), **HALF_CUT),
    }
    return {name: photographed(draw(plan, 0.7, rng), Shot(turn_deg=2), rng)[0] for name, plan in plans.items()}


NEIGHBOURS = {
    "6x10": ("6x12", "2x6x10", "5x10", "7x10", "3x10", "3x5", "2x6x5", "6x20"),
    "6x12": ("6x10", "2x6x12", "4x9", "2x6x6"),
    "4x9": ("4x10", "6x9", "2x3x5"),
    "2x6x10": ("6x10", "2x6x12", "2x6x9", "6x20", "4x6"),
}
"""Layouts that are near in some way; every other one is tried by tests/long/geometry_layouts.py."""


@pytest.mark.parametrize(("shown", "sought"), [(shown, near) for shown in NEIGHBOURS for near in NEIGHBOURS[shown]])
def test_another_layout_is_refused_and_the_right_one_named(drawn: dict[str, ElImage], shown: str, sought: str) -> None:
    reason = refusal(drawn[shown], sought).reason
    one_block = sought == f"2x{shown}"
    assert reason.code in (
        ("geometry.one_block",) if one_block else ("geometry.other_layout", "geometry.fewer_strings")
    )
    assert reason.values == {"layout": sought, "seen": shown}


@pytest.mark.parametrize("sought", ["6x12", "2x6x10", "3x10"])
def test_real_cells_are_not_taken_for_another_layout(sought: str) -> None:
    image = as_image(lay_out(0, Layout.parse("6x10")).picture)
    assert refusal(image, sought).reason.values.get("seen") in ("6x10", None)


@pytest.mark.parametrize(
    ("rows", "columns", "code"),
    [
        (slice(None), slice(150, None), "geometry.cut.left"),
        (slice(150, None), slice(None), "geometry.cut.top"),
        (slice(None), slice(None, -150), "geometry.cut.right"),
        (slice(None, -150), slice(None), "geometry.cut.bottom"),
        (slice(None, -150), slice(None, -150), "geometry.cut.right_bottom"),
    ],
)
def test_a_panel_cut_by_the_border_says_where(
    drawn: dict[str, ElImage], rows: slice, columns: slice, code: str
) -> None:
    whole = drawn["6x10"]
    part = ElImage(whole.path, whole.sha256, read_only(whole.counts[rows, columns].copy()), 16, whole.saturation)
    reason = refusal(part, "6x10").reason
    assert reason.code == code
    for side in code.removeprefix("geometry.cut.").split("_"):
        assert side in reason.text


def test_half_cells_in_one_block_are_not_called_shingled(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    plan = Plan(Layout.parse("6x20"), **HALF_CUT)
    image, _ = photographed(draw(plan, 0.6, rng), Shot(turn_deg=3, tilt_deg=(8, 8)), rng)
    reason = refusal(image, "2x6x10").reason
    assert (reason.code, reason.values.get("seen")) == ("geometry.other_layout", "6x20")


@pytest.mark.parametrize(("turn_deg", "tilt_deg"), [(-2, (0, 0)), (2, (6, -6))])
def test_blocks_that_an_even_pitch_bridges_are_found_out(turn_deg: float, tilt_deg: tuple[float, float]) -> None:
    rng = np.random.default_rng(2)
    plan = Plan(Layout.parse("2x6x12"), block_gap_mm=8, gap_mm=1, **HALF_CUT)
    image, _ = photographed(draw(plan, 0.9, rng), Shot(turn_deg=turn_deg, tilt_deg=tilt_deg), rng)
    # Whatever is sought: where cells lie closely, the gap between the blocks is all that stands out.
    for sought in ("6x24", "6x10", "1x12"):
        reason = refusal(image, sought).reason
        assert (reason.code, reason.values.get("seen")) == ("geometry.other_layout", "2x6x12"), sought


@pytest.mark.parametrize("gap_mm", [5, 7, 10, 16])
@pytest.mark.parametrize("sought", ["2x6x12", "6x24"])
def test_three_blocks_are_not_taken_for_two_or_one(gap_mm: float, sought: str) -> None:
    rng = np.random.default_rng(11)
    plan = Plan(Layout.parse("3x6x8"), 61, 182, busbars=11, wire_mm=0.35, block_gap_mm=gap_mm)
    image, _ = photographed(draw(plan, 0.9, rng), Shot(turn_deg=3), rng)
    reason = refusal(image, sought).reason
    assert (reason.code, reason.values.get("seen")) == ("geometry.other_layout", "3x6x8")
    seen = find_layout(image)
    assert not isinstance(seen, NotFound)
    assert str(seen.layout) == "3x6x8"


@pytest.mark.parametrize(
    ("plan", "sought"),
    [
        (Plan(Layout.parse("3x6x8"), 61, 182, busbars=11, wire_mm=0.35), "3x9x8"),
        (Plan(Layout.parse("2x6x12"), **HALF_CUT), "2x4x12"),
        (Plan(Layout.parse("2x6x10"), 78, 156, busbars=5, wire_mm=1.2), "2x4x10"),
    ],
)
def test_wires_are_not_taken_for_gaps_between_strings(plan: Plan, sought: str) -> None:
    # Three strings of halves are as wide as two of thirds.
    image, _ = photographed(draw(plan, 0.9, np.random.default_rng(11)), Shot(turn_deg=3), np.random.default_rng(12))
    assert refusal(image, sought).reason.values == {"layout": sought, "seen": str(plan.layout)}


def test_a_block_without_light_is_said_and_not_called_shingled(tmp_path: Path) -> None:
    # In series with an open string its whole block is dark.
    rng = np.random.default_rng(5)
    cell = CellFormat(79.375, 158.75, Wafer.MONO, Technology.PERC_LIKE, 9, 0.0, CutEdge.LEFT)
    recipe = ProductRecipe("half", "1", Layout.parse("2x4x6"), cell, spacing=Spacing(1.5, 2.0, 16.0))
    panel = simulate_panel(recipe, rng, [OpenString(2)], draw_camera(rng, 1.0, 12))
    reason = refusal(read_image(write_panel(tmp_path, "open", panel)), "2x4x6").reason
    assert (reason.code, reason.values.get("seen")) == ("geometry.one_block", "4x6")


def test_a_shingled_panel_is_refused_by_name() -> None:
    rng = np.random.default_rng(3)
    plan = Plan(Layout(1, 6, 40), 31, 160, gap_mm=1.0, string_gap_mm=3, busbars=1, wire_mm=0.1, margin_mm=40)
    image, _ = photographed(draw(plan, 0.9, rng), Shot(turn_deg=2), rng)
    assert refusal(image, "6x10").reason.code == "geometry.shingled"
    cell = replace(assumed_product(Layout(1, 6, 10)).recipe.cell, along_mm=31.0, across_mm=160.0)
    shingled = Product(replace(assumed_product(Layout(1, 6, 40)).recipe, cell=cell))
    outline = find_panel(image, shingled)
    assert isinstance(outline, PanelOutline)
    answer = find_grid(image, outline, shingled)
    assert isinstance(answer, NotFound)
    assert answer.reason.code == "geometry.shingled"
