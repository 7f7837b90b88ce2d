"""Comparing rates: of groups, of two periods, of many things at once.

scipy.special is enough for all of them; scipy.stats would take a second to import.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, chdtri, gammaln

from elinspect.statistics.intervals import wilson

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two groups of a comparison.

    Attributes
    ----------
    first, second : int
        Index of the groups.
    difference : float
        Between their rates, without sign.
    critical : float
        What it must exceed to be called a difference.
    """

    first: int
    second: int
    difference: float
    critical: float

    @property
    def differs(self) -> bool:
        """Whether these two differ."""
        return self.difference > self.critical


@dataclass(frozen=True, slots=True)
class Homogeneity:
    """Whether groups have one rate.

    Attributes
    ----------
    chi_square : float
        Pearson's statistic.
    degrees : int
        Degrees of freedom.
    p_value : float
        Of the statistic.
    expected : ndarray
        Counts expected under one rate, as the table.
    """

    chi_square: float
    degrees: int
    p_value: float
    expected: FloatArray


def homogeneity(table: ArrayLike) -> Homogeneity:
    """Test a table of counts for independence of rows and columns (Pearson's chi-square, not corrected).

    Parameters
    ----------
    table : array_like, shape (rows, columns)
        Counts. Rows and columns of nothing but zeros are left out.

    Returns
    -------
    Homogeneity
        With a statistic of 0 and p 1 where fewer than two rows or columns are left.
    """
    counts = np.asarray(table, dtype=np.float64)
    counts = counts[counts.any(axis=1)][:, counts.any(axis=0)]
    if min(counts.shape, default=0) < 2:
        return Homogeneity(0.0, 0, 1.0, counts)
    rows, columns = counts.shape
    expected = np.outer(counts.sum(axis=1), counts.sum(axis=0)) / counts.sum()
    statistic, degrees = float((np.square(counts - expected) / expected).sum()), (rows - 1) * (columns - 1)
    return Homogeneity(statistic, degrees, float(chdtrc(degrees, statistic)), expected)


def rates_homogeneous(count: ArrayLike, size: ArrayLike) -> Homogeneity:
    """Test whether groups have one rate: `homogeneity` of defective and good."""
    defective, all_of_it = np.asarray(count, dtype=np.float64), np.asarray(size, dtype=np.float64)
    return homogeneity(np.stack([defective, all_of_it - defective]))


def marascuilo(count: ArrayLike, size: ArrayLike, alpha: float = 0.05) -> tuple[Pair, ...]:
    """Compare every pair of rates at a level that holds for all pairs together.

    A low p of `rates_homogeneous` alone names nobody; only a pair that exceeds its critical range does.

    Parameters
    ----------
    count, size : array_like, shape (groups,)
        Defective and all of each group, sizes above 0.
    alpha : float
        Level for all pairs together.

    References
    ----------
    Marascuilo (1966), Psychol. Bull. 65:280, doi:10.1037/h0023189; NIST/SEMATECH e-Handbook 7.4.7.4.
    """
    n = np.asarray(size, dtype=np.float64)
    p = np.asarray(count, dtype=np.float64) / n
    spread = p * (1 - p) / n
    root = float(np.sqrt(chdtri(len(p) - 1, alpha)))
    return tuple(
        Pair(i, j, float(abs(p[i] - p[j])), root * float(np.sqrt(spread[i] + spread[j])))
        for i in range(len(p))
        for j in range(i + 1, len(p))
    )


def proportion_z(count: int, size: int, target: float) -> float:
    """Return how far a rate lies above a target, in standard deviations under the target (NIST e-Handbook 7.2.4)."""
    return float((count / size - target) / np.sqrt(target * (1 - target) / size))


def discovery_adjusted(p_values: Sequence[float]) -> FloatArray:
    """Return p-values adjusted so that the share of false names in a list is bounded.

    For lists to look into only; an accusation needs the family-wise level of `commonality`.

    References
    ----------
    Benjamini and Hochberg (1995), J. R. Stat. Soc. B 57:289, doi:10.1111/j.2517-6161.1995.tb02031.x.
    """
    p = np.asarray(p_values, dtype=np.float64)
    falling = np.argsort(-p, kind="stable")
    ranks = np.arange(len(p), 0, -1)
    adjusted = np.empty(len(p))
    adjusted[falling] = np.minimum.accumulate(np.minimum(p[falling] * len(p) / ranks, 1.0))
    return adjusted


@dataclass(frozen=True, slots=True)
class TwoPeriods:
    """One rate in two periods.

    Attributes
    ----------
    first, second : float
        The rates; 0 for a period without cells.
    first_interval, second_interval : tuple of float
        Wilson, 95 %.
    p_value : float
        Two-sided, of no change.
    overdispersion : float
        Variance of the counts over that of independent cells; 1 where cells were taken as independent.
    """

    first: float
    second: float
    first_interval: tuple[float, float]
    second_interval: tuple[float, float]
    p_value: float
    overdispersion: float


_SMALL_EXPECTED = 5.0  # below, the normal approximation is not used (the usual rule, Cochran 1954)


def two_periods(first: tuple[int, int], second: tuple[int, int], overdispersion: float = 1.0) -> TwoPeriods:
    """Compare a rate between two periods.

    Parameters
    ----------
    first, second : (int, int)
        Defective cells and all cells of each period.
    overdispersion : float
        How much more counts vary than with independent cells, 1 or more; cells of one string are not independent.

    Returns
    -------
    TwoPeriods
        p from the chi-square statistic divided by the overdispersion; Fisher's exact test where an expected count is
        below 5 and cells are taken as independent.
    """
    (a, n), (b, m) = first, second
    factor = max(1.0, overdispersion)
    intervals = wilson([a / factor, b / factor], [n / factor, m / factor])
    rates = (a / n if n else 0.0, b / m if m else 0.0)
    return TwoPeriods(*rates, intervals.at(0), intervals.at(1), _two_p(a, n, b, m, factor), factor)


