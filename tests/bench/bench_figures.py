"""How long commonality, charts, alerts and the Pareto take, as a curve from ten thousand to five million flags.

The rows are written straight into the projections (logging them one by one would take hours): 300 days, 12 lanes, 5
flagged cells in every panel of 60, of which 70 % are confirmed. Bound: 3 s each at five million flags.

    PYTHONPATH=.:tests python tests/bench/bench_figures.py [--most FLAGS] [--log FILE]
"""

import argparse
import itertools
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import text

from elinspect.operations.alerts import alerts
from elinspect.operations.charts import day_chart
from elinspect.operations.commonality import commonality
from elinspect.operations.pareto import pareto
from elinspect.records import Kind
from elinspect.statistics.asked import ChartOf
from elinspect.statistics.pareto import GroupBy
from elinspect.store import Log, open_log
from elinspect.store.projections.counting import DIMENSIONS
from elinspect.store.rows import insert_values
from elinspect.store.schema import context_rows, flagged_cells, inspections

BOUND_S = 3.0
FLAGS, STRINGS, DAYS = 5, 6, 300
KINDS = ("crack", "inactive_area", "dark_cell", "finger_interruption", "solder_fault", "chipped_cell")
_AT_ONCE = 5_000
_NAMES = {table: tuple(column.name for column in table.c) for table in (inspections, context_rows, flagged_cells)}


def _rows(panels: int) -> Iterator[tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]]:
    chance = np.random.default_rng(1)
    for number in range(panels):
        day_number = number * DAYS // panels
        day = f"2026-{1 + day_number // 25:02d}-{1 + day_number % 25:02d}"
        second = (number * DAYS * 86_000 // panels) % 86_000
        seen = f"{day}T{second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}+00:00"
        same = {"serial": f"{number:010d}", "day": day, "purpose": "production", "stage": "before_lamination"}
        same |= {"product": "sunfield 60 3", "attempt": 1, "superseded": False, "event_id": number}
        inspection = {
            **dict.fromkeys(_NAMES[inspections]),
            **same,
            "id": f"{number:024x}",
            "result_event_id": number,
            "station": "EL 1",
            "subject": f"panel:{number:010d}",
            "retake": 0,
            "seen_at": seen,
            "criteria": "plant 1",
            "model": "model 1",
            "usable": True,
            "panel_found": True,
            "layout": "6x10",
            "layout_agrees": True,
            "proposal": "rework",
            "above_limit": FLAGS,
            "scores": b"",
            "decision": "rework",
            "decided_by": f"p{number // 400 % 3}",
        }
        lanes = chance.integers(12, size=STRINGS)
        lots = chance.integers(3, size=STRINGS)
        made = [
            {
                **dict.fromkeys(_NAMES[context_rows], ""),
                **{"serial": same["serial"], "string": string + 1, "position": 0, "origin": "imported"},
                **{"valid_from": number, "valid_to": None, "stringer": "ABCDEF"[lanes[string] // 2]},
                **{"lane": str(lanes[string] % 2 + 1), "turned": bool(string % 2), "cell_supplier": f"s{lots[string]}"},
                "cell_lot": f"lot {lots[string]}-{day_number // 7}",
            }
            for string in range(STRINGS)
        ]
        cells = []
        for place in chance.choice(60, FLAGS, replace=False):
            string, position = divmod(int(place), 10)
            kind = KINDS[int(6 * chance.random() ** 2)]
            confirmed = bool(chance.random() < 0.7)
            own = {name: made[string][name] for name in ("stringer", "lane", "cell_supplier", "cell_lot", "turned")}
            cells.append(
                {
                    **dict.fromkeys(_NAMES[flagged_cells], ""),
                    **same,
                    **own,
                    **{"inspection": inspection["id"], "string": string + 1, "position": position + 1, "instance": 0},
                    **{"origin": "imported", "position_as_built": 10 - position if string % 2 else position + 1},
                    **{"proposed_kind": kind, "confirmed_kind": kind if confirmed else None, "counts_proposed": True},
                    **{
                        "counts_confirmed": confirmed,
                        "along": float(chance.random()),
                        "across": float(chance.random()),
                    },
                }
            )
        yield inspection, made, cells


_KEYS = ", ".join(DIMENSIONS)
_FLAGGED = f"""
    INSERT INTO kept_counts ({_KEYS}, kind, proposed, confirmed)
    SELECT {_KEYS}, proposed_kind, count(*), sum(CASE WHEN counts_confirmed THEN 1 ELSE 0 END)
    FROM flagged_cells GROUP BY {_KEYS}, proposed_kind
"""
_INSPECTED = f"""
    INSERT INTO inspected_counts ({_KEYS}, cells)
    SELECT i.day, i.purpose, i.stage, i.product, c.origin, c.stringer, c.lane, c.cell_supplier, c.cell_lot,
           10 * count(*)
    FROM inspections i JOIN context_rows c ON c.serial = i.serial GROUP BY 1, 2, 3, 4, 5, 6, 7, 8, 9
"""


def _fill(log: Log, panels: int) -> None:
    rows = _rows(panels)
    while block := list(itertools.islice(rows, _AT_ONCE)):
        with log.writing() as connection:
            for table, found in (
                (inspections, [inspection for inspection, _, _ in block]),
                (context_rows, [row for _, made, _ in block for row in made]),
                (flagged_cells, [row for _, _, cells in block for row in cells]),
            ):
                names = _NAMES[table]
                insert_values(connection, table, names, [tuple(row[name] for name in names) for row in found])
    with log.writing() as connection:
        connection.execute(text(_FLAGGED))
        connection.execute(text(_INSPECTED))


def _timed(work: Callable[[], object], times: int = 2) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--most", type=int, default=5_000_000)
    given = parser.parse_args()
    slowest: dict[str, float] = {}
    for flags in (size for size in (10_000, 100_000, 1_000_000, 5_000_000) if size <= given.most):
        with tempfile.TemporaryDirectory() as folder, open_log(Path(folder) / "log.sqlite") as log:
            start = time.perf_counter()
            _fill(log, flags // FLAGS)
            print(f"{flags} flags, {flags // FLAGS} inspections (filled in {time.perf_counter() - start:.0f} s)")
            work = {
                "pareto by kind": lambda: pareto(log, GroupBy.KIND),
                "pareto by lane": lambda: pareto(log, GroupBy.LANE),
                "pareto by position": lambda: pareto(log, GroupBy.POSITION),
                "commonality, cracks, 4 weeks": lambda: commonality(log, (Kind.CRACK,)),
                "chart of yield": lambda: day_chart(log, ChartOf.FIRST_PASS_YIELD),
                "chart of flags": lambda: day_chart(log, ChartOf.FLAGGED_CELLS),
                "alerts": lambda: alerts(log),
            }
            for name, done in work.items():
                slowest[name] = _timed(done)
                print(f"    {name:30} {slowest[name]:6.2f} s", flush=True)
    late = [name for name, taken in slowest.items() if taken > BOUND_S]
    print("within the bounds" if not late else f"NOT within {BOUND_S:.0f} s: {', '.join(late)}")
    return 1 if late else 0


if __name__ == "__main__":
    sys.exit(main())
