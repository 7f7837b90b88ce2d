"""What a threshold on a flag's probability costs: false alarms kept against true flags let through."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class FlagCosts:
    """What each outcome costs, in the plant's money.

    Attributes
    ----------
    answer : float
        An inspector's look at one flag.
    false_rework : float
        A rework nobody needed: bench time, string or cell, the chance of a new crack.
    reworked_falsely : float
        Share of false flags that are reworked all the same, 0..1.
    escape : float
        A true flag that was let through, wherever it is caught later.
    """

    answer: float
    false_rework: float
    reworked_falsely: float
    escape: float

    def __post_init__(self) -> None:
        for name in ("answer", "false_rework", "escape"):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} must be 0 or more, not {getattr(self, name)}")
        if not 0 <= self.reworked_falsely <= 1:
            raise ValueError(f"reworked_falsely must lie in 0..1, not {self.reworked_falsely}")


@dataclass(frozen=True, slots=True)
class PointCost:
    """One threshold.

    Attributes
    ----------
    threshold : float
        Flags less probable reach no limit.
    kept_true, kept_false, escaped : int
        Flags.
    looking, false_rework, escapes : float
        What looking at the kept ones costs, what reworks of the false ones among them, and what those let through.
    """

    threshold: float
    kept_true: int
    kept_false: int
    escaped: int
    looking: float
    false_rework: float
    escapes: float

    @property
    def cost(self) -> float:
        """Of all of them together."""
        return self.looking + self.false_rework + self.escapes


def cost_curve(
    probability: NDArray[np.float64], true: NDArray[np.bool_], costs: FlagCosts, thresholds: Sequence[float]
) -> tuple[PointCost, ...]:
    """Return what each threshold would have cost on answered flags.

    Parameters
    ----------
    probability : ndarray, shape (n,)
        Of each flag, by the classifier.
    true : ndarray of bool, shape (n,)
        What the inspector answered.
    costs : FlagCosts
        Per outcome.
    thresholds : sequence of float
        To be tried.
    """
    points = []
    for threshold in thresholds:
        kept = probability >= threshold
        kept_true, kept_false = int((kept & true).sum()), int((kept & ~true).sum())
        escaped = int((~kept & true).sum())
        looking = costs.answer * (kept_true + kept_false)
        false_rework = costs.false_rework * costs.reworked_falsely * kept_false
        points.append(
            PointCost(float(threshold), kept_true, kept_false, escaped, looking, false_rework, costs.escape * escaped)
        )
    return tuple(points)


def cheapest(points: Sequence[PointCost]) -> PointCost:
    """Return the cheapest point; of equals the lowest threshold, which lets the least through."""
    return min(points, key=lambda point: (point.cost, point.threshold))
