"""How long a million rows of production context take, and how long a chunk holds the log.

Bounds: 60 s for a million rows; a decision waits at most 15 ms behind a chunk.

    PYTHONPATH=.:tests python tests/bench/bench_log_import.py [--log URL] [--rows N]

Without --log a new SQLite file in a temporary folder is used; a URL must name an empty database.
"""

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path
from unittest import mock

from logged_panels import context_line, write_context

from elinspect.operations.context import import_context
from elinspect.store import Log, open_log

PER_MILLION_S, HELD_MS = 60.0, 15.0
STRINGS = 12


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--log")
    parser.add_argument("--rows", type=int, default=1_000_000)
    given = parser.parse_args()
    held: list[float] = []
    append = Log.append

    def timed(log: Log, *args: object) -> object:
        appended = append(log, *args)  # type: ignore[arg-type]
        held.append(1000 * appended.held_s)
        return appended

    with tempfile.TemporaryDirectory() as folder:
        panels = range(given.rows // STRINGS)
        lines = (context_line(f"{panel:08d}", string) for panel in panels for string in range(1, STRINGS + 1))
        path = write_context(Path(folder) / "context.csv", lines)
        with open_log(given.log or f"{folder}/log.sqlite") as log, mock.patch.object(Log, "append", timed):
            cpu, start = time.process_time(), time.perf_counter()
            report = import_context(log, path)
            taken, cpu = time.perf_counter() - start, time.process_time() - cpu
    held.sort()
    p99 = held[int(0.99 * len(held))]
    per_million = taken / report.added * 1e6
    print(f"{report.added} rows in {taken:.1f} s, {cpu:.1f} s of them computing: {per_million:.0f} s for a million")
    print(f"{len(held)} chunks of {report.added / len(held):.0f} rows on the average; how long each held the log:")
    print(f"median {statistics.median(held):.1f} ms, p99 {p99:.1f} ms, max {held[-1]:.1f} ms")
    within = per_million <= PER_MILLION_S and p99 <= HELD_MS and not report.bad
    print("within the bounds" if within else "NOT within the bounds")
    return 0 if within else 1


if __name__ == "__main__":
    sys.exit(main())
