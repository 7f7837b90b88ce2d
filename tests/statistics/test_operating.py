"""Areas, recalls and intervals, by hand and against scipy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from elinspect.statistics.operating import area_under_curve, area_within, interval_over_groups, recall_at

SCORES = st.lists(st.integers(0, 9), min_size=1, max_size=30).map(lambda values: np.array(values, float))


def test_area_by_hand() -> None:
    # Pairs: (3,1) (3,2) (2,1) above, (2,2) a tie: 3.5 of 4.
    assert area_under_curve(np.array([3.0, 2.0]), np.array([1.0, 2.0])) == 3.5 / 4
    assert np.isnan(area_under_curve(np.array([]), np.array([1.0])))


@given(SCORES, SCORES)
def test_area_is_the_wilcoxon_statistic(positive: np.ndarray, negative: np.ndarray) -> None:
    # Hanley and McNeil 1982, Radiology 143:29-36; the statistic as scipy computes it.
    expected = stats.mannwhitneyu(positive, negative).statistic / (len(positive) * len(negative))
    assert area_under_curve(positive, negative) == pytest.approx(expected)


def test_area_within_groups_ignores_how_groups_differ() -> None:
    scores = np.array([1.0, 2.0, 11.0, 12.0])
    truth = np.array([False, True, True, False])
    group = np.array([0, 0, 1, 1])
    assert area_within(scores, truth, group) == 0.5
    assert area_within(scores, truth, np.arange(4)) != area_within(scores, truth, group)


def test_recall_at_by_hand() -> None:
    negative = np.arange(100.0)
    assert recall_at(np.array([98.5, 94.0, 200.0, 3.0]), negative, 0.05) == 0.5
    assert recall_at(np.array([98.5, 94.5, 200.0, 3.0]), negative, 0.05) == 0.75


def test_interval_over_groups_is_wider_than_over_cells() -> None:
    rng = np.random.default_rng(3)
    group = np.repeat(np.arange(12), 30)
    values = rng.normal(0, 1, 12)[group] + rng.normal(0, 1, len(group))

    def mean(rows: np.ndarray) -> float:
        return float(values[rows].mean())

    low, high = interval_over_groups(mean, group, rng)
    narrow_low, narrow_high = interval_over_groups(mean, np.arange(len(group)), rng)
    assert low < values.mean() < high
    # Between-panel spread 1 over 12 panels against 1.4 over 360 cells.
    assert (high - low) > 2.5 * (narrow_high - narrow_low)
