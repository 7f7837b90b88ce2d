"""The technician's and the quality page on a simulated plant."""

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QImage
from PySide6.QtWidgets import QLabel, QTableWidget
from pytestqt.qtbot import QtBot

from elinspect.catalogue import words
from elinspect.operations.log_pages import FiguresAsked, LogPages
from elinspect.operations.reading_desk import ReadingDesk
from elinspect.operations.simulating import simulate_into_log
from elinspect.operations.tool_map import MachinePart
from elinspect.records import Kind, Purpose
from elinspect.review.desk import Person
from elinspect.review.gate import Role
from elinspect.statistics.asked import ChartOf
from elinspect.statistics.pareto import GroupBy, Measure
from elinspect.store import Log, open_log
from elinspect.store.production import maintenance_of
from elinspect.synthetic.plant_records import CauseOf, PlantCause, RecordPlant
from elinspect_ui.jobs import Jobs
from elinspect_ui.log_pages import log_pages
from elinspect_ui.panes.figures_page import FiguresPage
from elinspect_ui.panes.log_page import on_dark_ground
from elinspect_ui.panes.technician_page import TechnicianPage
from elinspect_ui.theme import DARK

_PNG = b"\x89PNG"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    cause = PlantCause(CauseOf.LANE, 2.0, 14.0, 3, position=3, along=0.25, across=0.7)
    plant = RecordPlant(stringers=3, panels_per_day=30, causes=(cause,), rates={Kind.CRACK: 0.005})
    file = tmp_path_factory.mktemp("plant") / "log.sqlite"
    with open_log(file) as log:
        simulate_into_log(log, plant, 5, 4)
    return file


@pytest.fixture
def log(place: Path):
    with open_log(place) as opened:
        yield opened


@pytest.fixture
def jobs(qtbot: QtBot):
    made = Jobs(1)
    yield made
    made.close(20_000, finish=True)


def test_the_values_of_both_pages_need_no_window(log: Log) -> None:
    pages = LogPages(log, "desk")
    seen = pages.technician(Kind.CRACK)
    assert (seen.purpose, seen.machine, seen.lane, seen.empty) == (Purpose.DEMO, "B", "2", "")
    assert seen.headline.startswith("Stringer B, lane 2")
    assert [alert.position for alert in seen.alerts if alert.position] == [3]
    assert [picture[:4] for picture in seen.pictures] == [_PNG] * 3
    shown = pages.figures(FiguresAsked(GroupBy.LANE, chart=ChartOf.FLAGGED_CELLS, days=0))
    assert shown.table is not None
    assert shown.table.rows[0].label == "B / 2"
    assert len(shown.pictures) == 2
    assert "Confirmed flagged cells" in shown.sentence


def test_an_empty_log_says_what_to_do(tmp_path: Path, qtbot: QtBot, jobs: Jobs) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        read = LogPages(log, "desk")
        readings = ReadingDesk(log, "desk", lambda: None, read.purpose)
        said = {
            "technician": "elinspect context import",
            "figures": "Nothing was inspected",
            "readings": "No panel waits for a second reading",
        }
        for page in log_pages(read, readings, lambda: None):
            widget = page.make(jobs)
            qtbot.add_widget(widget)
            widget.open()
            text = said[page.name]
            qtbot.wait_until(lambda widget=widget, text=text: text in widget._words.text(), timeout=20_000)


