"""Writes a picture of every pane and page, in every size, scaling and theme, for looking at.

Run: python tests/long/window_pictures.py FOLDER [--screens WxH ...] [--scales S ...] [--only NAME ...]
(offscreen unless a display is given; each scaling in a process of its own, about a minute for each screen)
Screens are in their own pixels: at a scaling of 200 % a window on 1920x1080 has room for 960x540 of Qt's pixels.
"""

import argparse
import itertools
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parents[1]))

SCREENS = ("1366x768", "1920x1080", "3840x2160")
SCALES = ("1", "1.25", "1.5", "2")


def main() -> None:
    """Write the pictures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--screens", nargs="+", default=SCREENS)
    parser.add_argument("--scales", nargs="+", default=SCALES)
    parser.add_argument("--only", nargs="+", default=(), help="pictures whose name begins so")
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    if given.here:
        with tempfile.TemporaryDirectory() as place:
            made = Scenery(Path(place))
            for screen in given.screens:
                for light in (False, True):
                    Photographer(given, made, screen, light).photograph()
            made.close()
        return
    for scale in given.scales:
        options = ["--screens", *given.screens, "--scales", scale, "--here"]
        options += ["--only", *given.only] if given.only else []
        environment = {**os.environ, "QT_SCALE_FACTOR": scale}
        subprocess.run([sys.executable, __file__, str(given.folder), *options], check=True, env=environment)
    print(f"{len(list(given.folder.glob('*.png')))} pictures in {given.folder}")


class Photographer:
    """Brings the window into every state and takes its picture."""

    def __init__(self, given: argparse.Namespace, made: "Scenery", screen: str, light: bool) -> None:
        from PySide6.QtWidgets import QApplication

        self.given, self.made, self.light = given, made, light
        self.app = QApplication.instance() or QApplication(sys.argv[:1])
        self.app.setStyle("Fusion")  # type: ignore[attr-defined]
        scale = float(given.scales[0])
        self.width, self.height = (round(int(side) / scale) for side in screen.split("x"))
        self.name = f"{'light' if light else 'dark'}-{screen}@{given.scales[0]}"

    def photograph(self) -> None:
        """Take all pictures of this size and theme."""
        window = self._open(self.made.desk)
        self._until(lambda: window.state.picture == "shown" and window.state.unseen == 0)
        self._gate(window)
        self._help(window)
        self._people(window)
        self._panels(window)
        window.close()
        if self._asked("empty", "loading", "log-lost"):
            self._states()
        if self._asked("page-"):
            self._pages()

    def _open(self, desk: object, pages: object = (), read: Callable[[Path], Any] | None = None) -> Any:
        from elinspect.imaging import read_image
        from elinspect_ui.window import GateWindow, WindowSettings

        settings = WindowSettings("EL 1", "R. Okafor · inspector", self.light, pages, {"": 30.0}, lock_after_s=None)  # type: ignore[arg-type]
        window = GateWindow(desk, settings, read or read_image)  # type: ignore[arg-type]
        window.resize(self.width, self.height)
        window.show()
        window.start()
        return window

    def shot(self, name: str, widget: Any) -> None:
        """Take a picture."""
        if not self._asked(name):
            return
        for _ in range(8):
            self.app.processEvents()
        widget.grab().save(str(self.given.folder / f"{name}-{self.name}.png"))

    def _asked(self, *names: str) -> bool:
        """Return whether any picture is asked for whose name begins so."""
        only = self.given.only
        return not only or any(name.startswith(wanted) or wanted.startswith(name) for name in names for wanted in only)

    def _gate(self, window: Any) -> None:
        from elinspect_ui.panes.unread_window import UnreadWindow
        from elinspect_ui.viewer.rule import Rule

        act, view = window._actions, window._panel.view
        self.shot("gate", window)
        act["zoom_flag"].trigger()
        self.shot("zoomed", window)
        act["fit"].trigger()
        self._menu(window, "change_kind")
        act["confirm"].trigger()
        self._until(lambda: window.state.busy is None)
        for name in ("hold", "note", "scan", "withdraw"):
            act[name].trigger()
            if window.state.asking is not None:
                self.shot(f"asks-{name}", window)
                window._presenter.leave_reason()
        act["rule"].trigger()
        quad = view.picture.places.quads[12]
        view._rule = Rule(tuple(quad[0]), tuple(quad[2]), True)
        view.measured.emit(view._rule_words())
        view.update()
        self.shot("rule", window)
        act["rule"].trigger()
        act["walk"].trigger()
        self.shot("walk", window)
        window._guidance.leave_walk()
        act["unread"].trigger()
        listed = window.findChildren(UnreadWindow)[0]
        self.shot("unread", listed)
        listed.close()

    def _menu(self, window: Any, command: str) -> None:
        from PySide6.QtWidgets import QApplication

        window._actions[command].trigger()
        self._until(lambda: QApplication.activePopupWidget() is not None)
        menu = QApplication.activePopupWidget()
        self.shot(f"menu-{command}", menu)
        menu.close()

    def _help(self, window: Any) -> None:
        from elinspect_ui.panes.help_window import TOPICS

        window._actions["help"].trigger()
        for topic in TOPICS:
            window._guidance.help.show_topic(topic)
            self.shot(f"help-{topic}", window._guidance.help)
        window._guidance.help.close()

    def _people(self, window: Any) -> None:
        window._actions["sign_in"].trigger()
        self.shot("sign-in", window)
        window._desk_hands.page.refuse("Name and PIN do not belong together. Try again.")
        self.shot("sign-in-refused", window)
        window._desk_hands._leave()
        self._until(lambda: window.state.busy is None)
        window._desk_hands._with_pin = True
        window._actions["lock"].trigger()
        self.shot("locked", window)
        window._desk_hands._back()
        window._desk_hands._with_pin = False

    def _panels(self, window: Any) -> None:
        act, view = window._actions, window._panel.view
        for name in ("tiles", "again", "clean", "held", "lost"):
            window._presenter.line.open(name)
            self._until(lambda name=name: window._on_screen.inspection == name and window.state.busy is None)
            self._until(lambda: window.state.picture != "loading")
            self.shot(f"panel-{name}", window)
            if name == "tiles":
                act["next_picture"].trigger()
                self.shot("panel-tiles-next", window)
            if name == "again":
                act["earlier"].trigger()
                self._until(lambda: view.earlier_shown)
                self.shot("earlier", window)
                act["earlier"].trigger()

    def _states(self) -> None:
        """Nothing there yet; a picture that takes its time; a log that cannot be read."""
        from memory_desk import MemoryDesk

        from elinspect.imaging import read_image

        window = self._open(MemoryDesk())
        self._until(lambda: window._presenter.state.shift is not None)
        self.shot("empty", window)
        window.close()

        def slowly(path: Path) -> object:
            time.sleep(1.5)
            return read_image(path)

        window = self._open(self.made.desk, read=slowly)
        self._until(lambda: window.state.review is not None)
        self.shot("loading", window)
        window.close()
        window = self._open(MemoryDesk(broken={"queue"}))
        self._until(lambda: window.state.queue_problem is not None)
        self.shot("log-lost", window)
        window.close()

    def _pages(self) -> None:
        """The pages beside the gate: filled, empty, and with a log that cannot be read."""
        for state, pages in self.made.pages().items():
            window = self._open(self.made.desk, pages)
            for page in pages:
                window.show_page(page.name)
                if state == "filled":
                    self.shot(f"page-{page.name}-reading", window)
                jobs = window._front._jobs
                self._until(lambda jobs=jobs: jobs.idle)
                self.shot(f"page-{page.name}-{state}", window)
            window.close()

    def _until(self, condition: Callable[[], bool]) -> None:
        from PySide6.QtTest import QTest

        for _ in range(3000):
            if condition():
                return
            QTest.qWait(20)
        raise TimeoutError("the window did not get there")


class Scenery:
    """What the pictures show: a desk with panels of every sort, and logs for the pages."""

    def __init__(self, place: Path) -> None:
        from contextlib import ExitStack

        from elinspect.store import open_log

        self.desk: Any = practice_desk(place)
        self._opened = ExitStack()
        self.plant = self._opened.enter_context(open_log(place / "plant.sqlite"))
        self.read = self._opened.enter_context(open_log(place / "read.sqlite"))
        self.nothing = self._opened.enter_context(open_log(place / "empty.sqlite"))
        self._run_plant()
        self._pass_panels()

    def close(self) -> None:
        """Close the logs."""
        self._opened.close()

    def _run_plant(self) -> None:
        from elinspect.operations.simulating import simulate_into_log
        from elinspect.records import Kind
        from elinspect.synthetic.plant_records import CauseOf, PlantCause, RecordPlant

        cause = PlantCause(CauseOf.LANE, 2.0, 14.0, 3, position=3, along=0.25, across=0.7)
        plant = RecordPlant(stringers=3, panels_per_day=30, causes=(cause,), rates={Kind.CRACK: 0.005})
        simulate_into_log(self.plant, plant, 5, 4)

    def _pass_panels(self) -> None:
        """Let an inspector accept two panels, and a quality engineer ask for second readings of them."""
        from elinspect.criteria import default_criteria
        from elinspect.operations.desk import ReviewDesk
        from elinspect.operations.log_inspection import log_inspection
        from elinspect.operations.versions import log_recipe
        from elinspect.records import Disposition
        from elinspect.review.gate import Role
        from elinspect.synthetic import demo_panels

        for made in itertools.islice(demo_panels(7), 2):
            log_recipe(self.read, made.recipe, "EL 1")
        desk = ReviewDesk(self.read, "EL 1", "R. Okafor", Role.INSPECTOR, default_criteria())
        for name in ("first", "clean"):
            panel = self.desk.results[name]
            panel = replace(panel, flags=(), proposal=replace(panel.proposal, disposition=Disposition.ACCEPT))
            desk.decide(desk.open(log_inspection(self.read, panel, "EL 1")), Disposition.ACCEPT)
        desk.close()

    def pages(self) -> dict[str, Any]:
        """Return the pages in every state."""
        from elinspect.criteria import default_criteria
        from elinspect.errors import LogError
        from elinspect.operations.desk import ReviewDesk
        from elinspect.operations.log_pages import LogPages
        from elinspect.operations.reading_desk import ReadingDesk
        from elinspect.records import Purpose
        from elinspect.review.gate import Role
        from elinspect_ui.log_pages import log_pages

        desk = ReviewDesk(self.read, "seat 2", "Q. Finch", Role.QUALITY_ENGINEER, default_criteria())
        reading = ReadingDesk(self.read, "seat 2", lambda: desk.person_id, lambda: Purpose.DEMO)
        if not reading.waiting()[0]:
            reading.ask(2, 1)

        class Lost(LogPages):
            def technician(self, _kind: object) -> Any:
                raise LogError("settings.unreadable", what="log", file="gate.sqlite", cause="disk full")

            figures = technician  # type: ignore[assignment]

        class LostReadings(ReadingDesk):
            def waiting(self) -> Any:
                raise LogError("settings.unreadable", what="log", file="gate.sqlite", cause="disk full")

        def person() -> Any:
            return desk.person

        nobody = ReadingDesk(self.nothing, "seat 2", lambda: None, lambda: Purpose.DEMO)
        lost = LostReadings(self.nothing, "seat 2", lambda: None, lambda: Purpose.DEMO)
        return {
            "filled": log_pages(LogPages(self.plant, "seat 2"), reading, person),
            "empty": log_pages(LogPages(self.nothing, "seat 2"), nobody, person),
            "lost": log_pages(Lost(self.nothing, "seat 2"), lost, person),
        }


def practice_desk(place: Path) -> object:
    """Simulated panels of an invented plant, inspected: one with flags, its retake, a clean one, one lost."""
    from memory_desk import MemoryDesk

    from elinspect.catalogue import Message
    from elinspect.criteria import default_criteria
    from elinspect.imaging import single_exposure
    from elinspect.pipeline import Occasion, inspect_panel
    from elinspect.recipe import Product
    from elinspect.records import Disposition, Purpose
    from elinspect.review.desk import UnreadFile
    from elinspect.review.session import Decision, Hold
    from elinspect.synthetic import demo_panels, write_panel

    desk = MemoryDesk(name="R. Okafor")
    results = []
    for made in itertools.islice(demo_panels(7), 3):
        image = write_panel(place, made.serial, made.panel)
        occasion = Occasion(made.serial, purpose=Purpose.DEMO)
        results.append(inspect_panel(single_exposure(image), Product(made.recipe), default_criteria(), occasion))
    first, second, third = results
    desk.arrive("first", first)
    desk.arrive("again", replace(first, attempt=2))
    desk.arrive("clean", replace(second, flags=(), proposal=replace(second.proposal, disposition=Disposition.ACCEPT)))
    desk.arrive("held", third)
    desk.arrive("tiles", two_pictures())
    since = (datetime.now().astimezone() - timedelta(hours=3, minutes=12)).isoformat()
    desk.logged["held"] = replace(
        desk.logged["held"],
        decision=Decision(Disposition.HOLD, "R. Okafor", since, "edge of string C looks odd"),
        hold=Hold("Quality office", since),
    )
    lost = replace(second, serial="000103647999", image=replace(second.image, path=str(place / "gone.png")))
    desk.arrive("lost", lost)
    reason = Message("imaging.truncated", {"file": "000103648001.png"})
    desk.unread_files = [UnreadFile("EL 1", "000103648001.png", reason, since)]
    return desk


def two_pictures() -> object:
    """The sample panel that was photographed in two pictures, inspected."""
    import json

    from elinspect.criteria import default_criteria
    from elinspect.imaging import PanelFiles, TileSetup, read_panel
    from elinspect.pipeline import Occasion, inspect_panel
    from elinspect.recipe import assumed_product
    from elinspect.records import Layout, Purpose

    folder = Path(__file__).parents[2] / "synthetic_images"
    truth = json.loads((folder / "two_exposures_6x10.truth.json").read_text(encoding="utf-8"))
    exposures = read_panel(PanelFiles(tuple(folder / tile["file"] for tile in truth["tiles"])))
    setups = tuple(TileSetup(None, (tile["left"], tile["top"])) for tile in truth["tiles"])
    occasion = Occasion("000103648115", purpose=Purpose.DEMO)
    return inspect_panel(exposures, assumed_product(Layout.parse("6x10")), default_criteria(), occasion, cameras=setups)


if __name__ == "__main__":
    main()
