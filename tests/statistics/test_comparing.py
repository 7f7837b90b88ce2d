"""Comparisons of rates against published values."""

import numpy as np
import pytest
from scipy.stats import chi2_contingency, false_discovery_control, fisher_exact

from elinspect.statistics.comparing import (
    daily_overdispersion,
    discovery_adjusted,
    fisher_p,
    group_overdispersion,
    homogeneity,
    marascuilo,
    proportion_z,
    rates_homogeneous,
    string_overdispersion,
    two_periods,
)
from elinspect.statistics.pareto import pareto

# NIST/SEMATECH e-Handbook 7.4.5: 4 kinds of defect in 3 shifts (rows 1-2 and total read, row 3 follows; recomputed).
SHIFTS = [[15, 21, 45, 13], [26, 31, 34, 5], [33, 17, 49, 20]]


def test_proportion_test_as_published() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4: 26 of 200 against 10 % gives 1.414 (read, recomputed).
    assert proportion_z(26, 200, 0.10) == pytest.approx(1.414, abs=5e-4)


def test_chi_square_as_published() -> None:
    found = homogeneity(SHIFTS)
    assert (found.chi_square, found.degrees) == (pytest.approx(19.18, abs=5e-3), 6)
    assert found.p_value == pytest.approx(0.00387, abs=5e-6)
    assert found.expected[0, 0] == pytest.approx(22.51, abs=5e-3)


def test_a_significant_whole_names_no_pair() -> None:
    # NIST/SEMATECH e-Handbook 7.4.6 / 7.4.7.4 (method read, counts from memory, recomputed).
    counts, sizes = [36, 46, 42, 63, 38], [300] * 5
    whole = rates_homogeneous(counts, sizes)
    assert (whole.chi_square, whole.degrees) == (pytest.approx(12.131, abs=5e-4), 4)
    assert whole.p_value == pytest.approx(0.0164, abs=5e-5)
    pairs = marascuilo(counts, sizes)
    assert len(pairs) == 10
    assert not any(pair.differs for pair in pairs)
    largest = max(pairs, key=lambda pair: pair.difference)
    assert (largest.difference, largest.critical) == (pytest.approx(0.090), pytest.approx(0.093, abs=5e-4))
    assert any(pair.differs for pair in marascuilo([36, 46, 42, 90, 38], sizes))


def test_fisher_where_counts_are_small() -> None:
    # scipy's own documentation: [[8, 2], [1, 5]] gives 0.0349650 (read, recomputed).
    assert two_periods((8, 10), (1, 6)).p_value == pytest.approx(0.0349650, abs=5e-8)
    # Fisher (1935), the lady tasting tea: two-sided 0.4857 (value from memory, recomputed).
    assert two_periods((3, 4), (1, 4)).p_value == pytest.approx(0.4857, abs=5e-5)


def test_false_discovery_as_published() -> None:
    # Benjamini and Hochberg (1995), JRSS B 57:289; quoted in scipy's documentation (read there, recomputed).
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528]
    adjusted = discovery_adjusted([*p, 0.7590, 1.000])
    expected = [0.0015, 0.0030, 0.0095, 0.0356, 0.0603, 0.0639, 0.0639, 0.0645, 0.0765, 0.4860, 0.5812, 0.7149]
    assert adjusted == pytest.approx([*expected, 0.7532, 0.8132, 1.0], abs=6e-5)
    assert np.count_nonzero(adjusted <= 0.05) == 4
    assert discovery_adjusted([]).size == 0


def test_shares_of_a_pareto() -> None:
    # Column totals of the same NIST table (recomputed).
    totals = dict(zip("ABCD", np.sum(SHIFTS, axis=0).tolist(), strict=True))
    rows = pareto(totals)
    assert [row.key for row in rows] == ["C", "A", "B", "D"]
    assert [round(100 * row.cumulative_share, 1) for row in rows] == [41.4, 65.4, 87.7, 100.0]


def test_a_table_of_one_row_says_nothing() -> None:
    assert homogeneity([[3, 4], [0, 0]]).p_value == 1.0
    assert two_periods((0, 100), (0, 100)).p_value == 1.0
    assert two_periods((0, 0), (3, 100)).p_value == 1.0


