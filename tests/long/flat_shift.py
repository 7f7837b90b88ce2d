"""A long shift of re-noised panels through station and window: all counted; memory, handles, time per panel flat.

Run: python tests/long/flat_shift.py [--panels 2000] [--block 100]   (offscreen; about 0.8 s a panel)

Simulated pictures of a panel of six cells, one with a crack and one without, get new noise for every panel and are put
into the camera's folder, a few ahead. The real `elinspect station run` with its worker's process inspects them; the
real window on the same log opens each panel, answers every flag above a limit and decides. After each block the memory
(resident, and the most there was), the open files and the computing time per panel of the three processes are printed;
at the end the slopes over all blocks but the first.
"""

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from elinspect.vision import cv2

MOST_MB_PER_1000 = 50.0
"""Growth of a process that counts as flat: the bound of 1.5 GB would be reached after 20,000 panels, two weeks."""
MOST_SLOWER = 0.25
"""Growth of the computing time per panel over the whole shift that counts as flat: caches and noise of the machine."""
WAIT_S = 120.0
AHEAD = 3
PARTS = ("window", "station", "worker")


@dataclass(frozen=True)
class Part:
    """One process at the end of a block."""

    now_mb: float
    most_mb: float
    files: int
    worked_s: float


@dataclass(frozen=True)
class Block:
    """What one block of panels took."""

    panels: int
    parts: dict[str, Part]
    seconds: float


