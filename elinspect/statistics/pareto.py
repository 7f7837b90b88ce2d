"""The Pareto: what occurs most, and how much of everything it makes up together with what occurs more."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)


class GroupBy(StrEnum):
    """What the lines of a Pareto are."""

    KIND = "kind"
    STRINGER = "stringer"
    LANE = "lane"
    CELL_SUPPLIER = "cell_supplier"
    CELL_LOT = "cell_lot"
    PRODUCT = "product"
    DAY = "day"


class CountOf(StrEnum):
    """What a Pareto counts."""

    CONFIRMED = "confirmed"
    PROPOSED = "proposed"


@dataclass(frozen=True, slots=True)
class ParetoRow(Generic[Key]):
    """One line of a Pareto.

    Attributes
    ----------
    key : hashable
        What was counted.
    count : int
        How often.
    share : float
        Of all counts, 0..1.
    cumulative_share : float
        Share of this line and all above it, 0..1.
    """

    key: Key
    count: int
    share: float
    cumulative_share: float


def pareto(counts: Mapping[Key, int]) -> tuple[ParetoRow[Key], ...]:
    """Order counts from the largest and add them up.

    Parameters
    ----------
    counts : mapping from key to int
        Not negative. Equal counts keep the order given.

    Returns
    -------
    tuple of ParetoRow
        Empty for no counts; with nothing but zeros all shares are 0.

    Raises
    ------
    ValueError
        If a count is negative.
    """
    if any(count < 0 for count in counts.values()):
        raise ValueError("a count cannot be negative")
    total = sum(counts.values())
    rows = []
    running = 0
    for key, count in sorted(counts.items(), key=lambda item: -item[1]):
        running += count
        rows.append(ParetoRow(key, count, count / total if total else 0.0, running / total if total else 0.0))
    return tuple(rows)
