"""Gain and flips change no flag; inputs stay as they are; chunks and threads do not matter."""

from itertools import pairwise

import numpy as np
import pytest
from drawn_cells import as_pictures, clean_cell, with_area, with_line

from elinspect.detectors import chunks, detect_all, prepare
from elinspect.recipe import assumed_product
from elinspect.records import Detection, FloatImage, Kind, Layout
from elinspect.settings import DetectorSettings
from elinspect.vision import cv2

LAYOUT = Layout(1, 3, 4)
OUTLINE_TOLERANCE_PX = 0.5


def _cells() -> FloatImage:
    rng = np.random.default_rng(11)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    cells[0] = with_line(cells[0], [(60, 60), (140, 200)])
    cells[3] = with_line(cells[3], [(30, 100), (100, 160), (130, 250)])
    # Crooked: of two sides exactly alike either may come first.
    cells[5] = with_area(cells[5], [(172, 24), (165, 130), (228, 112), (241, 30)])
    cells[7] = with_line(cells[7], [(160, 110), (240, 110)], contrast=0.25, width_px=3.0)
    cells[9] = np.asarray(cells[9] * 0.4, np.float32)
    cells[1] = with_area(cells[1], [(0, 88), (0, 118), (19, 101)], remaining=0.02)
    cells[2] = with_area(cells[2], [(181, 90), (186, 119), (191, 116), (185, 87)], remaining=0.05)
    cells[4] = _without_contact(cells[4], 150, 90, 215)
    cells[6] = with_area(cells[6], [(92, 190), (84, 214), (99, 236), (121, 231), (125, 203), (110, 188)], remaining=0.7)
    cells[8] = _with_rings(cells[8])
    cells[10] = with_area(cells[10], [(158, 121), (158, 141), (206, 141), (206, 121)], remaining=0.75)
    return np.stack(cells)


def _without_contact(cell: FloatImage, row: int, first: int, last: int) -> FloatImage:
    at = np.arange(300, dtype=np.float64)
    along = cv2.GaussianBlur(((at >= first) & (at <= last)).astype(np.float32)[None], (0, 0), 4)
    return np.asarray(cell * (1 - 0.2 * np.exp(-(((at - row) / 30) ** 2))[:, None] * along), np.float32)


def _with_rings(cell: FloatImage) -> FloatImage:
    at = np.arange(300, dtype=np.float64) - 149.5
    radius = np.hypot(at[:, None], at[None])
    return np.asarray(cell * (1 + 0.03 * np.sin(radius / 2.1 + 0.002 * radius**2)), np.float32)


def _detect(cells: FloatImage, saturation: float = 4095.0) -> tuple[Detection, ...]:
    view = prepare(as_pictures(cells, LAYOUT, saturation=saturation), assumed_product(LAYOUT))
    return detect_all(view, DetectorSettings())


@pytest.fixture(scope="module")
def plain() -> tuple[Detection, ...]:
    detections = _detect(_cells())
    found = {(finding.kind, finding.cell) for detection in detections for finding in detection.findings}
    assert {(Kind.CRACK, 0), (Kind.CRACK, 3), (Kind.INACTIVE_AREA, 5), (Kind.FINGER_INTERRUPTION, 7)} <= found
    assert (Kind.DARK_CELL, 9) in found
    assert (Kind.FINGER_INTERRUPTION, 10) in found
    assert (Kind.CRACK, 10) not in found
    assert {(Kind.CHIPPED_CELL, 1), (Kind.FOREIGN_BODY, 2), (Kind.SOLDER_FAULT, 4)} <= found
    assert {(Kind.MATERIAL_PATTERN, 6), (Kind.MATERIAL_PATTERN, 8)} <= found
    return detections


def _flags(detections: tuple[Detection, ...]) -> list[tuple[Kind, int]]:
    return sorted((finding.kind, finding.cell) for detection in detections for finding in detection.findings)


def _largest_offset(first: np.ndarray, second: np.ndarray) -> float:
    """Largest distance from a vertex of one outline to the other outline, both ways."""
    return max(_to_line(first, second), _to_line(second, first))


def _to_line(points: np.ndarray, line: np.ndarray) -> float:
    steps = np.concatenate([np.linspace(a, b, 50) for a, b in pairwise(line)])
    return float(np.linalg.norm(points[:, None] - steps[None], axis=2).min(axis=1).max())


@pytest.mark.parametrize("gain", [0.25, 16.0])
def test_gain_changes_nothing(plain: tuple[Detection, ...], gain: float) -> None:
    scaled = _detect(np.asarray(_cells() * gain, np.float32), saturation=4095.0 * gain)
    assert _flags(scaled) == _flags(plain)
    for one, other in zip(plain, scaled, strict=True):
        np.testing.assert_allclose(one.cell_scores, other.cell_scores, atol=0.02)


@pytest.mark.parametrize("flip", ["left-right", "up-down", "both"])
def test_flips_change_no_flag_and_flip_the_outlines(plain: tuple[Detection, ...], flip: str) -> None:
    cells = _cells()
    rows, columns = cells.shape[1] - 1, cells.shape[2] - 1
    if flip != "left-right":
        cells = cells[:, ::-1]
    if flip != "up-down":
        cells = cells[:, :, ::-1]
    flipped = _detect(np.ascontiguousarray(cells))
    assert _flags(flipped) == _flags(plain)
    for one, other in zip(plain, flipped, strict=True):
        for finding, image in zip(_in_order(one), _in_order(other), strict=True):
            outline = image.outline.copy()
            if flip != "left-right":
                outline[:, 0] = rows - outline[:, 0]
            if flip != "up-down":
                outline[:, 1] = columns - outline[:, 1]
            assert _largest_offset(finding.outline, outline) <= OUTLINE_TOLERANCE_PX, (finding.kind, finding.cell)


def _in_order(detection: Detection) -> list:
    return sorted(detection.findings, key=lambda finding: (finding.cell, -finding.score))


def test_inputs_stay_as_they_are() -> None:
    cells = _cells()
    before = cells.copy()
    _detect(cells)
    np.testing.assert_array_equal(cells, before)


def test_threads_and_chunks_change_nothing(plain: tuple[Detection, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    monkeypatch.setattr(chunks, "CELLS_PER_CHUNK", 5)
    try:
        other = _detect(_cells())
    finally:
        cv2.setNumThreads(threads)
    for one, two in zip(plain, other, strict=True):
        np.testing.assert_array_equal(one.cell_scores, two.cell_scores)
        assert len(one.findings) == len(two.findings)
        for a, b in zip(one.findings, two.findings, strict=True):
            np.testing.assert_array_equal(a.outline, b.outline)
