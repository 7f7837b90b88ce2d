"""Chips, foreign bodies, solder faults and wafer patterns on drawn cells: found, measured, told apart."""

import numpy as np
import pytest
from drawn_cells import BUSBAR_ROWS, MM_PER_PX, SIDE_PX, as_pictures, clean_cell, with_area, with_line

from elinspect.detectors import chipped_cell, detect_all, inactive_area, kind_scores, prepare, solder_fault
from elinspect.recipe import assumed_product
from elinspect.records import Detection, Finding, FloatImage, Kind, Layout, PanelView
from elinspect.settings import DetectorSettings, SolderFaultSettings
from elinspect.vision import cv2

LAYOUT = Layout(1, 3, 4)
AREA_TOLERANCE = 0.3
"""Share: at half the scale a chip of 10 mm has an uncertain pixel all around."""

Corners = list[tuple[float, float]]


def _panel(changed: dict[int, FloatImage]) -> PanelView:
    rng = np.random.default_rng(1)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    for index, cell in changed.items():
        cells[index] = cell
    return prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT))


def _detect(view: PanelView) -> dict[Kind, Detection]:
    return {detection.kind: detection for detection in detect_all(view, DetectorSettings())}


def _only(view: PanelView, kind: Kind) -> list[Finding]:
    return list(_detect(view)[kind].findings)


def _clean() -> FloatImage:
    return clean_cell(np.random.default_rng(7))


def test_piece_missing_at_the_edge_is_a_chip() -> None:
    corners: Corners = [(0, 90), (0, 115), (18, 104)]
    (chip,) = _only(_panel({5: with_area(_clean(), corners, remaining=0.02)}), Kind.CHIPPED_CELL)
    assert chip.cell == 5
    # The rim of about 3 px is not looked at.
    assert chip.area_fraction == pytest.approx(0.5 * 21 * 15 / SIDE_PX**2, rel=AREA_TOLERANCE)
    assert abs(chip.outline[:, 1].mean() - 104) < 5


def test_small_chip_up_to_the_very_edge_is_found_and_a_cell_out_of_place_is_none() -> None:
    shifted = np.roll(_clean(), 3, axis=1)
    shifted[:, :3] = 40
    view = _panel({5: with_area(_clean(), [(0, 90), (0, 99), (7, 97), (7, 92)], remaining=0.02), 8: shifted})
    (chip,) = _only(view, Kind.CHIPPED_CELL)
    assert chip.cell == 5
    assert chip.measurements["long_side_mm"] == pytest.approx(8 * MM_PER_PX, abs=1.5)


def test_where_glass_scatters_a_chip_is_as_bright_as_the_gaps() -> None:
    # Drawn gaps keep 0.4 of the light, and so does what lies behind a missing piece, where cells shine 1.1.
    shifted = np.roll(_clean(), 3, axis=1)
    shifted[:, :3] = 0.4 * 800
    small, large = ([(0, 90), (0, 90 + 2 * size), (size, 90 + size)] for size in (9, 18))
    view = _panel({5: with_area(_clean(), large, 0.36), 6: with_area(_clean(), small, 0.36), 8: shifted})
    found = chipped_cell.detect(view, DetectorSettings().chipped_cell)
    assert [(chip.cell, chip.measurements["remaining_luminance_share"] < 0.2) for chip in found.findings] == [(5, True)]
    # The smaller one and the cell out of place are ranked behind it, the others have nothing missing.
    assert found.cell_scores[5] > found.cell_scores[6] > 0
    assert found.cell_scores[8] < 0.1
    assert found.cell_scores[[0, 1, 2, 3, 4, 7, 9, 10, 11]].max() == 0


