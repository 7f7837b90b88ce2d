"""A seat that serves two stations, driven by keyboard, label scanner and badge in the real window on a real log.

Run: python tests/long/scripted_seat.py [--pictures FOLDER]   (needs Xvfb and xdotool; about a minute)

The window is another process that knows nothing of it; what it did is read from the log. Signing in by badge and by
PIN, the order of panels by takt, all of one kind in a string with undo, a note, a decision taken back, a hold, what an
inspector and an auditor may not do, a concession, a scanned label, the locked window, help and the pages.
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from painted_panel import CRACK, painted_panel
from scripted_shift import Shift
from sqlalchemy import select

from elinspect.criteria import default_criteria
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.people import Administrator, give_badge, give_pin
from elinspect.operations.versions import log_criteria, log_recipe
from elinspect.recipe import read_recipe
from elinspect.records import Kind
from elinspect.review.gate import Role
from elinspect.store import Log, open_log
from elinspect.store.events import EventKind
from elinspect.store.schema import flags, people
from elinspect.store.verify import verify

BADGE = "badge-0042-okafor"
WAIT_S = 40.0


def main() -> int:
    """Work at the seat and print what held."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--pictures", type=Path)
    given = parser.parse_args()
    for program in ("Xvfb", "xdotool"):
        if shutil.which(program) is None:
            print(f"{program} is not installed")
            return 2
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        with open_log(place / "log.sqlite") as log:
            made = _fill(log, place)
            seat = Seat(place, log, given.pictures)
            try:
                seat.work(made)
            finally:
                seat.close()
            faults = [*seat.faults, *(str(fault) for fault in verify(log))]
    print("\n".join(faults) if faults else "everything held, chain verified")
    return 1 if faults else 0


def _fill(log: Log, folder: Path) -> dict[str, str]:
    """Log people, and panels of a slow and a fast station; return inspections by name."""
    give_pin(log, "S. Admin", Role.ADMINISTRATOR, "9999")
    admin = Administrator("S. Admin", "9999")
    for name, role in (("R. Okafor", Role.INSPECTOR), ("Q. Finch", Role.QUALITY_ENGINEER), ("V. Lark", Role.AUDITOR)):
        give_pin(log, name, role, "1234", admin)
    give_badge(log, "R. Okafor", BADGE, admin)
    shipped = resources.files("elinspect.synthetic.products").joinpath("mono_6x10.toml")
    (folder / "recipe.toml").write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    recipe = read_recipe(folder / "recipe.toml")
    log_recipe(log, recipe, "slow")
    log_criteria(log, default_criteria(), "slow")
    for station, takt in (("slow", 600), ("fast", 5)):
        (folder / station).mkdir()
        (folder / f"{station}.toml").write_text(
            f'name = "{station}"\nfolder = "{station}"\nrecipe = "recipe.toml"\nlog = "log.sqlite"\ntakt_s = {takt}\n'
        )
    same = [(Kind.CRACK, 2, 3, CRACK), (Kind.CRACK, 2, 7, CRACK)]
    wanted = {
        "string": ("slow", same),
        "conceded": ("slow", [(Kind.CRACK, 4, 4, CRACK)]),
        "waits": ("slow", []),
        "scanned": ("slow", []),
        "fast": ("fast", []),
    }
    made = {}
    for number, (name, (station, flagged)) in enumerate(wanted.items()):
        serial = f"00042{number}"
        panel = painted_panel(folder / f"{serial}.png", flagged, layout="6x10", cell_px=120, serial=serial, seed=number)
        panel = replace(panel, versions=replace(panel.versions, recipe=recipe.label))
        made[name] = log_inspection(log, panel, station)
    return made


