"""Agreement against published tables."""

import numpy as np
import pytest
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

from elinspect.statistics.agreement import AgainstTruth, Grade, against_truth, cohen, fleiss
from elinspect.statistics.intervals import exact


def test_cohen_of_a_textbook_table() -> None:
    # Textbook example (values from memory, recomputed).
    assert cohen([[20, 5], [10, 15]]).value == pytest.approx(0.400)


def test_cohen_of_three_answers() -> None:
    # Cohen (1960) type of table, as in the documentation of R (read there, recomputed).
    found = cohen([[44, 5, 1], [7, 20, 3], [9, 5, 6]])
    assert (found.value, found.low, found.high) == pytest.approx((0.4915, 0.350, 0.633), abs=6e-4)
    assert found.n == 100


def test_kappas_as_in_statsmodels() -> None:
    rng = np.random.default_rng(4)
    for answers in (2, 3, 5):
        for _ in range(20):
            table = rng.integers(0, 30, (answers, answers)) + 15 * np.eye(answers, dtype=int)
            own, known = cohen(table), cohens_kappa(table)
            assert (own.value, own.low, own.high) == pytest.approx((known.kappa, known.kappa_low, known.kappa_upp))
            votes = rng.multinomial(6, rng.dirichlet(np.ones(answers)), 30)
            assert fleiss(votes) == pytest.approx(fleiss_kappa(votes, method="fleiss"))
    assert np.isnan(fleiss([[3, 0], [3, 0]]))


def test_fleiss_as_published() -> None:
    # Encyclopedia example after Fleiss (1971): 10 subjects, 14 raters (values from memory, recomputed).
    table = [
        [0, 0, 0, 0, 14],
        [0, 2, 6, 4, 2],
        [0, 0, 3, 5, 6],
        [0, 3, 9, 2, 0],
        [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0],
        [3, 2, 6, 3, 0],
        [2, 5, 3, 2, 2],
        [6, 5, 2, 1, 0],
        [0, 2, 2, 3, 7],
    ]
    assert fleiss(table) == pytest.approx(0.20993, abs=5e-6)


# AIAG, Measurement Systems Analysis, 4th ed., p. 134: 50 parts, 3 appraisers, 3 trials each. The design and the counts
# 42, 45 and 40 of 50 were read, the cross tables are from memory, all figures recomputed.
@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        ([[44, 6], [3, 97]], 0.86),
        ([[42, 5], [9, 94]], 0.79),
        ([[43, 7], [8, 92]], 0.78),
        ([[45, 5], [3, 97]], 0.88),
        ([[45, 2], [3, 100]], 0.92),
        ([[42, 9], [6, 93]], 0.77),
    ],
)
def test_attribute_agreement_as_published(table: list[list[int]], kappa: float) -> None:
    assert cohen(table).value == pytest.approx(kappa, abs=5e-3)


@pytest.mark.parametrize(
    ("table", "miss", "false"),
    [
        ([[45, 5], [3, 97]], 0.063, 0.049),
        ([[45, 2], [3, 100]], 0.063, 0.020),
        ([[42, 9], [6, 93]], 0.125, 0.088),
    ],
)
def test_misses_and_false_alarms_as_published(table: list[list[int]], miss: float, false: float) -> None:
    found = against_truth(table)
    assert (found.miss_rate, found.false_alarm_rate) == pytest.approx((miss, false), abs=6e-4)


@pytest.mark.parametrize(("agreed", "low", "high"), [(42, 0.709, 0.928), (45, 0.782, 0.967), (40, 0.663, 0.900)])
def test_agreement_of_all_trials_as_published(agreed: int, low: float, high: float) -> None:
    assert exact(agreed, 50).at(0) == pytest.approx((low, high), abs=6e-4)


@pytest.mark.parametrize(
    ("right", "miss", "false", "grade"),
    [
        # Criteria table of AIAG MSA (read in a training deck).
        (0.90, 0.02, 0.05, Grade.ACCEPTABLE),
        (0.89, 0.02, 0.05, Grade.MARGINAL),
        (0.95, 0.05, 0.10, Grade.MARGINAL),
        (0.95, 0.06, 0.01, Grade.NOT_ACCEPTABLE),
        (0.79, 0.01, 0.01, Grade.NOT_ACCEPTABLE),
        (0.95, float("nan"), 0.01, Grade.NOT_ACCEPTABLE),
    ],
)
def test_grades(right: float, miss: float, false: float, grade: Grade) -> None:
    assert AgainstTruth(100, right, (0.0, 1.0), miss, false, cohen([[1, 1], [1, 1]])).grade is grade


def test_a_single_answer_says_nothing() -> None:
    assert np.isnan(cohen([[5, 0], [0, 0]]).value)
    with pytest.raises(ValueError, match="nothing"):
        against_truth([[0, 0], [0, 0]])
