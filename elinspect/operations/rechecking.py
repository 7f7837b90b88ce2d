"""A picture after rework, or at a later stage, laid over the one before, before it is logged."""

from typing import Any

from sqlalchemy import Connection, select

from elinspect.operations.bench import BenchWork
from elinspect.operations.desk import review_of
from elinspect.operations.ticket import standing_flags
from elinspect.records import PanelResult
from elinspect.store.log import Log
from elinspect.store.rows import rows_by
from elinspect.store.schema import inspections, reworks
from elinspect.triage.recheck import Replaced, cells_of_string, recheck, replaced_by_plan, with_recheck


def rechecked(log: Log, result: PanelResult) -> PanelResult:
    """Return the result with what became of the attempt before; a panel or place that does not fit is held.

    Parameters
    ----------
    log : Log
        Where the attempt before is.
    result : PanelResult
        As the pipeline made it, not logged yet.

    Returns
    -------
    PanelResult
        Unchanged for a panel without serial, without an earlier attempt or stage, or that was not found.
    """
    if result.serial is None or not result.panel.found:
        return result
    with log.reading() as connection:
        row = _before(connection, result)
        if row is None:
            return result
        review = review_of(connection, row.id)
        done = [work for work in rows_by(connection, reworks, serial=result.serial) if work.event_id > row.event_id]
    before = review.result
    if not before.panel.found or before.panel.layout != result.panel.layout:
        return result
    confirmed = standing_flags(review) if row.stage == result.stage else ()
    replaced = _replaced(done, before) if done else replaced_by_plan(before, confirmed)
    if row.stage != result.stage and not done:
        # Nothing is reworked between stages: every cell must be the one it was.
        replaced = Replaced(frozenset(), frozenset())
    return with_recheck(result, recheck(before, confirmed, result, replaced))


def _before(connection: Connection, result: PanelResult) -> Any:
    """Return the inspection to compare with: the attempt before, else the latest of an earlier stage; None if none."""
    table = inspections.c
    same = (table.serial == result.serial, table.purpose == result.purpose.value, ~table.superseded)
    newest = select(inspections).where(*same).order_by(table.event_id.desc())
    rows = connection.execute(newest).all()
    here = [row for row in rows if row.stage == result.stage]
    if any(row.image_sha256 == result.image.sha256 for row in here):
        return None  # the same picture again is a re-evaluation, not an attempt
    earlier_attempts = (row for row in here if row.attempt < result.attempt)
    other_stages = (row for row in rows if row.stage != result.stage)
    return next(earlier_attempts, None) or next(other_stages, None)


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
