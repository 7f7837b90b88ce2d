"""How long one decision takes while others write.

A stand-in for a station logs one inspection of 144 half cells per second, an import writes context without pause, and
an inspector opens panels, answers their flag and decides. Every write waits for the disk (synchronous FULL). Bounds: a
decision at most 20 ms at the median and 40 ms at the 99th percentile. Times by the clock depend on what else the
machine does; computing times do not, and the disk's own time stands beside them.

    PYTHONPATH=.:tests python tests/bench/bench_log_decisions.py [--log URL] [--decisions N]

Without --log a new SQLite file in a temporary folder is used; a URL must name an empty database.
"""

import argparse
import multiprocessing
import multiprocessing.synchronize
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from log_times import disk_alone, line, percentile
from logged_panels import context_line, crack, make_result, recipe_for, write_context

from elinspect.operations.context import import_context
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.versions import log_recipe
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, Layout
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import open_log
from elinspect.store.verify import verify

HALF_CELLS = Layout.parse("2x6x12")
MEDIAN_MS, P99_MS = 20.0, 40.0
EVERY_S = 0.1
"""Between two panels: ten times as fast as an inspector can be, so that the run stays short."""


def _station(place: str, stop: multiprocessing.synchronize.Event) -> None:
    flags = [crack(f"m{number}", number, number) for number in range(1, 7)]
    with open_log(place) as log:
        number = 0
        while not stop.wait(1.0):
            log_inspection(log, make_result(f"S{number}", flags, layout=HALF_CELLS), "station")
            number += 1


def _importer(place: str, folder: str, stop: multiprocessing.synchronize.Event) -> None:
    def watch(_: float) -> None:
        if stop.is_set():
            raise KeyboardInterrupt

    with open_log(place) as log:
        for number in range(10_000):
            lines = (context_line(f"I{number}-{panel}", string) for panel in range(20_000) for string in range(1, 13))
            try:
                import_context(log, write_context(Path(folder) / f"{number}.csv", lines), watch)
            except KeyboardInterrupt:
                return


def _run(place: str, decisions: int, folder: str) -> bool:
    with open_log(place) as log:
        log_recipe(log, recipe_for(HALF_CELLS), "engineering")
        flag = crack("m1", 1, 1)
        panels = [
            log_inspection(log, make_result(f"P{number}", [flag], layout=HALF_CELLS), "station")
            for number in range(decisions)
        ]
        desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
        spawn = multiprocessing.get_context("spawn")
        stop = spawn.Event()
        others = [
            spawn.Process(target=_station, args=(place, stop)),
            spawn.Process(target=_importer, args=(place, folder, stop)),
        ]
        for other in others:
            other.start()
        time.sleep(8.0)  # both are at work by now
        times: dict[str, list[float]] = {"open and lock": [], "verdict": [], "decision": []}
        computing: dict[str, list[float]] = {what: [] for what in times}
        floor = disk_alone(folder)

        def timed(what: str, action: Callable[[], object]) -> object:
            start, cpu = time.perf_counter(), time.thread_time()
            done = action()
            times[what].append(1000 * (time.perf_counter() - start))
            computing[what].append(1000 * (time.thread_time() - cpu))
            return done

        before = len(list(log.events()))
        for panel in panels:
            review = timed("open and lock", lambda panel=panel: desk.open(panel))
            review = timed("verdict", lambda review=review: desk.answer(review, Verdict("m1", Answer.DISMISSED)))
            timed("decision", lambda review=review: desk.decide(review, Disposition.ACCEPT))
            time.sleep(EVERY_S)
        written = len(list(log.events())) - before
        floor += disk_alone(folder)
        stop.set()
        for other in others:
            other.join(60)
        faults = verify(log)
    print(f"{written} events by all writers meanwhile; faults in the chains: {len(faults)}")
    for what, taken in times.items():
        print(line(what, taken))
        print(line("  of that computing", computing[what]))
    print(line("the disk alone, before and after", floor))
    decisions_ms = times["decision"]
    return not faults and statistics.median(decisions_ms) <= MEDIAN_MS and percentile(decisions_ms, 0.99) <= P99_MS


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--log")
    parser.add_argument("--decisions", type=int, default=300)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        held = _run(given.log or f"{folder}/log.sqlite", given.decisions, folder)
    print("within the bounds" if held else "NOT within the bounds")
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
