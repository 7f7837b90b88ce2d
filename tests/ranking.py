"""How well a score ranks cells: area under the curve, recall at a share of false alarms, intervals over panels.

Panels, not cells, are drawn again for an interval: cells of one panel look alike (Efron and Tibshirani 1993, ch. 8).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.statistics.operating import area_under_curve, recall_at

DRAWS = 1000
Scores = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Ranked:
    """Scores of one panel: of the cells looked for, and of the clean ones."""

    there: Scores
    clean: Scores


Figure = Callable[[Sequence[Ranked]], float]


def pooled_area(panels: Sequence[Ranked]) -> float:
    """Area under the curve over all cells together."""
    return area_under_curve(*_pooled(panels))


def area_within(panels: Sequence[Ranked]) -> float:
    """Area under the curve within panels, weighted by pairs."""
    pairs = [(panel.there, panel.clean) for panel in panels if panel.there.size and panel.clean.size]
    if not pairs:
        return float("nan")
    weights = [len(there) * len(clean) for there, clean in pairs]
    return float(np.average([area_under_curve(*pair) for pair in pairs], weights=weights))


def pooled_recall(false_alarms: float) -> Figure:
    """Return the figure 'recall at so large a share of false alarms', threshold set on all clean cells."""
    return lambda panels: recall_at(*_pooled(panels), false_alarms)


def worst_panel(panels: Sequence[Ranked], false_alarms: float, least_clean: int = 20) -> tuple[float, int]:
    """Return the largest share of clean cells of one panel above the pooled threshold, and that panel's index.

    Panels with fewer than `least_clean` clean cells say too little; (nan, -1) if there is no other.
    """
    threshold = np.quantile(_pooled(panels)[1], 1 - false_alarms)
    shares = [float((panel.clean > threshold).mean()) if panel.clean.size >= least_clean else -1.0 for panel in panels]
    worst = int(np.argmax(shares))
    return (shares[worst], worst) if shares[worst] >= 0 else (float("nan"), -1)


def interval(figure: Figure, panels: Sequence[Ranked]) -> tuple[float, float]:
    """Return the 95 % interval of a figure over panels drawn again."""
    return _interval([figure([panels[i] for i in drawn]) for drawn in _draws(len(panels))])


def paired_difference(
    figure: Figure, ours: Sequence[Ranked], theirs: Sequence[Ranked]
) -> tuple[float, tuple[float, float]]:
    """Return how much higher a figure is for one score than for another on the same cells, and its 95 % interval."""
    drawn = _draws(len(ours))
    differences = [figure([ours[i] for i in one]) - figure([theirs[i] for i in one]) for one in drawn]
    return figure(ours) - figure(theirs), _interval(differences)


def _pooled(panels: Sequence[Ranked]) -> tuple[Scores, Scores]:
    return np.concatenate([panel.there for panel in panels]), np.concatenate([panel.clean for panel in panels])


def _draws(n: int) -> NDArray[np.intp]:
    return np.random.default_rng(0).integers(0, n, (DRAWS, n))


def _interval(values: list[float]) -> tuple[float, float]:
    known = [value for value in values if np.isfinite(value)]
    if not known:
        return float("nan"), float("nan")
    low, high = np.quantile(known, [0.025, 0.975])
    return float(low), float(high)
