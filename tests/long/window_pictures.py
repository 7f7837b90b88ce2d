"""Writes a picture of every pane, in every size and theme, for looking at.

Run: python tests/long/window_pictures.py FOLDER [--only SIZE] (offscreen unless a display is given)
Sizes: 1366x768, 1920x1080, 3840x2160, and 3840x2160 at a scaling of 200 % (in a process of its own).
"""

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parents[1]))

SIZES = ("1366x768", "1920x1080", "3840x2160", "1920x1080@2")


def main() -> None:
    """Write the pictures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", choices=SIZES)
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    if given.only is not None:
        Photographer(given.folder, given.only).photograph()
        return
    for size in SIZES:
        scale = size.partition("@")[2] or "1"
        environment = {**os.environ, "QT_SCALE_FACTOR": scale}
        command = [sys.executable, __file__, str(given.folder), "--only", size]
        subprocess.run(command, check=True, env=environment)
    print(f"{len(list(given.folder.glob('*.png')))} pictures in {given.folder}")


class Photographer:
    """Brings the window into every state and takes its picture."""

    def __init__(self, folder: Path, size: str) -> None:
        from PySide6.QtWidgets import QApplication

        self.folder, self.size = folder, size
        self.app = QApplication.instance() or QApplication(sys.argv[:1])
        self.app.setStyle("Fusion")  # type: ignore[attr-defined]
        self.width, self.height = (int(side) for side in size.partition("@")[0].split("x"))

    def photograph(self) -> None:
        """Take all pictures of this size, dark and light."""
        with tempfile.TemporaryDirectory() as place:
            desk = practice_desk(Path(place))
            for light in (False, True):
                self._one_theme(desk, light)

    def _one_theme(self, desk: object, light: bool) -> None:
        from elinspect.imaging import read_image
        from elinspect_ui.window import GateWindow, WindowSettings

        settings = WindowSettings("EL 1", "R. Okafor · inspector", light, takts={"": 30.0}, lock_after_s=None)
        window = GateWindow(desk, settings, read_image)  # type: ignore[arg-type]
        window.resize(self.width, self.height)
        window.show()
        window.start()
        theme = "light" if light else "dark"
        self._until(lambda: window.state.picture == "shown" and window.state.unseen == 0)

        def shot(name: str, widget: object = window) -> None:
            for _ in range(8):
                self.app.processEvents()
            widget.grab().save(str(self.folder / f"{name}-{theme}-{self.size}.png"))  # type: ignore[attr-defined]

        act = window._actions
        shot("gate")
        act["zoom_flag"].trigger()
        shot("zoomed")
        act["fit"].trigger()
        act["confirm"].trigger()
        self._until(lambda: window.state.busy is None)
        for name in ("hold", "note", "scan", "withdraw"):
            act[name].trigger()
            if window.state.asking is not None:
                shot(f"asks-{name}")
                window._presenter.leave_reason()
        act["rule"].trigger()
        view = window._panel.view
        from elinspect_ui.viewer.rule import Rule

        quad = view.picture.places.quads[12]  # type: ignore[union-attr]
        view._rule = Rule(tuple(quad[0]), tuple(quad[2]), True)
        view._measured = None  # type: ignore[attr-defined]
        view.measured.emit(view._rule_words())
        view.update()
        shot("rule")
        act["rule"].trigger()
        act["walk"].trigger()
        shot("walk")
        window._guidance.leave_walk()
        act["unread"].trigger()
        from elinspect_ui.panes.unread_window import UnreadWindow

        listed = window.findChildren(UnreadWindow)[0]
        shot("unread", listed)
        listed.close()
        act["help"].trigger()
        from elinspect_ui.panes.help_window import TOPICS

        for topic in TOPICS:
            window._guidance.help.show_topic(topic)  # type: ignore[union-attr]
            shot(f"help-{topic}", window._guidance.help)
        window._guidance.help.close()  # type: ignore[union-attr]
        act["sign_in"].trigger()
        shot("sign-in")
        window._desk_hands.page.refuse("Name and PIN do not belong together. Try again.")
        shot("sign-in-refused")
        window._desk_hands._leave()
        self._until(lambda: window.state.busy is None)
        for name in ("tiles", "again", "clean", "held", "lost"):
            window._presenter.line.open(name)
            self._until(lambda name=name: window._on_screen.inspection == name and window.state.busy is None)
            self._until(lambda: window.state.picture != "loading")
            shot(f"panel-{name}")
            if name == "tiles":
                act["next_picture"].trigger()
                shot("panel-tiles-next")
            if name == "again":
                act["earlier"].trigger()
                self._until(lambda: view.earlier_shown)
                shot("earlier")
                act["earlier"].trigger()
        window._panel.show_message("Reading the picture", "000103647768.png", working=True)
        shot("loading")
        window._on_screen._show_empty(window.state)
        shot("empty")
        window.close()

    def _until(self, condition: Callable[[], bool]) -> None:
        from PySide6.QtTest import QTest

        for _ in range(1500):
            if condition():
                return
            QTest.qWait(20)
        raise TimeoutError("the window did not get there")


def practice_desk(place: Path) -> object:
    """Simulated panels of an invented plant, inspected: one with flags, its retake, a clean one, one lost."""
    import itertools

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
