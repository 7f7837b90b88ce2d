"""Gaps, places, ribbons and overall size in mm, against drawings of known truth and figures worked out by hand."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_panels import HALF_CUT, Plan, Shot, draw, photographed
from hypothesis import given
from hypothesis import strategies as st

from elinspect.detectors import detect_all, prepare
from elinspect.errors import SettingsFileError
from elinspect.geometry import cut_cells, find_panel, found_grid, measured, ribbon_lines
from elinspect.geometry.homography import from_corners, rectangle
from elinspect.geometry.lattice import Lattice, bent, straightened
from elinspect.geometry.measures import edge_inset_mm
from elinspect.geometry.ribbons import counted
from elinspect.pipeline import inspect_panel
from elinspect.recipe import CellFormat, Product, ProductRecipe, ScaleCheck, Spacing, default_criteria, read_recipe
from elinspect.records import (
    CellGrid,
    CellPictures,
    ElImage,
    Exposures,
    Kind,
    Layout,
    NotFound,
    Orientation,
    PanelMeasures,
    Tile,
    read_only,
)
from elinspect.result_file import as_dict, from_dict
from elinspect.settings import DetectorSettings, GeometrySettings
from elinspect.synthetic import BridgedString, CameraSettings, product_recipe, simulate_panel
from elinspect.triage import flags_from, judged
from elinspect.vision import cv2

SCALE = 1.6
"""Pixels per mm of the drawings."""
GAP_TOLERANCE_MM = 0.2
ODD_GAP_TOLERANCE_MM = 0.3
"""Of one gap that is unlike all others of its panel."""
PLACE_TOLERANCE_MM = 0.25
TURN_TOLERANCE_DEG = 0.15


def product_of(plan: Plan, scale_check: ScaleCheck | None = None) -> Product:
    cell = CellFormat(plan.along_mm, plan.across_mm, busbars=plan.busbars)
    spacing = Spacing(plan.gap_mm, plan.string_gap_mm, plan.block_gap_mm)
    return Product(ProductRecipe("drawn", "1", plan.layout, cell, spacing=spacing, scale_check=scale_check))


def seen(image: ElImage, product: Product) -> tuple[PanelMeasures, dict[Kind, list[int]], list[str]]:
    """Return the measures, the cells found misplaced or with ribbons off, and the flags' limits."""
    outline = find_panel(image, product)
    assert not isinstance(outline, NotFound), outline.reason.text
    found = found_grid(image, outline, product)
    assert not isinstance(found, NotFound), found.reason.text
    pictures = cut_cells([Tile(image)], found.grid, product, GeometrySettings())
    measures = measured(found, ribbon_lines(pictures, product), product)
    assert measures is not None
    detections = detect_all(prepare(pictures, product, measures=measures), DetectorSettings())
    wanted = [item for item in detections if item.kind in (Kind.MISPLACED_CELL, Kind.RIBBON_OFFSET)]
    criteria = default_criteria()
    marks = flags_from(wanted, lambda _, points: points, product.recipe, criteria, scale_known=True)
    flags = judged(marks, criteria)
    assert all(flag.message.text for flag in flags)
    cells = {item.kind: [finding.cell for finding in item.findings] for item in wanted}
    return measures, cells, [flag.limit or "" for flag in flags]


