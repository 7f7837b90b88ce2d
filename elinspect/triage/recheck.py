"""A new attempt laid over the one before: what is gone, still there or new, and whether it is the same panel."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from elinspect.catalogue import Message
from elinspect.frames import address_of, cell_index
from elinspect.geometry import PanelMatch, Rematch, rematched
from elinspect.recipe import write_address
from elinspect.records import (
    Address,
    AddressScheme,
    Disposition,
    Flag,
    Layout,
    Outcome,
    PanelResult,
    Points,
    Proposal,
    Recheck,
    RecheckedFlag,
    ReworkAction,
    ReworkPlan,
    ReworkStep,
)

SAME_PLACE = 0.25
"""How far the middle of a flag may lie from the earlier one's, in widths of the cell, to be the same one; common
practice, no source: two marks of one kind in one quarter of a cell are told as one."""

_Place = tuple[int | None, int | None]


@dataclass(frozen=True, slots=True)
class Replaced:
    """Which cells should be new.

    Attributes
    ----------
    cells : frozenset of int
        Indices of cells that may look other than before.
    must : frozenset of int
        Those of them that must.
    logged : bool
        False if the bench logged nothing and the plan stands in for it.
    """

    cells: frozenset[int]
    must: frozenset[int]
    logged: bool = True


def recheck(
    before: PanelResult,
    confirmed: Sequence[Flag],
    after: PanelResult,
    replaced: Replaced,
) -> Recheck:
    """Lay a new attempt over the one before.

    Parameters
    ----------
    before, after : PanelResult
        The two inspections, of the same layout.
    confirmed : sequence of Flag
        Flags of the earlier one that stood when rework was decided.
    replaced : Replaced
        The cells that should be new.

    Returns
    -------
    Recheck
        Every earlier flag answered, new flags marked, damage beside the reworked places called out.
    """
    taken: set[str] = set()
    answered = []
    for flag in confirmed:
        outcome, now = _outcome(flag, before, after, taken)
        if now is not None:
            taken.add(now)
        answered.append(RecheckedFlag(flag.id, flag.kind, flag.string, flag.position, outcome, now))
    known = _places_of(before.flags)
    new = tuple(
        flag
        for flag in after.flags
        if flag.counts and flag.id not in taken and (flag.kind, flag.string, flag.position) not in known
    )
    reworked = {(flag.string, flag.position) for flag in confirmed} | {
        _place(address_of(after.panel.layout, index)) for index in replaced.cells
    }
    beside = tuple(flag.id for flag in new if _beside((flag.string, flag.position), reworked))
    match = _match(before, after, replaced)
    verdict = _verdict(match, replaced)
    return Recheck(
        before.attempt,
        tuple(answered),
        tuple(flag.id for flag in new),
        beside,
        verdict.value if verdict is not None else None,
        tuple(_match_messages(match, verdict, after, replaced) + _flag_messages(answered, new, beside, after)),
    )


def belongs_not(found: Recheck) -> bool:
    """Whether the fingerprints say that image and serial do not belong together, or another place was replaced."""
    return found.match in (PanelMatch.NOT_THIS_PANEL, PanelMatch.TURNED, PanelMatch.NOT_AS_REPLACED)


def with_recheck(after: PanelResult, found: Recheck) -> PanelResult:
    """Return the new result with what was found: held and not to be released where the fingerprints do not fit."""
    if not belongs_not(found):
        reasons = (*after.proposal.reasons, *found.messages)
        return replace(after, recheck=found, proposal=replace(after.proposal, reasons=reasons))
    first = found.messages[0]
    hold = ReworkStep(ReworkAction.HOLD, None, None, (), first)
    left = after.rework.reworks_left if after.rework is not None else 0
    return replace(
        after,
        recheck=found,
        quality=replace(after.quality, usable=False, notes=(*after.quality.notes, first)),
        proposal=Proposal(Disposition.HOLD, (*found.messages, *after.proposal.reasons)),
        rework=ReworkPlan((hold,), None, left),
    )


def _outcome(flag: Flag, before: PanelResult, after: PanelResult, taken: set[str]) -> tuple[Outcome, str | None]:
    """Return what became of a flag, and the id of the new flag that is the same one."""
    same = [
        now
        for now in after.flags
        if now.stands_for
        and now.id not in taken
        and (now.kind, now.string, now.position) == (flag.kind, flag.string, flag.position)
    ]
    if same and (flag.position is None or flag.string is None):
        return Outcome.STILL_THERE, same[0].id
    if same:
        was, is_now = _middle(flag, before), [_middle(now, after) for now in same]
        gaps = [float(np.hypot(*(place - was))) for place in is_now]
        nearest = int(np.argmin(gaps))
        return Outcome.STILL_THERE if gaps[nearest] <= SAME_PLACE else Outcome.MOVED, same[nearest].id
    cell = next(
        (cell for cell in after.cells if _place(cell.address) == (flag.string, flag.position)),
        None,
    )
    if not after.panel.found or not after.quality.usable or (cell is not None and not cell.judged):
        return Outcome.NOT_JUDGED, None
    return Outcome.GONE, None


def _middle(flag: Flag, result: PanelResult) -> Points:
    """Return the middle of a flag's box in its cell, both ways 0..1, as the stored picture has the cell."""
    corners = next(cell.corners_px for cell in result.cells if _place(cell.address) == (flag.string, flag.position))
    quad = np.array(corners, np.float64)
    x, y, width, height = flag.box_px
    # The cells are near to parallelograms: two edges from the first corner span them.
    edges = np.stack([quad[1] - quad[0], quad[3] - quad[0]], axis=1)
    return np.asarray(np.linalg.solve(edges, np.array([x + width / 2, y + height / 2]) - quad[0]))