def _two_p(a: int, n: int, b: int, m: int, factor: float) -> float:
    if not n or not m or a + b in (0, n + m):
        return 1.0
    pooled = (a + b) / (n + m)
    if factor == 1.0 and min(n, m) * min(pooled, 1 - pooled) < _SMALL_EXPECTED:
        return fisher_p(a, n, b, m)
    return float(chdtrc(1, rates_homogeneous([a, b], [n, m]).chi_square / factor))


def fisher_p(a: int, n: int, b: int, m: int) -> float:
    """Return the two-sided p of Fisher's exact test: of all tables with these margins, those no likelier than this one.

    Parameters
    ----------
    a, n, b, m : int
        Defective cells and all cells, of one group and of the other.

    References
    ----------
    Fisher (1935), J. R. Stat. Soc. 98:39, doi:10.2307/2342435.
    """
    first = np.arange(max(0, a + b - m), min(n, a + b) + 1)
    log_ways = [_log_choose(n, first), _log_choose(m, a + b - first), -_log_choose(n + m, np.array(a + b))]
    chances = np.exp(np.sum(np.broadcast_arrays(*log_ways), axis=0))
    likelier = chances > chances[a - first[0]] * (1 + 1e-7)
    return float(min(chances[~likelier].sum(), 1.0))


def _log_choose(n: int, k: NDArray[np.int64]) -> FloatArray:
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))


def string_overdispersion(string_sizes: ArrayLike, string_counts: ArrayLike) -> float:
    """Return how much more the counts of strings vary than with independent cells, at least 1.

    It is Pearson's statistic over its degrees of freedom.

    Parameters
    ----------
    string_sizes, string_counts : array_like, shape (strings,)
        Cells and flagged cells of each string.

    References
    ----------
    McCullagh and Nelder (1989), Generalized Linear Models, 2nd ed., section 4.5.
    """
    n, x = np.asarray(string_sizes, dtype=np.float64), np.asarray(string_counts, dtype=np.float64)
    rate = x.sum() / n.sum() if n.sum() else 0.0
    if not 0 < rate < 1 or len(n) < 2:
        return 1.0
    statistic = float(np.sum((x - n * rate) ** 2 / (n * rate * (1 - rate))))
    return max(1.0, statistic / (len(n) - 1))


def daily_overdispersion(line: ArrayLike, day: ArrayLike, count: ArrayLike, size: ArrayLike) -> float:
    """Return how much more counts vary from one day to the next than with independent cells, at least 1.

    Each day of a line is compared with the line's day before: cells of one string, and strings of one day, fail
    together. A machine that goes bad and stays so adds one such step; against its mean over all days it would make the
    intervals of everybody wider, as with moving ranges in a control chart.

    Parameters
    ----------
    line, day : array_like of int, shape (points,)
        Which line of a table, and the day; each pair once.
    count, size : array_like, shape (points,)
        Flagged cells and all cells.

    References
    ----------
    von Neumann, Kent, Bellinson and Hart (1941), Ann. Math. Stat. 12:153, doi:10.1214/aoms/1177731746, with the
    squared differences in units of their binomial variance.
    """
    of, at = np.asarray(line, dtype=np.int64), np.asarray(day, dtype=np.int64)
    order = np.lexsort((at, of))
    x, n = np.asarray(count, dtype=np.float64)[order], np.asarray(size, dtype=np.float64)[order]
    follows = np.flatnonzero(np.diff(of[order]) == 0)
    (a, n_a), (b, n_b) = (x[follows], n[follows]), (x[follows + 1], n[follows + 1])
    rate = (a + b) / np.maximum(n_a + n_b, 1.0)
    told = (np.minimum(n_a, n_b) * rate >= 1) & (rate < 1)
    if not told.any():
        return 1.0
    difference = a[told] / n_a[told] - b[told] / n_b[told]
    variance = (rate * (1 - rate))[told] * (1 / n_a[told] + 1 / n_b[told])
    return max(1.0, float(np.mean(difference**2 / variance)))


def group_overdispersion(group: ArrayLike, count: ArrayLike, size: ArrayLike) -> float:
    """Return how much more counts vary within groups than with independent cells, at least 1.

    Pearson's statistic over its degrees of freedom, each group with a rate of its own; points of which less than one is
    expected are left out, since they say little and could say much.

    Parameters
    ----------
    group : array_like of int, shape (points,)
        From 0.
    count, size : array_like, shape (points,)
        Flagged cells and all cells of each point.

    References
    ----------
    McCullagh and Nelder (1989), Generalized Linear Models, 2nd ed., section 4.5.
    """
    of = np.asarray(group, dtype=np.int64)
    x, n = np.asarray(count, dtype=np.float64), np.asarray(size, dtype=np.float64)
    totals = [np.bincount(of, values) for values in (x, n)]
    rate = (totals[0] / np.maximum(totals[1], 1.0))[of]
    told = (n * rate >= 1) & (rate < 1)
    degrees = int(told.sum()) - len(np.unique(of[told]))
    if degrees < 1:
        return 1.0
    statistic = np.sum((x - n * rate)[told] ** 2 / (n * rate * (1 - rate))[told])
    return max(1.0, float(statistic) / degrees)
