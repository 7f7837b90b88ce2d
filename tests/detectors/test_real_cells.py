"""Real cells whose crack is plain to the eye are found, plain clean ones give nothing.

Cells of the tuning half of the free panels (see tests/bench/real_cells_bench.py); numbers are those of the data set.
The figures over all free cells come from the benchmark; here only what must never get lost.
"""

from functools import cache

import numpy as np
import pytest
from drawn_cells import as_pictures
from real_cells import FREE_PANELS, SIDE_PX, free_cells

from elinspect.detectors import detect_all, prepare
from elinspect.recipe import assumed_product
from elinspect.records import Finding, Kind, Layout
from elinspect.settings import DetectorSettings

MM_PER_PX = 156 / (SIDE_PX - 1)

CRACKED_MONO = (2, 13, 49, 59, 915, 936, 1142)
CRACKED_MULTI = (187, 203, 213, 223, 602, 620, 642)
BLACK_AREA = (8, 46, 53, 1635, 1645)
STREAKS = (1037, 1182, 1187)
CLEAN_MONO = (903, 922, 1051, 1072, 1145, 1148, 1154, 1167, 1192, 1200)
CLEAN_MULTI = (63, 1735, 2217, 2230, 2260)


@cache
def _panel(first: int, last: int) -> dict[int, list[Finding]]:
    layout = Layout(1, 6, (last - first + 1) // 6)
    return _judged(tuple(range(first, last + 1)), layout)


def _judged(numbers: tuple[int, ...], layout: Layout) -> dict[int, list[Finding]]:
    cells = free_cells(list(numbers)).astype(np.float32)
    view = prepare(as_pictures(cells, layout, MM_PER_PX, saturation=255.0), assumed_product(layout))
    assert view.judged.all()
    found = [finding for detection in detect_all(view, DetectorSettings()) for finding in detection.findings]
    return {number: [one for one in found if one.cell == index] for index, number in enumerate(numbers)}


def _findings(number: int) -> list[Finding]:
    """Findings of a cell judged among the cells of its own panel."""
    (panel,) = [(first, last) for first, last in FREE_PANELS if first <= number <= last]
    last = panel[1] - (panel[1] - panel[0] + 1) % 6
    return _panel(panel[0], last)[number]


def _kinds(findings: list[Finding]) -> set[Kind]:
    return {finding.kind for finding in findings}


@pytest.mark.parametrize("number", CRACKED_MONO + CRACKED_MULTI)
def test_plain_crack_is_found_within_its_panel(number: int) -> None:
    assert Kind.CRACK in _kinds(_findings(number))


def test_a_crack_that_a_busbar_parts_is_found_as_one() -> None:
    # Neither of its two lines is enough by itself; both readers drew it across the busbar, about 70 mm long.
    (found,) = (one for one in _findings(1143) if one.kind is Kind.CRACK)
    assert found.length_mm is not None
    assert found.length_mm > 55


@pytest.mark.parametrize("number", CRACKED_MONO + CRACKED_MULTI)
def test_plain_crack_is_found_in_a_single_cell(number: int) -> None:
    assert Kind.CRACK in _kinds(_judged((number,), Layout(1, 1, 1))[number])


def test_crack_lies_where_the_eye_sees_it() -> None:
    # Cell 936: from the right end of the middle busbar down to the left, straight; ends read off the picture.
    (crack,) = [finding for finding in _findings(936) if finding.kind is Kind.CRACK]
    ends = np.array([[157, 283], [240, 95]])
    right, left = crack.outline[crack.outline[:, 1].argmax()], crack.outline[crack.outline[:, 1].argmin()]
    assert np.linalg.norm(right - ends[0]) < 15
    assert np.linalg.norm(left - ends[1]) < 15
    assert crack.length_mm == pytest.approx(np.linalg.norm(ends[0] - ends[1]) * MM_PER_PX, rel=0.1)


@pytest.mark.parametrize("number", BLACK_AREA)
def test_black_area_is_inactive(number: int) -> None:
    areas = [finding for finding in _findings(number) if finding.kind is Kind.INACTIVE_AREA]
    assert sum(finding.area_fraction or 0 for finding in areas) > 0.03


@pytest.mark.parametrize("number", STREAKS)
def test_streaks_are_finger_interruptions_and_no_cracks(number: int) -> None:
    findings = _findings(number)
    assert len([finding for finding in findings if finding.kind is Kind.FINGER_INTERRUPTION]) >= 4
    assert Kind.CRACK not in _kinds(findings)


@pytest.mark.parametrize("number", CLEAN_MONO + CLEAN_MULTI)
def test_clean_cell_has_neither_crack_nor_dark_area(number: int) -> None:
    assert not _kinds(_findings(number)) - {Kind.FINGER_INTERRUPTION}
    assert not _kinds(_judged((number,), Layout(1, 1, 1))[number]) - {Kind.FINGER_INTERRUPTION}
