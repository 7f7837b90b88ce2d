"""Charts, alerts, containment, reports and exports of a simulated plant."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from elinspect.catalogue import words
from elinspect.cli import app
from elinspect.errors import LogError, SettingsFileError
from elinspect.operations.alert_card import card, write_card
from elinspect.operations.alerts import alerts
from elinspect.operations.audits import log_audit_result
from elinspect.operations.charts import ChartOf, Sort, _joined, day_chart
from elinspect.operations.containment import containment, summary, write_containment
from elinspect.operations.figure_files import write_pareto
from elinspect.operations.maintenance import import_maintenance
from elinspect.operations.pareto import note_words, pareto
from elinspect.operations.passports import module_passport
from elinspect.operations.people_figures import against_audits, inspector_lines, people_and_machine
from elinspect.operations.report_making import write_report
from elinspect.operations.reports import ReportOf, machine_report, period_report
from elinspect.operations.simulating import simulate_into_log
from elinspect.operations.stages import charged_counts
from elinspect.operations.tool_map import read_tool_map
from elinspect.records import Disposition, Kind, Purpose, Stage
from elinspect.review.gate import Role
from elinspect.statistics.first_stage import Charged
from elinspect.statistics.intervals import wilson
from elinspect.statistics.pareto import GroupBy
from elinspect.store import open_log
from elinspect.store.anchor import read_anchor
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.people import person_named
from elinspect.store.production import Period, audits_of
from elinspect.store.verify import chain_heads
from elinspect.synthetic.plant_records import CauseOf, Change, PlantCause, RecordPlant

DEMO = Purpose.DEMO
CAUSE = PlantCause(CauseOf.LANE, 3.0, 14.0, 3, position=3, along=0.25, across=0.7)
LAMINATOR = PlantCause(CauseOf.LAMINATOR, 0.0, 10.0, 1)
WORK = "machine,lane,started_at,ended_at,what,note\nB,2,2031-01-05T02:00:00+00:00,,gripper changed,\n"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lane B / 2 goes bad on day 4; somebody repairs it on day 5, in vain."""
    folder = tmp_path_factory.mktemp("plant")
    plant = RecordPlant(
        stringers=3, panels_per_day=40, later_seen=0.4, causes=(CAUSE, LAMINATOR), rates={Kind.CRACK: 0.004}
    )
    with open_log(folder / "log.sqlite") as log:
        simulate_into_log(log, plant, 7, 4)
        (folder / "work.csv").write_text(WORK, encoding="utf-8")
        import_maintenance(log, folder / "work.csv")
    return folder / "log.sqlite"


def test_yield_is_what_was_accepted_at_the_first_attempt(place: Path) -> None:
    with open_log(place) as log:
        made = day_chart(log, ChartOf.FIRST_PASS_YIELD, DEMO)
        with log.reading() as connection:
            counted = connection.exec_driver_sql(
                "SELECT count(*) FROM inspections WHERE attempt = 1 AND decision = 'accept' AND stage = ?",
                ("before_lamination",),
            ).scalar_one()
        assert (made.counts.sum(), made.sizes.sum(), len(made.labels)) == (counted, 280, 7)
        value, low, high = made.whole
        assert low < value == counted / 280 < high
        assert day_chart(log, ChartOf.FIRST_PASS_YIELD).labels == ()  # nothing of it is production


def test_flagged_cells_of_the_bad_lane_signal(place: Path) -> None:
    with open_log(place) as log:
        bad = day_chart(log, ChartOf.FLAGGED_CELLS, DEMO, stringer="B", lane="2")
        good = day_chart(log, ChartOf.FLAGGED_CELLS, DEMO, stringer="A")
    assert bad.sort is Sort.U
    assert bad.chart.values[4:].mean() > 3 * bad.chart.values[:3].mean()
    assert not good.chart.out.any()


