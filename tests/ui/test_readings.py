"""Second readings in the window: drawn at random, read blind, logged by somebody who did not decide the panel."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from logged_panels import recipe_for
from painted_panel import CRACK, FINGER, painted_panel
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QMenu
from pytestqt.qtbot import QtBot

from elinspect.catalogue import words
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.reading_desk import ReadingDesk
from elinspect.operations.versions import log_recipe
from elinspect.recipe import ProductRecipe, default_criteria
from elinspect.records import Address, Disposition, Kind, Layout, PanelResult, Purpose
from elinspect.review.desk import Person
from elinspect.review.gate import Role
from elinspect.store import Log, open_log
from elinspect.store.events import EventKind
from elinspect_ui.jobs import Jobs
from elinspect_ui.panes.readings_page import ReadingsPage
from elinspect_ui.presenters.state import PictureState
from elinspect_ui.theme import DARK

Key = Qt.Key
SHIFT = Qt.KeyboardModifier.ShiftModifier


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    """Three panels that passed with nothing seen in them, one of them with a flag below the limits; one reworked."""
    with open_log(tmp_path / "log.sqlite") as opened:
        recipe = recipe_for(Layout.parse("3x4"))
        log_recipe(opened, recipe, "gate")
        desk = ReviewDesk(opened, "gate", "A. Heron", Role.INSPECTOR, default_criteria())
        for serial, flagged in (("1", []), ("2", [(Kind.FINGER_INTERRUPTION, 1, 1, FINGER)]), ("3", [])):
            panel = painted_panel(tmp_path / f"{serial}.png", flagged, serial=serial, seed=int(serial))
            desk.decide(desk.open(log_inspection(opened, _made_to(recipe, panel), "gate")), Disposition.ACCEPT)
        panel = painted_panel(tmp_path / "4.png", [(Kind.CRACK, 1, 1, CRACK)], serial="4")
        desk.decide(desk.open(log_inspection(opened, _made_to(recipe, panel), "gate")), Disposition.REWORK)
        desk.close()
        yield opened


def _made_to(recipe: ProductRecipe, panel: PanelResult) -> PanelResult:
    return replace(panel, versions=replace(panel.versions, recipe=recipe.label))


class Reader:
    """A person at the page."""

    def __init__(self, page: ReadingsPage, desk: ReviewDesk, qtbot: QtBot) -> None:
        self.page, self.desk, self.qtbot = page, desk, qtbot

    @property
    def state(self):
        return self.page._presenter.state

    def settle(self) -> None:
        self.qtbot.wait_until(lambda: not self.state.busy)

    def until_picture(self) -> None:
        self.qtbot.wait_until(lambda: self.state.picture is PictureState.SHOWN and self.state.unseen == 0)

    def key(self, key: Qt.Key, modifier: Qt.KeyboardModifier = Qt.KeyboardModifier.NoModifier) -> None:
        self.page.activateWindow()  # without a window manager a closed menu leaves none active
        self.qtbot.wait_until(self.page.isActiveWindow)
        self.qtbot.keyClick(self.page.focusWidget() or self.page, key, modifier)
        self.settle()


@pytest.fixture
def sit_down(log: Log, qtbot: QtBot) -> Iterator[Callable[[str, Role], Reader]]:
    """Open the page for a person."""
    jobs = Jobs(1)
    desks: list[ReviewDesk] = []

    def sit(name: str, role: Role) -> Reader:
        desk = ReviewDesk(log, "seat 2", name, role, default_criteria())
        desks.append(desk)
        reading = ReadingDesk(log, "seat 2", lambda: desk.person_id, lambda: Purpose.PRODUCTION)
        page = ReadingsPage(jobs, reading, lambda: desk.person)
        page.use_theme(DARK, 13)
        page.resize(1366, 720)
        qtbot.addWidget(page)
        page.show()
        qtbot.wait_exposed(page)
        page.open()
        reader = Reader(page, desk, qtbot)
        reader.settle()
        return reader

    yield sit
    jobs.close(20_000, finish=True)
    for desk in desks:
        desk.close()


def _readings(log: Log) -> list:
    return [event for event in log.events() if event.kind == EventKind.SECOND_READING]


def test_nothing_waits_before_somebody_draws_and_an_inspector_does_not_draw(sit_down, log) -> None:
    reader = sit_down("B. Wren", Role.INSPECTOR)
    assert reader.page._words.text() == words("readings.none_waits")
    assert not reader.page.draw.isEnabled()
    reader.page._presenter.ask(2, 1)
    reader.settle()
    assert reader.state.notice.text == words("readings.who_asks")
    assert not reader.state.waiting


def test_a_quality_engineer_draws_reads_and_logs_by_keyboard(sit_down, log) -> None:
    reader = sit_down("Q. Finch", Role.QUALITY_ENGINEER)
    reader.page.number.setValue(30)
    reader.qtbot.mouseClick(reader.page.draw, Qt.MouseButton.LeftButton)
    reader.qtbot.wait_until(lambda: len(reader.state.waiting) == 3)
    reader.until_picture()
    first, second, third = reader.state.waiting
    assert {first.serial, second.serial, third.serial} == {"1", "2", "3"}
    reader.key(Key.Key_Right, SHIFT)
    reader.key(Key.Key_Right, SHIFT)
    here = reader.page.panel.view.selected
    reader.key(Key.Key_A)
    reader.qtbot.wait_until(lambda: isinstance(QApplication.activePopupWidget(), QMenu))
    reader.qtbot.keyClick(QApplication.activePopupWidget(), Key.Key_1)
    reader.qtbot.wait_until(lambda: QApplication.activePopupWidget() is None)
    assert [(flag.kind, flag.string, flag.position) for flag in reader.state.seen] == [
        (Kind.CRACK, here.string, here.position)
    ]
    assert reader.page.give.text() == f"{words('readings.log_cells', n=1)}  [F6]"
    reader.key(Key.Key_F6)
    reader.qtbot.wait_until(lambda: reader.state.current == second)
    reader.until_picture()
    assert not reader.state.seen
    reader.key(Key.Key_F6)
    reader.qtbot.wait_until(lambda: reader.state.current == third)
    logged = [event.data for event in _readings(log)]
    assert [(data["inspection"], data["cells"]) for data in logged] == [
        (first.inspection, [[here.string, here.position, "crack"]]),
        (second.inspection, []),
    ]


def _drawn(sit_down) -> None:
    asking = sit_down("Q. Finch", Role.QUALITY_ENGINEER)
    asking.page._presenter.ask(30, 1)
    asking.qtbot.wait_until(lambda: len(asking.state.waiting) == 3)
    asking.settle()


def test_the_reader_sees_no_flag_whatever_the_machine_saw(sit_down) -> None:
    _drawn(sit_down)
    reader = sit_down("B. Wren", Role.INSPECTOR)
    for waiting in reader.state.waiting:
        reader.page._presenter.choose(waiting)
        reader.settle()
        reader.until_picture()
        assert reader.state.result.flags == ()
        assert not reader.page.panel.view._lines
    assert "finger" not in " ".join(label.text() for label in reader.page.findChildren(type(reader.page._words)))


def test_who_decided_the_panels_reads_none_of_them(sit_down) -> None:
    _drawn(sit_down)
    reader = sit_down("A. Heron", Role.INSPECTOR)
    assert reader.state.waiting == ()
    assert reader.page._words.text() == words("readings.only_own", n=3)


def test_nothing_is_logged_before_every_cell_was_on_screen(sit_down, log) -> None:
    _drawn(sit_down)
    reader = sit_down("B. Wren", Role.INSPECTOR)
    reader.until_picture()
    reader.page._presenter.cells_seen(4)
    assert not reader.page.give.isEnabled()
    reader.key(Key.Key_F6)
    assert reader.state.notice.text == words("readings.unseen", n=4)
    assert not _readings(log)


def test_a_picture_that_is_gone_is_said_and_cannot_be_read(sit_down, log, tmp_path: Path) -> None:
    _drawn(sit_down)
    kept = {picture: picture.read_bytes() for picture in tmp_path.glob("*.png")}
    for picture in kept:
        picture.unlink()
    reader = sit_down("B. Wren", Role.INSPECTOR)
    reader.qtbot.wait_until(lambda: reader.state.picture is PictureState.FAILED)
    assert reader.page.panel._message.text() == words("desktop.picture.failed")
    reader.key(Key.Key_F6)
    assert not _readings(log)
    for picture, data in kept.items():
        picture.write_bytes(data)
    reader.key(Key.Key_F5)
    reader.until_picture()


def test_a_scanner_is_heard_over_the_choice_of_kinds(sit_down, qtbot: QtBot) -> None:
    _drawn(sit_down)
    reader = sit_down("B. Wren", Role.INSPECTOR)
    reader.until_picture()
    reader.key(Key.Key_A)
    qtbot.wait_until(lambda: isinstance(QApplication.activePopupWidget(), QMenu))
    with qtbot.wait_signal(reader.page.scanned):
        qtbot.keyClick(QApplication.activePopupWidget(), Key.Key_F2)
    assert QApplication.activePopupWidget() is None


def test_a_mark_is_taken_off_and_another_reader_begins_with_none(sit_down) -> None:
    _drawn(sit_down)
    reader = sit_down("B. Wren", Role.INSPECTOR)
    reader.until_picture()
    places = reader.page.panel.view.picture.places
    reader.page._presenter.mark(places, Address(1, 2), Kind.CRACK)
    reader.page._presenter.mark(places, Address(1, 2), Kind.DARK_CELL)
    assert [flag.kind for flag in reader.state.seen] == [Kind.DARK_CELL]
    reader.page.panel.view.select(Address(1, 2))
    reader.key(Key.Key_Backspace)
    assert reader.state.seen == ()
    reader.page._presenter.mark(places, Address(2, 2), Kind.CRACK)
    reader.desk.sign_in("C. Dove", "")
    assert reader.desk.person == Person("C. Dove", Role.INSPECTOR)
    reader.page.open()
    reader.settle()
    assert reader.state.seen == ()
    assert reader.state.current is not None
