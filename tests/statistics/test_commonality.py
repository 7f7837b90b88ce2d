"""The search for the machine place that flags have in common."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statistics_plants import flags, plant

from elinspect.frames import position_as_built
from elinspect.records import Layout
from elinspect.statistics.commonality import search, spent
from elinspect.statistics.lots import Finding, lot_or_machine
from elinspect.statistics.permuting import Urns
from elinspect.statistics.strings_made import UNKNOWN, place_code
from elinspect.statistics.suspects import Level

TWO_LANES_EACH = np.arange(6) // 2


def _hits(table: np.ndarray, rng: np.random.Generator, rate: float, bad: np.ndarray, bad_rate: float) -> np.ndarray:
    return np.flatnonzero(rng.random(len(table)) < np.where(bad, bad_rate, rate))


def test_a_bad_lane_is_accused() -> None:
    rng = np.random.default_rng(1)
    made, table = plant()
    hit = _hits(table, rng, 0.05, table[:, 2] == 3, 0.25)
    found = search(made, flags(table, hit, rng.integers(1, 11, len(hit))), TWO_LANES_EACH, rng, permutations=499)
    assert found.accused is not None
    assert (found.accused.level, found.accused.lane, found.accused.stringer) == (Level.LANE, 3, 1)
    assert found.permutations == 499
    assert found.accused.observed == np.count_nonzero(table[hit][:, 2] == 3)
    assert found.accused.score > found.critical


def test_a_bad_stringer_is_accused_as_a_whole() -> None:
    rng = np.random.default_rng(2)
    made, table = plant()
    hit = _hits(table, rng, 0.05, table[:, 2] // 2 == 2, 0.25)
    found = search(made, flags(table, hit, rng.integers(1, 11, len(hit))), TWO_LANES_EACH, rng, permutations=199)
    assert found.accused is not None
    assert (found.accused.level, found.accused.stringer) == (Level.STRINGER, 2)


def test_a_new_cause_is_found_in_the_newest_span() -> None:
    rng = np.random.default_rng(3)
    made, table = plant(blocks=16)
    hit = _hits(table, rng, 0.05, (table[:, 2] == 0) & (table[:, 1] >= 14), 0.6)
    found = search(made, flags(table, hit, rng.integers(1, 11, len(hit))), TWO_LANES_EACH, rng, permutations=199)
    assert found.first_block == (15, 14, 12, 8, 0)
    assert found.accused is not None
    assert (found.accused.lane, found.accused.span) == (0, 1)


def test_without_a_cause_nobody_is_accused() -> None:
    accused = 0
    for number in range(60):
        rng = np.random.default_rng([4, number])
        made, table = plant(blocks=4)
        hit = _hits(table, rng, 0.08, table[:, 2] < 0, 0.0)
        cells = flags(table, hit, rng.integers(1, 11, len(hit)), rng.integers(0, 9, len(hit)))
        accused += search(made, cells, TWO_LANES_EACH, rng, permutations=99).accused is not None
    assert accused <= 3  # 1 % of 60 is 0.6; more than 3 has a chance of 0.3 %


def test_one_place_is_found_when_turned_is_used_and_smears_when_it_is_ignored() -> None:
    rng = np.random.default_rng(5)
    layout = Layout(1, 6, 10)
    made, table = plant(strings=60)
    bad = (table[:, 2] == 4) & (rng.random(len(table)) < 0.04)
    hit = np.concatenate([np.flatnonzero(bad), np.flatnonzero(rng.random(len(table)) < 0.04)])
    turned = rng.random(len(hit)) < 0.5
    as_built = np.concatenate([np.full(bad.sum(), 2), rng.integers(1, 11, len(hit) - bad.sum())])
    in_panel = np.array([position_as_built(layout, int(p), bool(t)) for p, t in zip(as_built, turned, strict=True)])
    right = search(made, flags(table, hit, as_built), TWO_LANES_EACH, np.random.default_rng(0), permutations=199)
    smeared = search(made, flags(table, hit, in_panel), TWO_LANES_EACH, np.random.default_rng(0), permutations=199)
    assert right.accused is not None
    assert (right.accused.level, right.accused.lane, right.accused.position) == (Level.POSITION, 4, 2)
    assert smeared.best is not None
    assert smeared.best.score < 0.6 * right.accused.score


def test_a_place_in_the_cell_is_named() -> None:
    rng = np.random.default_rng(6)
    made, table = plant()
    bad = (table[:, 2] == 1) & (rng.random(len(table)) < 0.08)
    hit = np.concatenate([np.flatnonzero(bad), np.flatnonzero(rng.random(len(table)) < 0.05)])
    n, rest = int(bad.sum()), len(hit) - int(bad.sum())
    position = np.concatenate([np.full(n, 7), rng.integers(1, 11, rest)])
    place = np.concatenate([np.full(n, 8), rng.integers(0, 9, rest)])
    found = search(made, flags(table, hit, position, place), TWO_LANES_EACH, rng, permutations=199).accused
    assert found is not None
    assert (found.level, found.lane, found.position, found.place) == (Level.POSITION_AND_PLACE, 1, 7, 8)


def test_what_all_lanes_share_in_time_accuses_nobody() -> None:
    # Half the lanes stood still while everybody was bad: only groups of the same time can tell.
    rng = np.random.default_rng(7)
    made, table = plant(blocks=8)
    working = (table[:, 1] < 4) | (table[:, 2] >= 3)
    made = made.chosen((made.block < 4) | (made.lane >= 3))
    rate = np.where(table[:, 1] < 4, 0.02, 0.3)
    hit = np.flatnonzero(working & (rng.random(len(table)) < rate))
    found = search(made, flags(table, hit, rng.integers(1, 11, len(hit))), TWO_LANES_EACH, rng, permutations=199)
    assert found.accused is None


def test_without_flags_there_is_no_suspect() -> None:
    made, table = plant()
    none = np.empty(0, dtype=np.int64)
    found = search(made, flags(table, none, none), TWO_LANES_EACH, np.random.default_rng(0))
    assert (found.best, found.p_value, found.accused) == (None, 1.0, None)


def test_more_flags_than_strings_is_a_bug() -> None:
    made, table = plant(strings=1, blocks=1)
    twice = np.concatenate([table, table])
    twice[:, 0] = np.arange(len(twice))
    with pytest.raises(ValueError, match="more strings"):
        search(
            made, flags(twice, np.arange(len(twice)), np.ones(len(twice), int)), TWO_LANES_EACH, np.random.default_rng()
        )


def test_a_part_of_very_many_strings_calibrates_the_more_strictly() -> None:
    rng = np.random.default_rng(8)
    made, table = plant(strings=400, blocks=5)
    hit = _hits(table, rng, 0.3, table[:, 2] == 1, 0.5)
    cells = flags(table, hit, rng.integers(1, 11, len(hit)))
    whole = search(made, cells, TWO_LANES_EACH, np.random.default_rng(1), level=0.2, permutations=99)
    part = search(made, cells, TWO_LANES_EACH, np.random.default_rng(1), level=0.2, permutations=99, most_draws=50_000)
    assert whole.best == part.best
    assert part.critical > whole.critical


def test_a_lot_used_by_all_accuses_the_lot_and_no_lane() -> None:
    rng = np.random.default_rng(9)
    made, table = plant(lots=3, strings=15)
    hit = _hits(table, rng, 0.05, table[:, 3] == 2, 0.25)
    cells = flags(table, hit, rng.integers(1, 11, len(hit)))
    found = lot_or_machine(made, cells, TWO_LANES_EACH, np.array([0, 0, 1]), rng, permutations=999)
    assert (found.finding, found.suspect) == (Finding.LOT, None)
    assert found.lot is not None
    assert found.lot.best is not None
    assert found.lot.best.stringer == 1


def test_a_lot_that_one_lane_alone_used_cannot_be_separated_from_it() -> None:
    rng = np.random.default_rng(10)
    made, table = plant()
    lot_of = np.where(table[:, 2] == 3, 1, 0)
    table[:, 3] = lot_of
    made = type(made)(made.block, made.stratum, made.lane, np.where(made.lane == 3, 1, 0), made.strings, made.cells)
    hit = _hits(table, rng, 0.05, table[:, 2] == 3, 0.25)
    cells = flags(table, hit, rng.integers(1, 11, len(hit)))
    found = lot_or_machine(made, cells, TWO_LANES_EACH, np.array([0, 0]), rng, permutations=199)
    assert found.finding is Finding.CANNOT_BE_SEPARATED
    assert found.alone == 1.0
    assert found.suspect is not None
    assert found.suspect.lane == 3


def test_a_lane_that_is_bad_in_every_lot_is_accused_within_lots() -> None:
    rng = np.random.default_rng(11)
    made, table = plant(lots=3, strings=15)
    hit = _hits(table, rng, 0.05, table[:, 2] == 0, 0.25)
    cells = flags(table, hit, rng.integers(1, 11, len(hit)))
    found = lot_or_machine(made, cells, TWO_LANES_EACH, np.array([0, 0, 1]), rng, permutations=199)
    assert found.finding is Finding.MACHINE
    assert found.suspect is not None
    assert found.suspect.lane == 0


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_strings_are_drawn_without_putting_back(seed: int) -> None:
    rng = np.random.default_rng(seed)
    group, label, strings = np.array([0, 0, 1, 1]), np.array([0, 1, 0, 2]), np.array([2, 3, 4, 1])
    urns = Urns(group, label, strings, 3)
    drawn = urns.draw(np.array([0] * 5 + [1] * 5), 20, rng)
    for row in drawn:
        assert np.bincount(row[:5], minlength=3).tolist() == [2, 3, 0]
        assert np.bincount(row[5:], minlength=3).tolist() == [4, 0, 1]


def test_every_order_is_as_likely() -> None:
    urns = Urns(np.array([0, 0]), np.array([0, 1]), np.array([1, 2]), 2)
    drawn = urns.draw(np.zeros(2, int), 30_000, np.random.default_rng(12))
    # Of three slips (one of lane 0) two are drawn: lane 0 first, second or not at all, a third each.
    first, second = (drawn[:, 0] == 0).mean(), (drawn[:, 1] == 0).mean()
    assert (first, second) == (pytest.approx(1 / 3, abs=0.01), pytest.approx(1 / 3, abs=0.01))


def test_the_level_of_all_readings_together() -> None:
    assert 28 * spent(0.01) == pytest.approx(0.01)
    with pytest.raises(ValueError, match="at least one"):
        spent(0.01, 0)


def test_places_in_a_cell() -> None:
    along, across = np.array([0.0, 0.4, 1.0, np.nan]), np.array([0.0, 0.9, 1.0, 0.5])
    assert place_code(along, across).tolist() == [0, 5, 8, UNKNOWN]