def test_escapes_are_what_the_gate_did_not_confirm(place: Path) -> None:
    with open_log(place) as log:
        made = day_chart(log, ChartOf.ESCAPES, DEMO)
    assert 0 < made.counts.sum() <= made.sizes.sum() < 280


def test_every_chart_is_drawn_and_every_empty_one_said_so(place: Path, tmp_path: Path) -> None:
    found = CliRunner().invoke(app, ["charts", "--log", str(place), "--purpose", "demo", "--out", str(tmp_path)])
    assert found.exit_code == 0, found.output
    drawn = {path.stem for path in tmp_path.glob("*.png")}
    of_pictures = {ChartOf.SIGNAL_TO_NOISE, ChartOf.SHARPNESS}  # which a plant simulated as records has none of
    assert drawn == {chart.value for chart in ChartOf} - of_pictures
    with (tmp_path / "escapes.csv").open(encoding="utf-8") as file:
        assert len(list(csv.reader(file))) == 8
    empty = CliRunner().invoke(app, ["charts", "--log", str(place)])
    assert empty.output.count("nothing was logged") == len(ChartOf)


def test_the_lane_is_alerted_with_its_work_and_its_part(place: Path, tmp_path: Path) -> None:
    with open_log(place) as log:
        assert not [a for a in alerts(log, DEMO, until="2031-01-03") if a.position]
        found = [alert for alert in alerts(log, DEMO) if alert.position]
    (alert,) = found
    assert (alert.stringer, alert.lane, alert.position, alert.kind) == ("B", "2", 3, Kind.CRACK)
    assert alert.last_work == "2031-01-05 02:00 gripper changed"
    flagged, strings = alert.since_work
    assert 5 < flagged < strings
    assert np.median(alert.places, axis=0) == pytest.approx([0.25, 0.7], abs=0.1)
    (tmp_path / "tools.toml").write_text(
        '[[part]]\nname = "left gripper"\nstringer = "B"\nlane = "2"\npositions = [3]\nalong = [0, 0.5]\n'
        '[[part]]\nname = "heater"\nstringer = "B"\nalong = [0.5, 1]\n',
        encoding="utf-8",
    )
    parts = read_tool_map(tmp_path / "tools.toml")
    assert ("What touches there", "left gripper") in card(alert, parts).facts
    write_card(alert, tmp_path / "card.pdf", parts)
    pages = PdfReader(tmp_path / "card.pdf").pages
    assert len(pages) == 1
    text = pages[0].extract_text()
    assert "left gripper" in text
    assert "stop it, lock it" in text
    assert replace(alert, position=0).message.text.startswith("Stringer B, lane 2: ")


@pytest.mark.parametrize(
    "bad", ["[[part]]\n", '[[part]]\nname = "a"\nwide = 3\n', '[[part]]\nname = "a"\nalong = [1, 0]\n']
)
def test_a_wrong_tool_map_names_the_part(tmp_path: Path, bad: str) -> None:
    (tmp_path / "tools.toml").write_text(f"[[part]]\n{bad}", encoding="utf-8")
    with pytest.raises(SettingsFileError, match=r"tools\.toml, part 1"):
        read_tool_map(tmp_path / "tools.toml")


def test_containment_lists_every_string_of_the_lane(place: Path, tmp_path: Path) -> None:
    with open_log(place) as log:
        found = containment(log, "2031-01-04", DEMO, stringer="B", lane="2", position=3)
        with log.reading() as connection:
            made = connection.exec_driver_sql(
                "SELECT count(*) FROM context_rows WHERE stringer = 'B' AND lane = '2' AND built_at >= '2031-01-04'"
            ).scalar_one()
        assert abs(len(found) - made) <= 2  # a string may be built on the day before its panel is seen
        assert {line.cell for line in found} == {3, 8}
        assert {line.whereabouts for line in found} <= {
            words("containment.released"),
            words("containment.at_stage", stage=words("stage.before_lamination")),
            words("containment.at_stage", stage=words("stage.after_lamination")),
        }
        assert summary(found).startswith(f"{len(found)} strings in ")
        write_containment(log, found, "B / 2", "2031-01-04", tmp_path / "c.xlsx")
        assert read_anchor(tmp_path / "c.xlsx.anchor.json") == chain_heads(log)
        with pytest.raises(ValueError, match="stringer or a lot"):
            containment(log, "2031-01-04", DEMO)
    sheet = openpyxl.load_workbook(tmp_path / "c.xlsx").worksheets[0]
    column = [cell.value for cell in sheet["A"]]
    assert column[column.index("serial") + 1 :] == [line.serial for line in found]
    lots = CliRunner().invoke(
        app, ["containment", "--log", str(place), "--purpose", "demo", "--since", "2031-01-01", "--lot", "L00001"]
    )
    assert lots.exit_code == 0
    assert " strings in " in lots.output


