"""What a streak has to be to pass for a broken finger: long, or dark to the rim; no ring, no speck."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_cells import MM_PER_PX, SIDE_PX, as_pictures, clean_cell, with_area, with_line

from elinspect.detectors import detect_all, finger_interruption, prepare
from elinspect.detectors.crack_wires import takes_wires_off, without_wires
from elinspect.detectors.rings import rings_of, run_along
from elinspect.recipe import assumed_product
from elinspect.records import Detection, Finding, FloatImage, Kind, Layout, PanelView
from elinspect.settings import DetectorSettings, FingerInterruptionSettings
from elinspect.vision import cv2

LAYOUT = Layout(1, 3, 4)
CELL = 5


def _fingers(cells: list[FloatImage]) -> list[Finding]:
    detections = detect_all(prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT)), DetectorSettings())
    (fingers,) = (detection for detection in detections if detection.kind is Kind.FINGER_INTERRUPTION)
    return list(fingers.findings)


def _among_clean(cell: FloatImage) -> list[Finding]:
    rng = np.random.default_rng(3)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    cells[CELL] = cell
    return [finding for finding in _fingers(cells) if finding.cell == CELL]


def _own() -> FloatImage:
    return clean_cell(np.random.default_rng(4))


def test_a_short_streak_is_a_broken_finger_where_it_reaches_the_rim() -> None:
    (found,) = _among_clean(with_line(_own(), [(281, 120), (299, 120)], contrast=0.4))
    assert found.outline[0, 1] == pytest.approx(120, abs=2)
    assert (found.length_mm or 0) < 10
    assert not _among_clean(with_line(_own(), [(190, 120), (198, 120)], contrast=0.4))


def test_a_finger_dark_up_to_the_rim_fills_its_field_unless_wires_are_close() -> None:
    rng = np.random.default_rng(3)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    cells[CELL] = with_line(_own(), [(258, 120), (299, 120)], contrast=0.02)
    view, settings = prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT)), FingerInterruptionSettings()

    def odds(least_length_mm: float) -> float:
        score = finger_interruption.detect(view, replace(settings, least_length_mm=least_length_mm)).cell_scores[CELL]
        return float(score / (1 - score))

    # Of 47 rows from the busbar on the rim leaves 42 or 43; 24 mm is more than that.
    assert odds(8.0) / odds(24.0) == pytest.approx((0.5 + 43 / 43) / (0.5 + 43 / 47), abs=0.05)


def test_a_speck_is_no_broken_finger() -> None:
    around = [(200 + 6 * np.sin(turn), 120 + 5 * np.cos(turn)) for turn in np.linspace(0, 2 * np.pi, 30)]
    assert not _among_clean(with_area(_own(), around, 0.9))


def _ringed(cell: FloatImage, depth: float) -> FloatImage:
    at = np.arange(SIDE_PX) - (SIDE_PX - 1) / 2
    radius = np.hypot.outer(at, at) * MM_PER_PX
    return np.asarray(cell * (1 - depth * np.sin(2 * np.pi * radius / 7)), np.float32)


def test_rings_are_no_broken_fingers_and_hide_none() -> None:
    rng = np.random.default_rng(5)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    # What all cells share would be the panel's, not the wafer's.
    ringed = [_ringed(cell, 0.03) if index in (1, CELL, 8) else cell for index, cell in enumerate(cells)]
    assert not _fingers(ringed)
    ringed[CELL] = with_line(ringed[CELL], [(160, 240), (240, 240)], contrast=0.4)
    assert {finding.cell for finding in _fingers(ringed)} == {CELL}


def test_a_stretch_on_the_height_of_the_axis_leaves_its_ring_least() -> None:
    rings = rings_of(np.zeros((1, 101, 101), np.float32), np.ones((101, 101), bool), 1.0)
    np.testing.assert_array_equal(rings.axis_mm, [[50, 50]])
    assert run_along(rings, 0, 50 - 30, 50 + 30, 90) == pytest.approx(10)  # 30, 40, 50
    assert run_along(rings, 0, 50 + 30, 50 + 40, 50) == pytest.approx(10)  # straight away from the axis
    assert run_along(rings, 0, 47, 53, 5) < 0.2


def _grains(seed: int) -> FloatImage:
    rng = np.random.default_rng(seed)
    noise = [cv2.GaussianBlur(rng.normal(0, 1, (SIDE_PX, SIDE_PX)), (0, 0), scale) * scale for scale in (2.5, 6.0)]
    return np.asarray(1 - 0.12 * np.clip(noise[0] + noise[1], 0, 2), np.float32)


def test_a_streak_that_sister_wafers_share_is_a_broken_finger_all_the_same() -> None:
    # What several cells of a panel share in one place is how a fault of the print shows.
    rng = np.random.default_rng(0)
    brick = _grains(100)
    cells = [np.asarray(clean_cell(rng) * (brick if index in (1, 4, 9) else _grains(index)), np.float32)
             for index in range(LAYOUT.n_cells)]  # fmt: skip
    for index in (1, 4, 9):
        cells[index] = with_line(cells[index], [(165, 150), (235, 150)], contrast=0.06, width_px=2.5)
    assert {finding.cell for finding in _fingers(cells) if abs(finding.outline[0, 1] - 150) < 4} >= {1, 4, 9}


def test_a_finger_broken_between_wires_that_lie_close_is_found_in_a_coarse_picture_too() -> None:
    # 16 wires, 0.8 mm per pixel: eight rows between two of them are free of their feet.
    coarse, wires = 0.8, [round(7 + 14.2 * number) for number in range(16)]
    rng = np.random.default_rng(6)

    def cell(streak: bool) -> FloatImage:
        light = np.full((228, 114), 800.0)
        for row in wires:
            light[row] *= 0.5
        if streak:
            light[wires[6] : wires[6] + 8, 60] *= 0.7
        light[:2], light[-2:], light[:, :2], light[:, -2:] = 300, 300, 300, 300
        soft = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.0)
        return np.asarray(soft + rng.normal(0, 8, soft.shape), np.float32)

    view = prepare(as_pictures([cell(n == CELL) for n in range(12)], LAYOUT, coarse), assumed_product(LAYOUT))
    assert takes_wires_off(view)
    (found,) = finger_interruption.detect(view, DetectorSettings().finger_interruption, without_wires(view)).findings
    assert found.cell == CELL
    assert found.outline[0, 1] == pytest.approx(60, abs=1)
    assert found.outline[:, 0].mean() == pytest.approx(wires[6] + 3.5, abs=2)
    assert found.measurements["at_busbar"]


def test_among_wires_broken_fingers_are_looked_for_with_the_wires_off(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[PanelView | None] = []

    def looked_at(view: PanelView, settings: FingerInterruptionSettings, wires_off: PanelView | None) -> Detection:
        given.append(wires_off)
        return Detection(Kind.FINGER_INTERRUPTION, np.zeros(len(view.flat), np.float32), ())

    monkeypatch.setattr(finger_interruption, "detect", looked_at)
    rows = {3: (51, 150, 249), 10: tuple(range(15, SIDE_PX, 30))}
    for bars in rows.values():
        cells = [np.full((SIDE_PX, SIDE_PX), 800, np.float32) for _ in range(12)]
        for cell in cells:
            for row in bars:
                cell[row - 1 : row + 2] *= 0.5
        detect_all(prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT)), DetectorSettings())
    few, many = given
    assert few is None
    assert many is not None