def main() -> int:
    """Run the shift and print what it took."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--panels", type=int, default=2000)
    parser.add_argument("--block", type=int, default=100)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        pictures, rng = small_panels(Path(folder)), np.random.default_rng(1)

        def take(number: int, path: Path) -> None:
            cv2.imwrite(str(path), re_noised(pictures[number % 2], rng))

        blocks, faults = LongShift(Path(folder), take).work(given.panels, given.block)
    faults += _growth(blocks)
    print("\n".join(faults) if faults else "all counted in and out; memory, handles and time flat")
    return 1 if faults else 0


class LongShift:
    """Camera, station and window of one shift."""

    def __init__(self, place: Path, take: Callable[[int, Path], None]) -> None:
        """Start everything; `take` writes the picture of the nth panel under a name. The recipe lies there already."""
        from PySide6.QtWidgets import QApplication

        from elinspect.criteria import default_criteria
        from elinspect.imaging import read_image
        from elinspect.operations.desk import ReviewDesk
        from elinspect.review.gate import Role
        from elinspect.store import open_log
        from elinspect_ui.window import GateWindow, WindowSettings

        self.app = QApplication.instance() or QApplication(sys.argv[:1])
        self.place, self.folder = place, place / "in"
        self.folder.mkdir()
        self.take = take
        (place / "station.toml").write_text(
            'name = "EL 1"\nfolder = "in"\nrecipe = "recipe.toml"\nlog = "log.sqlite"\nsettle_s = 0.05\n'
        )
        self.log = open_log(place / "log.sqlite")
        command = [sys.executable, "-m", "elinspect.cli", "station", "run", str(place / "station.toml")]
        own = {**os.environ, "XDG_STATE_HOME": str(place / "state")}
        self.said = (place / "said").open("wb")
        self.station = subprocess.Popen(command, env=own, stdout=self.said, stderr=subprocess.STDOUT)
        self.desk = ReviewDesk(self.log, "seat", "R. Okafor", Role.INSPECTOR, default_criteria())
        self.window = GateWindow(self.desk, WindowSettings("EL 1", lock_after_s=None), read_image)
        self.window.resize(1366, 768)
        self.window.show()
        self.window.start()
        self.taken = 0
        self.worker = 0
        self.faults: list[str] = []

    def work(self, panels: int, block: int) -> tuple[list[Block], list[str]]:
        """Send all panels through."""
        blocks, began = [], time.monotonic()
        try:
            for number in range(1, panels + 1):
                while self.taken < min(panels, number + AHEAD):
                    self._take()
                self._one_panel(_serial(number))
                if number % block == 0:
                    blocks.append(self._measured(number, (time.monotonic() - began) / block))
                    _say(blocks[-1], blocks[-2] if len(blocks) > 1 else None)
                    began = time.monotonic()
            self._count(panels)
        finally:
            self.window.close()
            self.station.send_signal(signal.SIGTERM)
            if self.station.wait(60) != 0:
                self.faults.append(f"the station ended with {self.station.returncode}")
            self.said.close()
            self.desk.close()
            self.log.close()
        return blocks, self.faults

    def _take(self) -> None:
        """Take the next picture as a camera does that writes beside and renames."""
        self.taken += 1
        beside = self.folder / f".{_serial(self.taken)}.png"
        self.take(self.taken, beside)
        beside.rename(self.folder / f"{_serial(self.taken)}.png")

    def _one_panel(self, serial: str) -> None:
        self._until(lambda: self._on_screen() == serial and self.window.state.unseen == 0)
        while self.window.state.unanswered:
            self.window._actions["confirm"].trigger()
            self._until(lambda: self.window.state.busy is None)
        state = self.window.state
        assert state.review is not None
        self.window._presenter.decisions.decide(state.review.result.proposal.disposition, "as proposed")
        self._until(lambda: self._on_screen() != serial and self.window.state.busy is None)
        (self.folder / f"{serial}.png").unlink()  # as the line's archive takes pictures away

    def _on_screen(self) -> str | None:
        state = self.window.state
        ready = state.review is not None and state.picture == "shown" and state.busy is None
        return state.review.result.serial if ready and state.review is not None else None

    def _until(self, condition: Callable[[], bool]) -> None:
        from PySide6.QtTest import QTest

        deadline = time.monotonic() + WAIT_S
        while not condition():
            if time.monotonic() > deadline:
                said = (self.place / "said").read_text(errors="replace")[-2000:]
                raise TimeoutError(f"stuck: {self.window.state.notice}; the station said: {said}")
            QTest.qWait(5)

    def _measured(self, panels: int, seconds: float) -> Block:
        worker = worker_of(self.station.pid)
        assert worker is not None
        if self.worker not in (0, worker):
            self.faults.append(f"the worker was lost before panel {panels}")
        self.worker = worker
        processes = zip(PARTS, (os.getpid(), self.station.pid, worker), strict=True)
        return Block(panels, {name: _part(process) for name, process in processes}, seconds)

    def _count(self, panels: int) -> None:
        from sqlalchemy import func, select

        from elinspect.store.schema import inspections, outbox
        from elinspect.store.verify import verify

        with self.log.reading() as connection:
            seen, serials, decided, accepted = connection.execute(
                select(
                    func.count(),
                    func.count(inspections.c.serial.distinct()),
                    func.count(inspections.c.decision),
                    func.count().filter(inspections.c.decision == "accept"),
                ).select_from(inspections)
            ).one()
            released = connection.execute(select(func.count()).select_from(outbox)).scalar_one()
        print(f"{panels} panels sent: {seen} inspected, {decided} decided, {accepted} accepted, {released} released")
        if not seen == serials == decided == panels or released != accepted:
            self.faults.append(f"{panels} panels sent, {seen} inspected ({serials} serials), {decided} decided")
        self.faults += [fault.text for fault in verify(self.log)]


def small_panels(place: Path) -> list[np.ndarray]:
    """Return a picture of six cells without a defect and one with a crack above the limit; write their recipe."""
    from elinspect.recipe import read_recipe
    from elinspect.synthetic import draw_camera, draw_crack, simulate_panel, write_panel

    shipped = resources.files("elinspect.synthetic.products").joinpath("mono_6x10.toml").read_text(encoding="utf-8")
    text = shipped.partition("[electrical]")[0].replace('layout = "6x10"', 'layout = "2x3"')
    (place / "recipe.toml").write_text(text, encoding="utf-8")
    recipe, made = read_recipe(place / "recipe.toml"), []
    for cracked in (False, True):
        rng = np.random.default_rng(3)
        crack = draw_crack(recipe.cell, rng, 1, 2)
        panel = simulate_panel(recipe, rng, (crack,) if cracked else (), camera=draw_camera(rng))
        made.append(cv2.imread(str(write_panel(place, f"made {cracked}", panel)), cv2.IMREAD_UNCHANGED))
    return made


def re_noised(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a picture with new noise on top, as another exposure."""
    noisy = picture + rng.normal(0.0, 0.004 * float(picture.max()), picture.shape)
    return np.clip(np.rint(noisy), 0, np.iinfo(picture.dtype).max).astype(picture.dtype)


