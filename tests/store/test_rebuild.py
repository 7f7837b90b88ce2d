"""Projections: made anew from the events they are the same, and the kept counts equal a recount."""

import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from filled_log import dump, fill
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from log_places import fresh_place
from logged_panels import LAYOUT, context_line, make_flag, make_result, recipe_for, write_context
from sqlalchemy import select, text

from elinspect.errors import LogError
from elinspect.operations.bench import BenchWork, WorkDone, log_rework_done
from elinspect.operations.context import import_context
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.versions import log_recipe
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, Kind
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import Log, open_log
from elinspect.store.rebuild import rebuild
from elinspect.store.schema import (
    flagged_cells,
    handled_counts,
    handling_counts,
    inspected_counts,
    kept_counts,
    picture_counts,
    place_counts,
    string_counts,
)
from elinspect.store.verify import verify

_KINDS = (Kind.CRACK, Kind.DARK_CELL, Kind.FINGER_INTERRUPTION)


_CELLS = (kept_counts, place_counts, handling_counts)
_COUNTS = ("proposed", "confirmed", "flags_proposed", "flags_confirmed")
_STRINGS = text("""
    SELECT i.day, i.purpose, i.stage, i.product, coalesce(i.model, ''), i.criteria, i.station, i.layout,
           coalesce(i.decided_by, ''), c.stringer, c.lane, c.cell_supplier, c.cell_lot, c.operator, c.layup_machine,
           c.bussing_machine, CASE WHEN i.decision IS NULL THEN 0 ELSE 1 END, count(*)
    FROM inspections i JOIN context_rows c ON c.serial = i.serial
    WHERE c.origin = 'imported' AND c.valid_to IS NULL AND i.attempt = 1 AND NOT i.superseded AND i.usable
          AND i.panel_found
    GROUP BY 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17
""")
_PICTURES = text("""
    SELECT day, purpose, stage, product, coalesce(decision, ''), coalesce(decided_by, ''), attempt,
           CASE WHEN usable AND panel_found THEN 1 ELSE 0 END, count(*)
    FROM inspections WHERE NOT superseded GROUP BY 1, 2, 3, 4, 5, 6, 7, 8
""")
_FLAGS = text("""
    SELECT c.*, f.kind AS of_flag, f.added, f.answer FROM flags f JOIN flagged_cells c
    ON c.inspection = f.inspection AND c.string = f.string AND c.position = f.position
    WHERE c.attempt = 1 AND NOT c.superseded
""")


def _keys(row: Any, kind: str) -> list[tuple[Any, ...]]:
    names = [[column.name for column in table.columns] for table in _CELLS]
    of_cell = {**row._mapping, "kind": kind, "hour": row.seen_at[11:13]}
    return [tuple(of_cell[name] for name in own if name not in _COUNTS) for own in names]


def recounted(log: Log) -> Counter[tuple[Any, ...]]:
    """Counts as a recount of the rows gives them."""
    counts: Counter[tuple[Any, ...]] = Counter()

    def count(row: Any, kind: str, what: str) -> None:
        for table, key in zip(_CELLS, _keys(row, kind), strict=True):
            counts[table.name, *key, what] += 1

    with log.reading() as connection:
        for row in connection.execute(select(flagged_cells)):
            if row.counts_proposed:
                count(row, row.proposed_kind, "proposed")
            if row.counts_confirmed:
                count(row, row.confirmed_kind, "confirmed")
        for row in connection.execute(_FLAGS):
            if not row.added:
                count(row, row.of_flag, "flags_proposed")
            if row.added or row.answer in ("confirmed", "changed"):
                count(row, row.of_flag, "flags_confirmed")
        for name, statement in (("strings", _STRINGS), ("pictures", _PICTURES)):
            for row in connection.execute(statement):
                counts[name, *row[:-1]] += row[-1]
    return counts


def kept(log: Log) -> Counter[tuple[Any, ...]]:
    """Counts as the log keeps them, without zeros."""
    counts: Counter[tuple[Any, ...]] = Counter()
    with log.reading() as connection:
        for table in _CELLS:
            for row in connection.execute(select(table)):
                for what in _COUNTS:
                    counts[table.name, *row[: -len(_COUNTS)], what] += getattr(row, what)
        for name, table in (("strings", string_counts), ("pictures", picture_counts)):
            for row in connection.execute(select(table)):
                counts[name, *row[:-1]] += row[-1]
    return +counts


