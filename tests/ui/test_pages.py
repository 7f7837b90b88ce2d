"""Pages beside the gate: made when first opened, the gate's keys off meanwhile."""

import pytest
from memory_desk import MemoryDesk
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot
from window_driver import Driver

from elinspect.imaging import read_image
from elinspect_ui.jobs import Jobs
from elinspect_ui.pages import Page, PageWidget
from elinspect_ui.theme import Theme
from elinspect_ui.window import GateWindow, WindowSettings

Key, CTRL = Qt.Key, Qt.KeyboardModifier.ControlModifier


class CountingPage(PageWidget):
    """Reads a number in the background, as a page of figures does."""

    def __init__(self, jobs: Jobs) -> None:
        super().__init__()
        self._jobs = jobs
        self.opened = 0
        self.read: list[int] = []
        self.themes: list[str] = []

    def open(self) -> None:
        self.opened += 1
        self._jobs.submit(lambda: 41 + self.opened, self.read.append, self._failed)

    def _failed(self, error: Exception) -> None:
        raise error

    def use_theme(self, theme: Theme, _size_px: int) -> None:
        self.themes.append(theme.name)


@pytest.fixture
def made() -> list[CountingPage]:
    return []


@pytest.fixture
def driver(qtbot: QtBot, desk: MemoryDesk, made: list[CountingPage]) -> Driver:
    def make(jobs: Jobs) -> CountingPage:
        made.append(CountingPage(jobs))
        return made[-1]

    window = GateWindow(desk, WindowSettings("test", pages=(Page("technician", make),)), read_image)
    qtbot.add_widget(window)
    window.show()
    window.start()
    opened = Driver(window, qtbot)
    opened.until_picture("a")
    return opened


def test_a_page_is_made_when_first_opened_and_reads_in_the_background(driver, made) -> None:
    assert made == []
    driver.key(Key.Key_2, CTRL)
    driver.until(lambda: made[0].read == [42])
    assert made[0].isVisible()
    assert not driver.window._panel.isVisible()
    driver.key(Key.Key_1, CTRL)
    driver.key(Key.Key_2, CTRL)
    driver.until(lambda: made[0].read == [42, 43])
    assert len(made) == 1


def test_the_keys_of_the_gate_do_nothing_behind_a_page(driver, desk) -> None:
    driver.key(Key.Key_2, CTRL)
    driver.key(Key.Key_C)
    driver.key(Key.Key_F7)
    assert desk.logged["a"].verdicts == {}
    assert desk.logged["a"].decision is None
    driver.key(Key.Key_1, CTRL)
    driver.key(Key.Key_C)
    assert list(desk.logged["a"].verdicts) == ["m1"]


def test_a_page_follows_the_theme(driver, made) -> None:
    driver.key(Key.Key_2, CTRL)
    driver.key(Key.Key_L)
    assert made[0].themes[0] == "dark"
    assert made[0].themes[-1] == "light"


def test_a_page_that_is_not_there_cannot_be_opened(driver) -> None:
    assert not driver.window._actions["page_figures"].isVisible()
    driver.window.show_page("figures")
    assert driver.window._panel.isVisible()


def test_a_scanner_is_heard_from_every_page_and_its_letters_are_no_commands(driver, desk) -> None:
    driver.key(Key.Key_2, CTRL)
    driver.key(Key.Key_F2)
    assert driver.window._panel.isVisible()
    QTest.keyClicks(driver.window.focusWidget(), "000124cd")
    assert driver.window._decision.reason.text() == "000124cd"
    assert desk.logged["a"].verdicts == {}


def test_the_buttons_of_the_pages_are_whole_whatever_the_name_beside_them(driver) -> None:
    bar = driver.window._front.bar
    for name in ("Q. Finch · quality engineer", "A. B.", "Wilhelmina Featherstonehaugh · administrator"):
        driver.window._who.setText(name)
        QApplication.processEvents()
        for part in (*bar._buttons.values(), driver.window._who):
            assert part.width() >= part.sizeHint().width()
            right = part.mapTo(driver.window, part.rect().topRight()).x()
            assert 0 < right < driver.window.width()
