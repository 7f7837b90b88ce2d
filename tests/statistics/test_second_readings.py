"""Recall of the machine from random second readings."""

import numpy as np
import pytest

from elinspect.statistics.second_readings import Drawn, recall_by_second_readings


def test_a_share_published_with_its_interval() -> None:
    # Newcombe (1998), Stat. Med. 17:857, table I, method 3: 15 of 148 is 0.0624 to 0.1605 (from memory, as in
    # tests/statistics/test_intervals.py). One cell in each panel; as many panels as were read.
    found = recall_by_second_readings(85, 0, [Drawn(148, 148, 15, 15)], 148)
    assert found is not None
    assert (found.missed, found.value) == (15.0, 0.85)
    assert found.missed_low == pytest.approx(148 * 0.0624, abs=0.01)
    assert found.missed_high == pytest.approx(148 * 0.1605, abs=0.01)
    assert found.low == pytest.approx(85 / (85 + 148 * 0.1605), abs=1e-4)


def test_draws_count_by_the_panels_they_stand_for() -> None:
    # By hand: 0.1 of 1000 and 0 of 3000 panels are a share of 0.025; two cells in each.
    found = recall_by_second_readings(700, 100, [Drawn(1000, 20, 2, 4), Drawn(3000, 20, 0, 0)], 4000)
    assert found is not None
    assert found.missed == pytest.approx(200.0)
    assert found.value == pytest.approx(0.7)
    assert (found.read, found.unflagged, found.with_cells, found.cells) == (40, 4000, 2, 4)


def test_without_readings_or_defects_nothing_is_said() -> None:
    assert recall_by_second_readings(5, 5, [], 100) is None
    assert recall_by_second_readings(5, 5, [Drawn(100, 0, 0, 0)], 100) is None
    assert recall_by_second_readings(0, 0, [Drawn(100, 10, 0, 0)], 100) is None


def test_nothing_seen_still_leaves_a_doubt() -> None:
    found = recall_by_second_readings(90, 0, [Drawn(900, 50, 0, 0)], 1000)
    assert found is not None
    assert (found.value, found.high) == (1.0, 1.0)
    assert found.low < 0.6  # Wilson: up to 7 % of 1000 panels


def test_the_interval_covers_the_truth() -> None:
    chance = np.random.default_rng(8)
    covered, runs = 0, 400
    for _ in range(runs):
        defects = chance.poisson(0.3, 2000)
        flagged = chance.binomial(defects, 0.9)
        added = chance.binomial(defects - flagged, 0.5)
        missed = defects - flagged - added
        passed = np.flatnonzero(flagged + added == 0)
        read = missed[chance.choice(passed, 300, replace=False)]
        drawn = Drawn(len(passed), 300, int((read > 0).sum()), int(read.sum()))
        found = recall_by_second_readings(int(flagged.sum()), int(added.sum()), [drawn], 2000)
        assert found is not None
        covered += found.low <= flagged.sum() / defects.sum() <= found.high
    # 95 % intervals; 0.91 is more than three standard errors below.
    assert covered / runs > 0.91
