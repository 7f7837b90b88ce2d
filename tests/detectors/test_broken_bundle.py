"""Bundles of broken fingers and spots are no cracks; what a crack bounds stays one."""

import numpy as np
import pytest
from drawn_cells import BUSBAR_ROWS, MM_PER_PX, SIDE_PX, as_pictures, clean_cell, with_area, with_line

from elinspect.detectors import detect_all, prepare
from elinspect.detectors.crack_upright import leaning_deg, wandering_deg
from elinspect.recipe import assumed_product
from elinspect.records import Finding, FloatImage, Kind, Layout
from elinspect.settings import DetectorSettings

LAYOUT = Layout(1, 3, 4)
CELL = 5

BOXES = {
    "wide": ((158, 120), (206, 145), 0.75),
    "as wide as a bundle can be": ((158, 100), (206, 145), 0.8),
    "at the edge of the cell": ((258, 150), (296, 170), 0.05),
    "broken in mid field": ((158, 180), (190, 200), 0.7),
}


def _found(cell: FloatImage) -> list[Finding]:
    rng = np.random.default_rng(3)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    cells[CELL] = cell
    detections = detect_all(prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT)), DetectorSettings())
    return [finding for detection in detections for finding in detection.findings if finding.cell == CELL]


def _box(name: str) -> FloatImage:
    (top, left), (bottom, right), remaining = BOXES[name]
    corners = [(top, left), (top, right), (bottom, right), (bottom, left)]
    cell: FloatImage = with_area(clean_cell(np.random.default_rng(4)), corners, remaining)
    return cell


@pytest.mark.parametrize("name", list(BOXES))
def test_a_bundle_of_broken_fingers_is_no_crack(name: str) -> None:
    found = _found(_box(name))
    assert found
    assert {finding.kind for finding in found} <= {
        Kind.FINGER_INTERRUPTION, Kind.INACTIVE_AREA, Kind.MATERIAL_PATTERN, Kind.CHIPPED_CELL, Kind.FOREIGN_BODY
    }  # fmt: skip


@pytest.mark.parametrize("name", ["wide", "as wide as a bundle can be"])
def test_a_wide_bundle_is_measured(name: str) -> None:
    (top, left), (bottom, right), remaining = BOXES[name]
    (bundle,) = (finding for finding in _found(_box(name)) if finding.kind is Kind.FINGER_INTERRUPTION)
    assert float(bundle.measurements["bundle_mm"] or 0) == pytest.approx((right - left) * MM_PER_PX, abs=1.5)
    assert bundle.length_mm == pytest.approx((bottom - top) * MM_PER_PX, abs=4.0)
    assert float(bundle.measurements["contrast_share"] or 0) == pytest.approx(1 - remaining, abs=0.1)


def test_a_spot_is_no_crack() -> None:
    around = [(195 + 14 * np.sin(turn), 120 + 17 * np.cos(turn)) for turn in np.linspace(0, 2 * np.pi, 30)]
    found = _found(with_area(clean_cell(np.random.default_rng(4)), around, 0.4))
    assert not [finding for finding in found if finding.kind is Kind.CRACK]


@pytest.mark.parametrize(
    "corners",
    [
        [(158, 90), (158, 150), (215, 150)],
        [(296, 100), (296, 170), (265, 130)],
    ],
    ids=["wedge at a busbar", "wedge at the edge"],
)
def test_a_region_with_an_oblique_side_is_bounded_by_a_crack(corners: list[tuple[float, float]]) -> None:
    found = _found(with_area(clean_cell(np.random.default_rng(4)), corners, 0.5))
    assert Kind.CRACK in {finding.kind for finding in found}


def test_a_crack_that_goes_on_beyond_a_bundle_is_found() -> None:
    found = _found(with_line(_box("wide"), [(170, 60), (200, 240)], contrast=0.4, width_px=3.0))
    crack = next(finding for finding in found if finding.kind is Kind.CRACK)
    assert (crack.length_mm or 0) > 60


def test_fingers_in_a_row_do_not_lean_and_a_crack_does() -> None:
    bars = np.zeros(SIDE_PX + 50, bool)
    for row in BUSBAR_ROWS:
        bars[row - 4 : row + 5] = True
    points = np.linspace(6, 340, 300)
    crack = np.column_stack([points, 100 + 0.03 * points])
    assert leaning_deg(crack, bars, fewest=4) == pytest.approx(np.degrees(np.arctan(0.03)), abs=0.01)
    assert leaning_deg(crack, bars, fewest=5) == 0
    # Each finger upright, the next one 1.3 mm further right beyond each busbar.
    fingers = np.column_stack([points, 100 + 2.5 * np.searchsorted(BUSBAR_ROWS, points)])
    assert leaning_deg(fingers, bars, fewest=4) == pytest.approx(0, abs=0.01)


def test_fingers_do_not_wander_however_the_cell_lies_and_a_crack_does() -> None:
    bars = np.zeros(SIDE_PX + 50, bool)
    for row in BUSBAR_ROWS:
        bars[row - 4 : row + 5] = True
    points = np.linspace(6, 340, 300)
    fingers = np.column_stack([points, 100 + 0.01 * points + 2.5 * np.searchsorted(BUSBAR_ROWS, points)])
    assert wandering_deg(fingers, bars, fewest=4) == pytest.approx(0, abs=0.01)
    # Two fields lean to one side and two to the other, by 0.03 each.
    crack = np.column_stack([points, 100 + 0.03 * np.abs(points - BUSBAR_ROWS[1])])
    assert wandering_deg(crack, bars, fewest=4) == pytest.approx(np.degrees(0.03), abs=0.05)
    assert wandering_deg(crack, bars, fewest=5) == 0
