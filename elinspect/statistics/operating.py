"""How well scores separate: area under the curve, within groups, recall at a rate of false alarms, intervals by group.

Cells of one panel resemble each other, so that intervals come from drawing whole panels again, never single cells.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Scores = NDArray[np.floating]
Flags = NDArray[np.bool_]


def area_under_curve(positive: Scores, negative: Scores) -> float:
    """Return the probability that a positive scores above a negative, ties counting half; nan where one is missing.

    Hanley and McNeil 1982, Radiology 143:29-36: the area equals the Wilcoxon statistic.
    """
    if not len(positive) or not len(negative):
        return float("nan")
    ranks = stats.rankdata(np.concatenate([positive, negative]))
    n = len(positive)
    return float((ranks[:n].sum() - n * (n + 1) / 2) / (n * len(negative)))


def area_within(scores: Scores, truth: Flags, group: NDArray[np.intp]) -> float:
    """Return the area under the curve within groups, weighted by the pairs each group has; nan without any pair."""
    areas, pairs = [], []
    for own in (group == name for name in np.unique(group)):
        positive, negative = scores[own & truth], scores[own & ~truth]
        if len(positive) and len(negative):
            areas.append(area_under_curve(positive, negative))
            pairs.append(len(positive) * len(negative))
    return float(np.average(areas, weights=pairs)) if areas else float("nan")


def recall_at(positive: Scores, negative: Scores, false_alarms: float) -> float:
    """Return the share of positives above the score that so large a share of negatives exceeds."""
    if not len(positive) or not len(negative):
        return float("nan")
    return float((positive > np.quantile(negative, 1 - false_alarms)).mean())


def interval_over_groups(
    figure: Callable[[NDArray[np.intp]], float],
    group: NDArray[np.intp],
    rng: np.random.Generator,
    draws: int = 1000,
    level: float = 0.95,
) -> tuple[float, float]:
    """Return a percentile bootstrap interval of a figure, whole groups drawn with replacement.

    Parameters
    ----------
    figure : callable
        From row numbers (with repeats) to a figure; nan where it cannot be given, which leaves the draw out.
    group : ndarray of int, shape (n,)
        Group of each row.
    rng : numpy.random.Generator
        Draws.
    draws : int
        How often.
    level : float
        Of the interval.

    Returns
    -------
    tuple of float
        Lower and upper end; nan where no draw gave a figure.
    """
    rows_of: Sequence[NDArray[np.intp]] = [np.flatnonzero(group == name) for name in np.unique(group)]
    figures = []
    for _ in range(draws):
        picked = rng.integers(len(rows_of), size=len(rows_of))
        figures.append(figure(np.concatenate([rows_of[i] for i in picked])))
    kept = np.array(figures)[np.isfinite(figures)]
    if not kept.size:
        return float("nan"), float("nan")
    low, high = np.quantile(kept, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)