def test_overdispersion_takes_confidence_away() -> None:
    alone, clustered = two_periods((30, 1000), (60, 1000)), two_periods((30, 1000), (60, 1000), 3.0)
    assert alone.p_value < 0.01 < clustered.p_value
    assert clustered.second_interval[0] < alone.second_interval[0]


def test_overdispersion_of_strings() -> None:
    # By hand: sizes 10, rate 0.1; counts 0, 0, 0, 4 -> sum of (x - 1)^2 / 0.9 = 12 / 0.9, over 3 degrees of freedom.
    assert string_overdispersion([10] * 4, [0, 0, 0, 4]) == pytest.approx(12 / 0.9 / 3)
    independent = np.random.default_rng(1).binomial(10, 0.1, 5000)
    assert string_overdispersion(np.full(5000, 10), independent) == pytest.approx(1.0, abs=0.06)
    assert string_overdispersion([10, 10], [0, 0]) == 1.0


def test_as_scipy_counts() -> None:
    # scipy.stats as reference: chi2_contingency, fisher_exact, false_discovery_control.
    rng = np.random.default_rng(4)
    for _ in range(40):
        n, m = rng.integers(1, 400, 2).tolist()
        a, b = int(rng.integers(0, n + 1)), int(rng.integers(0, min(m, 12) + 1))
        assert fisher_p(a, n, b, m) == pytest.approx(fisher_exact([[a, n - a], [b, m - b]]).pvalue, rel=1e-6, abs=1e-15)
        table = rng.integers(1, 90, (4, 3))
        own, known = homogeneity(table), chi2_contingency(table, correction=False)
        assert (own.chi_square, own.p_value) == (pytest.approx(known.statistic), pytest.approx(known.pvalue))
        assert own.degrees == known.dof
        assert own.expected == pytest.approx(known.expected_freq)
        p = rng.random(17) ** 3
        assert discovery_adjusted(p.tolist()) == pytest.approx(false_discovery_control(p))
    # One in a hundred million cells: the chances of a large table do not lose their figures.
    assert fisher_p(9, 10**8, 1, 10**8) == pytest.approx(0.021484375, rel=1e-4)  # binomial, 10 tosses, in the limit


def test_overdispersion_within_groups() -> None:
    rng = np.random.default_rng(8)
    group, size = np.repeat([0, 1, 2], 200), np.full(600, 2000)
    rate = np.array([0.004, 0.01, 0.03])[group]
    assert group_overdispersion(group, rng.binomial(size, rate), size) == pytest.approx(1.0, abs=0.12)
    # Days whose rates vary by a fifth: 1 + n r 0.04 / (1 - r) in the mean of the groups, by hand.
    apart = rng.binomial(size, rate * rng.normal(1, 0.2, 600))
    assert group_overdispersion(group, apart, size) == pytest.approx(
        1 + 0.04 * np.mean(2000 * rate / (1 - rate)), rel=0.2
    )
    assert group_overdispersion([0], [3], [100]) == 1.0
    assert group_overdispersion([], [], []) == 1.0


def test_overdispersion_from_day_to_day() -> None:
    rng = np.random.default_rng(3)
    line, day = np.repeat(np.arange(40), 28), np.tile(np.arange(28), 40)
    size = np.full(40 * 28, 2500)
    rate = np.tile([0.004, 0.02], 20)[line]  # so that days of two lines are never taken for days of one
    order = rng.permutation(len(line))  # whatever the order of the rows

    def found(count: np.ndarray) -> float:
        return daily_overdispersion(line[order], day[order], count[order], size[order])

    assert found(rng.binomial(size, rate)) == pytest.approx(1.0, abs=0.15)
    # Strings of ten with a correlation of 0.1 within: 1 + 9 * 0.1 (Kish 1965, Survey Sampling, equation 5.4.2).
    in_strings = [rng.binomial(10, rng.beta(9 * p, 9 * (1 - p), 250)).sum() for p in rate]
    assert found(np.array(in_strings)) == pytest.approx(1.9, abs=0.2)
    # A lane that goes bad to three times its rate and stays so: the others' intervals are hardly wider.
    bad = rng.binomial(size, np.where((line % 8 == 3) & (day >= 14), 3 * rate, rate))
    assert found(bad) < 1.4
    assert group_overdispersion(line, bad, size) > 2.0
    assert daily_overdispersion([0, 1, 2], [0, 0, 0], [3, 5, 9], [100, 100, 100]) == 1.0
    assert daily_overdispersion([], [], [], []) == 1.0
