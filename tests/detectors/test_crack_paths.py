"""The path search on arrays small enough to check by hand."""

from dataclasses import replace

import numpy as np
import pytest

from elinspect.detectors.crack_filters import Lattice, Responses
from elinspect.detectors.crack_paths import best_paths, find_paths
from elinspect.detectors.crack_shape import CrackLine, follow_line, joined, tour
from elinspect.settings import CrackSettings

SETTINGS = CrackSettings(angles=12, steps=6, cap=6.0, toll=2.0, busbar_toll=0.0)
LEVEL = 0
UPRIGHT = 6


def _responses(places: dict[tuple[int, int, int], float], bridged: list[int] | None = None) -> Responses:
    """One cell of 30 x 40 places; strength by (angle, row, column)."""
    strength = np.zeros((12, 1, 30, 40), np.float32)
    for (angle, row, column), value in places.items():
        strength[angle, 0, row, column] = value
    rows = np.zeros(30, bool)
    rows[bridged or []] = True
    lattice = Lattice(np.ones((30, 40), bool), rows, np.full(2, 3.0), np.zeros(2), step=3)
    return Responses(strength, np.zeros(1, np.float32), lattice)


def test_level_line_collects_each_place_once() -> None:
    # Places at a step of 3: 5, 8, 11, 14. Each adds 5 - 2 = 3; four of them 12.
    line = {(LEVEL, 10, column): 5.0 for column in (5, 8, 11, 14)}
    paths = find_paths(_responses(line), SETTINGS)
    assert paths.best_totals() == pytest.approx([12.0])
    (found,) = best_paths(paths, 0, SETTINGS, least_total=10.0, least_points=3)
    assert sorted(found.points.tolist()) == [[10, 5], [10, 8], [10, 11], [10, 14]]


def test_a_long_line_collects_all_along_its_trace() -> None:
    # Thirteen places of 3 each; from any of them the search looks two steps ahead and two back.
    line = {(LEVEL, 10, column): 5.0 for column in range(2, 40, 3)}
    settings = replace(SETTINGS, steps=2)
    paths = find_paths(_responses(line), settings)
    assert paths.best_totals() == pytest.approx([5 * 3.0])
    (found,) = best_paths(paths, 0, settings, least_total=10.0, least_points=3)
    assert found.total == pytest.approx(5 * 3.0)
    assert found.whole == pytest.approx(13 * 3.0)


def test_a_dark_place_leaves_a_line_elsewhere_to_be_found() -> None:
    # A place that answers at all angles, unevenly and more strongly than the line: traces run into each other there.
    rng = np.random.default_rng(2)
    dark = {
        (angle, row, column): float(rng.uniform(3, 6))
        for angle in range(12)
        for row in range(16)
        for column in range(40)
    }
    line = {(LEVEL, 25, column): 3.5 for column in range(5, 38, 3)}
    paths = find_paths(_responses(dark | line), SETTINGS)
    settings = replace(SETTINGS, most_paths=6)
    found = best_paths(paths, 0, settings, least_total=10.0, least_points=8)
    assert any(set(path.points[:, 0]) == {25.0} for path in found)


def test_one_strong_spot_counts_no_more_than_the_cap() -> None:
    # 100 is capped at 6; 6 - 2 = 4.
    assert find_paths(_responses({(LEVEL, 10, 20): 100.0}), SETTINGS).best_totals() == pytest.approx([4.0])


def test_upright_places_pay_the_finger_toll() -> None:
    # Four places of 5: 5 - 2 - 1 = 2 each.
    line = {(UPRIGHT, row, 20): 5.0 for row in (5, 8, 11, 14)}
    assert find_paths(_responses(line), SETTINGS, upright_toll=1.0).best_totals() == pytest.approx([8.0])


def test_gap_costs_its_toll_but_not_at_a_bridged_busbar() -> None:
    # Angle 3 of 12 is 45 degrees: steps of (2, 2). Three places of 5, then a gap of one place, then three more.
    line = {(3, 6 + 2 * i, 6 + 2 * i): 5.0 for i in (0, 1, 2, 4, 5, 6)}
    assert find_paths(_responses(line), SETTINGS).best_totals() == pytest.approx([6 * 3 - 2])
    assert find_paths(_responses(line, bridged=[12]), SETTINGS).best_totals() == pytest.approx([6 * 3])


def test_path_may_turn_by_one_angle_per_step_but_not_by_two() -> None:
    # Two level places, then two at 15 degrees (step 1 down, 3 right), against two at 30 degrees (2 down, 3 right).
    gentle = {(0, 10, 5): 5.0, (0, 10, 8): 5.0, (1, 11, 11): 5.0, (1, 12, 14): 5.0}
    sharp = {(0, 10, 5): 5.0, (0, 10, 8): 5.0, (2, 12, 11): 5.0, (2, 14, 14): 5.0}
    assert find_paths(_responses(gentle), SETTINGS).best_totals() == pytest.approx([12.0])
    assert find_paths(_responses(sharp), SETTINGS).best_totals()[0] < 12.0


def test_line_is_followed_to_its_bottom_and_ends_where_it_ends() -> None:
    level = np.zeros((60, 100), np.float32)
    rows = np.arange(60, dtype=np.float32)[:, None]
    level[:, 20:81] -= 0.2 * np.exp(-((rows - 30.5) ** 2) / 2.0)
    line = follow_line(level, np.array([[32.0, 14.0], [33.0, 50.0], [32.0, 84.0]]))
    assert np.abs(line.points[:, 0] - 30.5).max() < 1.0
    assert line.points[:, 1].min() == pytest.approx(20, abs=3)
    assert line.points[:, 1].max() == pytest.approx(80, abs=3)
    assert 0.08 < line.contrast <= 0.2


def test_edge_of_a_dark_half_is_no_line() -> None:
    level = np.zeros((60, 100), np.float32)
    level[30:] = -0.5
    assert follow_line(level, np.array([[30.0, 10.0], [30.0, 90.0]])).contrast < CrackSettings().least_contrast


def _line(*points: tuple[float, float]) -> CrackLine:
    return CrackLine(np.array(points, dtype=np.float64), 0.1, 1.0)


def test_lines_that_meet_are_one_crack() -> None:
    trunk, branch, far = _line((0, 0), (0, 10), (0, 20)), _line((2, 10), (9, 10)), _line((50, 50), (60, 60))
    assert joined([trunk, branch, far], reach=3) == [[0, 1], [2]]
    bridge = _line((9, 12), (40, 40), (49, 49))
    assert joined([trunk, far, branch, bridge], reach=3) == [[0, 1, 2, 3]]


def test_tour_runs_along_the_branch_and_back() -> None:
    course = tour([_line((0, 0), (0, 10), (0, 20)), _line((1, 20), (9, 20))])
    assert course.tolist() == [[0, 0], [0, 20], [1, 20], [9, 20], [1, 20], [0, 20]]