def test_chamfers_of_turned_strings_are_no_chips() -> None:
    # Half cells of every second string lie turned, with their two chamfers at the other end.
    rng = np.random.default_rng(2)
    cells = []
    down = np.minimum(np.arange(SIDE_PX), np.arange(SIDE_PX)[::-1])
    chamfer = np.add.outer(down, np.arange(150)) < 28
    for index in range(12):
        cell = clean_cell(rng)[:, :150].copy()
        cell[chamfer] *= 0.1
        cells.append(cell if index // 4 != 1 else np.ascontiguousarray(cell[::-1, ::-1]))
    product = assumed_product(Layout(1, 3, 4))
    assert _only(prepare(as_pictures(cells, LAYOUT), product), Kind.CHIPPED_CELL) == []


def test_dark_rim_and_chamfers_are_no_chips() -> None:
    cell = _clean()
    cell[:, :8] *= np.linspace(0.6, 1, 8, dtype=np.float32)
    view = _panel({2: cell})
    assert _only(view, Kind.CHIPPED_CELL) == []
    assert _detect(view)[Kind.CHIPPED_CELL].cell_scores.max() < 0.5


def test_black_splinter_is_a_foreign_body_and_a_dark_finger_is_not() -> None:
    splinter: Corners = [(180, 90), (186, 118), (190, 117), (185, 89)]
    finger = with_line(_clean(), [(165, 200), (235, 200)], contrast=0.95, width_px=3.0)
    view = _panel({4: with_area(_clean(), splinter, remaining=0.05), 6: finger})
    (body,) = _only(view, Kind.FOREIGN_BODY)
    assert body.cell == 4
    assert body.measurements["long_side_mm"] == pytest.approx(29 * MM_PER_PX, abs=3.0)


def test_what_sister_wafers_share_is_no_foreign_body() -> None:
    splinter: Corners = [(180, 90), (186, 118), (190, 117), (185, 89)]
    dark = with_area(_clean(), splinter, remaining=0.05)
    assert _only(_panel({4: dark, 7: dark, 9: np.ascontiguousarray(dark[::-1, ::-1])}), Kind.FOREIGN_BODY) == []


def test_soft_dark_spot_is_no_foreign_body() -> None:
    at = np.arange(SIDE_PX)
    spot = 1 - 0.9 * np.exp(-((at[:, None] - 200) ** 2 + (at[None] - 100) ** 2) / (2 * 8.0**2))
    assert _only(_panel({4: np.asarray(_clean() * spot, np.float32)}), Kind.FOREIGN_BODY) == []


def _without_contact(cell: FloatImage, row: int, first: int, last: int, depth: float = 0.2) -> FloatImage:
    """Darken what lies along a busbar, most at the busbar itself."""
    at = np.arange(SIDE_PX, dtype=np.float64)
    across = np.exp(-(((at - row) / 30) ** 2))[:, None]
    along = ((at >= first) & (at <= last)).astype(np.float32)[None]
    along = cv2.GaussianBlur(along, (0, 0), 4)
    return np.asarray(cell * (1 - depth * across * along), np.float32)


def test_stretch_without_contact_is_a_solder_fault_with_its_busbar_and_length() -> None:
    (fault,) = _only(_panel({6: _without_contact(_clean(), BUSBAR_ROWS[1], 80, 200)}), Kind.SOLDER_FAULT)
    assert fault.cell == 6
    assert fault.measurements["busbar"] == 2
    assert fault.length_mm == pytest.approx(120 * MM_PER_PX, rel=0.15)
    # Mean of 0.2 exp(-(d / 30 px)²) from a tenth to four tenths of the 99 px between busbars, 10 to 40 px: 0.11.
    assert fault.measurements["contrast_share"] == pytest.approx(0.11, abs=0.03)


def test_stretch_that_fades_to_its_ends_is_measured_up_to_them() -> None:
    # Current comes along the busbar from both ends: the missing voltage is a parabola, by Ohm's law.
    at = np.arange(SIDE_PX, dtype=np.float64)
    along = np.clip((at - 80) * (200 - at), 0, None) / 60.0**2
    across = np.exp(-(((at - BUSBAR_ROWS[1]) / 30) ** 2))
    cell = np.asarray(_clean() * (1 - 0.3 * across[:, None] * along[None]), np.float32)
    (fault,) = _only(_panel({6: cell}), Kind.SOLDER_FAULT)
    # At half depth it would be 30 % shorter.
    assert fault.length_mm == pytest.approx(120 * MM_PER_PX, rel=0.15)


def test_whole_busbar_of_a_cell_at_the_end_of_a_string_is_a_bussing_joint() -> None:
    cells = {
        4: _without_contact(_clean(), BUSBAR_ROWS[0], 0, 299),
        5: _without_contact(_clean(), BUSBAR_ROWS[0], 0, 299),
    }
    found = _detect(_panel(cells))
    (joint,) = found[Kind.BUSSING_JOINT_FAULT].findings
    assert joint.cell == 4
    # The outermost millimetres are not looked at; a whole ribbon is as long as the cell.
    assert joint.length_mm == pytest.approx(SIDE_PX * MM_PER_PX)
    assert [finding.cell for finding in found[Kind.SOLDER_FAULT].findings] == [5]


def test_a_joint_is_told_by_its_whole_length_where_a_solder_fault_asks_for_more() -> None:
    dim = _without_contact(_clean(), BUSBAR_ROWS[0], 0, 299, depth=0.1)
    part = _without_contact(_clean(), BUSBAR_ROWS[0], 60, 240, depth=0.1)
    view = _panel({4: dim, 5: dim, 7: part})
    faults, joints = solder_fault.detect(view, SolderFaultSettings(half_multiple=100.0))
    assert faults.findings == ()
    assert [joint.cell for joint in joints.findings] == [4]
    # The last cell of the string is at an end too, but its stretch is no whole busbar.
    assert kind_scores(joints, 0.5)[[5, 7]].max() < 0.5


def test_low_current_tells_a_wafer_pattern_from_a_solder_fault() -> None:
    # The same dark band in both exposures is the wafer's; only at full current it is a resistance.
    rng = np.random.default_rng(3)
    full = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    full[3], full[6] = (_without_contact(full[i], BUSBAR_ROWS[1], 80, 200) for i in (3, 6))
    low = [np.asarray(cell * 0.1, np.float32) for cell in full]
    low[6] = np.asarray(clean_cell(rng) * 0.1, np.float32)
    pictures = as_pictures(full, LAYOUT)
    paired = type(pictures)(**{
        **{name: getattr(pictures, name) for name in pictures.__slots__}, "low_current": np.stack(low)
    })  # fmt: skip
    findings = _only(prepare(paired, assumed_product(LAYOUT)), Kind.SOLDER_FAULT)
    assert [finding.cell for finding in findings] == [6]
    assert findings[0].measurements["low_current_used"] is True


def test_rings_about_the_middle_are_a_pattern_and_uneven_light_is_none() -> None:
    at = np.arange(SIDE_PX) - (SIDE_PX - 1) / 2
    radius = np.hypot(at[:, None], at[None])
    ringed = np.asarray(_clean() * (1 + 0.02 * np.sin(radius / 2.5)), np.float32)
    slanting = np.asarray(_clean() * (1 + 0.1 * at[None] / SIDE_PX + 0.05 * at[:, None] / SIDE_PX), np.float32)
    (found,) = _only(_panel({3: ringed, 7: slanting}), Kind.MATERIAL_PATTERN)
    assert (found.cell, found.measurements["pattern"]) == (3, "rings")


def test_dark_place_with_a_smooth_border_is_a_stain_across_busbars() -> None:
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    border: Corners = [(150 + 16 * np.sin(t), 120 + 24 * np.cos(t)) for t in turn]
    found = _only(_panel({4: with_area(_clean(), border, remaining=0.75)}), Kind.MATERIAL_PATTERN)
    assert [(one.cell, one.measurements["pattern"]) for one in found] == [(4, "stain")]
    assert found[0].area_fraction == pytest.approx(np.pi * 16 * 24 / SIDE_PX**2, rel=AREA_TOLERANCE)


def test_stain_on_a_wire_is_one_flag() -> None:
    # Dark on both sides of a busbar, with a border like a crack, and as dark as a part cut off.
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    border: Corners = [(BUSBAR_ROWS[1] + 30 * np.sin(t), 120 + 26 * np.cos(t)) for t in turn]
    found = _detect(_panel({3: with_area(_clean(), border, remaining=0.5)}))
    assert {kind for kind, own in found.items() for finding in own.findings if finding.cell == 3} == {
        Kind.MATERIAL_PATTERN
    }


@pytest.mark.parametrize(("remaining", "kind"), [(0.03, Kind.CHIPPED_CELL), (0.2, Kind.INACTIVE_AREA)])
def test_place_at_the_edge_is_a_chip_or_cut_off(remaining: float, kind: Kind) -> None:
    corners: Corners = [(0, 90), (0, 125), (14, 118), (14, 97)]
    found = _detect(_panel({5: with_area(_clean(), corners, remaining=remaining)}))
    kinds = {key for key, own in found.items() for finding in own.findings if finding.cell == 5}
    assert kinds & {Kind.CHIPPED_CELL, Kind.INACTIVE_AREA} == {kind}


def test_what_a_black_place_brings_along_is_not_flagged_beside_it() -> None:
    black: Corners = [(160, 60), (160, 200), (240, 190), (240, 70)]
    body: Corners = [(170, 90), (178, 190), (186, 188), (178, 88)]
    found = _detect(_panel({3: with_area(_clean(), black), 6: with_area(_clean(), body, remaining=0.05)}))
    kinds = {cell: {k for k, d in found.items() for f in d.findings if f.cell == cell} for cell in (3, 6)}
    assert kinds[3] <= {Kind.INACTIVE_AREA, Kind.CRACK}
    assert Kind.INACTIVE_AREA in kinds[3]
    assert kinds[6] == {Kind.FOREIGN_BODY}


def test_thin_dark_strip_along_an_edge_is_no_inactive_area_and_a_deep_one_is() -> None:
    edges: dict[int, Corners] = {
        2: [(30, 0), (30, 10), (270, 10), (270, 0)],
        9: [(30, 0), (30, 40), (270, 40), (270, 0)],
    }
    found = _only(_panel({cell: with_area(_clean(), corners) for cell, corners in edges.items()}), Kind.INACTIVE_AREA)
    assert {area.cell for area in found} == {9}


def test_cell_dark_for_the_most_part_but_bright_for_the_rest_is_dark_and_not_reversed() -> None:
    most: Corners = [(0, 0), (0, SIDE_PX), (200, SIDE_PX), (200, 0)]
    found = _detect(_panel({5: with_area(_clean(), most, remaining=0.05)}))
    assert found[Kind.REVERSED_CELL].findings == ()
    assert [finding.cell for finding in found[Kind.DARK_CELL].findings] == [5]
    assert [finding.cell for finding in found[Kind.INACTIVE_AREA].findings] == [5]


def test_shade_beside_a_piece_that_was_cut_off_does_not_count_as_its_area() -> None:
    shade: Corners = [(60, 60), (60, 220), (95, 220), (95, 60)]
    black: Corners = [(60, 60), (60, 110), (95, 110), (95, 60)]
    cell = with_area(with_area(_clean(), black, remaining=0.05), shade, remaining=0.62)
    (area,) = inactive_area.detect(_panel({5: cell}), DetectorSettings().inactive_area).findings
    assert area.area_fraction == pytest.approx(35 * 50 / SIDE_PX**2, abs=0.005)


def test_dim_region_is_an_area_where_a_crack_bounds_it() -> None:
    corners: Corners = [(115, 60), (115, 160), (185, 160), (185, 60)]
    view = _panel({5: with_area(_clean(), corners, remaining=0.58)})
    settings = DetectorSettings().inactive_area
    border = np.array([corners[3], corners[0], corners[1]], dtype=np.float64)
    cracks = tuple(Finding(Kind.CRACK, cell, 0.9, border) for cell in (5, 6))
    assert inactive_area.detect(view, settings).findings == ()
    (area,) = inactive_area.detect(view, settings, cracks=cracks).findings
    assert area.cell == 5
    assert area.area_fraction == pytest.approx(70 * 100 / SIDE_PX**2, abs=0.01)


@pytest.mark.parametrize(("deep_px", "rim_px"), [(6, 0), (3, 2)])
def test_shallow_piece_at_the_edge_is_inactive_with_its_share_of_the_cell(deep_px: int, rim_px: int) -> None:
    # 3.1 and 1.6 mm deep, as between the edge and the first of 16 wires; with a dark rim beyond, and without.
    kept, right = slice(rim_px, SIDE_PX - rim_px), rim_px + deep_px
    corners: Corners = [(160, 0), (160, right), (240, right), (240, 0)]
    cells = [clean_cell(np.random.default_rng(seed))[kept, kept] for seed in range(LAYOUT.n_cells)]
    cells[5] = with_area(_clean(), corners, remaining=0.1)[kept, kept]
    (area,) = _only(prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT)), Kind.INACTIVE_AREA)
    assert area.cell == 5
    assert area.area_fraction == pytest.approx(80 * deep_px / cells[5].size, abs=0.003)