class Seat(Shift):
    """The window at a seat, who sits there, and what the log says."""

    def __init__(self, place: Path, log: Log, pictures: Path | None) -> None:
        super().__init__(place / "log.sqlite", log)
        self.folder, self.pictures = place, pictures
        self.faults: list[str] = []

    def start(self) -> float:
        """Start the window on both stations."""
        command = [sys.executable, "-m", "elinspect.cli", "review", "--seat", "seat 1"]
        for station in ("slow", "fast"):
            command += ["--station", str(self.folder / f"{station}.toml")]
        return self.begin(command)

    def work(self, made: dict[str, str]) -> None:  # type: ignore[override]
        """Do everything once."""
        self.start()
        self._sign_in(made)
        self._string(made["string"])
        self._roles(made["conceded"])
        self._scan(made)
        self._pages()

    def _sign_in(self, made: dict[str, str]) -> None:
        self._picture("nobody")
        self.keys_typed("F6")
        self._holds("nobody signed in decides nothing", not self._decided(made["fast"]))
        self.scan(BADGE)
        self.expect("a badge alone signs in", lambda: self._last_person() == "R. Okafor")
        self._press(
            "F6", "the fast station's panel is due first, though it came last", lambda: self._decided(made["fast"])
        )
        self._holds("and no other was decided", not any(self._decided(made[name]) for name in made if name != "fast"))

    def _string(self, panel: str) -> None:
        answers = lambda: self._answers(panel)  # noqa: E731
        self._press("ctrl+shift+c", "all of this kind in this string", lambda: answers() == ["confirmed", "confirmed"])
        self._press("u", "one undo takes both back", lambda: answers() == [None, None])
        self._press("ctrl+y", "redo", lambda: answers() == ["confirmed", "confirmed"])
        self._picture("string")
        self.keys_typed("t")
        self.type("ask the supplier")
        self.expect("a note", lambda: "ask the supplier" in self._notes(panel))
        self._press("F7", "rework as proposed", lambda: self._decision(panel) == "rework")
        self.keys_typed("ctrl+BackSpace")
        time.sleep(1.0)
        self.type("slip of the finger")
        self.expect("the decision is taken back", lambda: self._decision(panel) is None)
        self.keys_typed("F8")
        time.sleep(0.5)
        self._picture("hold")
        self.type("wait for the supplier")
        self.expect("a hold with owner and reason", lambda: self._decision(panel) == "hold")

    def _roles(self, panel: str) -> None:
        self._press("c", "the crack is confirmed", lambda: self._answers(panel) == ["confirmed"])
        self.keys_typed("F6", "F9", "F10")
        time.sleep(0.5)
        self._picture("refused")
        self._holds("an inspector neither accepts a standing flag nor concedes nor scraps", not self._decided(panel))
        self._change("V. Lark", "1234")
        self.keys_typed("F7", "F9", "d")
        time.sleep(0.5)
        self._holds("an auditor only looks", not self._decided(panel) and self._answers(panel) == ["confirmed"])
        self._change("Q. Finch", "1234")
        self.keys_typed("F9")
        time.sleep(0.5)
        self.type("customer agreed")
        self.expect("the quality engineer concedes", lambda: self._decision(panel) == "concession")

    def _scan(self, made: dict[str, str]) -> None:
        self._xdotool("key", "F2")  # at once: the next panel is still being opened
        self._xdotool("type", "--delay", "1", "000423")
        self._key("Return")
        time.sleep(1.5)
        self._picture("scanned")
        self._press("F6", "the scanned panel is on screen", lambda: self._decided(made["scanned"]))
        self._holds("the one that waited was left", not self._decided(made["waits"]))
        time.sleep(1.0)
        self.keys_typed("ctrl+l")
        time.sleep(0.5)
        self._picture("locked")
        self.keys_typed("F6", "Escape", "F6")
        self._holds("the locked window decides nothing", not self._decided(made["waits"]))
        self.scan(BADGE)
        self.expect("the badge unlocks", lambda: self._last_person() == "R. Okafor")
        self._press("F6", "the queue is still there", lambda: self._decided(made["waits"]))

    def _pages(self) -> None:
        for key, name in (("ctrl+2", "technician"), ("ctrl+3", "figures"), ("ctrl+4", "readings")):
            self.keys_typed(key)
            time.sleep(4.0)
            self._picture(f"page-{name}")
        self.keys_typed("F1")
        time.sleep(1.0)
        self._picture("help")
        self._holds("the window still runs", self.window is not None and self.window.poll() is None)

    # Hands

    def keys_typed(self, *keys: str) -> None:
        """Press keys one after the other."""
        for key in keys:
            self._key(key)
            time.sleep(0.15)

    def type(self, text: str) -> None:
        """Write a line, ended by Enter."""
        time.sleep(0.3)
        self._xdotool("type", "--delay", "5", text)
        self._key("Return")

    def scan(self, code: str) -> None:
        """Scan as a keyboard-wedge reader does: fast, ended by Enter."""
        time.sleep(0.5)
        self._xdotool("type", "--delay", "1", code)
        self._key("Return")

    def _change(self, name: str, pin: str) -> None:
        self.keys_typed("F12")
        time.sleep(0.5)
        self.keys_typed("shift+Tab", "ctrl+a")
        self._xdotool("type", "--delay", "5", name)
        self.keys_typed("Tab")
        self.type(pin)
        self.expect(f"{name} signs in by PIN", lambda: self._last_person() == name)
        time.sleep(1.0)

    # What the log says

    def _press(self, key: str, what: str, done: Callable[[], bool]) -> None:
        try:
            self._press_until(key, done)
        except TimeoutError:
            self.faults.append(f"missed: {what}")
        else:
            print(f"held: {what}")

    def expect(self, what: str, done: Callable[[], bool]) -> None:
        """Wait for something to show in the log."""
        deadline = time.monotonic() + WAIT_S
        while not done() and time.monotonic() < deadline:
            time.sleep(0.1)
        self._holds(what, done())

    def _holds(self, what: str, held: bool) -> None:
        if held:
            print(f"held: {what}", flush=True)
        else:
            self.faults.append(f"missed: {what}")

    def _decided(self, inspection: str) -> bool:
        return self._decision(inspection) is not None

    def _flags(self, inspection: str) -> list[Any]:
        with self.log.reading() as connection:
            chosen = select(flags.c.answer, flags.c.note).where(flags.c.inspection == inspection)
            return list(connection.execute(chosen.order_by(flags.c.number)).all())

    def _answers(self, inspection: str) -> list[str | None]:
        return [row.answer for row in self._flags(inspection)]

    def _notes(self, inspection: str) -> list[str]:
        return [row.note for row in self._flags(inspection)]

    def _last_person(self) -> str | None:
        signed = [event for event in self.log.events() if event.kind == EventKind.SIGN_IN]
        if not signed:
            return None
        with self.log.reading() as connection:
            return connection.execute(select(people.c.name).where(people.c.id == signed[-1].person)).scalar_one()

    def _picture(self, name: str) -> None:
        if self.pictures is not None:
            self.pictures.mkdir(parents=True, exist_ok=True)
            command = ["import", "-window", "root", str(self.pictures / f"{name}.png")]
            subprocess.run(command, env=self.environment, check=True)


if __name__ == "__main__":
    sys.exit(main())