def _serial(number: int) -> str:
    return f"{number:06d}"


def worker_of(station: int) -> int | None:
    """Return the process the station inspects in; None while there is none."""
    try:
        children = Path(f"/proc/{station}/task/{station}/children").read_text().split()
        found = [int(child) for child in children if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes()]
    except FileNotFoundError:
        return None  # gone meanwhile
    return found[0] if found else None


def _part(process: int) -> Part:
    status = Path(f"/proc/{process}/status").read_text()
    now_mb, most_mb = (int(status.partition(f"{name}:")[2].split()[0]) / 1024 for name in ("VmRSS", "VmHWM"))
    ticks = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[11:13]
    worked_s = sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")
    return Part(now_mb, most_mb, len(list(Path(f"/proc/{process}/fd").iterdir())), worked_s)


def _say(block: Block, before: Block | None) -> None:
    told = []
    for name, part in block.parts.items():
        worked = _worked_ms(name, block, before) if before is not None else 1000 * part.worked_s / block.panels
        told.append(f"{name} {part.now_mb:.0f} (most {part.most_mb:.0f}) MB, {part.files} files, {worked:.0f} ms")
    print(f"{block.panels:5d} panels, {block.seconds:.2f} s each: {'; '.join(told)}", flush=True)


def _worked_ms(name: str, block: Block, before: Block) -> float:
    """Return the computing time per panel of a process in a block."""
    worked_s = block.parts[name].worked_s - before.parts[name].worked_s
    return 1000 * worked_s / (block.panels - before.panels)


def _growth(blocks: list[Block]) -> list[str]:
    """Return what grows over the blocks after the first, in which caches fill."""
    later = blocks[1:]
    if len(later) < 3:
        return ["too few blocks to tell whether anything grows"]
    panels = np.array([block.panels for block in later], float)
    faults = []
    for name in PARTS:
        slope = 1000 * float(np.polyfit(panels, [block.parts[name].now_mb for block in later], 1)[0])
        first, last = later[0].parts[name], later[-1].parts[name]
        worked = [_worked_ms(name, block, before) for before, block in zip(blocks, later, strict=False)]
        line = _at_one_pace(panels, worked, [block.seconds for block in later])
        print(
            f"{name}: {slope:+.1f} MB per 1,000 panels, {first.files} files then {last.files}, computing time per "
            f"panel {line[0]:.0f} ms then {line[1]:.0f} (fitted line, at the mean pace)"
        )
        if slope > MOST_MB_PER_1000:
            faults.append(f"{name} grows by {slope:.0f} MB per 1,000 panels")
        if last.files > first.files + 2:
            faults.append(f"open files of {name} grow from {first.files} to {last.files}")
        if line[1] > (1 + MOST_SLOWER) * line[0] + 5:  # 5 ms: the station's own work per panel is a few ms
            faults.append(f"computing time of {name} grows from {line[0]:.0f} to {line[1]:.0f} ms per panel")
    print(f"by the clock: {later[0].seconds:.2f} s per panel in the second block, {later[-1].seconds:.2f} s at last")
    return faults


def _at_one_pace(panels: np.ndarray, worked_ms: list[float], seconds: list[float]) -> tuple[float, float]:
    """Return the computing time per panel at the first and the last block, both at the mean pace.

    A slow panel costs more: the queue is read and the clock painted while it waits, however busy the machine is.
    """
    pace = np.array(seconds) - np.mean(seconds)
    if float(pace.std()) < 0.05:
        pace = np.zeros_like(pace)  # too even to tell what it costs
    start, _, growth = np.linalg.lstsq(np.column_stack([np.ones_like(panels), pace, panels]), worked_ms, rcond=None)[0]
    return float(start + growth * panels[0]), float(start + growth * panels[-1])


if __name__ == "__main__":
    sys.exit(main())