@pytest.mark.parametrize(("remaining", "kind"), [(0.0, Kind.CHIPPED_CELL), (0.04, Kind.INACTIVE_AREA)])
def test_black_piece_that_gives_light_of_its_own_was_cut_off(remaining: float, kind: Kind) -> None:
    scattered, gap = 40, 4
    corners: Corners = [(0, 90), (0, 125), (14, 118), (14, 97)]

    def with_gap(cell: FloatImage) -> FloatImage:
        return np.pad(cell, gap) + np.float32(scattered)

    cells = [with_gap(clean_cell(np.random.default_rng(seed))) for seed in range(LAYOUT.n_cells)]
    cells[5] = with_gap(with_area(_clean(), corners, remaining))
    found = _detect(prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT)))
    kinds = {key for key, own in found.items() for finding in own.findings if finding.cell == 5}
    assert kinds & {Kind.CHIPPED_CELL, Kind.INACTIVE_AREA} == {kind}


@pytest.mark.parametrize(("score", "kind"), [(0.55, Kind.INACTIVE_AREA), (0.8, Kind.SOLDER_FAULT)])
def test_dim_strip_along_a_busbar_is_its_solder_fault_only_where_that_is_sure(
    monkeypatch: pytest.MonkeyPatch, score: float, kind: Kind
) -> None:
    strip: Corners = [(252, 40), (252, 270), (294, 270), (294, 40)]
    view = _panel({4: with_area(_clean(), strip, remaining=0.45)})
    fault = Finding(Kind.SOLDER_FAULT, 4, score, np.array(strip, np.float64))
    joints = Detection(Kind.BUSSING_JOINT_FAULT, np.zeros(LAYOUT.n_cells, np.float32), ())
    faults = Detection(Kind.SOLDER_FAULT, np.full(LAYOUT.n_cells, score, np.float32), (fault,))
    monkeypatch.setattr(solder_fault, "detect", lambda *_: (faults, joints))
    found = {one.kind for one in _findings_of(view, 4)}
    assert found & {Kind.INACTIVE_AREA, Kind.SOLDER_FAULT} == {kind}


