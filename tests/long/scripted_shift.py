"""A shift of panels by keyboard only, in the real window on a real log, killed and started again in the middle.

Run: python tests/long/scripted_shift.py [--panels 50] [--seed 1]   (needs Xvfb and xdotool)

A scripted inspector looks for a while, then presses keys; the window is another process that knows nothing of it. Half
way, in the middle of a panel, the process is killed and started anew. At the end every panel must be decided once,
every answer that was acknowledged must be in the log, and the log's chain must hold.

How long a person looks is an assumption, printed with the figures: 3 s at a panel without flags above a limit, and 2 s
more for each flag (common practice, no source). What the tool adds is measured.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

from painted_panel import AREA, CRACK, FINGER, painted_panel
from sqlalchemy import select

from elinspect.criteria import default_criteria
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.versions import log_criteria, log_recipe
from elinspect.recipe import read_recipe
from elinspect.records import Kind
from elinspect.store import Log, open_log
from elinspect.store.schema import flags, inspections, outbox
from elinspect.store.verify import verify

LOOK_S, LOOK_PER_FLAG_S = 3.0, 2.0
WAIT_S = 30.0


@dataclass
class Took:
    """What one panel took."""

    above: int
    keys: int
    seconds: float


def main() -> int:
    """Run the shift and print what it took."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--panels", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for program in ("Xvfb", "xdotool"):
        if shutil.which(program) is None:
            print(f"{program} is not installed")
            return 2
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "log.sqlite"
        with open_log(place) as log:
            wanted = _fill(log, Path(folder), given.panels, random.Random(given.seed))
            shift = Shift(place, log)
            try:
                took, kept, starts = shift.work(wanted)
            finally:
                shift.close()
            faults = _faults(log, wanted, kept)
    _report(took, starts, faults)
    return 1 if faults else 0


def _fill(log: Log, folder: Path, panels: int, chance: random.Random) -> list[str]:
    """Log panels of an invented product: of five, three without a flag above a limit, one with one, one with three."""
    recipe_file = folder / "recipe.toml"
    shipped = resources.files("elinspect.synthetic.products").joinpath("mono_6x10.toml")
    recipe_file.write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    recipe = read_recipe(recipe_file)
    log_recipe(log, recipe, "EL 1")
    log_criteria(log, default_criteria(), "EL 1")
    made = []
    for number in range(panels):
        above = (0, 0, 0, 1, 3)[number % 5]
        flagged = [(Kind.FINGER_INTERRUPTION, chance.randint(1, 6), chance.randint(1, 10), FINGER)]
        for kind, outline in ((Kind.CRACK, CRACK), (Kind.INACTIVE_AREA, AREA), (Kind.CRACK, CRACK))[:above]:
            flagged.append((kind, chance.randint(1, 6), chance.randint(1, 10), outline))
        serial = f"{number:06d}"
        result = painted_panel(
            folder / f"{serial}.png", flagged, layout="6x10", cell_px=120, serial=serial, seed=number
        )
        result = replace(result, versions=replace(result.versions, recipe=recipe.label))
        made.append(log_inspection(log, result, "EL 1"))
    return made