def test_the_technician_sees_the_lane_and_marks_a_repair(log: Log, qtbot: QtBot, jobs: Jobs, tmp_path: Path) -> None:
    at_desk: list[Person | None] = [Person("Ada", Role.TECHNICIAN)]
    tools = (MachinePart("left gripper", "B", "2", (3,), (0.0, 0.5)), MachinePart("heater", "A"))
    page = TechnicianPage(jobs, LogPages(log, "desk", tools), lambda: at_desk[0])
    qtbot.add_widget(page)
    page.open()
    qtbot.wait_until(lambda: page._front.currentIndex() == 1, timeout=30_000)
    assert page._headline.text().startswith("Stringer B, lane 2")
    assert (page.machine.text(), page.lane.text()) == ("B", "2")
    page.mark()
    assert "what was done" in page.notice.text()
    page.what.setText("gripper changed")
    for nobody in (None, Person("Eve", Role.AUDITOR)):  # signed in since the page was made
        at_desk[0] = nobody
        page.mark()
        assert page.notice.text() == words("page.mark_role")
    at_desk[0] = Person("Grace", Role.TECHNICIAN)
    page.mark()
    qtbot.wait_until(lambda: "gripper changed" in page._work.text(), timeout=30_000)
    with log.reading() as connection:
        (row,) = maintenance_of(connection)
    assert (row.machine, row.lane, row.what) == ("B", "2", "gripper changed")
    assert not page._card.isEnabled()
    page._alerts.setCurrentRow(0)
    assert page._card.isEnabled()
    qtbot.wait_until(lambda: page._right.currentIndex() == 1, timeout=30_000)
    card = [label.text() for label in page._right.currentWidget().findChildren(QLabel)]
    assert "Alert · stringer B, lane 2" in card
    assert card[card.index("position from the leading end") + 1] == "3"
    assert card[card.index("What touches there") + 1] == "left gripper"
    assert any("stop it, lock it" in text for text in card)
    page.save_card(tmp_path / "card.pdf")
    qtbot.wait_until(lambda: "card.pdf" in page.notice.text(), timeout=30_000)
    assert (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF")
    with qtbot.wait_active(page):
        page.show()
        page.activateWindow()
    page._alerts.setFocus()
    qtbot.keyClick(page._alerts, Qt.Key.Key_Escape)
    assert (page._right.currentIndex(), page._alerts.currentRow()) == (0, -1)
    assert not page._card.isEnabled()


def test_filters_change_the_figures_and_the_export(log: Log, qtbot: QtBot, jobs: Jobs, tmp_path: Path) -> None:
    page = FiguresPage(jobs, LogPages(log, "desk"))
    qtbot.add_widget(page)
    page.open()
    qtbot.wait_until(lambda: page._front.currentIndex() == 1, timeout=30_000)
    assert page._table.item(0, 0).text() == "crack"
    page.by.box.setCurrentIndex(list(GroupBy).index(GroupBy.LANE))
    qtbot.wait_until(lambda: page._table.item(0, 0).text() == "B / 2", timeout=30_000)
    assert page._table.rowCount() == 6
    page.kind.box.setCurrentIndex(page.kind.box.findData(Kind.CRACK))
    page.period.box.setCurrentIndex(page.period.box.findData(1))
    page.compared.box.setCurrentIndex(1)
    page.measure.box.setCurrentIndex(page.measure.box.findData(Measure.PER_MILLION))
    qtbot.wait_until(lambda: page._table.columnCount() == 10, timeout=30_000)  # the day before, and p
    assert page._shown.kind is Kind.CRACK
    assert page._shown.measure is Measure.PER_MILLION
    page.purpose.box.setCurrentIndex(page.purpose.box.findData(Purpose.AUDIT))
    qtbot.wait_until(lambda: page._shown is None, timeout=30_000)
    assert "Nothing was inspected" in page._words.text()
    page.purpose.box.setCurrentIndex(0)
    qtbot.wait_until(lambda: page._shown is not None, timeout=30_000)
    page.export(tmp_path / "no" / "p.csv")
    qtbot.wait_until(lambda: "cannot be written" in page.notice.text(), timeout=30_000)
    page.export(tmp_path / "p.csv")
    qtbot.wait_until(lambda: "p.csv." in page.notice.text(), timeout=30_000)
    assert (tmp_path / "p.csv").read_text(encoding="utf-8").startswith("stringer / lane")


def test_people_and_machine_are_shown_and_exported(log: Log, qtbot: QtBot, jobs: Jobs, tmp_path: Path) -> None:
    page = FiguresPage(jobs, LogPages(log, "desk"))
    qtbot.add_widget(page)
    page.shown.box.setCurrentIndex(1)
    qtbot.wait_until(lambda: page._report is not None, timeout=30_000)
    (table,) = (each for each in page.findChildren(QTableWidget) if each is not page._table)
    names = {table.item(row, 0).text() for row in range(table.rowCount())}
    assert names == {f"simulated inspector {number}" for number in (1, 2, 3)}
    assert table.item(0, 2).text().endswith("%")
    assert page._table.isHidden()
    assert not page.by.isEnabled()
    page.export(tmp_path / "people.pdf")
    qtbot.wait_until(lambda: "people.pdf" in page.notice.text(), timeout=30_000)
    assert (tmp_path / "people.pdf").read_bytes().startswith(b"%PDF")
    page.shown.box.setCurrentIndex(0)
    qtbot.wait_until(lambda: page._shown is not None, timeout=30_000)
    assert not page._table.isHidden()
    assert page.by.isEnabled()


def test_a_figure_lies_on_the_dark_ground_with_its_colours_kept() -> None:
    figure = QImage(3, 1, QImage.Format.Format_RGB888)
    for place, colour in enumerate(("#ffffff", "#000000", "#b3400f")):
        figure.setPixelColor(place, 0, QColor(colour))
    paper, ink, orange = (on_dark_ground(figure, DARK).pixelColor(place, 0) for place in range(3))
    assert (paper.name(), ink.name()) == (DARK.surface, DARK.ink)
    assert abs(orange.hue() - QColor("#b3400f").hue()) <= 8  # degrees; ink and paper are not quite grey
    assert orange.lightness() > QColor("#b3400f").lightness()