def _findings_of(view: PanelView, cell: int) -> list[Finding]:
    return [one for detection in _detect(view).values() for one in detection.findings if one.cell == cell]


def test_dark_piece_beside_a_wire_is_no_solder_fault() -> None:
    # Half cells of 16 wires at 0.8 mm per pixel: the piece reaches to the wire, and must not pass for it.
    rows = np.arange(228, dtype=np.float64)
    dips = 0.4 * np.exp(-(((rows[:, None] - 6.6 - 14.3 * np.arange(16)) / 0.8) ** 2)).sum(axis=1)
    rng = np.random.default_rng(4)
    cells = [
        np.asarray(800 * (1 - dips)[:, None] + rng.normal(0, 8, (228, 114)), np.float32) for _ in range(LAYOUT.n_cells)
    ]
    cells[5] = with_area(cells[5], [(0, 25), (0, 75), (6, 75), (6, 25)], remaining=0.1)
    found = _detect(prepare(as_pictures(cells, LAYOUT, 0.8), assumed_product(LAYOUT)))
    assert {finding.cell for finding in found[Kind.INACTIVE_AREA].findings} == {5}
    assert found[Kind.SOLDER_FAULT].findings == found[Kind.BUSSING_JOINT_FAULT].findings == ()


def test_soft_dark_middle_is_a_core_and_a_soft_dark_side_a_blotch() -> None:
    at = np.arange(SIDE_PX)

    def darkened(row: float, column: float) -> FloatImage:
        spot = 1 - 0.4 * np.exp(-((at[:, None] - row) ** 2 + (at[None] - column) ** 2) / (2 * 50.0**2))
        return np.asarray(_clean() * spot, np.float32)

    found = _only(_panel({2: darkened(150, 150), 9: darkened(60, 230)}), Kind.MATERIAL_PATTERN)
    assert {finding.cell: finding.measurements["pattern"] for finding in found} == {2: "core", 9: "blotch"}