def test_rare_events_are_shown_by_what_lies_between_them(place: Path) -> None:
    with open_log(place) as log:
        made = day_chart(log, ChartOf.FLAGGED_CELLS, DEMO, stringer="A", lane="1")
        sums = day_chart(log, ChartOf.FLAGGED_CELLS_CUSUM, DEMO, stringer="B", lane="2")
    assert made.counts.mean() < 5  # in 7 days; so limits of a u chart would not hold
    assert made.sort is Sort.G
    assert len(made.chart.values) == made.counts.sum()
    # What lies between all of them, with them, is what was made until the last.
    assert made.chart.values.sum() + len(made.chart.values) == pytest.approx(made.sizes.sum(), rel=0.1)
    assert sums.sort is Sort.CUSUM
    assert sums.chart.values[:3].max() < 0 < sums.chart.values[-1]  # bad since day 4


def test_joined_days_keep_their_sums() -> None:
    sizes, counts = np.array([10.0, 12, 9, 30, 8, 11]), np.array([2.0, 1, 0, 6, 1, 2])
    labels = tuple("abcdef")
    joined, of, first = _joined(counts, sizes, labels)
    rate = counts.sum() / sizes.sum()
    assert (joined.sum(), of.sum()) == (counts.sum(), sizes.sum())
    assert np.all(of * rate >= 5)
    assert first[0] == "a"
    alone = _joined(counts[:2], sizes[:2], labels[:2])
    assert alone[2] == ("a",)  # fewer than five in all: one point
    assert _joined(np.array([0.0, 0]), np.array([5.0, 5]), labels[:2])[2] == (
        "a",
        "b",
    )  # nothing happened: days as they are


def test_reports_say_what_to_act_on(place: Path, tmp_path: Path) -> None:
    with open_log(place) as log:
        week = period_report(log, ReportOf.WEEK, DEMO)
        stringer = machine_report(log, ReportOf.STRINGER, "B", DEMO)
        supplier = machine_report(log, ReportOf.SUPPLIER, "Ostervane", DEMO)
    for name, report in {"week": week, "stringer": stringer, "supplier": supplier}.items():
        for suffix in (".pdf", ".xlsx"):
            write_report(report, tmp_path / f"{name}{suffix}")
        assert (tmp_path / f"{name}.pdf.anchor.json").exists()
    text = "".join(page.extract_text() for page in PdfReader(tmp_path / "week.pdf").pages)
    assert "lane 2: flags at position 3" in " ".join(text.split())
    assert "2031-01-01 to 2031-01-07" in text
    assert "The machine had flagged 100.0%" in " ".join(text.split())
    assert "laminator" in text
    assert "Ostervane does not stand out" in PdfReader(tmp_path / "supplier.pdf").pages[0].extract_text()
    sheets = openpyxl.load_workbook(tmp_path / "week.xlsx").sheetnames
    assert sheets[0] == "Report"
    assert sheets[1:] == [
        "What to act on",
        "First-pass yield · demo",
        "Rework success · demo",
        "Pictures that could not be judg",
        "Escapes seen after lamination ·",
        "Pareto by kind · demo",
        "Pareto by stringer   lane · dem",
        "First stage that saw it",
        "People",
        "Machine",
    ]
    with pytest.raises(LogError, match="must end in"):
        write_report(week, tmp_path / "week.doc")


