"""Agreement between inspectors, with each other and with known truth.

The kappas are written out here, because statsmodels takes two seconds to import; tests compare with it.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from elinspect.statistics.intervals import exact


class Grade(StrEnum):
    """How an inspector's figures read."""

    ACCEPTABLE = "acceptable"
    MARGINAL = "marginal"
    NOT_ACCEPTABLE = "not_acceptable"


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement beyond chance.

    Attributes
    ----------
    value : float
        1 for full agreement, 0 for chance; nan where only one answer ever occurs.
    low, high : float
        95 % interval (asymptotic); nan where it cannot be given.
    n : int
        What was judged.
    """

    value: float
    low: float
    high: float
    n: int


def cohen(table: ArrayLike) -> Kappa:
    """Return Cohen's kappa of two inspectors, with its large-sample interval.

    Parameters
    ----------
    table : array_like, shape (answers, answers)
        Counts: rows are the first's answers, columns the second's.

    References
    ----------
    Cohen (1960), Educ. Psychol. Meas. 20:37, doi:10.1177/001316446002000104; variance: Fleiss, Cohen and Everitt
    (1969), Psychol. Bull. 72:323, doi:10.1037/h0028106.
    """
    counts = np.asarray(table, dtype=np.float64)
    n = int(counts.sum())
    if not n or np.isclose((counts.sum(0) @ counts.sum(1)) / n**2, 1.0):
        return Kappa(np.nan, np.nan, np.nan, n)
    p = counts / n
    first, second = p.sum(axis=1), p.sum(axis=0)
    chance = float(first @ second)
    kappa = float((np.trace(p) - chance) / (1 - chance))
    agreed = np.diag(p) * (1 - (first + second) * (1 - kappa)) ** 2
    apart = p * (second[:, None] + first[None, :]) ** 2
    np.fill_diagonal(apart, 0.0)
    spread = agreed.sum() + (1 - kappa) ** 2 * apart.sum() - (kappa - chance * (1 - kappa)) ** 2
    reach = float(ndtri(0.975) * np.sqrt(max(float(spread), 0.0) / n) / (1 - chance))
    return Kappa(kappa, kappa - reach, kappa + reach, n)


def fleiss(table: ArrayLike) -> float:
    """Return Fleiss' kappa of several inspectors.

    Parameters
    ----------
    table : array_like, shape (things, answers)
        How many inspectors gave each thing each answer; every thing as many, two or more.

    Returns
    -------
    float
        nan where only one answer ever occurs.

    References
    ----------
    Fleiss (1971), Psychol. Bull. 76:378, doi:10.1037/h0031619.
    """
    counts = np.asarray(table, dtype=np.float64)
    of_each = counts.sum(axis=1)
    agreed = float(np.mean((np.square(counts).sum(axis=1) - of_each) / (of_each * (of_each - 1))))
    shares = counts.sum(axis=0) / counts.sum()
    chance = float(shares @ shares)
    return (agreed - chance) / (1 - chance) if chance < 1 else float("nan")


@dataclass(frozen=True, slots=True)
class AgainstTruth:
    """An inspector against known truth.

    Attributes
    ----------
    n : int
        Judged things.
    effectiveness : float
        Share judged right.
    effectiveness_interval : tuple of float
        Exact, 95 %.
    miss_rate : float
        Share of the defective that was called good; nan without any.
    false_alarm_rate : float
        Share of the good that was called defective; nan without any.
    kappa : Kappa
        Agreement beyond chance.
    """

    n: int
    effectiveness: float
    effectiveness_interval: tuple[float, float]
    miss_rate: float
    false_alarm_rate: float
    kappa: Kappa

    @property
    def grade(self) -> Grade:
        """How the figures read (criteria table of AIAG MSA, 4th ed.); the worst of the three counts."""
        if np.isnan(self.miss_rate) or np.isnan(self.false_alarm_rate):
            return Grade.NOT_ACCEPTABLE
        figures = (self.effectiveness, self.miss_rate, self.false_alarm_rate)
        for grade, (right, miss, false) in _CRITERIA.items():
            if figures[0] >= right and figures[1] <= miss and figures[2] <= false:
                return grade
        return Grade.NOT_ACCEPTABLE


_CRITERIA = {Grade.ACCEPTABLE: (0.90, 0.02, 0.05), Grade.MARGINAL: (0.80, 0.05, 0.10)}


def against_truth(table: ArrayLike) -> AgainstTruth:
    """Compare an inspector with known truth.

    Parameters
    ----------
    table : array_like, shape (2, 2)
        Rows: called defective, called good; columns: is defective, is good.

    Raises
    ------
    ValueError
        If nothing was judged.
    """
    counts = np.asarray(table, dtype=np.float64)
    n = int(counts.sum())
    if not n:
        raise ValueError("nothing was judged")
    (hit, false), (miss, good) = counts
    right = hit + good
    return AgainstTruth(
        n,
        float(right / n),
        exact(right, n).at(0),
        float(miss / (hit + miss)) if hit + miss else float("nan"),
        float(false / (false + good)) if false + good else float("nan"),
        cohen(counts),
    )
