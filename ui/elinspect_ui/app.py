"""Opens the window: wiring only."""

import signal
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from PySide6.QtWidgets import QApplication

from elinspect.records import ElImage
from elinspect.review.desk import Desk
from elinspect_ui.desk_hands import in_person_words
from elinspect_ui.pages import Page
from elinspect_ui.window import GateWindow, WindowSettings


def run(
    desk: Desk,
    title: str = "",
    *,
    who: str = "",
    start: str | None = None,
    light: bool = False,
    pages: Sequence[Page] = (),
    takts: Mapping[str, float] | None = None,
    shifts: Sequence[str] = (),
    walk: bool = False,
) -> int:
    """Open the reviewer's window and stay until it is closed.

    Call `elinspect_ui.probe.display_problem` first: Qt aborts the process where it can open no window.

    Parameters
    ----------
    desk : Desk
        The place to review panels; from now on used only on one thread of the window's own.
    title : str
        What stands in the title bar after the program's name, such as the station.
    who : str
        Shown at the top right; by default who is signed in.
    start : str, optional
        Inspection to open first; otherwise the panel that has waited longest.
    light : bool
        Begin with the light theme.
    pages : sequence of Page
        Pages beside the gate; their background work runs on a thread of its own, not the desk's.
    takts : mapping from str to float, optional
        Takt of each station in seconds; under ``""`` that of every other.
    shifts : sequence of str
        When shifts begin, ``06:00``.
    walk : bool
        Lead through the gate on the first practice panel.

    Returns
    -------
    int
        Exit code.
    """
    application = QApplication.instance()
    if not isinstance(application, QApplication):
        application = QApplication(sys.argv[:1])
    application.setApplicationName("elinspect")
    application.setStyle("Fusion")
    shown = who or in_person_words(desk.person)
    settings = WindowSettings(title, shown, light, pages, takts or {}, shifts, walk=walk)
    window = GateWindow(desk, settings, _read)
    window.showMaximized()
    window.start(start)
    before = signal.signal(signal.SIGINT, lambda *_: window.close())  # runs at the next reading of the queue
    try:
        return application.exec()
    finally:
        signal.signal(signal.SIGINT, before)


def _read(path: Path) -> ElImage:
    # Loaded in the background: the window need not wait for the readers of files.
    from elinspect.imaging import read_image

    return read_image(path)
