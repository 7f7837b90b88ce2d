"""Importing maintenance events: what was done to a machine, and when."""

from pathlib import Path
from typing import Any

from elinspect.operations.importing import Importable, ImportReport, import_table
from elinspect.operations.tables import Progress, TableRow, needed_text_in, needed_time_in, text_in, time_in
from elinspect.store.events import EventKind
from elinspect.store.log import Log
from elinspect.store.projections.imported import MAINTENANCE_KEYS, known_rows

MAINTENANCE_COLUMNS = ("machine", "lane", "started_at", "ended_at", "what", "note")
"""`machine` is a stringer, lay-up machine, bussing machine or EL station, as the context names it; `lane` may be empty.
"""


def import_maintenance(
    log: Log, path: Path, progress: Progress | None = None, *, station: str = "import"
) -> ImportReport:
    """Import maintenance events from a CSV file or a workbook; parameters and errors as `import_context`."""
    return import_table(log, path, _MAINTENANCE, progress, station)


def _maintenance_row(row: TableRow) -> dict[str, Any]:
    values = {
        "machine": needed_text_in(row, "machine"),
        "lane": text_in(row, "lane"),
        "started_at": needed_time_in(row, "started_at"),
        "what": needed_text_in(row, "what"),
    }
    further = {"ended_at": time_in(row, "ended_at"), "note": text_in(row, "note")}
    return values | {name: value for name, value in further.items() if value}


_MAINTENANCE = Importable(
    what="maintenance",
    kind=EventKind.MAINTENANCE,
    columns=MAINTENANCE_COLUMNS,
    required=("machine", "started_at", "what"),
    keys=MAINTENANCE_KEYS,
    parse=_maintenance_row,
    known=lambda connection, rows: known_rows(connection, EventKind.MAINTENANCE, rows),
)