def test_the_laminator_is_charged_with_what_shows_after_it(place: Path) -> None:
    with open_log(place) as log:
        found = charged_counts(log, Period("demo", Stage.BEFORE_LAMINATION.value))
        later = pareto(log, purpose=DEMO, stage=Stage.AFTER_LAMINATION)
        gate = pareto(log, purpose=DEMO)
    assert found[Charged.LAMINATOR] + found[Charged.STRINGER_OR_LAYUP] >= gate.rows[0].confirmed
    assert 0 < found[Charged.LAMINATOR] <= later.rows[0].confirmed
    assert set(found) == {Charged.LAMINATOR, Charged.STRINGER_OR_LAYUP}


def test_a_passport_holds_every_attempt(place: Path, tmp_path: Path) -> None:
    with open_log(place) as log, log.reading() as connection:
        serial = connection.exec_driver_sql("SELECT serial FROM inspections WHERE attempt = 2").first()[0]
    with open_log(place) as log:
        write_report(module_passport(log, serial), tmp_path / "m.pdf")
        with pytest.raises(LogError, match="does not know the serial 9"):
            module_passport(log, "9")
    text = PdfReader(tmp_path / "m.pdf").pages[0].extract_text()
    assert serial in text
    assert "rework" in text
    assert "accept" in text


def test_people_and_audits(place: Path) -> None:
    period = Period("demo", Stage.BEFORE_LAMINATION.value)
    with open_log(place) as log:
        lines = inspector_lines(log, period)
        assert sum(line.panels for line in lines) == 280
        assert {line.name for line in lines} == {f"simulated inspector {n}" for n in (1, 2, 3)}
        assert against_audits(log, period) is None


def test_every_flagged_cell_is_exported(place: Path, tmp_path: Path) -> None:
    path = tmp_path / "cells.csv"
    found = CliRunner().invoke(app, ["export", str(path), "--log", str(place), "--purpose", "demo"])
    assert found.exit_code == 0, found.output
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with open_log(place) as log, log.reading() as connection:
        cells = connection.exec_driver_sql("SELECT count(*) FROM flagged_cells WHERE stage = 'before_lamination'")
        assert len(rows) == cells.scalar_one()
    bad = [row for row in rows if (row["stringer"], row["lane"], row["position_as_built"]) == ("B", "2", "3")]
    assert np.median([float(row["along"]) for row in bad]) == pytest.approx(0.25, abs=0.1)


@pytest.mark.parametrize(
    "asked",
    [
        ["report", "week", "B", "--out", "x.pdf"],
        ["report", "stringer", "--out", "x.pdf"],
        ["containment", "--since", "2031-01-01"],
        ["containment", "--since", "yesterday", "--stringer", "B"],
        ["pareto", "--measure", "cost"],
    ],
)
def test_what_makes_no_sense_is_refused_as_usage(asked: list[str]) -> None:
    assert CliRunner().invoke(app, asked).exit_code == 2


def test_a_plant_is_simulated_from_the_command_line(tmp_path: Path) -> None:
    asked = ["simulate", "--plant", "--out", str(tmp_path), "--days", "3", "--panels-per-day", "6"]
    found = CliRunner().invoke(app, asked)
    assert found.exit_code == 0, found.output
    told = CliRunner().invoke(app, ["commonality", "--log", str(tmp_path / "plant.sqlite"), "--purpose", "demo"])
    assert told.exit_code == 0, told.output
    assert "Not enough data" in told.output
    assert (tmp_path / "plant.truth.json").exists()


