"""Predicted against measured losses of finished modules, compared in groups of like modules.

A module's own power without its flags is not known; that of its neighbours is. So losses are measured against the mean
of the modules without a predicted loss in the same group, and a difference is said only together with the smallest one
that such groups could show.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean, variance

FEWEST = 2
"""Modules on either side of a comparison, below which a group says nothing: one has no spread."""

_TWO_SIDED_5, _POWER_80 = 1.959964, 0.841621
"""Normal quantiles for a two-sided error of 5 % and a power of 80 %, the usual choices."""


@dataclass(frozen=True, slots=True)
class MeasuredPanel:
    """One finished module.

    Attributes
    ----------
    group : tuple of str
        Product, cell class, tester, shift: only modules alike in all of them are compared.
    predicted_w : float
        Loss by its flags.
    power_w : float
        As flashed.
    """

    group: tuple[str, str, str, str]
    predicted_w: float
    power_w: float


@dataclass(frozen=True, slots=True)
class GroupComparison:
    """One group.

    Attributes
    ----------
    group : tuple of str
        Product, cell class, tester, shift.
    without, with_loss : int
        Modules without and with a predicted loss.
    predicted_w, measured_w : float
        Mean loss of those with one.
    standard_error_w : float
        Of the measured mean.
    smallest_detectable_w : float
        Difference that such a comparison would show in four of five cases, at an error of 5 %.
    """

    group: tuple[str, str, str, str]
    without: int
    with_loss: int
    predicted_w: float
    measured_w: float
    standard_error_w: float
    smallest_detectable_w: float


@dataclass(frozen=True, slots=True)
class LossComparison:
    """All groups together.

    Attributes
    ----------
    groups : tuple of GroupComparison
        Those that had enough modules on both sides.
    left_out : int
        Modules in groups too small to compare.
    range_w : (float, float) or None
        Smallest and largest predicted loss among the compared: nothing is said outside. None if nothing was compared.
    difference_w, standard_error_w : float or None
        Measured less predicted loss, groups weighted by how well they know it.
    smallest_detectable_w : float or None
        Of all groups together.
    """

    groups: tuple[GroupComparison, ...]
    left_out: int
    range_w: tuple[float, float] | None
    difference_w: float | None
    standard_error_w: float | None
    smallest_detectable_w: float | None

    @property
    def differs(self) -> bool:
        """Whether measured and predicted losses differ by more than chance, at an error of 5 %."""
        if self.difference_w is None or self.standard_error_w is None:
            return False
        return abs(self.difference_w) > _TWO_SIDED_5 * self.standard_error_w


def smallest_detectable(spread: float, first: int, second: int) -> float:
    """Return the difference of two means that is found in four of five cases at a two-sided error of 5 %.

    Parameters
    ----------
    spread : float
        Standard deviation within both sides.
    first, second : int
        How many on either side; normal approximation.
    """
    return (_TWO_SIDED_5 + _POWER_80) * spread * math.sqrt(1 / first + 1 / second)


def compare_losses(panels: Iterable[MeasuredPanel], least_w: float) -> LossComparison:
    """Compare predicted with measured losses.

    Parameters
    ----------
    panels : iterable of MeasuredPanel
        Modules that were really laminated and flashed.
    least_w : float
        Predicted loss from which a module counts as one with a loss; those below are the reference.
    """
    by_group: dict[tuple[str, str, str, str], list[MeasuredPanel]] = defaultdict(list)
    for panel in panels:
        by_group[panel.group].append(panel)
    groups, compared, left_out = [], [], 0
    for group, members in sorted(by_group.items()):
        reference = [panel for panel in members if panel.predicted_w < least_w]
        lossy = [panel for panel in members if panel.predicted_w >= least_w]
        if min(len(reference), len(lossy)) < FEWEST:
            left_out += len(members)
            continue
        groups.append(_compared(group, reference, lossy))
        compared += lossy
    if not groups:
        return LossComparison((), left_out, None, None, None, None)
    weights = [1 / max(group.standard_error_w, 1e-9) ** 2 for group in groups]
    total = sum(weights)
    gaps = [group.measured_w - group.predicted_w for group in groups]
    difference = sum(weight * gap for weight, gap in zip(weights, gaps, strict=True)) / total
    error = math.sqrt(1 / total)
    predicted = [panel.predicted_w for panel in compared]
    smallest = (_TWO_SIDED_5 + _POWER_80) * error
    return LossComparison(tuple(groups), left_out, (min(predicted), max(predicted)), difference, error, smallest)


def _compared(
    group: tuple[str, str, str, str], reference: Sequence[MeasuredPanel], lossy: Sequence[MeasuredPanel]
) -> GroupComparison:
    usual = fmean(panel.power_w for panel in reference)
    # What spreads in the lossy ones beside their predicted loss is what spreads in all of them.
    without_loss = [panel.power_w + panel.predicted_w for panel in lossy]
    n, m = len(reference), len(lossy)
    pooled = (n - 1) * variance([panel.power_w for panel in reference]) + (m - 1) * variance(without_loss)
    spread = math.sqrt(pooled / (n + m - 2))
    return GroupComparison(
        group,
        n,
        m,
        fmean(panel.predicted_w for panel in lossy),
        usual - fmean(panel.power_w for panel in lossy),
        spread * math.sqrt(1 / n + 1 / m),
        smallest_detectable(spread, n, m),
    )