@pytest.mark.parametrize(("softness_px", "patterns"), [(1.0, ["stain"]), (14.0, [])])
def test_a_faint_stain_is_told_from_a_cloud_of_the_wafer_by_its_border(softness_px: float, patterns: list[str]) -> None:
    at = np.arange(SIDE_PX, dtype=np.float64)
    shade = np.asarray(0.05 * np.sin(at / 15)[:, None] * np.sin(at / 17)[None], np.float32)
    ink = np.zeros((SIDE_PX, SIDE_PX), np.float32)
    cv2.circle(ink, (110, 150), 28, 1.0, -1)
    cell = _clean() * np.exp(shade - 0.16 * cv2.GaussianBlur(ink, (0, 0), softness_px))
    found = _only(_panel({5: cell.astype(np.float32)}), Kind.MATERIAL_PATTERN)
    assert [one.measurements["pattern"] for one in found if one.cell == 5] == patterns


def test_a_stain_on_a_busbar_is_no_solder_fault_and_its_outline_no_crack() -> None:
    at = np.arange(SIDE_PX, dtype=np.float64)
    shade = np.asarray(0.05 * np.sin(at / 15)[:, None] * np.sin(at / 17)[None], np.float32)
    turn = np.linspace(0, 2 * np.pi, 40)
    border = [(150 + 40 * np.sin(a), 110 + 25 * np.cos(a)) for a in turn]
    cell = np.asarray(with_area(_clean(), border, remaining=0.85) * np.exp(shade), np.float32)
    kinds = {one.kind for one in _findings_of(_panel({5: cell}), 5)}
    assert Kind.MATERIAL_PATTERN in kinds
    assert not kinds & {Kind.SOLDER_FAULT, Kind.CRACK}
