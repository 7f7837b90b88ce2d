"""Simulated panels: layouts, corners, pictures and the truth beside them."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from elinspect.errors import ElinspectError
from elinspect.frames import CellPlace, cell_index, gate_from_stored
from elinspect.imaging import read_image
from elinspect.recipe import CellFormat, CutEdge, ProductRecipe, Spacing, Wafer, assumed_product
from elinspect.records import Address, Corner, CrackMode, Kind, Layout, Orientation
from elinspect.synthetic import (
    CameraSettings,
    Crack,
    DarkCell,
    DarkString,
    Defect,
    DefectRates,
    FingerInterruption,
    InactiveArea,
    SimulatedPanel,
    TrueDefect,
    draw_camera,
    draw_crack,
    draw_defects,
    draw_look,
    simulate_panel,
    simulate_to_folder,
    write_panel,
)

CAMERA = CameraSettings(px_per_mm=0.8, signal_to_noise=200)
CELL = CellFormat(156.0, 156.0, Wafer.MONO, busbars=3, chamfer_mm=20.0)
ONE_CELL = ProductRecipe("one cell", "1", Layout.parse("1x1"), CELL)


def one_cell(*defects: Defect, cell: CellFormat = CELL, seed: int = 0) -> SimulatedPanel:
    recipe = replace(ONE_CELL, cell=cell)
    camera = CameraSettings(px_per_mm=2.0, signal_to_noise=500, vignetting=0, glow=0)
    return simulate_panel(recipe, np.random.default_rng(seed), defects, camera)


def drop_of(panel: SimulatedPanel, clean: SimulatedPanel, defect: TrueDefect) -> float:
    """Mean luminance of the defect's pixels over that of the same pixels without it, as a natural logarithm."""
    inside = defect.mask(panel.picture.shape)
    assert inside.any()
    dark = panel.camera.dark_level * 4095
    return float(np.log((clean.picture[inside] - dark).mean() / (panel.picture[inside] - dark).mean()))


@pytest.mark.parametrize("text", ["6x10", "6x12", "4x9", "2x6x12", "1x1", "1x4"])
def test_every_layout_has_its_cells_inside_the_picture(text: str) -> None:
    recipe = assumed_product(Layout.parse(text)).recipe
    panel = simulate_panel(recipe, np.random.default_rng(1), (), CAMERA)
    height, width = panel.picture.shape
    assert panel.corners_px.shape == (recipe.layout.n_cells, 4, 2)
    assert panel.corners_px.min() >= -1e-6
    assert panel.corners_px[..., 0].max() <= width - 1 + 1e-6
    assert panel.corners_px[..., 1].max() <= height - 1 + 1e-6
    # Every cell shines in its middle, and is as large as its millimetres say.
    middles = panel.corners_px.mean(axis=1).round().astype(int)
    assert panel.picture[middles[:, 1], middles[:, 0]].min() > 0.1 * 4095
    sides = np.linalg.norm(panel.corners_px[:, 1] - panel.corners_px[:, 0], axis=1)
    np.testing.assert_allclose(sides, recipe.cell.along_mm * CAMERA.px_per_mm, rtol=1e-6)


def test_places_of_cells_by_hand() -> None:
    cell, spacing = CellFormat(100.0, 50.0, busbars=2), Spacing(cell_gap_mm=2, string_gap_mm=4, block_gap_mm=30)
    recipe = ProductRecipe("by hand", "1", Layout.parse("2x2x3"), cell, spacing=spacing)
    panel = simulate_panel(recipe, np.random.default_rng(0), (), CameraSettings(px_per_mm=1.0, margin_mm=10.0))
    # String 4 is the lower one of block 2: 3 cells, 2 gaps and the block gap before it; one string and gap above it.
    first = panel.corners_px[cell_index(recipe.layout, Address(4, 1)), 0]
    np.testing.assert_allclose(first, [10 + 3 * 100 + 2 * 2 + 30, 10 + 54], atol=1e-9)


