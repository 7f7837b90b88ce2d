"""Qt draws to memory unless a display is asked for; a window that is ready to be driven by keys."""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from memory_desk import MemoryDesk
from painted_panel import AREA, CRACK, FINGER, painted_panel
from pytestqt.qtbot import QtBot
from window_driver import Driver

from elinspect.imaging import read_image
from elinspect.records import ElImage, Kind
from elinspect_ui.window import GateWindow, WindowSettings

TWO_ABOVE_ONE_BELOW = [
    (Kind.INACTIVE_AREA, 1, 2, AREA),
    (Kind.CRACK, 2, 3, CRACK),
    (Kind.FINGER_INTERRUPTION, 3, 1, FINGER),
]


@pytest.fixture
def desk(tmp_path: Path) -> MemoryDesk:
    """Three panels: two flags above a limit and one below; none; one above."""
    desk = MemoryDesk()
    desk.arrive("a", painted_panel(tmp_path / "a.png", TWO_ABOVE_ONE_BELOW))
    desk.arrive("b", painted_panel(tmp_path / "b.png", [], serial="000124"))
    desk.arrive("c", painted_panel(tmp_path / "c.png", [(Kind.CRACK, 2, 2, CRACK)], serial="000125"))
    return desk


@pytest.fixture
def open_window(qtbot: QtBot) -> Iterator[Callable[..., Driver]]:
    """Open a window on a desk; it is closed at the end of the test."""
    opened: list[GateWindow] = []

    def open_on(desk: MemoryDesk, read: Callable[[Path], ElImage] = read_image, start: str | None = None) -> Driver:
        window = GateWindow(desk, WindowSettings("test"), read)
        opened.append(window)
        window.show()
        qtbot.wait_exposed(window)
        window.start(start)
        return Driver(window, qtbot)

    yield open_on
    for window in opened:
        window.close()
        window.deleteLater()


@pytest.fixture
def driver(open_window: Callable[..., Driver], desk: MemoryDesk) -> Driver:
    """The window on `desk`, the first panel and its picture on screen."""
    opened = open_window(desk)
    opened.until_picture("a")
    return opened
