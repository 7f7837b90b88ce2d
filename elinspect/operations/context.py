"""Importing production context: where each string of a panel came from."""

from pathlib import Path
from typing import Any

from elinspect.operations.importing import Importable, ImportReport, import_table
from elinspect.operations.tables import (
    Progress,
    TableRow,
    needed_text_in,
    text_in,
    time_in,
    truth_in,
    whole_number_in,
)
from elinspect.store.events import EventKind
from elinspect.store.log import Log
from elinspect.store.projections.context import known_context

CONTEXT_COLUMNS = (
    *("panel_serial", "string", "string_id", "stringer", "lane", "turned", "built_at", "cell_lot", "cell_supplier"),
    *("cell_class", "ribbon_lot", "operator", "layup_machine", "bussing_machine", "el_station"),
)
_MOST_STRINGS = 1000
_EXACT = frozenset({"string_id", "cell_lot", "ribbon_lot"})


def import_context(log: Log, path: Path, progress: Progress | None = None, *, station: str = "import") -> ImportReport:
    """Import production context from a CSV file or a workbook.

    A panel may be imported before or after it is inspected. What a row does not say leaves what an earlier file said; a
    file that was imported to its end before changes nothing.

    Parameters
    ----------
    log : Log
        Where to.
    path : Path
        The file, with the columns of the context CSV.
    progress : callable, optional
        Told how much is done, 0..1.
    station : str
        Whose chain the events go to.

    Raises
    ------
    ImportFileError
        If the file cannot be used at all.
    LogError
        If the log cannot be written; what was imported until then stays, and importing again goes on.
    """
    return import_table(log, path, _CONTEXT, progress, station)


def _context_row(row: TableRow) -> dict[str, Any]:
    if row.numbers:
        for name in _EXACT:
            text_in(row, name, exact=True)
    time_in(row, "built_at")
    values: dict[str, Any] = {
        **row.fields,
        "serial": needed_text_in(row, "panel_serial", exact=True),
        "string": whole_number_in(row, "string", _MOST_STRINGS),
    }
    del values["panel_serial"]
    if "turned" in values:
        values["turned"] = truth_in(row, "turned")
    if "" in values.values() or None in values.values():
        return {name: value for name, value in values.items() if value is not None and value != ""}
    return values


_CONTEXT = Importable(
    what="context",
    kind=EventKind.CONTEXT,
    columns=CONTEXT_COLUMNS,
    required=("panel_serial", "string"),
    keys=("serial", "string"),
    parse=_context_row,
    known=lambda connection, rows: known_context(connection, sorted({row["serial"] for row in rows})),
    names=("operator",),
)
