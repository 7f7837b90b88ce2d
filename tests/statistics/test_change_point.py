"""When it began, and whether the repair helped."""

import numpy as np
import pytest

from elinspect.statistics.change_point import Repair, cells_to_accuse, cells_to_tell, onset, repair_verdict


def test_an_obvious_change_is_found_to_the_slot() -> None:
    observed = np.array([1, 0, 1, 1, 0, 1, 9, 11, 10, 12], dtype=float)
    found = onset(observed, np.ones(10))
    assert (found.first, found.low, found.high) == (6, 6, 6)
    assert found.times == pytest.approx(42 / 4)


def test_drift_of_all_lanes_is_no_change_of_one() -> None:
    rising = np.arange(1.0, 41.0)
    calm = onset(np.random.default_rng(1).poisson(rising).astype(float), rising)
    assert calm.times < 1.5
    assert calm.high - calm.low > 10


def test_the_interval_covers_the_true_slot() -> None:
    rng = np.random.default_rng(2)
    covered = 0
    for _ in range(300):
        true = int(rng.integers(5, 35))
        observed = rng.poisson(np.where(np.arange(40) < true, 1.0, 4.0)).astype(float)
        found = onset(observed, np.ones(40))
        covered += found.low <= true <= found.high
    assert covered >= 270  # 90 %; measured 289


def test_nothing_to_search_is_a_bug() -> None:
    with pytest.raises(ValueError, match="no slots"):
        onset(np.empty(0), np.empty(0))


def test_a_repair_that_helped() -> None:
    found = repair_verdict((40, 1000), (2, 500), 0.005)
    assert (found.verdict, found.missing_cells) == (Repair.HELPED, 0)


def test_a_repair_that_helped_partly() -> None:
    assert repair_verdict((200, 2000), (60, 2000), 0.005).verdict is Repair.PARTLY


def test_a_repair_that_did_not_help() -> None:
    assert repair_verdict((40, 1000), (40, 1000), 0.005).verdict is Repair.DID_NOT_HELP


def test_none_in_too_few_cells_is_no_proof() -> None:
    # None in n cells at a rate of 4 % has a chance of 0.96^n: below 5 % from about 75 cells on (rule of three).
    found = repair_verdict((40, 1000), (0, 30), 0.0)
    assert found.verdict is Repair.NOT_ENOUGH_DATA
    assert found.missing_cells == 75 - 30
    assert repair_verdict((40, 1000), (0, 75), 0.0).verdict is Repair.HELPED


def test_clustered_flags_need_more_cells() -> None:
    assert cells_to_tell(0.04, 0.01, 2.0) == pytest.approx(2 * cells_to_tell(0.04, 0.01), abs=2)
    assert cells_to_tell(0.0, 0.01) == 0
    assert cells_to_accuse(0.01, 4.0, 12) > cells_to_accuse(0.01, 8.0, 12) > 0
    assert cells_to_accuse(0.01, 1.0, 12) == 0
    # Simulated plants (tests/long/commonality_plants.py; correlation 0.1 in strings of ten, 1.9 times the spread): a
    # lane at four times 1 % was found in 970 of 1,000 at 1,500 cells at one reading; read daily in 815 of 1,000 there,
    # and in 384 of 400 at 2,000.
    assert 1500 <= cells_to_accuse(0.01, 4.0, 12, 1.9) <= 1700
    assert 1800 <= cells_to_accuse(0.01, 4.0, 12, 1.9, 0.01 / 28) <= 2100
