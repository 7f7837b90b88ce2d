"""Shifts: which one a moment belongs to, and the report of one."""

from itertools import pairwise
from pathlib import Path

import openpyxl
import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from elinspect.cli import app
from elinspect.errors import LogError
from elinspect.operations.alerts import alerts
from elinspect.operations.pareto import note_words, pareto, pareto_of
from elinspect.operations.report_making import write_report
from elinspect.operations.shift_report import shift_report
from elinspect.operations.shifts import (
    USUAL_SHIFTS,
    Shift,
    newest_shift,
    shift_at,
    shift_before,
    shift_number,
    shift_on,
)
from elinspect.operations.simulating import simulate_into_log
from elinspect.records import Kind, Purpose
from elinspect.statistics.pareto import GroupBy
from elinspect.store import Log, open_log
from elinspect.store.counts import cell_counts, cells_by, decisions_by, pictures_by
from elinspect.store.production import Period
from elinspect.synthetic.plant_records import CauseOf, PlantCause, RecordPlant

DEMO = Purpose.DEMO


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lane B / 2 goes bad on day 3; reworked panels come again, some in the next shift."""
    cause = PlantCause(CauseOf.LANE, 2.0, 14.0, 3, position=3, along=0.25, across=0.7)
    plant = RecordPlant(stringers=3, panels_per_day=60, causes=(cause,), rates={Kind.CRACK: 0.006}, reworked=0.8)
    file = tmp_path_factory.mktemp("plant") / "log.sqlite"
    with open_log(file) as log:
        simulate_into_log(log, plant, 4, 4)
    return file


@pytest.fixture
def log(place: Path):
    with open_log(place) as opened:
        yield opened


@pytest.mark.parametrize(
    ("moment", "shift"),
    [
        ("2031-03-01T06:00:00+01:00", Shift(1, "2031-03-01T06:00", "2031-03-01T14:00")),
        ("2031-03-01T13:59:59+01:00", Shift(1, "2031-03-01T06:00", "2031-03-01T14:00")),
        ("2031-03-01T22:00:00+01:00", Shift(3, "2031-03-01T22:00", "2031-03-02T06:00")),
        ("2031-03-01T05:59:00+01:00", Shift(3, "2031-02-28T22:00", "2031-03-01T06:00")),
    ],
)
def test_a_moment_belongs_to_one_shift(moment: str, shift: Shift) -> None:
    assert shift_at(("22:00", "06:00", "14:00"), moment) == shift  # in whatever order the station file names them
    assert shift_number(USUAL_SHIFTS, moment[11:16]) == shift.number


def test_shifts_follow_each_other_without_gaps() -> None:
    for starts in (USUAL_SHIFTS, ("05:30", "17:30"), ("00:00", "12:00"), ("07:15",)):
        shift = shift_on(starts, "2031-03-01", len(starts))
        for _ in range(7):
            before = shift_before(starts, shift)
            assert before.end == shift.begin
            shift = before
    assert shift_on(USUAL_SHIFTS, "2031-02-28", 3).last_day == "2031-03-01"
    assert shift_on(("00:00", "12:00"), "2031-02-28", 2).last_day == "2031-02-28"
    with pytest.raises(LogError, match="no shift 4"):
        shift_on(USUAL_SHIFTS, "2031-03-01", 4)


def _clocked(*clock: str) -> Period:
    return Period("demo", "before_lamination", clock[0][:10], clock[-1][:10], clock=(clock[0], clock[-1]))


def test_the_shifts_of_a_day_add_up_to_its_kept_counts(log: Log) -> None:
    day = Period("demo", "before_lamination", "2031-01-03", "2031-01-03")
    hours = ("2031-01-03T00:00", "2031-01-03T06:00", "2031-01-03T14:00", "2031-01-03T22:00", "2031-01-04T00:00")
    parts = [_clocked(begin, end) for begin, end in pairwise(hours)]
    sums = {
        "cells": lambda period: _sum(cell_counts(connection, period, ("stringer", "lane")), "confirmed"),
        "proposed": lambda period: _sum(cell_counts(connection, period, (), "crack"), "proposed"),
        "of a lane": lambda period: _sum(cell_counts(connection, period, (), stringer="B", lane="2"), "confirmed"),
        "inspected": lambda period: _sum(cells_by(connection, period, ()), "cells"),
        "of lanes": lambda period: _sum(cells_by(connection, period, ("origin", "stringer", "lane")), "cells"),
        "decided": lambda period: _sum(decisions_by(connection, period, ("decided_by",)), "panels"),
        "pictures": lambda period: _sum(pictures_by(connection, period, ("judged",)), "pictures"),
    }
    with log.reading() as connection:
        for name, counted in sums.items():
            each = [counted(part) for part in parts]
            assert sum(each) == counted(day) > max(each), name


def _sum(rows: object, name: str) -> int:
    return sum(int(getattr(row, name)) for row in rows)  # type: ignore[attr-defined]


def test_a_pareto_of_a_shift_has_its_cells_and_its_words(log: Log) -> None:
    shift, before = (
        _clocked(f"2031-01-03T{begin}", f"2031-01-03T{end}") for begin, end in (("14:00", "22:00"), ("06:00", "14:00"))
    )
    table = pareto_of(log, GroupBy.LANE, shift, before)
    with log.reading() as connection:
        of_lane, panels = connection.exec_driver_sql(
            "SELECT sum(stringer = 'B' AND lane = '2'), count(DISTINCT i.serial) FROM inspections i "
            "JOIN context_rows c ON c.serial = i.serial WHERE attempt = 1 AND stage = 'before_lamination' "
            "AND seen_at >= '2031-01-03T14:00' AND seen_at < '2031-01-03T22:00'"
        ).one()
    assert table.cells_inspected == 60 * panels
    assert (table.rows[0].key, table.rows[0].cells) == ("B / 2", 10 * of_lane)
    assert "2031-01-03 14:00 to 22:00" in note_words(table)
    whole = pareto(log, GroupBy.SHIFT, DEMO, since="2031-01-03", until="2031-01-03")
    assert sum(row.confirmed for row in table.rows) == next(row for row in whole.rows if row.key == "2").confirmed


def test_the_report_of_a_shift(log: Log, tmp_path: Path) -> None:
    shift = newest_shift(log, DEMO, USUAL_SHIFTS)
    assert shift is not None
    assert shift.day == "2031-01-04"
    report = shift_report(log, DEMO, number=2, until="2031-01-03")
    write_report(report, tmp_path / "s.pdf")
    write_report(report, tmp_path / "s.xlsx")
    text = " ".join("".join(page.extract_text() for page in PdfReader(tmp_path / "s.pdf").pages).split())
    assert "Shift 2 of 2031-01-03, 14:00 to 22:00 · demo" in text
    assert (
        "Stringer B, lane 2, position 3" in text.partition("What the next shift takes over")[0]
    )  # raised in this shift
    assert "Every panel of this shift is decided" in text
    book = openpyxl.load_workbook(tmp_path / "s.xlsx")
    yields = [[cell.value for cell in row] for row in book["Panels photographed in this shift"[:31]].iter_rows()]
    names = [row[0] for row in yields]
    first, rework = (yields[names.index(name)] for name in (names[1], "sent to rework"))
    assert first[1] + rework[1] == first[2] == rework[2]
    assert first[3] == pytest.approx(first[1] / first[2])
    with log.reading() as connection:
        counted = connection.exec_driver_sql(
            "SELECT count(*), sum(decision = 'accept') FROM inspections WHERE stage = 'before_lamination' AND "
            "attempt = 1 AND seen_at >= '2031-01-03T14:00' AND seen_at < '2031-01-03T22:00'"
        ).one()
    assert (first[2], first[1]) == tuple(counted)
    raised = alerts(log, DEMO, until="2031-01-04")
    earlier = alerts(log, DEMO, until="2031-01-04", before=raised[0].at[:16])
    assert max(alert.at for alert in earlier) < raised[0].at[:16]
    of_place = (raised[0].stringer, raised[0].lane, raised[0].position)
    assert of_place in {(alert.stringer, alert.lane, alert.position) for alert in earlier}  # its one before
    early = shift_report(log, DEMO, number=1, until="2031-01-04")  # both alert again in the shift after it
    assert [("position 3" in line) for (line,) in early.sheets[0].rows] == [True, False]
    quiet = shift_report(log, DEMO, number=1, until="2031-01-02")
    assert quiet.sheets[0].rows == []  # no alert before the lane went bad


def test_a_shift_report_from_the_command_line(place: Path, tmp_path: Path) -> None:
    asked = ["report", "shift", "--log", str(place), "--purpose", "demo", "--out", str(tmp_path / "s.pdf")]
    found = CliRunner().invoke(app, asked)
    assert found.exit_code == 0, found.output
    assert CliRunner().invoke(app, [*asked, "--since", "2031-01-01"]).exit_code == 2
    other = CliRunner().invoke(app, [*asked, "--shift", "4"])
    assert (other.exit_code, "no shift 4" in other.output) == (1, True)
    asked[asked.index("demo")] = "production"
    assert "there is no shift to show" in CliRunner().invoke(app, asked).output
