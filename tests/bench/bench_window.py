"""How long the window takes: start, next flag, next panel, one repaint while the picture is dragged.

Run: python tests/bench/bench_window.py [width height] [many] (offscreen unless QT_QPA_PLATFORM or a display is given).
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parents[1]))

from painted_panel import AREA, CRACK, FINGER, Outline, painted_panel
from PySide6.QtCore import QEventLoop
from PySide6.QtWidgets import QApplication

from elinspect.imaging import read_image
from elinspect.records import Kind
from elinspect_ui.presenters.state import PictureState
from elinspect_ui.window import GateWindow, WindowSettings

MANY = [(Kind.FINGER_INTERRUPTION, 1 + n % 6, 1 + n % 10, FINGER) for n in range(500)]
FLAGS = [
    (kind, string, position, outline)
    for string in range(1, 7)
    for kind, position, outline in (
        (Kind.CRACK, 2, CRACK),
        (Kind.INACTIVE_AREA, 5, AREA),
        (Kind.FINGER_INTERRUPTION, 8, FINGER),
    )
]


class Times:
    """Milliseconds of the clock, and of the Qt thread's own work: on a busy machine only the second tells anything."""

    def __init__(self, app: QApplication) -> None:
        self._app = app
        self.wall: list[float] = []
        self.work: list[float] = []

    def add(self, act: Callable[[], object], until: Callable[[], bool] = lambda: True) -> None:
        """Time until something asked for has been painted."""
        wall, work = time.perf_counter(), time.thread_time()
        act()
        while not until():
            self._app.processEvents(QEventLoop.ProcessEventsFlag.WaitForMoreEvents, 1)
        self._app.processEvents()
        self.wall.append(1e3 * (time.perf_counter() - wall))
        self.work.append(1e3 * (time.thread_time() - work))

    def say(self, what: str) -> None:
        """Print medians."""
        print(
            f"{what:34s} {median(self.wall):7.1f} ms, slowest {max(self.wall):7.1f} ms; "
            f"the Qt thread worked {median(self.work):6.1f} ms, at most {max(self.work):6.1f} ms"
        )


def main(width: int, height: int, flags: list[tuple[Kind, int, int, Outline]]) -> None:
    """Print the figures."""
    from memory_desk import MemoryDesk

    app = QApplication(sys.argv[:1])
    app.setStyle("Fusion")
    with tempfile.TemporaryDirectory() as folder:
        desk = MemoryDesk()
        for number in range(3):
            # 21.6 MP: 6 x 10 cells of 600 px
            path = Path(folder) / f"{number}.png"
            desk.arrive(str(number), painted_panel(path, flags, layout="6x10", cell_px=580, serial=str(number)))
        imported = time.perf_counter()
        window = GateWindow(desk, WindowSettings("bench"), read_image)
        window.resize(width, height)
        window.show()
        app.processEvents()
        print(
            f"window on screen, imports and drawing of test pictures not counted {time.perf_counter() - imported:.2f} s"
        )

        def shown() -> bool:
            return window.state.picture is PictureState.SHOWN and window.state.busy is None

        first, steps, answers, drags, slides, panel = (Times(app) for _ in range(6))
        first.add(window.start, shown)
        first.say("first panel (21.6 MP) on screen")
        for _ in range(30):
            steps.add(window._actions["next_flag"].trigger)
        steps.say("next flag")
        for _ in range(10):
            answers.add(window._actions["confirm"].trigger, lambda: window.state.busy is None)
        answers.say("confirm, next flag shown")
        window._actions["zoom_flag"].trigger()
        app.processEvents()
        view = window._panel.view
        for _ in range(20):
            drags.add(lambda: view._look(view.viewport.moved(7, 3)))
        drags.say("one repaint while dragging")
        for _ in range(20):
            slides.add(lambda: window._panel.step_middle(2))
        slides.say("one step of contrast")
        time.sleep(2.0)
        app.processEvents()
        panel.add(window._actions["next_panel"].trigger, lambda: shown() and window._on_screen.inspection == "1")
        panel.say("next panel, read ahead")
        window.close()


if __name__ == "__main__":
    many = "many" in sys.argv
    sizes = [int(text) for text in sys.argv[1:] if text.isdigit()] or [1920, 1080]
    main(sizes[0], sizes[1], [*FLAGS, *MANY] if many else FLAGS)
