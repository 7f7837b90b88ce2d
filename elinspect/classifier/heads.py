"""Linear heads: from named evidence to a probability. Small enough to be read, and to be fitted on a station PC."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.float64]
"""Evidence, shape (n, names), columns in the order of the head's names."""

_MOST_CERTAIN = 1e-3
_MOST_DOUBTFUL = 0.1
"""Highest limit of doubt that is taken over by itself; a person may set a higher one."""


@dataclass(frozen=True, slots=True)
class LinearHead:
    """Probability = logistic(bias + sum of weight x evidence).

    Attributes
    ----------
    names : tuple of str
        What the evidence is, in order.
    weights : tuple of float
        One each.
    bias : float
        Logit where all evidence is 0.
    """

    names: tuple[str, ...]
    weights: tuple[float, ...]
    bias: float

    def __post_init__(self) -> None:
        if len(self.names) != len(self.weights):
            raise ValueError(f"{len(self.names)} names but {len(self.weights)} weights")

    def probability(self, evidence: Rows) -> NDArray[np.float64]:
        """Return the probability for each row, shape (n,)."""
        from scipy import special  # heavy to import; the window, which only names models, does without

        return np.asarray(special.expit(self.logit(evidence)))

    def logit(self, evidence: Rows) -> NDArray[np.float64]:
        """Return the logit for each row, shape (n,)."""
        return np.asarray(evidence @ np.asarray(self.weights) + self.bias)


def logit_of(score: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the logit of scores 0..1, the extremes cut off at one in a thousand."""
    from scipy import special

    return np.asarray(special.logit(np.clip(np.asarray(score, np.float64), _MOST_CERTAIN, 1 - _MOST_CERTAIN)))


def columns(names: Sequence[str], evidence: Mapping[str, NDArray[np.floating]]) -> Rows:
    """Put named evidence into the columns of a head.

    Raises
    ------
    KeyError
        If a name is missing: the head was made for other evidence.
    """
    return np.stack([np.asarray(evidence[name], np.float64) for name in names], axis=1)


def doubtful_limit(probability: NDArray[np.float64], kept: float) -> float:
    """Return the probability below which a finding is doubtful.

    Parameters
    ----------
    probability : ndarray, shape (n,)
        Of true findings.
    kept : float
        Share of them that must stay above, 0..1.
    """
    limit = min(float(np.quantile(probability, 1 - kept)), _MOST_DOUBTFUL)
    return float(np.floor(1000 * limit) / 1000)


def fit_head(
    names: Sequence[str],
    evidence: Rows,
    truth: NDArray[np.bool_],
    ridge: float = 1.0,
    start: LinearHead | None = None,
    weight: NDArray[np.float64] | None = None,
) -> LinearHead:
    """Fit a head by penalised maximum likelihood (logistic regression).

    Parameters
    ----------
    names : sequence of str
        Of the columns.
    evidence : ndarray, shape (n, names)
        Rows.
    truth : ndarray of bool, shape (n,)
        What is to be predicted.
    ridge : float
        Penalty on the squared distance of the weights, in units of each column's standard deviation, from `start`.
    start : LinearHead, optional
        Where the penalty pulls to: a head with the same names, or nothing (zero weights).
    weight : ndarray, shape (n,), optional
        Of the rows.

    Raises
    ------
    ValueError
        If `start` has other names, or truth has one class only.
    """
    from scipy import optimize, special

    if start is not None and start.names != tuple(names):
        raise ValueError("the head to start from has other names")
    if truth.all() or not truth.any():
        raise ValueError("both classes are needed to fit a head")
    scale = np.maximum(evidence.std(axis=0), 1e-6)
    centre = evidence.mean(axis=0)
    scaled = (evidence - centre) / scale
    pull = np.zeros(len(names)) if start is None else np.asarray(start.weights) * scale
    signs = np.where(truth, 1.0, -1.0)
    importance = np.ones(len(truth)) if weight is None else weight

    def cost(parameters: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        margin = signs * (scaled @ parameters[1:] + parameters[0])
        away = parameters[1:] - pull
        error = -importance * signs * special.expit(-margin)
        slopes = np.concatenate([[error.sum()], scaled.T @ error + ridge * away])
        return float((importance * np.logaddexp(0, -margin)).sum() + 0.5 * ridge * away @ away), slopes

    first = np.concatenate([[special.logit(np.clip(truth.mean(), 0.01, 0.99))], pull])
    found = optimize.minimize(cost, first, jac=True, method="L-BFGS-B").x
    weights = found[1:] / scale
    return LinearHead(tuple(names), tuple(float(w) for w in weights), float(found[0] - weights @ centre))


def calibration_error(probability: NDArray[np.float64], truth: NDArray[np.bool_], bins: int = 10) -> float:
    """Return the expected calibration error over bins of equal width.

    Naeini, Cooper, Hauskrecht 2015, 'Obtaining well calibrated probabilities using Bayesian binning', AAAI (definition
    from memory): mean over cells of the distance between predicted probability and observed share in its bin.
    """
    bin_of = np.minimum((probability * bins).astype(int), bins - 1)
    total = 0.0
    for number in range(bins):
        own = bin_of == number
        if own.any():
            total += own.sum() * abs(probability[own].mean() - truth[own].mean())
    return float(total / len(truth))
