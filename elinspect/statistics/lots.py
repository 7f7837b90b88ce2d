"""Cell lot against machine: which of the two the flags follow, and whether that can be told at all."""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from elinspect.statistics.commonality import FAMILY_LEVEL, SearchResult, search
from elinspect.statistics.strings_made import UNKNOWN, FlaggedCells, IntArray, StringsMade
from elinspect.statistics.suspects import Node

FOR_MACHINES = 0.8
"""Part of the level that the search for a machine or person has; the rest is for lots. Plant's choice."""
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
        Search for the machine place, operator, lay-up or bussing machine, within the same lots.
    lot : SearchResult or None
        Search for the lot, within the same lanes; the best node's `lane` is the lot's code. None where a machine is
        found.
    across_lots : SearchResult or None
        Search for the machine place over all lots; accuses nobody by itself. None where a machine is found.
    alone : float
        Share of the strings of the suspect lane whose lot no other lane used at that time.
    """

    finding: Finding
    machine: SearchResult
    lot: SearchResult | None = None
    across_lots: SearchResult | None = None
    alone: float = 0.0

    @property
    def suspect(self) -> Node | None:
        """Who is accused, or cannot be separated from lots or from others."""
        if self.machine.found:
            return self.machine.best
        return self.across_lots.best if self.finding is Finding.CANNOT_BE_SEPARATED and self.across_lots else None

    @property
    def decisive(self) -> SearchResult:
        """The search the finding rests on."""
        chosen = {Finding.LOT: self.lot, Finding.CANNOT_BE_SEPARATED: self.across_lots}.get(self.finding)
        return chosen if chosen is not None else self.machine


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
    made, flagged, stringer_of_lane, rng, permutations
        As for `search`.
    supplier_of_lot : ndarray of int, shape (lots,)
        Code of the supplier of each lot.
    level : float
        For machines, people and lots together (`FOR_MACHINES`).
    """
    for_machines = {"level": FOR_MACHINES * level, "permutations": permutations}
    machine = search(made, flagged, stringer_of_lane, rng, **for_machines)  # type: ignore[arg-type]
    if machine.found:
        return Separated(Finding.CANNOT_BE_SEPARATED if machine.rivals else Finding.MACHINE, machine)
    for_lots = (1 - FOR_MACHINES) * level
    lot = search(*_lots_for_lanes(made, flagged), supplier_of_lot, rng, level=for_lots, permutations=permutations)
    across = search(made, flagged, stringer_of_lane, rng, within_lots=False, **for_machines)  # type: ignore[arg-type]
    alone = _alone(made, across)
    if across.found and alone > MOST_ALONE:
        finding = Finding.CANNOT_BE_SEPARATED
    elif lot.found:
        finding = Finding.LOT
    else:
        finding = Finding.NOTHING
    return Separated(finding, machine, lot, across, alone)


def _lots_for_lanes(made: StringsMade, flagged: FlaggedCells) -> tuple[StringsMade, FlaggedCells]:
    """Let lots and lanes change their parts; lots have no positions."""
    known, flagged_known = made.lot != UNKNOWN, flagged.lot != UNKNOWN
    lots = replace(made, lane=made.lot, lot=made.lane, beside=()).chosen(known)
    nowhere = np.zeros_like(flagged.position)
    cells = replace(flagged, lane=flagged.lot, lot=flagged.lane, position=nowhere, place=nowhere - 1, beside=())
    return lots, cells.chosen(flagged_known)


def _alone(made: StringsMade, found: SearchResult) -> float:
    """Return how much of a suspect's strings share their lot with no other lane at the time."""
    node = found.best
    if node is None or node.lane < 0:
        return 0.0
    recent = made.chosen((made.block >= found.first_block[node.span]) & (made.lot != UNKNOWN))
    _, group = np.unique(np.stack([recent.block, recent.stratum, recent.lot]), axis=1, return_inverse=True)
    mine = recent.lane == node.lane
    n = int(group.max(initial=-1)) + 1
    own, everybody = np.bincount(group, recent.strings * mine, n), np.bincount(group, recent.strings, n)
    return float(own[own == everybody].sum() / own.sum()) if own.sum() else 0.0