def test_projections_made_anew_are_the_same(log: Log, tmp_path: Path) -> None:
    fill(log, tmp_path)
    before = dump(log)
    assert all(before[name] for name in ("flags", "context_rows", "reworks", "kept_counts", "evaluations", "outbox"))
    told: list[float] = []
    assert rebuild(log, told.append) == len(list(log.events()))
    assert told[-1] == 1.0
    assert dump(log) == before


def test_projections_that_were_damaged_are_repaired(log: Log, tmp_path: Path) -> None:
    fill(log, tmp_path)
    before = dump(log)
    with log.writing() as connection:
        connection.execute(kept_counts.update().values(proposed=99))
        connection.execute(flagged_cells.delete())
    assert dump(log) != before
    rebuild(log)
    assert dump(log) == before


def test_a_rebuild_that_fails_leaves_what_was(log: Log, tmp_path: Path) -> None:
    fill(log, tmp_path)
    before = dump(log)

    def stop(_: float) -> None:
        raise LogError("log.locked", file="x")

    with pytest.raises(LogError):
        rebuild(log, stop)
    assert dump(log) == before


def test_kept_counts_equal_a_recount(log: Log, tmp_path: Path) -> None:
    fill(log, tmp_path)
    assert kept(log) == recounted(log)
    with log.reading() as connection:
        cells = sum(row.cells for row in connection.execute(select(inspected_counts)))
        handled = connection.execute(select(handled_counts)).all()
    # Panels 1, 2, 3 and one without serial, and of panel 1 what the bench replaced: a cell and a string of ten.
    assert cells == sum(row.cells for row in handled) == 4 * LAYOUT.n_cells + 11
    assert {(row.origin, row.ribbon_lot, row.operator != "") for row in handled} == {
        ("imported", "rib 3", True),
        ("bench", "", False),
        ("", "", False),
    }


_STEP = st.tuples(
    st.sampled_from(["inspect", "answer", "add", "rework", "bench", "context"]),
    st.integers(0, 1),
    st.integers(1, 2),
    st.integers(1, 3),
    st.sampled_from(_KINDS),
    st.sampled_from([*Answer, None]),
)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(_STEP, min_size=4, max_size=14))
def test_whatever_happens_counts_and_projections_hold(tmp_path: Path, steps: list[Any]) -> None:
    folder = Path(tempfile.mkdtemp(dir=tmp_path))  # every example has a log of its own
    with fresh_place("sqlite", folder) as place, open_log(place) as log:
        log_recipe(log, recipe_for(), "engineering")
        desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
        last: dict[str, str] = {}
        for number, (what, panel, string, position, kind, answer) in enumerate(steps):
            _do(log, desk, last, number, what, f"P{panel}", string, position, kind, answer, folder)
        assert kept(log) == recounted(log)
        assert verify(log) == ()
        before = dump(log)
        rebuild(log)
        assert dump(log) == before


def _do(
    log: Log,
    desk: ReviewDesk,
    last: dict[str, str],
    number: int,
    what: str,
    serial: str,
    string: int,
    position: int,
    kind: Kind,
    answer: Answer | None,
    folder: Path,
) -> None:
    if what == "context":
        lines = [context_line(serial, string, "A" if number % 2 else "B", str(position))]
        import_context(log, write_context(folder / f"{number}.csv", lines))
    elif what == "inspect" or serial not in last:
        flags = [make_flag("m1", kind, string, position, None), make_flag("m2", Kind.CRACK, string, 1, "crack.any")]
        last[serial] = log_inspection(log, make_result(serial, flags, picture=f"{serial} {number}"), "gate 1")
    elif what == "bench":
        log_rework_done(log, "bench", "Grace", serial, [WorkDone(BenchWork.CELL_REPLACED, string, position)])
    else:
        review = desk.open(last[serial])
        if review.decision is not None:
            return
        if what == "rework":
            desk.decide(review, Disposition.REWORK)
        elif what == "add":
            desk.add(review, make_flag("", kind, string, position, None))
        else:
            changed = make_flag("m1", Kind.OTHER, string, 3, None) if answer is Answer.CHANGED else None
            desk.answer(review, Verdict("m1", answer, changed))