def _place(address: Address) -> _Place:
    return address.string, address.position


def _places_of(flags: Sequence[Flag]) -> set[tuple[str, int | None, int | None]]:
    return {(flag.kind, flag.string, flag.position) for flag in flags}


def _beside(place: _Place, reworked: set[_Place]) -> bool:
    """Whether a cell lies beside a reworked one: before or behind it in its string, or in the next string."""
    string, position = place
    if string is None or position is None:
        return False
    steps = ((0, 1), (0, -1), (1, 0), (-1, 0))
    strings = {other for other, at in reworked if at is None}
    return place in reworked or any(
        (string + down, position + along) in reworked or string + down in strings for down, along in steps
    )


def _match(before: PanelResult, after: PanelResult, replaced: Replaced) -> Rematch | None:
    if before.fingerprints is None or after.fingerprints is None:
        return None
    return rematched(before.fingerprints, after.fingerprints, replaced.cells)


def _verdict(match: Rematch | None, replaced: Replaced) -> PanelMatch | None:
    """Return what the fingerprints say; where only the plan is known, cells that may have stayed do not count."""
    if match is None:
        return None
    excused = not match.changed and not replaced.must.intersection(match.still_there)
    return PanelMatch.BELONGS if match.verdict is PanelMatch.NOT_AS_REPLACED and excused else match.verdict


def _match_messages(
    match: Rematch | None, verdict: PanelMatch | None, after: PanelResult, replaced: Replaced
) -> list[Message]:
    scheme = after.panel.addresses or AddressScheme()
    if match is None:
        return [Message("recheck.no_fingerprints")]
    found = []
    if verdict is not PanelMatch.BELONGS:
        found.append(match.message)
        still_there = sorted(replaced.must.intersection(match.still_there))
        for code, cells in (("recheck.not_replaced", still_there), ("recheck.changed", match.changed)):
            found += [Message(code, {"address": _written(cell, after, scheme)}) for cell in cells]
    return found if replaced.logged else [*found, Message("recheck.nothing_logged")]


def _flag_messages(
    answered: Sequence[RecheckedFlag], new: Sequence[Flag], beside: Collection[str], after: PanelResult
) -> list[Message]:
    scheme = after.panel.addresses or AddressScheme()
    texts = [(f"recheck.{flag.outcome}", flag.kind, flag.string, flag.position) for flag in answered]
    for flag in new:
        texts.append(("recheck.damage" if flag.id in beside else "recheck.new", flag.kind, flag.string, flag.position))
    return [
        Message(code, {"kind": kind.value, "address": write_address(scheme, string, position)})
        for code, kind, string, position in texts
    ]


def _written(cell: int, after: PanelResult, scheme: AddressScheme) -> str:
    address = address_of(after.panel.layout, cell)
    return write_address(scheme, address.string, address.position)


def replaced_by_plan(before: PanelResult, confirmed: Sequence[Flag]) -> Replaced:
    """Return the cells that the plan of an inspection would have replaced, where the bench logged nothing.

    Steps whose flags were all dismissed are no part of it. Of a string to be swapped the bench may have replaced the
    bad cells only.
    """
    layout = before.panel.layout
    standing = {flag.id for flag in confirmed}
    cells: set[int] = set()
    turned: set[int] = set()
    for step in before.rework.steps if before.rework is not None else ():
        if not standing.intersection(step.flags):
            continue
        if step.action is ReworkAction.SWAP_STRING and step.string is not None:
            cells.update(cells_of_string(layout, step.string))
        if step.string is not None and step.position is not None:
            here = {ReworkAction.REPLACE_CELL: cells, ReworkAction.TURN_CELL: turned}.get(step.action)
            if here is not None:
                here.add(cell_index(layout, Address(step.string, step.position)))
    bad = {
        cell_index(layout, Address(flag.string, flag.position))
        for flag in confirmed
        if flag.string is not None and flag.position is not None
    }
    return Replaced(frozenset(cells | turned), frozenset(cells & bad), logged=False)


def cells_of_string(layout: Layout, string: int) -> range:
    """Return the indices of a string's cells."""
    first = cell_index(layout, Address(string, 1))
    return range(first, first + layout.cells_per_string)
