"""Kill the station, its worker, or both, at random moments while a camera writes: no panel lost, none counted twice.

A camera writes pictures of a panel of six cells one after the other, some of them in two halves with a pause in which
the station takes the first half for a file. The real `elinspect station run` inspects them. Again and again its process
or its worker's is killed (SIGKILL) after a random time; a killed station is started anew. At the end every serial must
be in the log once, with one picture and one attempt, the chain must hold, no worker may have outlived its station, and
what two workers died on must have been on the inspector's list; its picture is then taken again.

    PYTHONPATH=. python tests/long/kill_station.py [--kills 100] [--seed N]
"""

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from flat_shift import re_noised, small_panels, worker_of
from sqlalchemy import select

from elinspect.store import Log, open_log
from elinspect.store.reading import pictures_of
from elinspect.store.refusals import refused_files
from elinspect.store.schema import inspections
from elinspect.store.verify import verify
from elinspect.vision import cv2

WAIT_S = 180.0
AHEAD = 6
"""Pictures the camera may be ahead of the log, so that something is always in work and nothing waits for ever."""


def main() -> int:
    """Kill, count and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        shift = KilledShift(Path(folder), given.seed)
        faults = shift.work(given.kills)
    print("\n".join(faults) if faults else "no panel lost, none counted twice, chain verified, no worker left behind")
    return 1 if faults else 0


class KilledShift:
    """Camera, station and whoever kills it."""

    def __init__(self, place: Path, seed: int) -> None:
        import numpy as np

        self.place, self.folder = place, place / "in"
        self.folder.mkdir()
        self.pictures = small_panels(place)
        self.rng, self.chance = np.random.default_rng(seed), random.Random(seed)
        (place / "station.toml").write_text(
            'name = "EL 1"\nfolder = "in"\nrecipe = "recipe.toml"\nlog = "log.sqlite"\nsettle_s = 0.1\n'
        )
        self.log = open_log(place / "log.sqlite")
        self.taken: list[str] = []
        self.halves = 0
        self.stop = threading.Event()
        self.killed: Counter[str] = Counter()
        self.listed: set[str] = set()
        self.faults: list[str] = []
        self.said = (place / "said").open("ab")
        self.station = self._start()

    def work(self, kills: int) -> list[str]:
        """Kill so many times; return what went wrong."""
        camera = threading.Thread(target=self._take_pictures)
        camera.start()
        try:
            for _ in range(kills):
                if self.chance.random() < 0.7:  # in the midst of work; the others are killed while they start
                    before = len(_serials(self.log))
                    self._until(lambda before=before: len(_serials(self.log)) > before)  # type: ignore[misc]
                time.sleep(self.chance.uniform(0.0, 2.0))
                self._kill(self.chance.choice(("station", "worker", "both")))
        finally:
            self.stop.set()
            camera.join()
        self._take_again_what_is_listed()
        if not self._until(lambda: len(_serials(self.log)) >= len(self.taken)):
            self.faults.append("not every panel was inspected in the end")
        self.station.send_signal(signal.SIGTERM)
        if self.station.wait(WAIT_S) != 0:
            self.faults.append(f"the station ended with {self.station.returncode}")
        self.said.close()
        self._count()
        self.log.close()
        return self.faults

    def _start(self) -> "subprocess.Popen[bytes]":
        command = [sys.executable, "-m", "elinspect.cli", "station", "run", str(self.place / "station.toml")]
        own = {**os.environ, "XDG_STATE_HOME": str(self.place / "state")}
        return subprocess.Popen(command, env=own, stdout=self.said, stderr=subprocess.STDOUT)

    def _take_pictures(self) -> None:
        chance = random.Random(0)
        while not self.stop.is_set():
            if len(self.taken) - len(_serials(self.log)) < AHEAD:
                self._take(f"{len(self.taken) + 1:06d}", in_halves=chance.random() < 0.2)
            self.stop.wait(chance.uniform(0.1, 0.6))

    def _take(self, serial: str, *, in_halves: bool) -> None:
        picture = re_noised(self.pictures[len(self.taken) % 2], self.rng)
        written = cv2.imencode(".png", picture)[1].tobytes()
        with (self.folder / f"{serial}.png").open("wb") as stream:
            if in_halves:
                self.halves += 1
                stream.write(written[: len(written) // 2])
                stream.flush()
                time.sleep(1.5)
            stream.write(written[len(written) // 2 :] if in_halves else written)
        self.taken.append(serial)

    def _kill(self, whom: str) -> None:
        worker = worker_of(self.station.pid)
        if whom != "station" and worker is not None:
            _end(worker)
        if whom != "worker" or worker is None:
            self.station.kill()
            self.station.wait()
            if worker is not None and not self._until(lambda: not Path(f"/proc/{worker}").exists()):
                self.faults.append(f"worker {worker} outlived its station")
            self.station = self._start()
            whom = "both" if whom == "both" and worker is not None else "station"
        self.killed[whom] += 1

    def _take_again_what_is_listed(self) -> None:
        """Do as the list says with pictures that two workers died on."""
        waiting = lambda: len(_serials(self.log)) + len(self._listed()) >= len(self.taken)  # noqa: E731
        if not self._until(waiting):
            self.faults.append("some panels are neither inspected nor on the list")
        for name in self._listed():
            self.listed.add(name)
            again = (self.folder / name).read_bytes()
            (self.folder / name).unlink()
            (self.folder / name).write_bytes(again)

    def _listed(self) -> set[str]:
        with self.log.reading() as connection:
            return {refused.file for refused in refused_files(connection)}

    def _until(self, condition: Callable[[], bool]) -> bool:
        deadline = time.monotonic() + WAIT_S
        while not condition():
            if time.monotonic() > deadline:
                return False
            time.sleep(0.05)
        return True

    def _count(self) -> None:
        logged = _serials(self.log)
        for serial, times in (Counter(logged) - Counter(self.taken)).items():
            self.faults.append(f"{serial} is in the log {times} times too often")
        for serial in Counter(self.taken) - Counter(logged):
            self.faults.append(f"{serial} is lost")
        self.faults += [fault.text for fault in verify(self.log)]
        with self.log.reading() as connection:
            pictures = [row for serial in self.taken for row in pictures_of(connection, serial)]
        attempts = [row.serial for row in pictures if row.attempt != 1]
        if attempts or self._listed():
            self.faults.append(f"second attempts {attempts}, still listed {self._listed()}")
        said = (self.place / "said").read_text(errors="replace")
        kinds = Counter(event.kind.value for event in self.log.events())
        print(
            f"{sum(self.killed.values())} kills: {dict(self.killed)}\n"
            f"{len(self.taken)} panels, {self.halves} of them written in two halves: {len(set(logged))} inspected, "
            f"{kinds['inspection']} inspections logged, {kinds['re_evaluation']} re-evaluations, "
            f"{said.count('proposed:')} said on the console, {kinds['file_refused']} times a file refused, "
            f"{len(self.listed)} taken again"
        )
        if "Traceback" in said:
            self.faults.append(said[said.index("Traceback") :][:2000])


def _serials(log: Log) -> list[str]:
    with log.reading() as connection:
        return list(connection.execute(select(inspections.c.serial)).scalars())


def _end(process: int) -> None:
    with suppress(ProcessLookupError):  # it was between two workers
        os.kill(process, signal.SIGKILL)


if __name__ == "__main__":
    sys.exit(main())
