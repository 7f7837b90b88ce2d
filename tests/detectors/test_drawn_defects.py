"""Drawn cells with known defects: found, measured, and told apart."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_cells import MM_PER_PX, as_pictures, clean_cell, with_area, with_line

from elinspect.detectors import detect_all, finger_interruption, prepare
from elinspect.detectors.view import find_busbar_rows
from elinspect.recipe import assumed_product
from elinspect.records import CrackMode, Detection, Finding, FloatImage, Kind, Layout, PanelView
from elinspect.settings import DetectorSettings, FingerInterruptionSettings, ViewSettings
from elinspect.vision import cv2

LENGTH_TOLERANCE = 0.15
AREA_TOLERANCE = 0.01
PLACE_TOLERANCE_PX = 4.0

LAYOUT = Layout(1, 3, 4)


def _panel(changed: dict[int, FloatImage], seed: int = 1) -> PanelView:
    rng = np.random.default_rng(seed)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    for index, cell in changed.items():
        cells[index] = cell
    return prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT))


def _detect(view: PanelView) -> dict[Kind, Detection]:
    return {detection.kind: detection for detection in detect_all(view, DetectorSettings())}


def _findings(view: PanelView, cell: int) -> list[Finding]:
    return [finding for detection in _detect(view).values() for finding in detection.findings if finding.cell == cell]


def _clean(seed: int = 7) -> FloatImage:
    return clean_cell(np.random.default_rng(seed))


def test_clean_panel_gives_no_findings_and_scores_below_threshold() -> None:
    for kind, detection in _detect(_panel({})).items():
        assert detection.findings == (), kind
        assert detection.cell_scores.shape == (LAYOUT.n_cells,)
        assert detection.cell_scores.max() < 0.5, kind


def test_busbars_are_found_where_they_were_drawn() -> None:
    view = _panel({})
    middles = np.flatnonzero(np.diff(view.busbar_rows.astype(int)) != 0).reshape(-1, 2).mean(axis=1) + 0.5
    np.testing.assert_allclose(middles, [51, 150, 249], atol=1.0)


@pytest.mark.parametrize(
    "points",
    [
        [(60, 60), (140, 200)],
        [(70, 250), (230, 120)],
        [(30, 100), (100, 160), (130, 250)],
        [(205, 40), (200, 150), (210, 260)],
    ],
    ids=["falling", "across a busbar", "bent", "along the busbars"],
)
def test_crack_is_found_in_its_place_with_its_length(points: list[tuple[float, float]]) -> None:
    findings = _findings(_panel({5: with_line(_clean(), points)}), 5)
    assert [finding.kind for finding in findings] == [Kind.CRACK]
    crack = findings[0]
    true_mm = float(np.linalg.norm(np.diff(np.array(points), axis=0), axis=1).sum()) * MM_PER_PX
    assert crack.length_mm == pytest.approx(true_mm, rel=LENGTH_TOLERANCE)
    assert _distances(crack.outline, points).max() < PLACE_TOLERANCE_PX
    assert crack.mode is CrackMode.A


def _distances(outline: np.ndarray, points: list[tuple[float, float]]) -> np.ndarray:
    steps = [np.linspace(a, b, 200) for a, b in zip(np.array(points)[:-1], np.array(points)[1:], strict=True)]
    line = np.concatenate(steps)
    return np.linalg.norm(outline[:, None] - line[None], axis=2).min(axis=1)


def test_only_the_cracked_cell_is_flagged() -> None:
    detections = _detect(_panel({5: with_line(_clean(), [(60, 60), (140, 200)])}))
    assert {finding.cell for detection in detections.values() for finding in detection.findings} == {5}
    assert detections[Kind.CRACK].cell_scores.argmax() == 5


def test_crack_beside_a_darker_part_is_mode_b() -> None:
    cell = with_area(_clean(), [(60, 0), (200, 299), (299, 299), (299, 0)], remaining=0.75)
    cell = with_line(cell, [(70, 20), (190, 277)])
    cracks = [finding for finding in _findings(_panel({2: cell}), 2) if finding.kind is Kind.CRACK]
    assert cracks[0].mode is CrackMode.B
    assert cracks[0].measurements["darker_side_share"] == pytest.approx(0.75, abs=0.05)


@pytest.mark.parametrize("seed", [1, 2])
def test_step_among_grains_as_sharp_as_itself_is_a_crack_and_grains_alone_are_none(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cells = {cell: _with_grains(_clean(seed + cell), rng) for cell in (4, 5, 6)}
    row, column = np.mgrid[:300, :300] - 150.0
    dark = ((row * np.cos(0.9) - column * np.sin(0.9)) > 0).astype(np.float32)
    cells[4] = np.asarray(cells[4] * (1 - 0.28 * cv2.GaussianBlur(dark, (0, 0), 1.5)), np.float32)
    found = _detect(_panel(cells))[Kind.CRACK].findings
    assert {finding.cell for finding in found} == {4}


def _with_grains(cell: FloatImage, rng: np.random.Generator) -> FloatImage:
    spots = cv2.GaussianBlur(rng.normal(size=cell.shape).astype(np.float32), (0, 0), 5)
    spots *= 0.12 / spots.std()
    return np.asarray(cell * np.exp(np.minimum(spots, 0.12)), np.float32)


def test_black_area_is_inactive_with_its_share_of_the_cell() -> None:
    corners: list[tuple[float, float]] = [(170, 20), (170, 120), (235, 120), (235, 20)]
    areas = [f for f in _findings(_panel({3: with_area(_clean(), corners)}), 3) if f.kind is Kind.INACTIVE_AREA]
    assert len(areas) == 1
    assert areas[0].area_fraction == pytest.approx(65 * 100 / 300**2, abs=AREA_TOLERANCE)
    inside_rows = (areas[0].outline[:, 0] > 160) & (areas[0].outline[:, 0] < 245)
    assert inside_rows.all()


def test_black_cell_is_without_light_of_its_own_and_not_cracked() -> None:
    rng = np.random.default_rng(3)
    view = _panel({4: np.asarray(rng.normal(8, 8, (300, 300)), np.float32)})
    kinds = {finding.kind for finding in _findings(view, 4)}
    assert Kind.REVERSED_CELL in kinds
    assert Kind.CRACK not in kinds
    assert Kind.FINGER_INTERRUPTION not in kinds


def test_dim_cell_is_dark_against_its_own_block_only() -> None:
    layout = Layout(2, 2, 4)
    rng = np.random.default_rng(4)
    # The second block carries half the current: half as bright, and nothing wrong with it.
    cells = [clean_cell(rng, level=800 if index < 8 else 400) for index in range(16)]
    cells[3] = clean_cell(rng, level=400)
    view = prepare(as_pictures(cells, layout), assumed_product(layout))
    dark = _detect(view)[Kind.DARK_CELL]
    assert [finding.cell for finding in dark.findings] == [3]
    assert dark.findings[0].measurements["relative_luminance"] == pytest.approx(0.5, abs=0.01)


def test_light_that_falls_off_over_the_panel_hides_no_dark_cell_and_makes_none() -> None:
    layout = Layout(1, 6, 8)
    rng = np.random.default_rng(8)
    row, column = np.divmod(np.arange(48), 8)
    away = np.hypot((column - 3.5) / 3.5, (row - 2.5) / 2.5)
    level = 800 * (1 - 0.2 * away**2)
    # 0.62 of its neighbours: dark, though as bright as the corners' sound cells.
    level[20] *= 0.6
    view = prepare(as_pictures([clean_cell(rng, level=float(one)) for one in level], layout), assumed_product(layout))
    (dark,) = _detect(view)[Kind.DARK_CELL].findings
    assert dark.cell == 20
    assert dark.measurements["of_expected_share"] == pytest.approx(0.6, abs=0.03)
    assert min(level[[0, 7, 40, 47]]) / 800 < 0.65


def test_finger_streak_is_a_finger_interruption_with_its_length() -> None:
    cell = with_line(_clean(), [(160, 110), (240, 110)], contrast=0.25, width_px=3.0)
    findings = _findings(_panel({1: cell}), 1)
    assert [finding.kind for finding in findings] == [Kind.FINGER_INTERRUPTION]
    assert findings[0].length_mm == pytest.approx(80 * MM_PER_PX, abs=5.0)
    assert findings[0].outline[:, 1] == pytest.approx([110, 110], abs=2.0)


def test_broken_finger_beside_a_ribbon_is_told_from_one_in_mid_field() -> None:
    # Busbars lie at rows 51, 150 and 249 and are five rows wide.
    beside = with_line(_clean(), [(154, 110), (205, 110)], contrast=0.25, width_px=3.0)
    middle = with_line(_clean(), [(178, 110), (225, 110)], contrast=0.25, width_px=3.0)
    view = _panel({1: beside, 2: middle})
    found = {finding.cell: finding.measurements for finding in _detect(view)[Kind.FINGER_INTERRUPTION].findings}
    assert (found[1]["at_busbar"], found[2]["at_busbar"]) == (True, False)
    assert found[2]["from_busbar_mm"] == pytest.approx((178 - 153) * MM_PER_PX, abs=3.0)
    # Where the picture shows no busbars, nobody can say.
    unseen = replace(view, busbar_rows=np.zeros_like(view.busbar_rows))
    untold = finger_interruption.detect(unseen, FingerInterruptionSettings()).findings
    assert untold
    assert not any("at_busbar" in finding.measurements for finding in untold)


def test_uneven_finger_through_the_whole_cell_is_no_interruption() -> None:
    cells = {index: np.asarray(_clean(index), np.float32) for index in range(3)}
    for cell in cells.values():
        cell[:, 109:112] *= 0.9
    assert _findings(_panel(cells), 1) == []


def test_crack_along_the_fingers_is_a_crack_and_its_streaks_are_not_counted() -> None:
    # Leans by 2.9 degrees and goes on across two busbars: no finger does.
    cell = with_line(_clean(), [(60, 120), (240, 129)], contrast=0.3, width_px=2.5)
    findings = _findings(_panel({1: cell}), 1)
    assert [finding.kind for finding in findings] == [Kind.CRACK]
    assert findings[0].length_mm == pytest.approx(180.2 * MM_PER_PX, rel=LENGTH_TOLERANCE)


def test_area_at_the_edge_of_the_cell_is_measured_to_the_edge() -> None:
    corners: list[tuple[float, float]] = [(0, 120), (0, 200), (25, 200), (25, 120)]
    (area,) = [f for f in _findings(_panel({3: with_area(_clean(), corners)}), 3) if f.kind is Kind.INACTIVE_AREA]
    assert area.area_fraction == pytest.approx(25 * 80 / 300**2, abs=AREA_TOLERANCE)
    assert area.outline[:, 0].min() < 2


def test_half_dead_cell_is_inactive_for_half_of_it() -> None:
    corners: list[tuple[float, float]] = [(0, 0), (0, 299), (150, 299), (150, 0)]
    areas = [f for f in _findings(_panel({3: with_area(_clean(), corners)}), 3) if f.kind is Kind.INACTIVE_AREA]
    assert sum(area.area_fraction or 0 for area in areas) == pytest.approx(0.5, abs=0.03)


def test_pictures_of_finer_scale_give_outlines_in_their_own_pixels() -> None:
    points: list[tuple[float, float]] = [(60, 60), (140, 200)]
    rng = np.random.default_rng(5)
    cells = [clean_cell(rng) for _ in range(12)]
    cells[6] = with_line(cells[6], points)
    finer = [np.repeat(np.repeat(cell, 2, axis=0), 2, axis=1) for cell in cells]
    view = prepare(as_pictures(finer, LAYOUT, MM_PER_PX / 2), assumed_product(LAYOUT))
    (crack,) = _detect(view)[Kind.CRACK].findings
    doubled: list[tuple[float, float]] = [(2 * row + 0.5, 2 * column + 0.5) for row, column in points]
    assert _distances(crack.outline, doubled).max() < 2 * PLACE_TOLERANCE_PX
    assert crack.length_mm == pytest.approx(161.2 * MM_PER_PX, rel=LENGTH_TOLERANCE)


def test_single_cell_works_without_a_panel() -> None:
    one = Layout(1, 1, 1)
    cell = with_line(_clean(), [(60, 60), (140, 200)])
    view = prepare(as_pictures([cell], one), assumed_product(one))
    found = _detect(view)
    assert [finding.cell for finding in found[Kind.CRACK].findings] == [0]
    assert found[Kind.DARK_CELL].cell_scores.tolist() == [0.0]


def test_cells_nobody_could_judge_are_said_to_be_so() -> None:
    saturated = np.full((300, 300), 4095, np.float32)
    rng = np.random.default_rng(6)
    drowned = np.asarray(np.abs(rng.normal(0, 600, (300, 300))) + 400, np.float32)
    view = _panel({0: saturated, 1: drowned})
    assert not view.judged[0]
    assert not view.judged[1]
    assert view.judged[2:].all()
    assert all(finding.cell > 1 for detection in _detect(view).values() for finding in detection.findings)


def test_black_picture_of_a_single_cell_is_not_judged() -> None:
    one = Layout(1, 1, 1)
    view = prepare(as_pictures([np.zeros((300, 300), np.float32)], one), assumed_product(one))
    assert not view.judged.any()
    assert all(detection.findings == () for detection in _detect(view).values())


def _wires(depths: list[float], pitch: float = 14.3, off: float = 0.0) -> FloatImage:
    """Typical cell of 115 columns: a dip per wire, the last one `off` pixels beside its place."""
    rows = np.arange(230, dtype=np.float64)
    typical = np.zeros((230, 115), np.float32)
    for index, depth in enumerate(depths):
        row = 7 + pitch * index + off * (index == len(depths) - 1)
        typical -= (depth * np.exp(-(((rows - row) / 1.2) ** 2)))[:, None].astype(np.float32)
    return typical


def test_a_wire_that_is_hardly_seen_is_a_busbar_where_the_others_say_so() -> None:
    depths = [0.08] * 14 + [0.025]
    for off, there in ((0.0, True), (5.0, False)):
        found = find_busbar_rows(_wires(depths, off=off), 0.8, ViewSettings())
        assert np.count_nonzero(np.diff(found.astype(int)) == 1) == 14 + there
        assert found[round(7 + 14.3 * 14 + off)] == there


def test_a_faint_line_among_few_busbars_is_none() -> None:
    assert not find_busbar_rows(_wires([0.5, 0.5, 0.025], 70.0), 0.8, ViewSettings())[147]


@pytest.mark.parametrize(("off", "busbars"), [(0.0, 5), (12.0, 0)])
def test_faint_lines_are_busbars_where_all_of_them_lie_evenly(off: float, busbars: int) -> None:
    found = find_busbar_rows(_wires([0.03] * 5, 39.7, off), 0.8, ViewSettings())
    assert np.count_nonzero(np.diff(found.astype(int)) == 1) == busbars
