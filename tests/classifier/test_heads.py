"""Linear heads against scikit-free references: hand-checked values, scipy, and what a head must never do."""

import numpy as np
import pytest
from scipy import special

from elinspect.classifier.heads import LinearHead, calibration_error, columns, doubtful_limit, fit_head, logit_of


def test_probability_by_hand() -> None:
    head = LinearHead(("a", "b"), (2.0, -1.0), 0.5)
    rows = columns(head.names, {"b": np.array([0.5, 3.0]), "a": np.array([0.0, 1.0]), "unused": np.zeros(2)})
    # 0.5 - 0.5 = 0 -> 1/2; 0.5 + 2 - 3 = -0.5 -> 1 / (1 + e^0.5)
    assert head.probability(rows) == pytest.approx([0.5, 1 / (1 + np.exp(0.5))])


def test_the_limit_of_doubt_keeps_the_share_that_was_asked_for_and_is_never_high() -> None:
    probability = np.linspace(0.0, 1.0, 1001)
    assert (probability >= doubtful_limit(probability, 0.95)).mean() == pytest.approx(0.95, abs=0.002)
    assert doubtful_limit(np.full(50, 0.9), 0.99) == 0.1


def test_missing_evidence_is_refused() -> None:
    with pytest.raises(KeyError):
        columns(("a", "b"), {"a": np.zeros(2)})
    with pytest.raises(ValueError, match="2 names but 1 weights"):
        LinearHead(("a", "b"), (1.0,), 0.0)


def test_a_fit_finds_the_weights_that_made_the_truth() -> None:
    rng = np.random.default_rng(1)
    rows = rng.normal((3.0, -5.0), (1.0, 10.0), (20_000, 2))
    truth = rng.random(len(rows)) < special.expit(rows @ (1.5, -0.2) - 5.0)
    head = fit_head(("a", "b"), rows, truth, ridge=1e-6)
    assert head.weights == pytest.approx((1.5, -0.2), rel=0.06)
    assert head.bias == pytest.approx(-5.0, rel=0.06)
    assert calibration_error(head.probability(rows), truth) < 0.01


def test_with_hardly_any_rows_the_fit_stays_where_it_started() -> None:
    start = LinearHead(("a",), (2.0,), 0.0)
    rows = np.array([[1.0], [-1.0], [0.5]])
    head = fit_head(("a",), rows, np.array([False, True, False]), ridge=1e6, start=start)
    assert head.weights == pytest.approx((2.0,), abs=1e-3)
    with pytest.raises(ValueError, match="other names"):
        fit_head(("b",), rows, np.array([False, True, False]), start=start)
    with pytest.raises(ValueError, match="both classes"):
        fit_head(("a",), rows, np.ones(3, bool))


def test_logits_stop_at_one_in_a_thousand() -> None:
    assert logit_of(np.array([0.0, 0.5, 1.0])) == pytest.approx([-np.log(999), 0.0, np.log(999)])


def test_calibration_error_by_hand() -> None:
    # Bin 0.2-0.3: said 0.25, seen 1 of 4: no error. Bin 0.9-1: said 0.95, seen 1 of 2: 0.45 for 2 of 6 cells.
    probability = np.array([0.25, 0.25, 0.25, 0.25, 0.95, 0.95])
    truth = np.array([True, False, False, False, True, False])
    assert calibration_error(probability, truth) == pytest.approx(0.45 * 2 / 6)
