"""Cell lot against machine: which of the two the flags follow, and whether that can be told at all."""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from elinspect.statistics.commonality import FAMILY_LEVEL, Level, Node, SearchResult, search
from elinspect.statistics.strings_made import UNKNOWN, FlaggedCells, IntArray, StringsMade

MOST_ALONE = 0.5
"""Share of a lane's strings that it alone made from their lot, from which the two count as one. Plant's choice."""


class Finding(StrEnum):
    """What a commonality analysis says."""

    MACHINE = "machine"
    LOT = "lot"
    CANNOT_BE_SEPARATED = "cannot_be_separated"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Separated:
    """What the flags follow.

    Attributes
    ----------
    finding : Finding
        The answer.
    machine : SearchResult
        Search for the machine place, within the same lots.
    lot : SearchResult
        Search for the lot, within the same lanes; the best node's `lane` is the lot's code.
    across_lots : SearchResult
        Search for the machine place over all lots; accuses nobody by itself.
    alone : float
        Share of the strings of the suspect lane whose lot no other lane used at that time.
    """

    finding: Finding
    machine: SearchResult
    lot: SearchResult
    across_lots: SearchResult
    alone: float

    @property
    def suspect(self) -> Node | None:
        """The machine place that is accused, or cannot be separated from its lots."""
        if self.finding is Finding.MACHINE:
            return self.machine.best
        return self.across_lots.best if self.finding is Finding.CANNOT_BE_SEPARATED else None


def lot_or_machine(
    made: StringsMade,
    flagged: FlaggedCells,
    stringer_of_lane: IntArray,
    supplier_of_lot: IntArray,
    rng: np.random.Generator,
    *,
    level: float = FAMILY_LEVEL,
    permutations: int = 1999,
) -> Separated:
    """Search for machine places within lots, for lots within lanes, and compare.

    Parameters
    ----------
    made, flagged, stringer_of_lane, rng, level, permutations
        As for `search`; the level holds for machines, and again for lots.
    supplier_of_lot : ndarray of int, shape (lots,)
        Code of the supplier of each lot.
    """
    options = {"level": level, "permutations": permutations}
    machine = search(made, flagged, stringer_of_lane, rng, **options)  # type: ignore[arg-type]
    lot = search(*_lots_for_lanes(made, flagged), supplier_of_lot, rng, **options)  # type: ignore[arg-type]
    across = search(made, flagged, stringer_of_lane, rng, within_lots=False, **options)  # type: ignore[arg-type]
    alone = _alone(made, across)
    if machine.accused is not None:
        finding = Finding.MACHINE
    elif across.accused is not None and alone > MOST_ALONE:
        finding = Finding.CANNOT_BE_SEPARATED
    elif lot.accused is not None:
        finding = Finding.LOT
    else:
        finding = Finding.NOTHING
    return Separated(finding, machine, lot, across, alone)


def _lots_for_lanes(made: StringsMade, flagged: FlaggedCells) -> tuple[StringsMade, FlaggedCells]:
    """Let lots and lanes change their parts; lots have no positions."""
    known, flagged_known = made.lot != UNKNOWN, flagged.lot != UNKNOWN
    lots = replace(made, lane=made.lot, lot=made.lane).chosen(known)
    nowhere = np.zeros_like(flagged.position)
    cells = replace(flagged, lane=flagged.lot, lot=flagged.lane, position=nowhere, place=nowhere - 1)
    return lots, cells.chosen(flagged_known)


def _alone(made: StringsMade, found: SearchResult) -> float:
    """Return how much of a suspect's strings share their lot with no other lane at the time."""
    node = found.best
    if node is None or node.level is Level.STRINGER:
        return 0.0
    recent = made.chosen((made.block >= found.first_block[node.span]) & (made.lot != UNKNOWN))
    _, group = np.unique(np.stack([recent.block, recent.stratum, recent.lot]), axis=1, return_inverse=True)
    mine = recent.lane == node.lane
    n = int(group.max(initial=-1)) + 1
    own, everybody = np.bincount(group, recent.strings * mine, n), np.bincount(group, recent.strings, n)
    return float(own[own == everybody].sum() / own.sum()) if own.sum() else 0.0