def test_two_periods_say_which_lane_changed(place: Path, tmp_path: Path) -> None:
    before, after = ("2031-01-01", "2031-01-03"), ("2031-01-04", "2031-01-07")
    with open_log(place) as log:
        table = pareto(log, "lane", DEMO, kind=Kind.CRACK, since=after[0], until=after[1], earlier=before)
        write_pareto(table, tmp_path / "two.svg")
    assert table.overdispersion >= 1
    assert {row.key for row, changed in zip(table.rows, table.changed, strict=True) if changed} == {"B / 2"}
    assert (tmp_path / "two.svg").stat().st_size > 10_000


def test_intervals_follow_what_strings_and_days_have_in_common(tmp_path: Path) -> None:
    plant = RecordPlant(stringers=3, panels_per_day=60, rates={Kind.CRACK: 0.02}, string_correlation=0.4)
    with open_log(tmp_path / "log.sqlite") as log:
        simulate_into_log(log, plant, 14, 2)
        table = pareto(log, GroupBy.LANE, DEMO)
        alone = pareto(log, GroupBy.LANE, DEMO, since="2031-01-14", until="2031-01-14")
        shifts = pareto(log, GroupBy.SHIFT, DEMO)
    # Strings of ten with a correlation of 0.4 within: at most the root of 1 + 9 * 0.4 (Kish 1965, equation 5.4.2).
    assert 1.3 < table.widened < (1 + 9 * 0.4) ** 0.5 + 0.3
    row = table.rows[0]
    assert row.cells is not None
    independent = wilson(row.confirmed / table.widened**2, row.cells / table.widened**2).at(0)
    assert (row.low, row.high) == pytest.approx(tuple(1e6 * limit for limit in independent))
    assert f"widened {table.widened:.1f} times" in note_words(table)
    assert alone.widened == pytest.approx(table.widened)  # a day alone says nothing about days
    assert sum(row.cells or 0 for row in shifts.rows) == shifts.cells_inspected == 14 * 60 * 60


def test_people_are_beside_their_days_before_and_each_other(tmp_path: Path) -> None:
    """An inspector of the second half dismisses more; an auditor and a second one judge the same panels."""
    plant = RecordPlant(
        stringers=3,
        panels_per_day=150,
        rates={Kind.CRACK: 0.01},
        false_flags=0.25,
        read_again=60,
        inspector_drift=(Change(7.0, 2.5, 0),),
    )
    with open_log(tmp_path / "log.sqlite") as log:
        simulate_into_log(log, plant, 14, 2)
        with log.writing() as connection:
            second = person_named(connection, "second auditor", Role.AUDITOR)
        log.append([NewEvent(EventKind.SIGN_IN, f"person:{second}", {"role": Role.AUDITOR.value}, second)], "gate 1")
        with log.reading() as connection:
            audited = audits_of(connection, Period("demo", "before_lamination", "2031-01-08", "2031-01-14"))
        for row in audited:
            log_audit_result(log, "gate 1", second, row.inspection, Disposition(row.audited))
        found = people_and_machine(log, Period("demo", "before_lamination", "2031-01-08", "2031-01-14"))
        asked = ["--log", str(tmp_path / "log.sqlite"), "--purpose", "demo", "--since", "2031-01-08"]
        code = CliRunner().invoke(app, ["agreement", *asked])
    assert {line.drifted for line in found.inspectors} == {True}
    for line in found.inspectors:
        assert line.before is not None
        assert line.before.first < line.dismissed == line.before.second
        assert line.accepted_low < line.accepted < line.accepted_high
    (auditors,) = (pair for pair in found.together if pair.second.endswith("auditor") and "auditor" in pair.first)
    assert (auditors.kappa.value, auditors.kappa.n) == (pytest.approx(1.0), len(audited))
    assert found.several is not None
    kappa, people, panels = found.several
    assert (people, panels) == (3, len(audited))
    assert kappa < 1
    assert sum(truth.n for _, truth in found.audited) == found.all_audited.n == 2 * len(audited)
    assert code.exit_code == 0, code.output
    assert "Fleiss' kappa" in code.output
    assert "drifted" in code.output
