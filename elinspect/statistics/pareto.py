"""The Pareto: what occurs most, and how much of everything it makes up together with what occurs more."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Generic, TypeVar

from elinspect.records import Kind

Key = TypeVar("Key", bound=Hashable)


class GroupBy(StrEnum):
    """What the lines of a Pareto are."""

    KIND = "kind"
    STRINGER = "stringer"
    LANE = "lane"
    POSITION = "position"
    CELL_SUPPLIER = "cell_supplier"
    CELL_LOT = "cell_lot"
    RIBBON_LOT = "ribbon_lot"
    OPERATOR = "operator"
    SHIFT = "shift"
    PRODUCT = "product"
    DAY = "day"
    ORIGIN = "origin"
    ATTEMPT = "attempt"
    REASON = "reason"


class CountOf(StrEnum):
    """What a Pareto counts."""

    CONFIRMED = "confirmed"
    PROPOSED = "proposed"


class Measure(StrEnum):
    """What the lines of a Pareto are ordered by."""

    CELLS = "cells"
    FLAGS = "flags"
    PANELS = "panels"
    PER_MILLION = "per_million"
    WATTS = "watts"
    COST = "cost"


class Origin(StrEnum):
    """Where in the making a kind of flag usually comes from.

    Common practice, no source: a guess from the kind alone; the commonality analysis is what tells.
    """

    INCOMING_CELL = "incoming_cell"
    STRINGER = "stringer"
    LAYUP_OR_BUSSING = "layup_or_bussing"
    BENCH = "bench"
    IMAGE_OR_CONTACT = "image_or_contact"
    NOT_KNOWN = "not_known"


USUAL_ORIGIN: Mapping[Kind, Origin] = {
    Kind.CRACK: Origin.STRINGER,
    Kind.INACTIVE_AREA: Origin.STRINGER,
    Kind.DARK_CELL: Origin.INCOMING_CELL,
    Kind.FINGER_INTERRUPTION: Origin.INCOMING_CELL,
    Kind.SOLDER_FAULT: Origin.STRINGER,
    Kind.RIBBON_OFFSET: Origin.STRINGER,
    Kind.CHIPPED_CELL: Origin.STRINGER,
    Kind.MISPLACED_CELL: Origin.STRINGER,
    Kind.REVERSED_CELL: Origin.STRINGER,
    Kind.FOREIGN_BODY: Origin.LAYUP_OR_BUSSING,
    Kind.MATERIAL_PATTERN: Origin.INCOMING_CELL,
    Kind.DARK_STRING: Origin.LAYUP_OR_BUSSING,
    Kind.BRIDGED_STRING: Origin.LAYUP_OR_BUSSING,
    Kind.OPEN_CIRCUIT: Origin.IMAGE_OR_CONTACT,
    Kind.BUSSING_JOINT_FAULT: Origin.LAYUP_OR_BUSSING,
    Kind.OTHER: Origin.NOT_KNOWN,
}


@dataclass(frozen=True, slots=True)
class ParetoRow(Generic[Key]):
    """One line of a Pareto.

    Attributes
    ----------
    key : hashable
        What was counted.
    count : float
        How often, or how much.
    share : float
        Of all counts, 0..1.
    cumulative_share : float
        Share of this line and all above it, 0..1.
    """

    key: Key
    count: float
    share: float
    cumulative_share: float


def pareto(counts: Mapping[Key, float]) -> tuple[ParetoRow[Key], ...]:
    """Order counts from the largest and add them up.

    Parameters
    ----------
    counts : mapping from key to number
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
    running = 0.0
    for key, count in sorted(counts.items(), key=lambda item: -item[1]):
        running += count
        rows.append(ParetoRow(key, count, count / total if total else 0.0, running / total if total else 0.0))
    return tuple(rows)