def test_truth_corners_lie_on_the_edges_of_the_picture_s_cells() -> None:
    """Half way up the rise of luminance across a cell's left edge lies the edge, within a tenth of a pixel."""
    look = replace(draw_look(CELL, np.random.default_rng(0)), rim_drop=0.0, texture=0.0, core_drop=0.0)
    spacing = Spacing(cell_gap_mm=8.0)
    recipe = ProductRecipe("grid", "1", Layout.parse("2x3"), CELL, spacing=spacing)
    camera = CameraSettings(px_per_mm=1.03, margin_mm=20.4, glow=0, vignetting=0, signal_to_noise=5000, bit_depth=16)
    panel = simulate_panel(recipe, np.random.default_rng(3), (), camera, look, bussing=False)
    for corners in panel.corners_px:
        (left, top), (_, bottom) = corners[0], corners[3]
        rows = slice(int(top + 0.20 * (bottom - top)), int(top + 0.30 * (bottom - top)))
        profile = panel.picture[rows].astype(float).mean(axis=0)
        start = round(left) - 1
        level = profile[start + 5 : start + 9].mean()
        dark = camera.dark_level * 65535
        window = profile[start - 1 : start + 4]
        edge = start - 1 + np.interp((level + dark) / 2, window, np.arange(5))
        assert edge == pytest.approx(left, abs=0.1)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_a_stored_turn_is_undone_by_its_orientation(turn: int, mirrored: bool) -> None:
    recipe = ProductRecipe("turned", "1", Layout.parse("2x3"), CELL)
    orientation = Orientation(turn, mirrored)  # type: ignore[arg-type]
    stored = simulate_panel(
        recipe, np.random.default_rng(5), [DarkCell(1, 2)], replace(CAMERA, orientation=orientation, tilt_y_deg=4)
    )
    upright = simulate_panel(recipe, np.random.default_rng(5), [DarkCell(1, 2)], replace(CAMERA, tilt_y_deg=4))
    height, width = stored.picture.shape
    back = np.rot90(stored.picture, -(turn // 90))
    back = back[:, ::-1] if mirrored else back
    assert back.shape == upright.picture.shape
    # The noise is drawn in the stored picture, so only the cells are compared.
    np.testing.assert_allclose(back, upright.picture, atol=80)
    matrix = gate_from_stored(orientation, width, height)
    turned = stored.corners_px @ matrix[:2, :2].T + matrix[:2, 2]
    np.testing.assert_allclose(turned, upright.corners_px, atol=1e-6)


def test_position_1_lies_where_the_recipe_says() -> None:
    recipe = ProductRecipe("origin", "1", Layout.parse("2x3"), CELL)
    recipe = replace(recipe, addresses=replace(recipe.addresses, origin_corner=Corner.BOTTOM_RIGHT))
    panel = simulate_panel(recipe, np.random.default_rng(0), [DarkCell(1, 1, 0.2)], CAMERA)
    x, y = panel.corners_px[0].mean(axis=0)
    height, width = panel.picture.shape
    assert x > 0.6 * width
    assert y > 0.5 * height
    means = [panel.picture[int(c[0, 1]) + 9 : int(c[2, 1]) - 9, int(c[0, 0]) + 9 : int(c[2, 0]) - 9].mean()
             for c in panel.corners_px]  # fmt: skip
    assert int(np.argmin(means)) == 0


def test_the_same_seed_gives_the_same_panel_and_another_does_not() -> None:
    recipe = replace(ONE_CELL, layout=Layout.parse("2x2"))

    def make(seed: int) -> SimulatedPanel:
        rng = np.random.default_rng(seed)
        defects = draw_defects(recipe, rng, DefectRates(0.5, 0.5, 0.5, 0.2, 0.2))
        return simulate_panel(recipe, rng, defects, draw_camera(rng, 0.8))

    first, again, other = make(7), make(7), make(8)
    np.testing.assert_array_equal(first.picture, again.picture)
    np.testing.assert_array_equal(first.corners_px, again.corners_px)
    assert [d.kind for d in first.defects] == [d.kind for d in again.defects]
    assert first.picture.shape != other.picture.shape or (first.picture != other.picture).mean() > 0.1


def test_an_inactive_area_is_as_dark_and_as_large_as_the_truth_says() -> None:
    square = tuple(CellPlace(u, v) for u, v in [(0.4, 0.0), (0.6, 0.0), (0.6, 0.1), (0.4, 0.1)])
    panel, clean = one_cell(InactiveArea(1, 1, square, remaining=0.1)), one_cell()
    (area,) = panel.defects
    assert (area.kind, area.string, area.position) == (Kind.INACTIVE_AREA, 1, 1)
    assert area.area_fraction == pytest.approx(0.02, rel=1e-6)
    # The picture's own share: pixels inside that lost more than half of their light.
    dark = panel.camera.dark_level * 4095
    before, after = clean.picture - dark, panel.picture - dark
    lost = (before > 0.2 * before.max()) & (after < 0.5 * before)
    assert lost.sum() / (156 * 2) ** 2 == pytest.approx(0.02, rel=0.05)
    assert area.mask(panel.picture.shape).sum() / (156 * 2) ** 2 == pytest.approx(0.02, rel=0.05)
    assert drop_of(panel, clean, area) == pytest.approx(np.log(10), rel=0.2)


def test_a_crack_s_truth_has_its_length_and_lies_on_the_line() -> None:
    path = tuple(CellPlace(t, t) for t in np.linspace(0.2, 0.8, 30))
    panel, clean = one_cell(Crack(1, 1, (path,), severed=0.0, contrast=0.4, width_mm=1.0)), one_cell()
    (crack,) = panel.defects
    assert crack.length_mm == pytest.approx(0.6 * 156 * np.sqrt(2), rel=1e-6)
    assert crack.mode is CrackMode.A
    assert drop_of(panel, clean, crack) > 0.1
    # Where the picture lost light, the outline (a little widened) is.
    before, after = clean.picture.astype(float), panel.picture.astype(float)
    lost = (before > 0.2 * before.max()) & (after < 0.9 * before)
    assert lost.any()
    rows, columns = np.nonzero(lost)
    points = crack.paths_px[0]
    away = np.hypot(points[:, 0] - columns[:, None], points[:, 1] - rows[:, None]).min(axis=1)
    # The points of the path lie 4.6 px apart.
    assert away.max() < 5


def test_modes_follow_from_the_broken_fingers() -> None:
    """Mode A breaks none; B makes a step but feeds all; C, between the outer busbar and the edge, cuts a piece off."""
    inner = tuple(CellPlace(float(u), 0.56) for u in np.linspace(0.1, 0.9, 40))
    outer = tuple(CellPlace(float(u), 0.08) for u in np.linspace(0.2, 0.8, 40))
    hairline = one_cell(Crack(1, 1, (inner,), severed=0.0)).defects
    step = one_cell(Crack(1, 1, (inner,), severed=1.0)).defects
    cut_off, clean = one_cell(Crack(1, 1, (outer,), severed=1.0)), one_cell()
    assert [d.mode for d in hairline] == [CrackMode.A]
    assert [d.mode for d in step] == [CrackMode.B]
    crack, area = cut_off.defects
    assert (crack.mode, area.kind, area.caused_by) == (CrackMode.C, Kind.INACTIVE_AREA, 0)
    # 0.6 of the width, 0.08 of the height.
    assert area.area_fraction == pytest.approx(0.048, rel=0.1)
    assert crack.dim_fraction == pytest.approx(0.048, rel=0.15)
    assert hairline[0].dim_fraction == 0
    assert area.dim_fraction is None
    # Half of the fingers still touch: what is cut off is next to nothing, what lost a third of its light is not.
    hanging, splinters = one_cell(Crack(1, 1, (outer,), severed=1.0, touching=0.5)).defects
    assert (splinters.area_fraction or 1) < 0.005
    assert 0.015 < (hanging.dim_fraction or 0) < 0.045
    assert drop_of(cut_off, clean, area) > 1.5


@pytest.mark.parametrize("cell", [CELL, CellFormat(91.0, 182.0, Wafer.MULTI, busbars=10, cut_edge=CutEdge.LEFT)])
def test_a_crack_drawn_to_cut_off_does_so(cell: CellFormat) -> None:
    rng = np.random.default_rng(2)
    modes = [one_cell(draw_crack(cell, rng, 1, 1, CrackMode.C), cell=cell).defects[0].mode for _ in range(6)]
    assert modes.count(CrackMode.C) >= 5


def test_a_finger_interruption_is_a_streak_between_busbars() -> None:
    # Just above the middle busbar: the piece up to the busbar above (52 mm) is fed from one side only.
    panel, clean = one_cell(FingerInterruption(1, 1, CellPlace(0.5, 0.49), fingers=2)), one_cell()
    (finger,) = panel.defects
    assert finger.kind is Kind.FINGER_INTERRUPTION
    low, high = finger.outlines_px[0].min(axis=0), finger.outlines_px[0].max(axis=0)
    assert (high - low)[1] > 4 * (high - low)[0]
    assert high[1] < 0.51 * 156 * 2
    assert low[1] > 1 / 6 * 156 * 2
    assert finger.length_mm == pytest.approx((high - low)[1] / 2, rel=1e-6)
    assert 0.03 < drop_of(panel, clean, finger) < finger.contrast + 0.02


def test_a_break_half_way_between_busbars_changes_nothing() -> None:
    """No current flows there: by symmetry each half of the finger is fed by its own busbar."""
    panel, clean = one_cell(FingerInterruption(1, 1, CellPlace(0.5, 1 / 3), fingers=3)), one_cell()
    assert panel.defects[0].contrast < 0.01
    assert np.abs(panel.picture.astype(float) - clean.picture).max() < 0.03 * clean.picture.max()


def test_dark_cells_and_strings_are_as_dark_as_asked() -> None:
    recipe = ProductRecipe("dark", "1", Layout.parse("3x3"), CELL)
    camera = replace(CAMERA, vignetting=0, glow=0)
    defects = [DarkCell(1, 2, 0.4), DarkString(3, 0.25)]
    panel = simulate_panel(recipe, np.random.default_rng(4), defects, camera)
    clean = simulate_panel(recipe, np.random.default_rng(4), (), camera)
    cell, string = panel.defects
    assert (cell.kind, cell.string, cell.position) == (Kind.DARK_CELL, 1, 2)
    assert (string.kind, string.string, string.position) == (Kind.BRIDGED_STRING, 3, None)
    assert drop_of(panel, clean, cell) == pytest.approx(-np.log(0.4), rel=0.05)
    assert drop_of(panel, clean, string) == pytest.approx(-np.log(0.25), rel=0.05)


def test_half_cells_have_their_chamfers_away_from_the_cut_edge() -> None:
    cell = CellFormat(91.0, 182.0, busbars=10, chamfer_mm=12.0, cut_edge=CutEdge.LEFT)
    recipe = ProductRecipe("half", "1", Layout.parse("2x1"), cell)
    panel = simulate_panel(recipe, np.random.default_rng(0), (), replace(CAMERA, glow=0))
    dark = 0.1 * 4095
    for string, chamfered in ((0, "right"), (1, "left")):  # the second string lies turned
        left, top, right, _ = *panel.corners_px[string, 0], *panel.corners_px[string, 2]
        at = {"left": panel.picture[int(top) + 3, int(left) + 3], "right": panel.picture[int(top) + 3, int(right) - 3]}
        assert at.pop(chamfered) < dark
        assert next(iter(at.values())) > dark


def test_panels_can_be_written_and_read_again(tmp_path: Path) -> None:
    recipe = ProductRecipe("files", "1", Layout.parse("2x2"), CELL)
    defects = [DarkCell(1, 1), Crack(2, 2, ((CellPlace(0.1, 0.1), CellPlace(0.5, 0.5)),))]
    for depth, suffix in ((8, ".png"), (12, ".png"), (16, ".tif")):
        panel = simulate_panel(recipe, np.random.default_rng(0), defects, replace(CAMERA, bit_depth=depth))
        path = write_panel(tmp_path, f"00{depth}", panel, suffix)
        image = read_image(path)
        assert image.bit_depth == depth
        np.testing.assert_array_equal(image.counts, panel.picture)
        truth = json.loads((tmp_path / f"00{depth}.truth.json").read_text(encoding="utf-8"))
        assert truth["schema"] == "elinspect.truth/1"
        assert truth["image"] == {"file": path.name, "width_px": image.width_px, "height_px": image.height_px,
                                  "bit_depth": depth}  # fmt: skip
        np.testing.assert_allclose([c["corners_px"] for c in truth["cells"]], panel.corners_px, atol=1e-3)
        assert [d["kind"] for d in truth["defects"]] == ["crack", "dark_cell"]


def test_a_serial_is_never_a_path(tmp_path: Path) -> None:
    panel = one_cell()
    path = write_panel(tmp_path / "here", "../../elsewhere", panel)
    assert path.parent == tmp_path / "here"
    assert sorted(p.parent.name for p in tmp_path.rglob("*.*")) == ["here", "here"]


def test_a_folder_that_cannot_be_made_is_said_in_words(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(ElinspectError, match="taken"):
        write_panel(tmp_path / "taken", "a", one_cell())


def test_simulating_into_a_folder(tmp_path: Path) -> None:
    done: list[int] = []
    recipe = replace(ONE_CELL, layout=Layout.parse("1x4"))
    written = simulate_to_folder(tmp_path, recipe, 2, 3, lambda: done.append(1), px_per_mm=0.8)
    assert len(done) == 2
    assert [path.exists() and path.with_suffix(".truth.json").exists() for path in written] == [True, True]
    again = simulate_to_folder(tmp_path / "again", recipe, 1, 3, px_per_mm=0.8)
    assert again[0].read_bytes() == written[0].read_bytes()


def test_what_is_asked_for_beside_leaves_the_panel_as_it_is(tmp_path: Path) -> None:
    recipe = replace(ONE_CELL, layout=Layout.parse("1x4"))
    (alone,) = simulate_to_folder(tmp_path / "alone", recipe, 1, 3, px_per_mm=0.8)
    (full,) = simulate_to_folder(tmp_path / "all", recipe, 1, 3, px_per_mm=0.8, low_current=0.1, frames=2)
    assert full.read_bytes() == alone.read_bytes()
    low = read_image(full.with_suffix(".low.png"))
    assert low.counts.shape == read_image(full).counts.shape
    dark, flat = ([read_image(path).counts for path in sorted((tmp_path / "all" / f"{full.stem}.{kind}").iterdir())]
                  for kind in ("dark", "flat"))  # fmt: skip
    assert len(dark) == len(flat) == 2
    assert (dark[0] != dark[1]).any()
    # Of one camera: the same size, far less light without any, and the fall-off of a usual lens.
    assert flat[0].shape == low.counts.shape
    assert np.median(dark[0]) < 0.1 * np.median(flat[0])


def test_laid_up_panels_have_something_over_half_of_them(tmp_path: Path) -> None:
    recipe = replace(ONE_CELL, layout=Layout.parse("1x4"))
    written = simulate_to_folder(tmp_path, recipe, 6, 3, px_per_mm=0.4, laid_up=True)
    laid = [json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))["overlaid"] for path in written]
    assert 1 <= sum(bool(of_panel) for of_panel in laid) <= 5


@pytest.mark.parametrize(
    ("wrong", "name"),
    [
        (lambda: CameraSettings(px_per_mm=0), "px_per_mm"),
        (lambda: CameraSettings(bit_depth=10), "bit_depth"),
        (lambda: DefectRates(crack=1.5), "crack"),
        (lambda: simulate_to_folder(Path("nowhere"), ONE_CELL, 0, 0), "count"),
        (lambda: simulate_to_folder(Path("nowhere"), ONE_CELL, 1, -1), "seed"),
        (lambda: Crack(1, 1, ()), "paths"),
        (lambda: Crack(1, 1, ((CellPlace(0, 0), CellPlace(1, 0)),), alike_mm=-1), "alike_mm"),
        (lambda: Crack(1, 1, ((CellPlace(0, 0), CellPlace(2, 0)),)), "paths.u"),
        (lambda: InactiveArea(1, 1, (CellPlace(0, 0), CellPlace(1, 0))), "outline"),
        (lambda: FingerInterruption(1, 1, CellPlace(0, 0), fingers=0), "fingers"),
        (lambda: DarkCell(1, 1, remaining=-1), "remaining"),
        (lambda: one_cell(DarkCell(2, 1)), "string 2"),
    ],
)
def test_bad_parameters_are_refused_by_name(wrong: object, name: str) -> None:
    with pytest.raises(ValueError, match=name):
        wrong()  # type: ignore[operator]
