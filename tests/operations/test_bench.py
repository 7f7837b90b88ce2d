"""Rework at the bench: what was replaced is no longer charged to the stringer that made it."""

from pathlib import Path

import pytest
from logged_panels import context_line, crack, make_result, write_context
from sqlalchemy import select

from elinspect.errors import LogError
from elinspect.operations.bench import BenchWork, Fate, WorkDone, log_rework_done
from elinspect.operations.context import import_context
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.pareto import pareto
from elinspect.recipe import default_criteria
from elinspect.records import Disposition
from elinspect.review.gate import Role
from elinspect.statistics.pareto import CountOf
from elinspect.store import Log
from elinspect.store.people import name_of
from elinspect.store.schema import reworks


def _inspected(log: Log, picture: str, *cracks: tuple[int, int]) -> str:
    flags = [crack(f"m{number}", *place) for number, place in enumerate(cracks)]
    return log_inspection(log, make_result("1", flags, picture=picture), "gate 1")


def _sent_to_rework(log: Log, inspection: str) -> None:
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    desk.decide(desk.open(inspection), Disposition.REWORK)


def _by_stringer(log: Log) -> dict[str | None, int]:
    return {row.key: row.proposed for row in pareto(log, "stringer", count=CountOf.PROPOSED).rows}


@pytest.fixture
def reworked(log: Log, tmp_path: Path) -> Log:
    import_context(log, write_context(tmp_path / "c.csv", [context_line("1", s, "A") for s in range(1, 7)]))
    _sent_to_rework(log, _inspected(log, "one", (1, 1), (2, 2), (3, 3)))
    return log


def test_a_replaced_cell_is_the_bench_s_from_then_on(reworked: Log) -> None:
    log_rework_done(reworked, "bench", "Grace", "1", [WorkDone(BenchWork.CELL_REPLACED, 1, 1)])
    assert _by_stringer(reworked) == {"A": 3}  # what the stringer cracked stays charged
    _inspected(reworked, "two", (1, 1), (1, 2))
    assert _by_stringer(reworked) == {"A": 4, "bench": 1}


def test_a_swapped_string_is_the_bench_s_as_a_whole(reworked: Log) -> None:
    log_rework_done(
        reworked, "bench", "Grace", "1", [WorkDone(BenchWork.STRING_REPLACED, 2, None, "S9", Fate.SCRAPPED)]
    )
    _inspected(reworked, "two", (2, 2), (2, 5), (3, 3))
    assert _by_stringer(reworked) == {"A": 3, "bench": 2}
    assert pareto(reworked).cells_inspected == 60 + 10


def test_what_was_only_resoldered_stays_with_the_stringer(reworked: Log) -> None:
    log_rework_done(reworked, "bench", "Grace", "1", [WorkDone(BenchWork.RESOLDERED, 1, 1)])
    _inspected(reworked, "two", (1, 1))
    assert _by_stringer(reworked) == {"A": 3}
    assert pareto(reworked).cells_inspected == 60


def test_context_imported_after_the_rework_says_nothing_about_what_the_bench_put_in(
    reworked: Log, tmp_path: Path
) -> None:
    log_rework_done(reworked, "bench", "Grace", "1", [WorkDone(BenchWork.STRING_REPLACED, 2, None, "S9", Fate.KEPT)])
    _inspected(reworked, "two", (2, 2))
    import_context(reworked, write_context(tmp_path / "d.csv", [context_line("1", s, "B") for s in range(1, 7)]))
    assert _by_stringer(reworked) == {"B": 3, "bench": 1}


def test_a_cell_replaced_twice_is_counted_as_three_cells(reworked: Log) -> None:
    for number in (2, 3):
        log_rework_done(reworked, "bench", "Grace", "1", [WorkDone(BenchWork.CELL_REPLACED, 1, 1)])
        _sent_to_rework(reworked, _inspected(reworked, f"picture {number}", (1, 1)))
    assert _by_stringer(reworked) == {"A": 3, "bench": 2}


def test_everything_about_the_work_is_kept(reworked: Log) -> None:
    done = [WorkDone(BenchWork.STRING_REPLACED, 2, None, "S9", Fate.SCRAPPED), WorkDone(BenchWork.CLEANED)]
    log_rework_done(reworked, "bench", "Grace", "1", done, minutes=14.5, note="burr on the ribbon")
    with reworked.reading() as connection:
        first, second = connection.execute(select(reworks).order_by(reworks.c.number)).all()
        assert name_of(connection, first.person) == "Grace"
    assert (first.serial, first.work, first.string, first.position) == ("1", "string_replaced", 2, 0)
    assert (first.new_string_id, first.fate, first.minutes, first.note) == (
        "S9",
        "scrapped",
        14.5,
        "burr on the ribbon",
    )
    assert (second.work, second.string, second.fate) == ("cleaned", 0, "")


@pytest.mark.parametrize(
    "wrong",
    [
        WorkDone(BenchWork.CELL_REPLACED, 1),
        WorkDone(BenchWork.CELL_REPLACED, None, 1),
        WorkDone(BenchWork.STRING_REPLACED),
        WorkDone(BenchWork.STRING_REPLACED, 1, 1),
        WorkDone(BenchWork.RESOLDERED, None, 1),
    ],
)
def test_work_without_its_place_is_refused(reworked: Log, wrong: WorkDone) -> None:
    with pytest.raises(LogError, match="needs its place"):
        log_rework_done(reworked, "bench", "Grace", "1", [wrong])


def test_work_on_an_unknown_panel_is_refused(reworked: Log) -> None:
    with pytest.raises(LogError, match="does not know the panel 9"):
        log_rework_done(reworked, "bench", "Grace", "9", [WorkDone(BenchWork.CLEANED)])
