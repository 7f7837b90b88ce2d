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
from sqlalchemy import select

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
from elinspect.store.schema import flagged_cells, inspected_counts, kept_counts
from elinspect.store.verify import verify

_KINDS = (Kind.CRACK, Kind.DARK_CELL, Kind.FINGER_INTERRUPTION)


def recounted(log: Log) -> Counter[tuple[Any, ...]]:
    """Kept counts as a recount of the rows gives them."""
    names = [column.name for column in kept_counts.columns][:-3]
    counts: Counter[tuple[Any, ...]] = Counter()
    with log.reading() as connection:
        for row in connection.execute(select(flagged_cells)):
            key = tuple(getattr(row, name) for name in names)
            if row.counts_proposed:
                counts[*key, row.proposed_kind, "proposed"] += 1
            if row.counts_confirmed:
                counts[*key, row.confirmed_kind, "confirmed"] += 1
    return counts


def kept(log: Log) -> Counter[tuple[Any, ...]]:
    """Kept counts as they stand, without zeros."""
    counts: Counter[tuple[Any, ...]] = Counter()
    with log.reading() as connection:
        for row in connection.execute(select(kept_counts)):
            counts[*row[:-2], "proposed"] += row.proposed
            counts[*row[:-2], "confirmed"] += row.confirmed
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
    # Panels 1, 2, 3 and one without serial, and of panel 1 what the bench replaced: a cell and a string of ten.
    assert cells == 4 * LAYOUT.n_cells + 11


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
