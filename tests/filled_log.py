"""A log with a bit of everything, and what is in it."""

from pathlib import Path
from typing import Any

from logged_panels import context_line, crack, make_flag, make_result, recipe_for, write_context
from sqlalchemy import select

from elinspect.operations.bench import BenchWork, Fate, WorkDone, log_rework_done
from elinspect.operations.context import import_context
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.versions import log_recipe
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, Kind
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import Log
from elinspect.store.schema import PROJECTIONS, outbox


def dump(log: Log) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every projection, and the outbox."""
    with log.reading() as connection:
        tables = (*PROJECTIONS, outbox)
        rows = {table.name: [tuple(row) for row in connection.execute(select(table))] for table in tables}
    return {name: sorted(found, key=repr) for name, found in rows.items()}


def fill(log: Log, folder: Path) -> None:
    """A bit of everything."""
    log_recipe(log, recipe_for(), "engineering")
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    import_context(log, write_context(folder / "first.csv", [context_line("1", s, "A") for s in range(1, 7)]))
    review = desk.open(
        log_inspection(log, make_result("1", [crack("m1", 1, 1), crack("m2", 2, 2)], picture="1a"), "gate 1")
    )
    review = desk.answer(review, Verdict("m1", Answer.CONFIRMED))
    review = desk.answer(review, Verdict("m2", Answer.CHANGED, make_flag("m2", Kind.DARK_CELL, 2, 3, None)))
    review = desk.add(review, make_flag("", Kind.CHIPPED_CELL, 3, 3, None))
    desk.decide(review, Disposition.REWORK)
    work = [WorkDone(BenchWork.CELL_REPLACED, 1, 1), WorkDone(BenchWork.STRING_REPLACED, 2, None, "S9", Fate.SCRAPPED)]
    log_rework_done(log, "bench", "Grace", "1", work, minutes=14.5)
    log_inspection(log, make_result("1", [crack("m1", 1, 1), crack("m2", 2, 2)], picture="1b"), "gate 1")
    retaken = desk.open(log_inspection(log, make_result("1", [crack("m1", 6, 6, limit=None)], picture="1c"), "gate 1"))
    desk.decide(retaken, Disposition.ACCEPT)
    import_context(log, write_context(folder / "second.csv", [context_line("1", s, "B", "2") for s in range(1, 4)]))
    other = desk.open(log_inspection(log, make_result("2", [crack("m1", 1, 1)]), "gate 1"))
    desk.take_back(desk.decide(other, Disposition.REWORK), "mistake")
    log_inspection(log, make_result(None, [make_flag("m1", Kind.OPEN_CIRCUIT, None, None, None)]), "gate 1")
    log_inspection(log, make_result("3", [crack("m1", 1, 1)], criteria="other 1", picture="3"), "gate 1")
    log_inspection(log, make_result("3", [crack("m1", 1, 2)], criteria="other 2", picture="3"), "gate 1")
