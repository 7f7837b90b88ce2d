"""A picture after rework, or at a later stage, laid over the one before, before it is logged."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select

from elinspect.operations.bench import BenchWork
from elinspect.operations.reviews import review_of
from elinspect.operations.ticket import standing_flags
from elinspect.records import PanelResult
from elinspect.result_file import from_dict
from elinspect.review.session import Review
from elinspect.store.log import Log
from elinspect.store.results import result_of
from elinspect.store.rows import rows_by
from elinspect.store.schema import inspections, reworks
from elinspect.triage.recheck import (
    Replaced,
    belongs_not,
    cells_of_string,
    recheck,
    replaced_by_plan,
    with_recheck,
)

_NOTHING = Replaced(frozenset(), frozenset())


def rechecked(log: Log, result: PanelResult) -> PanelResult:
    """Return the result with what became of the attempt before; a panel or place that does not fit is held.

    A further picture within an attempt must show the cells of every earlier one of it: nothing was replaced.

    Parameters
    ----------
    log : Log
        Where the earlier pictures are.
    result : PanelResult
        As the pipeline made it, not logged yet.

    Returns
    -------
    PanelResult
        Unchanged for a panel without serial, without an earlier picture to compare with, or that was not found.
    """
    if result.serial is None or not result.panel.found:
        return result
    with log.reading() as connection:
        rows = _earlier(connection, result)
        row = _before(rows, result)
        review = review_of(connection, row.id) if row is not None else None
        retaken = [from_dict(result_of(connection, each.id)) for each in rows if _same_attempt(each, result)]
        done = [work for work in rows_by(connection, reworks, serial=result.serial) if work.event_id > _record(row)]
    checked = _after_the_one_before(result, review, done) if review is not None else result
    return _held_as_another_panel(checked, retaken)


def _after_the_one_before(result: PanelResult, review: Review, done: list[Any]) -> PanelResult:
    before = review.result
    if not before.panel.found or before.panel.layout != result.panel.layout:
        return result
    same_stage = before.stage is result.stage
    confirmed = standing_flags(review) if same_stage else ()
    replaced = _replaced(done, before) if done else replaced_by_plan(before, confirmed)
    if not same_stage and not done:
        replaced = _NOTHING  # between stages nothing is reworked: every cell must be the one it was
    return with_recheck(result, recheck(before, confirmed, result, replaced))


def _held_as_another_panel(result: PanelResult, retaken: list[PanelResult]) -> PanelResult:
    """Hold a picture that does not show the panel of the other pictures of its attempt."""
    for before in retaken:
        if before.panel.found and before.panel.layout == result.panel.layout and _comparable(before):
            found = recheck(before, (), result, _NOTHING)
            if belongs_not(found):
                return with_recheck(result, found)
    return result


def _comparable(before: PanelResult) -> bool:
    """Whether an earlier picture was good enough; one that was doubted for its serial alone is."""
    return before.quality.usable or (before.recheck is not None and belongs_not(before.recheck))


def _earlier(connection: Connection, result: PanelResult) -> Sequence[Any]:
    """Return the pictures of the panel so far, the newest first; none if this one is among them: a re-run."""
    table = inspections.c
    same = (table.serial == result.serial, table.purpose == result.purpose.value)
    rows = connection.execute(select(inspections).where(*same).order_by(table.event_id.desc())).all()
    here = (row for row in rows if row.stage == result.stage)
    return [] if any(row.image_sha256 == result.image.sha256 for row in here) else rows


def _same_attempt(row: Any, result: PanelResult) -> bool:
    return bool(row.stage == result.stage and row.attempt == result.attempt)


def _before(rows: Sequence[Any], result: PanelResult) -> Any:
    """Return the inspection of the attempt before, else the latest of another stage; None if there is none."""
    standing = [row for row in rows if not row.superseded]
    earlier_attempts = (row for row in standing if row.stage == result.stage and row.attempt < result.attempt)
    other_stages = (row for row in standing if row.stage != result.stage)
    return next(earlier_attempts, None) or next(other_stages, None)


def _record(row: Any) -> int:
    return int(row.event_id) if row is not None else 0


def _replaced(done: list[Any], before: PanelResult) -> Replaced:
    layout = before.panel.layout
    new: set[int] = set()
    turned: set[int] = set()
    for work in done:
        if work.work == BenchWork.STRING_REPLACED:
            new.update(cells_of_string(layout, work.string))
        elif work.work in (BenchWork.CELL_REPLACED, BenchWork.CELL_TURNED):
            here = new if work.work == BenchWork.CELL_REPLACED else turned
            here.add(cells_of_string(layout, work.string)[work.position - 1])
    # The texture of a cell that was turned round is turned too, but that is no proof of anything.
    return Replaced(frozenset(new | turned), frozenset(new))
