"""How long a million rows of production context take, and how long that keeps somebody who decides waiting.

Bounds: 60 s for a million rows; a decision waits at most 15 ms behind a chunk. A second process asks for its turn to
write all the time, as a decision does, and measures how long it waits. Times by the clock depend on what else the
machine does; the computing time of a chunk does not.

    PYTHONPATH=.:tests python tests/bench/bench_log_import.py [--log URL] [--rows N] [--inspected N]

With --inspected that many panels were inspected before their context comes: then every row also moves what was counted.
Without --log a new SQLite file in a temporary folder is used; a URL must name an empty database.
"""

import argparse
import multiprocessing
import multiprocessing.synchronize
import sys
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path
from unittest import mock

from log_times import disk_alone, line, percentile
from logged_panels import context_line, crack, make_result, write_context

from elinspect.operations.context import import_context
from elinspect.operations.log_inspection import log_inspection
from elinspect.records import Layout
from elinspect.store import Log, open_log

PER_MILLION_S, HELD_MS = 60.0, 15.0
STRINGS = 12
ASK_EVERY_S = 0.05
"""A decision every 50 ms: several hundred times as many as inspectors make, so that the worst is met."""


def _ask(place: str, stop: multiprocessing.synchronize.Event, waits: Connection) -> None:
    """Take the turn to write again and again; send how long each took, in ms."""
    measured = []
    with open_log(place) as log:
        while not stop.wait(ASK_EVERY_S):
            start = time.perf_counter()
            with log.writing():
                measured.append(1000 * (time.perf_counter() - start))
    waits.send(measured)


def _inspect(place: str, panels: int) -> None:
    flags = [crack(f"m{number}", number, number) for number in range(1, 7)]
    with open_log(place) as log:
        for panel in range(panels):
            log_inspection(log, make_result(f"{panel:08d}", flags, layout=Layout.parse("2x6x12")), "station")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--log")
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--inspected", type=int, default=0)
    given = parser.parse_args()
    held: list[float] = []
    to_disk: list[float] = []
    computing: list[float] = []
    append = Log.append

    def timed(log: Log, *args: object, **named: object) -> object:
        start = time.thread_time()
        appended = append(log, *args, **named)  # type: ignore[arg-type]
        computing.append(1000 * (time.thread_time() - start))
        held.append(1000 * appended.held_s)
        to_disk.append(1000 * appended.to_disk_s)
        return appended

    spawn = multiprocessing.get_context("spawn")
    stop, (heard, waits) = spawn.Event(), spawn.Pipe(duplex=False)
    with tempfile.TemporaryDirectory() as folder:
        panels = range(given.rows // STRINGS)
        lines = (context_line(f"{panel:08d}", string) for panel in panels for string in range(1, STRINGS + 1))
        path = write_context(Path(folder) / "context.csv", lines)
        place = given.log or f"{folder}/log.sqlite"
        _inspect(place, given.inspected)
        with open_log(place) as log, mock.patch.object(Log, "append", timed):
            asking = spawn.Process(target=_ask, args=(place, stop, waits))
            asking.start()
            time.sleep(3.0)  # it is at work by now
            floor = disk_alone(folder)
            cpu, start = time.process_time(), time.perf_counter()
            report = import_context(log, path)
            taken, cpu = time.perf_counter() - start, time.process_time() - cpu
            floor += disk_alone(folder)
            stop.set()
            waited = heard.recv()
            asking.join()
    per_million = 1e6 / report.added
    print(f"{report.added} rows in {taken:.1f} s, {cpu:.1f} s of them computing: for a million")
    print(f"{taken * per_million:.1f} s, {cpu * per_million:.1f} s of them computing")
    print(f"{len(held)} chunks of {report.added / len(held):.0f} rows on the average")
    print(line("a chunk held the log", held))
    print(line("its way to the disk after that", to_disk))
    print(line("computing for a chunk, packing too", computing))
    print(line("another writer waited for its turn", waited))
    print(line("the disk alone, before and after", floor))
    worst = max(range(len(held)), key=held.__getitem__)
    print(f"the longest hold was {held[worst]:.1f} ms, in a chunk that computed {computing[worst]:.1f} ms")
    within = taken * per_million <= PER_MILLION_S and percentile(waited, 0.99) <= HELD_MS and not report.bad
    print("within the bounds" if within else "NOT within the bounds")
    return 0 if within else 1


if __name__ == "__main__":
    sys.exit(main())
