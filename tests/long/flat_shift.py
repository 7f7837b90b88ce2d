"""A long shift of re-noised panels through station and window: all counted in and out, memory, handles, time per panel.

Run: python tests/long/flat_shift.py [--panels 2000] [--block 100]   (offscreen; about a second or two per panel)

One simulated picture gets new noise for every panel and is put into the camera's folder; a real station with its
worker's process inspects it; the real window on the same log opens it, answers every flag above a limit and decides.
After each block the memory, the open files and the time per panel of both processes are printed; at the end the slopes
over all blocks but the first.
"""

import argparse
import os
import sys
import tempfile
import time
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from elinspect.vision import cv2

MOST_MB_PER_1000 = 50.0
"""Growth of a process that counts as flat: the bound of 1.5 GB would be reached after 20,000 panels, two weeks."""
WAIT_S = 120.0


@dataclass(frozen=True)
class Block:
    """What one block of panels took."""

    panels: int
    window_mb: float
    worker_mb: float
    window_files: int
    worker_files: int
    seconds: float


def main() -> int:
    """Run the shift and print what it took."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--panels", type=int, default=2000)
    parser.add_argument("--block", type=int, default=100)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        blocks, faults = LongShift(Path(folder)).work(given.panels, given.block)
    for block in blocks:
        print(
            f"{block.panels:5d} panels: window {block.window_mb:6.1f} MB, {block.window_files} files; worker "
            f"{block.worker_mb:6.1f} MB, {block.worker_files} files; {block.seconds:.2f} s per panel"
        )
    faults += _growth(blocks)
    print("\n".join(faults) if faults else "all counted in and out; memory, handles and time flat")
    return 1 if faults else 0


class LongShift:
    """Camera, station and window of one shift."""

    def __init__(self, place: Path) -> None:
        from PySide6.QtWidgets import QApplication

        from elinspect.criteria import default_criteria
        from elinspect.imaging import read_image
        from elinspect.operations.desk import ReviewDesk
        from elinspect.review.gate import Role
        from elinspect.station.journal import Journal
        from elinspect.station.running import Station
        from elinspect.station.station_file import StationFile
        from elinspect.station.worker import Worker
        from elinspect.store import open_log
        from elinspect.synthetic import demo_panels, write_panel
        from elinspect_ui.window import GateWindow, WindowSettings

        self.app = QApplication.instance() or QApplication(sys.argv[:1])
        self.folder = place / "in"
        self.folder.mkdir()
        recipe = resources.files("elinspect.synthetic.products").joinpath("mono_6x10.toml")
        (place / "recipe.toml").write_text(recipe.read_text(encoding="utf-8"), encoding="utf-8")
        made = next(iter(demo_panels(7)))
        self.picture = cv2.imread(str(write_panel(place, made.serial, made.panel)), cv2.IMREAD_UNCHANGED)
        self.rng = np.random.default_rng(1)
        self.settings = StationFile("EL 1", self.folder, place / "recipe.toml", settle_s=0.01)
        self.log = open_log(place / "log.sqlite")
        self.worker = Worker(self.settings, str(place / "log.sqlite"))
        self.station = Station(self.settings, self.log, self.worker, Journal(place / "journal"))
        self.desk = ReviewDesk(self.log, "seat", "R. Okafor", Role.INSPECTOR, default_criteria())
        self.window = GateWindow(self.desk, WindowSettings("EL 1", lock_after_s=None), read_image)
        self.window.resize(1366, 768)
        self.window.show()
        self.window.start()
        self.faults: list[str] = []

    def work(self, panels: int, block: int) -> tuple[list[Block], list[str]]:
        """Send all panels through."""
        blocks, began = [], time.monotonic()
        try:
            for number in range(1, panels + 1):
                self._one_panel(f"{number:06d}")
                if number % block == 0:
                    blocks.append(self._measured(number, (time.monotonic() - began) / block))
                    began = time.monotonic()
            self._count(panels)
        finally:
            self.window.close()
            self.worker.close()
            self.desk.close()
            self.log.close()
        return blocks, self.faults

    def _one_panel(self, serial: str) -> None:
        top = np.iinfo(self.picture.dtype).max
        noisy = self.picture + self.rng.normal(0.0, 0.004 * float(self.picture.max()), self.picture.shape)
        path = self.folder / f"{serial}.png"
        cv2.imwrite(str(path), np.clip(np.rint(noisy), 0, top).astype(self.picture.dtype))
        self._until(lambda: any(True for step in self.station.look() if step.outcome.inspection is not None))
        self.window._presenter.poll()
        self._until(lambda: self._on_screen() == serial and self.window.state.unseen == 0)
        while self.window.state.unanswered:
            self.window._actions["confirm"].trigger()
            self._until(lambda: self.window.state.busy is None)
        state = self.window.state
        assert state.review is not None
        self.window._presenter.decide(state.review.result.proposal.disposition, "as proposed")
        self._until(lambda: self._on_screen() != serial and self.window.state.busy is None)
        path.unlink()  # as the line's archive takes pictures away

    def _on_screen(self) -> str | None:
        state = self.window.state
        ready = state.review is not None and state.picture == "shown" and state.busy is None
        return state.review.result.serial if ready and state.review is not None else None

    def _until(self, condition: object) -> None:
        from PySide6.QtTest import QTest

        deadline = time.monotonic() + WAIT_S
        while not condition():  # type: ignore[operator]
            if time.monotonic() > deadline:
                raise TimeoutError(f"stuck: {self.window.state.notice}")
            QTest.qWait(5)

    def _measured(self, panels: int, seconds: float) -> Block:
        (worker,) = self.worker.process_ids
        return Block(panels, _memory_mb("self"), _memory_mb(worker), _files("self"), _files(worker), seconds)

    def _count(self, panels: int) -> None:
        from sqlalchemy import func, select

        from elinspect.store.schema import inspections
        from elinspect.store.verify import verify

        with self.log.reading() as connection:
            seen, decided = connection.execute(
                select(func.count(), func.count(inspections.c.decision)).select_from(inspections)
            ).one()
        if (seen, decided) != (panels, panels):
            self.faults.append(f"{panels} panels sent, {seen} inspected, {decided} decided")
        self.faults += [str(fault) for fault in verify(self.log)]


def _memory_mb(process: int | str) -> float:
    status = Path(f"/proc/{process}/status").read_text()
    return int(status.partition("VmRSS:")[2].split()[0]) / 1024


def _files(process: int | str) -> int:
    return len(list(Path(f"/proc/{process}/fd").iterdir()))


def _growth(blocks: list[Block]) -> list[str]:
    """Return what grows over the blocks after the first, in which caches fill."""
    later = blocks[1:]
    if len(later) < 3:
        return ["too few blocks to tell whether anything grows"]
    panels = [block.panels for block in later]
    faults = []
    for name in ("window_mb", "worker_mb"):
        slope = 1000 * float(np.polyfit(panels, [getattr(block, name) for block in later], 1)[0])
        print(f"{name}: {slope:+.1f} MB per 1,000 panels")
        if slope > MOST_MB_PER_1000:
            faults.append(f"{name} grows by {slope:.0f} MB per 1,000 panels")
    for name in ("window_files", "worker_files"):
        if getattr(later[-1], name) > getattr(later[0], name) + 2:
            faults.append(f"{name} grows from {getattr(later[0], name)} to {getattr(later[-1], name)}")
    first, last = later[0].seconds, later[-1].seconds
    print(f"time per panel: {first:.2f} s in the second block, {last:.2f} s in the last")
    return faults


if __name__ == "__main__":
    sys.exit(main())