class Shift:
    """The window's process, the keys sent to it, and what the log says meanwhile."""

    def __init__(self, place: Path, log: Log) -> None:
        self.place, self.log = place, log
        self.number = next(n for n in range(90, 900) if not Path(f"/tmp/.X{n}-lock").exists())
        self.environment = {**os.environ, "DISPLAY": f":{self.number}", "QT_QPA_PLATFORM": "xcb"}
        self.screen = subprocess.Popen(
            ["Xvfb", f":{self.number}", "-screen", "0", "1366x768x24"], stderr=subprocess.DEVNULL
        )
        time.sleep(1.0)
        self.keys = 0
        self.window: subprocess.Popen[bytes] | None = None

    def start(self) -> float:
        """Start the window; return the seconds until it is on screen."""
        review = ["review", "--log", str(self.place), "--inspector", "R. Okafor"]
        return self.begin([sys.executable, "-m", "elinspect.cli", *review])

    def begin(self, command: list[str]) -> float:
        """Start a command that opens the window, and give it the keyboard; return the seconds until it is there."""
        began = time.monotonic()
        self.window = subprocess.Popen(command, env=self.environment)
        self._until(lambda: bool(self._xdotool("search", "--onlyvisible", "--name", "elinspect").strip()))
        took = time.monotonic() - began
        found = self._xdotool("search", "--onlyvisible", "--name", "elinspect").split()[0]
        self._xdotool("windowfocus", found)
        time.sleep(0.3)
        return took

    def kill(self) -> None:
        """Kill the process at once."""
        assert self.window is not None
        self.window.send_signal(signal.SIGKILL)
        self.window.wait()

    def close(self) -> None:
        """End everything that was started."""
        if self.window is not None and self.window.poll() is None:
            self.window.terminate()
            self.window.wait(20)
        self.screen.terminate()
        self.screen.wait(10)

    def work(self, wanted: list[str]) -> tuple[list[Took], dict[tuple[str, str], str], list[float]]:
        """Decide every panel; return what each took, the answers that were acknowledged, seconds of each start."""
        starts, took, kept = [self.start()], [], {}
        killed = False
        for place, inspection in enumerate(wanted):
            above = self._above(inspection)
            began, keys = time.monotonic(), self.keys
            time.sleep(LOOK_S)
            for number, flag in enumerate(above):
                time.sleep(LOOK_PER_FLAG_S)
                key = "d" if number == 0 and (place % 2 or len(above) > 1) else "c"
                kept[inspection, flag] = self._answered(key, inspection, flag)
                if not killed and place >= len(wanted) // 2 and len(above) > 1:
                    killed = True
                    self.kill()
                    starts.append(self.start())
                    time.sleep(LOOK_S)
            confirmed = [flag for flag in above if kept[inspection, flag] == "confirmed"]
            self._decide(inspection, accept=not confirmed, reason=bool(above) and not confirmed)
            took.append(Took(len(above), self.keys - keys, time.monotonic() - began))
        return took, kept, starts

    def _answered(self, key: str, inspection: str, flag: str) -> str:
        self._press_until(key, lambda: self._answer(inspection, flag) is not None)
        return self._answer(inspection, flag) or ""

    def _decide(self, inspection: str, *, accept: bool, reason: bool) -> None:
        decided = lambda: self._decision(inspection) is not None  # noqa: E731
        self._press_until("F6" if accept else "F7", decided, "Return" if reason else None)

    def _press_until(self, key: str, done: Callable[[], bool], then: str | None = None) -> None:
        """Press a key until the log has what it asks for; one that came before the picture is refused, but counted."""
        deadline = time.monotonic() + WAIT_S
        while not done():
            if time.monotonic() > deadline:
                raise TimeoutError(f"{key} did nothing for {WAIT_S} s")
            self._key(key)
            if then is not None:
                time.sleep(0.3)
                self._key(then)
            again = time.monotonic() + 2.0
            while not done() and time.monotonic() < again:
                time.sleep(0.02)

    def _key(self, key: str) -> None:
        self.keys += 1
        self._xdotool("key", "--clearmodifiers", key)

    def _xdotool(self, *words: str) -> str:
        return subprocess.run(
            ["xdotool", *words], env=self.environment, capture_output=True, text=True, check=False
        ).stdout

    def _until(self, condition: Callable[[], bool]) -> None:
        deadline = time.monotonic() + 60
        while not condition():
            if time.monotonic() > deadline:
                raise TimeoutError("the window did not come")
            time.sleep(0.05)

    def _above(self, inspection: str) -> list[str]:
        with self.log.reading() as connection:
            chosen = (flags.c.inspection == inspection, flags.c.machine_limit.is_not(None))
            return list(connection.execute(select(flags.c.flag).where(*chosen).order_by(flags.c.number)).scalars())

    def _answer(self, inspection: str, flag: str) -> str | None:
        with self.log.reading() as connection:
            chosen = (flags.c.inspection == inspection, flags.c.flag == flag)
            return connection.execute(select(flags.c.answer).where(*chosen)).scalar_one()

    def _decision(self, inspection: str) -> str | None:
        with self.log.reading() as connection:
            return connection.execute(select(inspections.c.decision).where(inspections.c.id == inspection)).scalar_one()


def _faults(log: Log, wanted: list[str], kept: dict[tuple[str, str], str]) -> list[str]:
    found = [str(fault) for fault in verify(log)]
    with log.reading() as connection:
        decided = dict(connection.execute(select(inspections.c.id, inspections.c.decision)).all())
        answers = {
            (row.inspection, row.flag): row.answer
            for row in connection.execute(select(flags.c.inspection, flags.c.flag, flags.c.answer))
        }
        released = connection.execute(select(outbox.c.inspection)).scalars().all()
    found += [f"{inspection} is not decided" for inspection in wanted if decided.get(inspection) is None]
    lost = [key for key, answer in kept.items() if answers.get(key) != answer]
    found += [f"answer to {key} is {answers.get(key)}, not {kept[key]}" for key in lost]
    accepted = sorted(inspection for inspection in wanted if decided.get(inspection) == "accept")
    if sorted(released) != accepted:
        found.append(f"{len(accepted)} panels accepted, {len(released)} releases written")
    events = [event for event in log.events() if event.kind == "disposition"]
    if len(events) != len(wanted):
        found.append(f"{len(events)} dispositions for {len(wanted)} panels")
    return found


def _report(took: list[Took], starts: list[float], faults: list[str]) -> None:
    print(f"{len(took)} panels; window on screen after {', '.join(f'{start:.1f} s' for start in starts)}")
    for above in sorted({each.above for each in took}):
        same = [each for each in took if each.above == above]
        looked = LOOK_S + above * LOOK_PER_FLAG_S
        keys = median(each.keys for each in same)
        print(
            f"{above} flags above a limit, {len(same):3d} panels: median {keys:.0f} keys, most "
            f"{max(each.keys for each in same)}; median {median(each.seconds for each in same):.1f} s from decision to "
            f"decision, slowest {max(each.seconds for each in same):.1f} s, of which {looked:.0f} s of looking"
        )
    print("\n".join(faults) if faults else "nothing lost or twice, chain verified, one release per accepted panel")


if __name__ == "__main__":
    sys.exit(main())