def moved_cell(
    image: ElImage, quad: np.ndarray, shift_mm: tuple[float, float], turn_deg: float, ground: float
) -> ElImage:
    """Return the exposure with one cell lifted out and laid down elsewhere."""
    counts = image.counts.copy()
    box = np.zeros(counts.shape, np.uint8)
    cv2.fillConvexPoly(box, np.round(quad).astype(np.int32), 1)
    lifted = cv2.dilate(box, np.ones((3, 3), np.uint8)) > 0
    alone = np.where(lifted, counts, ground).astype(np.float32)
    middle = quad.mean(axis=0)
    matrix = cv2.getRotationMatrix2D((float(middle[0]), float(middle[1])), -turn_deg, 1.0)
    matrix[:, 2] += np.array(shift_mm) * SCALE
    laid = cv2.warpAffine(alone, matrix, counts.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    counts[lifted] = ground
    return replace(image, counts=read_only(np.maximum(counts, laid)))


@pytest.fixture(scope="module")
def regular() -> tuple[Plan, ElImage, np.ndarray]:
    rng = np.random.default_rng(2)
    plan = Plan(Layout.parse("4x6"), gap_mm=3, string_gap_mm=3, busbars=5)
    image, quads = photographed(draw(plan, SCALE, rng), Shot(blur_px=0.8, noise=1, glare=0), rng)
    return plan, image, quads


def test_a_regular_panel_measures_as_it_was_drawn(regular: tuple[Plan, ElImage, np.ndarray]) -> None:
    plan, image, _ = regular
    measures, cells, _ = seen(image, product_of(plan))
    assert np.abs(measures.gaps_along_mm - 3).max() < GAP_TOLERANCE_MM
    assert np.abs(measures.gaps_across_mm - 3).max() < GAP_TOLERANCE_MM
    assert np.abs(measures.along_mm).max() < PLACE_TOLERANCE_MM
    assert np.abs(measures.across_mm).max() < PLACE_TOLERANCE_MM
    assert np.abs(measures.rotation_deg).max() < TURN_TOLERANCE_DEG
    # 6 cells of 156 mm and 5 gaps of 3 mm; 4 cells and 3 gaps.
    assert measures.field_mm == pytest.approx((951.0, 633.0), abs=0.8)
    assert measures.ribbon_offset_mm.shape == (24, 5)
    assert np.abs(measures.ribbon_offset_mm).max() < PLACE_TOLERANCE_MM
    assert measures.ribbon_places_mm == pytest.approx((np.arange(5) + 0.5) * 156 / 5, abs=0.2)
    assert cells == {Kind.MISPLACED_CELL: [], Kind.RIBBON_OFFSET: []}


def test_a_shifted_and_turned_cell_is_measured_and_found(regular: tuple[Plan, ElImage, np.ndarray]) -> None:
    plan, image, quads = regular
    ground = float(np.percentile(image.counts, 1))
    shifted = moved_cell(image, quads[8], (2.0, -1.2), 0.0, ground)
    measures, cells, limits = seen(shifted, product_of(plan))
    assert measures.along_mm[8] == pytest.approx(2.0, abs=PLACE_TOLERANCE_MM)
    assert measures.across_mm[8] == pytest.approx(-1.2, abs=PLACE_TOLERANCE_MM)
    # Cell 8 is row 1, column 2: its right gap has shrunk by 2 mm, the left one grown.
    assert measures.gaps_along_mm[1, 2] == pytest.approx(1.0, abs=ODD_GAP_TOLERANCE_MM)
    assert measures.gaps_along_mm[1, 1] == pytest.approx(5.0, abs=ODD_GAP_TOLERANCE_MM)
    assert measures.least_gap_mm[8] == measures.least_gap_mm[9] == measures.gaps_along_mm[1, 2]
    assert 8 in cells[Kind.MISPLACED_CELL]
    assert "misplaced_cell.shift" in limits
    turned = moved_cell(image, quads[15], (0.0, 0.0), 1.0, ground)
    measures, cells, _ = seen(turned, product_of(plan))
    assert measures.rotation_deg[15] == pytest.approx(1.0, abs=0.25)
    assert cells[Kind.MISPLACED_CELL] == [15]


def test_cells_that_all_but_touch_are_both_found(regular: tuple[Plan, ElImage, np.ndarray]) -> None:
    plan, image, quads = regular
    near = moved_cell(image, quads[8], (2.6, 0.0), 0.0, float(np.percentile(image.counts, 1)))
    measures, cells, limits = seen(near, product_of(plan))
    assert measures.least_gap_mm[[8, 9]] == pytest.approx([0.4, 0.4], abs=ODD_GAP_TOLERANCE_MM)
    assert set(cells[Kind.MISPLACED_CELL]) == {8, 9}
    assert "misplaced_cell.shift" in limits


def test_a_dark_rim_is_no_misplaced_cell(regular: tuple[Plan, ElImage, np.ndarray]) -> None:
    plan, image, quads = regular
    counts = image.counts.copy()
    left, top = np.round(quads[8][0]).astype(int)
    counts[top : top + round(156 * SCALE), left : left + round(2 * SCALE)] = np.percentile(counts, 1)
    measures, cells, _ = seen(replace(image, counts=read_only(counts)), product_of(plan))
    assert abs(measures.along_mm[8]) < PLACE_TOLERANCE_MM
    assert cells[Kind.MISPLACED_CELL] == []


def test_ribbons_beside_their_place_are_found(regular: tuple[Plan, ElImage, np.ndarray]) -> None:
    plan, image, quads = regular
    counts = image.counts.copy()
    x, y = quads[4][0]
    spacing = 156 / 5 * SCALE
    rows = slice(round(y + 1.5 * spacing - 8), round(y + 1.5 * spacing + 9))
    columns = slice(round(x), round(x + 156 * SCALE))
    counts[rows, columns] = np.roll(counts[rows, columns], round(1.9 * SCALE), axis=0)
    measures, cells, limits = seen(replace(image, counts=read_only(counts)), product_of(plan))
    assert measures.ribbon_offset_mm[4, 1] == pytest.approx(round(1.9 * SCALE) / SCALE, abs=PLACE_TOLERANCE_MM)
    assert cells[Kind.RIBBON_OFFSET] == [4]
    assert limits == ["ribbon_offset.offset"]


def test_cells_that_touch_show_a_line_and_the_uncertainty_reaches_down_to_no_gap() -> None:
    rng = np.random.default_rng(9)
    plan = Plan(Layout.parse("4x6"), gap_mm=0.0, string_gap_mm=2.5)
    image, quads = photographed(draw(plan, SCALE, rng), Shot(turn_deg=1.0), rng)
    ink = np.zeros(image.counts.shape, np.uint8)
    for quad in quads:
        cv2.polylines(ink, [np.round(quad * 16).astype(np.int32)], True, 255, 1, cv2.LINE_AA, 4)
    rims = cv2.GaussianBlur(ink.astype(np.float32), (0, 0), 0.6 * SCALE)
    counts = image.counts * (1 - 0.35 * rims / rims.max()).astype(np.float32)
    measures, cells, _ = seen(replace(image, counts=read_only(counts)), product_of(plan))
    assert np.median(measures.gaps_along_mm) < measures.gap_uncertainty_mm[0]
    assert measures.gap_uncertainty_mm[1] < GAP_TOLERANCE_MM
    assert cells[Kind.MISPLACED_CELL] == []


def test_ribbons_are_not_looked_for_where_a_string_gives_no_light() -> None:
    recipe = product_recipe("mono_6x10")
    camera = CameraSettings(px_per_mm=1.0, exposure=0.4, dark_level=0.0)
    panel = simulate_panel(recipe, np.random.default_rng(3), [BridgedString(3, 0.01)], camera)
    counts = read_only(panel.picture.astype(np.float32))
    image = ElImage(Path("bridged.png"), "0" * 64, counts, 12, 4095.0)
    outline = find_panel(image, Product(recipe))
    assert not isinstance(outline, NotFound)
    found = found_grid(image, outline, Product(recipe))
    assert not isinstance(found, NotFound)
    tile = Tile(image)
    lines = ribbon_lines(cut_cells((tile,), found.grid, Product(recipe), GeometrySettings()), Product(recipe))
    seen = np.isfinite(lines.offset_mm).reshape(6, 10, -1).mean(axis=(1, 2))
    assert seen[2] == 0
    assert np.delete(seen, 2).min() > 0.9


def test_dark_valleys_between_faint_ribbons_are_no_ribbons() -> None:
    # Where fingers lead badly, half way between ribbons is darker than a ribbon that is seen in part only.
    across = np.linspace(0, 1, 266)
    away = np.abs((5 * across) % 1.0 - 0.5) / 5
    light = 0.85 + 0.15 * np.cos(10 * np.pi * away) - 0.1 * (away < 0.0045)
    cells = np.tile((1000 * light).astype(np.float32)[:, None], (6, 1, 266))
    corners = np.zeros((6, 4, 2))
    grid = CellGrid(Layout(1, 2, 3), Orientation(), corners, corners[0], 1.0)
    pictures = CellPictures(
        grid, cells, None, np.tile(np.eye(3), (6, 1, 1)), 156 / 265, True, 4095.0, np.zeros(6, np.intp), (None,),
        np.zeros(6, np.bool_),
    )  # fmt: skip
    lines = ribbon_lines(pictures, product_of(Plan(Layout(1, 2, 3), busbars=5)))
    assert lines.count is None
    assert np.abs(lines.offset_mm).max() < 0.2
    assert ribbon_lines(pictures, product_of(Plan(Layout(1, 2, 3), busbars=4))).count == 5


def test_blocks_and_perspective_change_no_gap() -> None:
    rng = np.random.default_rng(5)
    plan = Plan(Layout.parse("2x3x6"), gap_mm=1.5, block_gap_mm=15, **HALF_CUT)
    image, _ = photographed(draw(plan, SCALE, rng), Shot(turn_deg=-5, tilt_deg=(9, -7), lens=-0.015), rng)
    measures, _, _ = seen(image, product_of(plan))
    assert measures.gaps_along_mm.shape == (3, 11)
    assert np.abs(measures.gaps_along_mm[:, 5] - 15).max() < 2 * GAP_TOLERANCE_MM
    single = np.delete(measures.gaps_along_mm, 5, axis=1)
    assert np.percentile(np.abs(single - 1.5), 95) < GAP_TOLERANCE_MM
    assert measures.field_mm == pytest.approx((12 * 91 + 10 * 1.5 + 15, 3 * 182 + 2 * 2), abs=1.0)


def test_the_scale_check_worked_by_hand() -> None:
    plain = product_of(Plan(Layout.parse("4x6"))).recipe
    assert edge_inset_mm(plain) == (0.0, pytest.approx(0.5 / math.sqrt(3)))
    # Cells of 156 mm that light up over 155 mm, gap of 2 mm by caliper. Taken as 156 mm, the dark 3 mm between them
    # show as 3 * 156 / 155 = 3.0194 mm.
    checked = replace(plain, scale_check=ScaleCheck(caliper_gap_mm=2.0, seen_gap_mm=3 * 156 / 155))
    assert edge_inset_mm(checked)[0] == pytest.approx(0.5, abs=1e-9)
    with pytest.raises(ValueError, match="seen_gap_mm"):
        ScaleCheck(caliper_gap_mm=3.0, seen_gap_mm=2.0)


def test_a_scale_check_in_a_recipe_file(tmp_path: Path) -> None:
    text = 'name = "a"\nversion = "1"\nlayout = "6x10"\n[cell]\nalong_mm = 156\nacross_mm = 156\n[scale_check]\n'
    file = tmp_path / "recipe.toml"
    file.write_text(text + "caliper_gap_mm = 2.0\nseen_gap_mm = 2.6\n")
    check = read_recipe(file).scale_check
    assert check is not None
    assert check.seen_gap_mm == 2.6
    file.write_text(text + "caliper_gap_mm = 2.0\nseen_gap_mm = 9\n")
    with pytest.raises(SettingsFileError, match="scale_check"):
        read_recipe(file)


def test_a_scale_check_brings_gaps_and_field_to_the_wafer(regular: tuple[Plan, ElImage, np.ndarray]) -> None:
    plan, image, _ = regular
    # The same picture as one of wafers of 157 mm that light up over 156 mm: wafer to wafer the gap is 2 mm.
    wafer = replace(plan, along_mm=157.0, across_mm=157.0, gap_mm=2.0, string_gap_mm=2.0)
    without, _, _ = seen(image, product_of(wafer))
    shown = float(np.mean(without.gaps_along_mm))
    assert shown == pytest.approx(3 * 157 / 156, abs=GAP_TOLERANCE_MM)
    measures, _, _ = seen(image, product_of(wafer, ScaleCheck(caliper_gap_mm=2.0, seen_gap_mm=shown)))
    assert np.mean(measures.gaps_along_mm) == pytest.approx(2.0, abs=0.01)
    assert measures.field_mm == pytest.approx((6 * 157 + 5 * 2, 4 * 157 + 3 * 2), abs=0.8)
    assert measures.edge_uncertainty_mm < without.edge_uncertainty_mm / 4
    assert measures.field_uncertainty_mm[0] < without.field_uncertainty_mm[0] / 4


@given(st.floats(-0.03, 0.03), st.floats(0, 3999), st.floats(0, 2999))
def test_the_lens_is_undone(lens: float, x: float, y: float) -> None:
    size = (4000, 3000)
    point = np.array([[x, y]])
    assert np.abs(straightened(bent(point, lens, size), lens, size) - point).max() < 1e-3


@given(st.floats(-0.03, 0.03), st.lists(st.floats(-60, 60), min_size=8, max_size=8), st.floats(0, 10), st.floats(0, 6))
def test_the_plane_and_the_file_are_brought_to_each_other(lens: float, shake: list[float], u: float, v: float) -> None:
    corners = rectangle(1600, 900, 200, 150) + np.array(shake).reshape(4, 2)
    homography = from_corners(rectangle(10, 6), corners)
    lattice = Lattice(Layout(1, 6, 10), homography, np.zeros(1), (0.01, 0.01), lens, (2000, 1200))
    point = np.array([[u, v]])
    assert np.abs(lattice.to_plane(lattice.to_file(point)) - point).max() < 1e-4


@pytest.mark.parametrize("count", [2, 3, 5, 9, 12, 16, 20])
def test_evenly_spaced_lines_are_counted(count: int) -> None:
    at = (np.arange(512) + 0.5) / 512
    lines = np.exp(-((np.subtract.outer((np.arange(count) + 0.5) / count, at) * 512 / 2) ** 2)).sum(axis=0)
    assert counted(0.3 * lines) == count
    assert counted(np.zeros(512)) is None


def test_the_result_file_keeps_measures(regular: tuple[Plan, ElImage, np.ndarray]) -> None:
    plan, image, _ = regular
    result = inspect_panel(Exposures((image,)), product_of(plan), default_criteria())
    again = from_dict(json.loads(json.dumps(as_dict(result), allow_nan=False)))
    assert again.measures is not None
    assert result.measures is not None
    assert np.allclose(again.measures.gaps_along_mm, result.measures.gaps_along_mm, atol=0.006)
    assert again.measures.ribbon_offset_mm.shape == result.measures.ribbon_offset_mm.shape
    assert again.measures.field_mm == pytest.approx(result.measures.field_mm, abs=0.006)
    assert again.fingerprints == result.fingerprints
