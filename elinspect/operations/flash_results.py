"""Importing flash-test results: what the finished module measured."""

from pathlib import Path
from typing import Any

from elinspect.operations.importing import Importable, ImportReport, import_table
from elinspect.operations.tables import (
    Progress,
    RowError,
    TableRow,
    needed_text_in,
    needed_time_in,
    positive_number_in,
    text_in,
)
from elinspect.store.events import EventKind
from elinspect.store.log import Log
from elinspect.store.projections.imported import FLASH_FIGURES, FLASH_KEYS, known_rows

FLASH_COLUMNS = ("panel_serial", "measured_at", *FLASH_FIGURES, "module_class", "tester")
"""Figures at standard test conditions in W, V and A; `fill_factor` 0..1; `module_class` is the sales class."""


def import_flash_results(
    log: Log, path: Path, progress: Progress | None = None, *, station: str = "import"
) -> ImportReport:
    """Import flash results from a CSV file or a workbook; parameters and errors as `import_context`."""
    return import_table(log, path, _FLASH, progress, station)


def _flash_row(row: TableRow) -> dict[str, Any]:
    values: dict[str, Any] = {
        "serial": needed_text_in(row, "panel_serial", exact=True),
        "measured_at": needed_time_in(row, "measured_at"),
    }
    for name in FLASH_FIGURES:
        number = positive_number_in(row, name)
        if name == "fill_factor" and number is not None and number >= 1:
            raise RowError("import.share", column=name, given=row.fields[name])
        if number is not None:
            values[name] = number
    further = {name: text_in(row, name) for name in ("module_class", "tester")}
    return values | {name: value for name, value in further.items() if value}


_FLASH = Importable(
    what="flash",
    kind=EventKind.FLASH_RESULT,
    columns=FLASH_COLUMNS,
    required=("panel_serial", "measured_at"),
    keys=FLASH_KEYS,
    parse=_flash_row,
    known=lambda connection, rows: known_rows(connection, EventKind.FLASH_RESULT, rows),
)
