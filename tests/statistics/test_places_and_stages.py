"""Places in the cell, wafers that repeat, and the stage that saw a defect first."""

import numpy as np
import pytest

from elinspect.records import Stage
from elinspect.statistics.first_stage import Charged, charged
from elinspect.statistics.places import place_cluster
from elinspect.statistics.wafer_repeats import wafer_repeats


def test_a_cluster_is_found_at_its_place() -> None:
    rng = np.random.default_rng(1)
    own = np.concatenate([rng.normal((0.2, 0.7), 0.02, (12, 2)), rng.random((10, 2))])
    found = place_cluster(own, rng.random((150, 2)), rng)
    assert found is not None
    assert (found.along, found.across) == (pytest.approx(0.2, abs=0.06), pytest.approx(0.7, abs=0.06))
    assert found.p_value <= 0.01
    assert found.inside >= 11 > found.expected


def test_places_where_cells_crack_anyway_are_no_cluster() -> None:
    rng = np.random.default_rng(2)
    low = 0
    for _ in range(40):
        corners = np.clip(rng.normal(0.05, 0.03, (120, 2)), 0, 1)
        found = place_cluster(corners[:25], corners[25:], rng, 99)
        assert found is not None
        low += found.p_value <= 0.05
    assert low <= 6  # 5 % of 40 is 2; more than 6 has a chance of 0.3 %


def test_a_handful_of_flags_has_no_cluster() -> None:
    assert place_cluster(np.zeros((2, 2)), np.ones((5, 2)), np.random.default_rng(0)) is None


def _repeats(rows: list[tuple[int, int, int, int, float, float]]) -> list[bool]:
    lane, lot, string, position, along, across = (np.array(column) for column in zip(*rows, strict=True))
    return wafer_repeats(lane, lot, string, position, np.full(len(rows), 10), along, across).tolist()


def test_neighbours_with_the_same_mark_are_sisters() -> None:
    run = [(0, 4, 7, 9, 0.3, 0.3), (0, 4, 7, 10, 0.31, 0.3), (0, 4, 8, 1, 0.3, 0.31), (0, 4, 8, 6, 0.3, 0.3)]
    assert _repeats(run) == [False, True, True, False]


def test_a_machine_that_strikes_once_per_string_makes_no_sisters() -> None:
    assert _repeats([(0, 4, number, 3, 0.3, 0.3) for number in range(6)]) == [False] * 6


def test_other_lots_lanes_and_places_make_no_sisters() -> None:
    first = (0, 4, 7, 5, 0.3, 0.3)
    for other in [(1, 4, 7, 6, 0.3, 0.3), (0, 5, 7, 6, 0.3, 0.3), (0, 4, 7, 6, 0.9, 0.3), (0, 4, 7, 6, np.nan, 0.3)]:
        assert _repeats([first, other]) == [False, False]


STRING, GATE, AFTER, FINAL = Stage.STRING, Stage.BEFORE_LAMINATION, Stage.AFTER_LAMINATION, Stage.FINAL


@pytest.mark.parametrize(
    ("seen", "looked", "who"),
    [
        ([STRING, GATE], [STRING, GATE], Charged.STRINGER),
        ([GATE], [STRING, GATE], Charged.LAYUP),
        ([GATE], [GATE], Charged.STRINGER_OR_LAYUP),
        ([AFTER], [GATE, AFTER], Charged.LAMINATOR),
        ([AFTER, FINAL], [AFTER, FINAL], Charged.BEFORE_LAMINATION_OR_LAMINATOR),
        ([FINAL], [GATE, AFTER, FINAL], Charged.AFTERWARDS),
        ([FINAL], [GATE, FINAL], Charged.NOT_KNOWN),
        ([], [GATE], Charged.NOT_KNOWN),
    ],
)
def test_the_first_stage_that_saw_it_is_charged(seen: list[Stage], looked: list[Stage], who: Charged) -> None:
    assert charged(seen, looked) is who
