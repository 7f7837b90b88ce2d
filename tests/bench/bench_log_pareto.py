"""How long a Pareto takes over a million inspections with five million flagged cells.

The rows are written straight into the projections (logging them one by one would take hours), of a plant with 300 days,
4 stringers of 2 lanes, 3 suppliers with a new cell lot every 7 days, and 6 kinds; the kept counts are added up from
them. Bound: 3 s.

    PYTHONPATH=.:tests python tests/bench/bench_log_pareto.py [--log URL] [--inspections N]

Without --log a new SQLite file in a temporary folder is used; a URL must name an empty database.
"""

import argparse
import itertools
import sys
import tempfile
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
from sqlalchemy import text

from elinspect.operations.pareto import pareto
from elinspect.statistics.pareto import CountOf, GroupBy
from elinspect.store import Log, open_log
from elinspect.store.projections.counting import DIMENSIONS
from elinspect.store.rows import insert_rows
from elinspect.store.schema import flagged_cells

BOUND_S = 3.0
FLAGS = 5
DAYS = 300
KINDS = ("crack", "inactive_area", "dark_cell", "finger_interruption", "solder_fault", "chipped_cell")
_AT_ONCE = 50_000


def _rows(inspections: int) -> Iterator[dict[str, Any]]:
    chance = np.random.default_rng(1)
    for number in range(inspections):
        day_number = number * DAYS // inspections
        day = f"2026-{1 + day_number // 25:02d}-{1 + day_number % 25:02d}"
        stringer, lane, supplier = (int(value) for value in chance.integers((4, 2, 3)))
        for place in chance.choice(144, FLAGS, replace=False):
            string, position = divmod(int(place), 12)
            confirmed = bool(chance.random() < 0.7)
            kind = KINDS[int(6 * chance.random() ** 2)]
            yield {
                "inspection": f"{number:024x}",
                "string": string + 1,
                "position": position + 1,
                "event_id": number,
                "serial": f"{number:010d}",
                "day": day,
                "purpose": "production",
                "stage": "before_lamination",
                "product": "sunfield 144 3",
                "origin": "imported",
                "stringer": "ABCD"[stringer],
                "lane": str(lane + 1),
                "cell_supplier": f"supplier {supplier}",
                "cell_lot": f"lot {supplier}-{day_number // 7}",
                "string_id": f"{number}-{string}",
                "cell_class": "A",
                "ribbon_lot": "rib 1",
                "operator": "",
                "turned": bool(string % 2),
                "position_as_built": position + 1,
                "instance": 0,
                "attempt": 1,
                "superseded": False,
                "proposed_kind": kind,
                "confirmed_kind": kind if confirmed else None,
                "counts_proposed": True,
                "counts_confirmed": confirmed,
            }


_ADD_UP = f"""
    INSERT INTO kept_counts ({", ".join(DIMENSIONS)}, kind, proposed, confirmed)
    SELECT {", ".join(DIMENSIONS)}, proposed_kind, count(*), sum(CASE WHEN counts_confirmed THEN 1 ELSE 0 END)
    FROM flagged_cells GROUP BY {", ".join(DIMENSIONS)}, proposed_kind
"""


def _fill(log: Log, inspections: int) -> None:
    rows = _rows(inspections)
    while block := list(itertools.islice(rows, _AT_ONCE)):
        with log.writing() as connection:
            insert_rows(connection, flagged_cells, block)
    with log.writing() as connection:
        connection.execute(text(_ADD_UP))
        flagged = connection.execute(text("SELECT count(*) FROM flagged_cells")).scalar_one()
        kept = connection.execute(text("SELECT count(*) FROM kept_counts")).scalar_one()
    print(f"{inspections} inspections, {flagged} flagged cells, {kept} kept counts")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--log")
    parser.add_argument("--inspections", type=int, default=1_000_000)
    given = parser.parse_args()
    slowest = 0.0
    with tempfile.TemporaryDirectory() as folder, open_log(given.log or f"{folder}/log.sqlite") as log:
        _fill(log, given.inspections)
        if log.sqlite_path is None:
            with log.writing() as connection:
                connection.execute(text("ANALYZE"))
        for by in GroupBy:
            start = time.perf_counter()
            table = pareto(log, by, count=CountOf.PROPOSED)
            taken = time.perf_counter() - start
            slowest = max(slowest, taken)
            total = sum(row.proposed for row in table.rows)
            print(f"by {by:14} {len(table.rows):5} lines, {total} cells, {taken:6.3f} s")
            if total != FLAGS * given.inspections:
                raise RuntimeError("the Pareto lost cells")
    print("within the bounds" if slowest <= BOUND_S else "NOT within the bounds")
    return 0 if slowest <= BOUND_S else 1


if __name__ == "__main__":
    sys.exit(main())
