"""Intervals against published values and against scipy and statsmodels."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from elinspect.statistics.intervals import exact, wilson


@pytest.mark.parametrize(
    ("count", "size", "low", "high", "corrected"),
    [
        # Newcombe (1998), Stat. Med. 17:857, Table I (values from memory, recomputed).
        (81, 263, 0.2553, 0.3662, False),
        (15, 148, 0.0624, 0.1605, False),
        (0, 20, 0.0000, 0.1611, False),
        (1, 29, 0.0061, 0.1718, False),
        (81, 263, 0.2535, 0.3682, True),
        (15, 148, 0.0598, 0.1644, True),
        (0, 20, 0.0000, 0.2005, True),
        (1, 29, 0.0018, 0.1963, True),
        # NIST/SEMATECH e-Handbook 7.2.4.1 (inputs read; two-sided limits recomputed).
        (26, 200, 0.0903, 0.1837, False),
    ],
)
def test_wilson_as_published(count: int, size: int, low: float, high: float, corrected: bool) -> None:
    found = wilson(count, size, corrected=corrected).at(0)
    assert found == pytest.approx((low, high), abs=5e-5)


def test_one_sided_wilson_as_published() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1: lower limit 0.09577 at 5 % (formula read, figure from memory, recomputed).
    assert wilson(26, 200, 0.90).at(0)[0] == pytest.approx(0.09577, abs=5e-6)


def test_exact_as_published() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.2: 4 of 20, 90 % (inputs read, limits from memory, recomputed).
    assert exact(4, 20, 0.90).at(0) == pytest.approx((0.071354, 0.401028), abs=5e-7)
    assert wilson(4, 20, 0.90).at(0) == pytest.approx((0.0931, 0.3784), abs=5e-5)


def test_no_defects_among_300() -> None:
    # One-sided 95 % upper limit 0.00994 (recomputed); the rule of three says 0.0100.
    assert exact(0, 300, 0.90).at(0) == pytest.approx((0.0, 0.00994), abs=5e-6)


@given(st.integers(0, 400), st.integers(1, 400), st.floats(0.5, 0.999))
def test_as_scipy_and_statsmodels(count: int, size: int, confidence: float) -> None:
    count = min(count, size)
    reference = binomtest(count, size)
    tolerance = {"rel": 1e-7, "abs": 1e-12}
    for method, ours in (("wilson", wilson(count, size, confidence)), ("exact", exact(count, size, confidence))):
        assert ours.at(0) == pytest.approx(tuple(reference.proportion_ci(confidence, method)), **tolerance)
        other = proportion_confint(count, size, 1 - confidence, {"wilson": "wilson", "exact": "beta"}[method])
        assert ours.at(0) == pytest.approx(tuple(other), **tolerance)


def test_nothing_is_known_of_an_empty_sample() -> None:
    assert wilson(0, 0).at(0) == (0.0, 1.0)
    assert exact([0, 1], [0, 1]).at(0) == (0.0, 1.0)


def test_more_defective_than_made_is_a_bug() -> None:
    with pytest.raises(ValueError, match=r"0\.\.size"):
        wilson(np.array([2]), np.array([1]))
