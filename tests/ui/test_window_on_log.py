"""The window on a real log: what the inspector answered is there after the process was killed."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from painted_panel import AREA, CRACK, painted_panel
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot
from window_driver import Driver

from elinspect.imaging import read_image
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, Kind
from elinspect.review.gate import Role
from elinspect.review.session import Review
from elinspect.store import open_log
from elinspect_ui.window import GateWindow, WindowSettings

FLAGS = [(Kind.INACTIVE_AREA, 1, 2, AREA), (Kind.CRACK, 2, 3, CRACK)]


@pytest.fixture
def logged(tmp_path: Path) -> tuple[Path, str]:
    """A log with one panel that waits; its file and the inspection."""
    place = tmp_path / "log.sqlite"
    with open_log(place) as log:
        inspection = log_inspection(log, painted_panel(tmp_path / "000123.png", FLAGS), "gate")
    return place, inspection


def _read_again(place: Path, inspection: str) -> Review:
    with open_log(place) as log:
        desk = ReviewDesk(log, "gate", "B. Wren", Role.INSPECTOR, default_criteria())
        try:
            return desk.open(inspection)
        finally:
            desk.close()


def test_answers_added_flags_and_the_decision_reach_the_log(logged, qtbot: QtBot) -> None:
    place, inspection = logged
    with open_log(place) as log:
        desk = ReviewDesk(log, "gate", "A. Heron", Role.INSPECTOR, default_criteria())
        window = GateWindow(desk, WindowSettings("test"), read_image)
        window.show()
        qtbot.wait_exposed(window)
        window.start()
        driver = Driver(window, qtbot)
        driver.until_picture(inspection)
        driver.key(Qt.Key.Key_C)
        driver.key(Qt.Key.Key_D)
        driver.key(Qt.Key.Key_U)
        driver.key(Qt.Key.Key_D)
        driver.key(Qt.Key.Key_F6)  # refused: a confirmed flag stands above a limit
        assert window.state.review.decision is None
        driver.key(Qt.Key.Key_F7)
        window.close()
        desk.close()
    review = _read_again(place, inspection)
    assert {name: verdict.answer for name, verdict in review.verdicts.items()} == {
        "m1": Answer.CONFIRMED,
        "m2": Answer.DISMISSED,
    }
    assert review.decision.disposition is Disposition.REWORK


_CHILD = """
import os, sys, time
os.environ["QT_QPA_PLATFORM"] = "offscreen"
from pathlib import Path
from PySide6.QtWidgets import QApplication
from elinspect.imaging import read_image
from elinspect.operations.desk import ReviewDesk
from elinspect.recipe import default_criteria
from elinspect.review.gate import Role
from elinspect.store import open_log
from elinspect_ui.presenters.state import PictureState
from elinspect_ui.window import GateWindow, WindowSettings

app = QApplication([])
with open_log(Path(sys.argv[1])) as log:
    window = GateWindow(
        ReviewDesk(log, "gate", "A. Heron", Role.INSPECTOR, default_criteria()), WindowSettings(), read_image
    )
    window.show()
    window.start()
    while window.state.picture is not PictureState.SHOWN:
        app.processEvents()
    window._actions["confirm"].trigger()
    while window.state.line.flag.id == "m1":
        app.processEvents()
    print("the next flag is on screen", flush=True)
    time.sleep(60)
"""


def test_an_answer_is_in_the_log_once_the_next_flag_shows_whatever_happens_then(logged) -> None:
    place, inspection = logged
    child = subprocess.Popen([sys.executable, "-c", _CHILD, str(place)], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout.readline() == "the next flag is on screen\n"
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait(30)
        child.stdout.close()
    review = _read_again(place, inspection)
    assert {name: verdict.answer for name, verdict in review.verdicts.items()} == {"m1": Answer.CONFIRMED}
