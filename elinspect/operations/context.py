"""Importing production context: good rows in, bad rows reported, twice the same as once."""

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import select

from elinspect.catalogue import Message
from elinspect.operations.tables import (
    BadRow,
    Progress,
    RowError,
    Table,
    TableRow,
    needed_text_in,
    text_in,
    time_in,
    truth_in,
    whole_number_in,
)
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.log import Log
from elinspect.store.projections.context import CONTEXT_FIELDS, CONTEXT_TEXTS, imported_rows, merge
from elinspect.store.schema import imports

CONTEXT_COLUMNS = (
    *("panel_serial", "string", "string_id", "stringer", "lane", "turned", "built_at", "cell_lot", "cell_supplier"),
    *("cell_class", "ribbon_lot", "operator", "layup_machine", "bussing_machine", "el_station"),
)
_MOST_STRINGS = 1000
_HELD_S = 0.008
"""What a chunk may hold the log for, on the average; a decision may wait 15 ms at most."""
_PAUSE_S = 0.002
"""Between two chunks, so that whoever waits to write gets in."""
_SMALLEST, _LARGEST = 12, 1500


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What an import did.

    Attributes
    ----------
    file : str
        The file.
    added : int
        Rows that were new or said something new.
    known : int
        Good rows that said nothing new.
    bad : tuple of BadRow
        Rows left out, each with line and reason.
    ignored_columns : tuple of str
        Columns this program does not know.
    """

    file: str
    added: int
    known: int
    bad: tuple[BadRow, ...]
    ignored_columns: tuple[str, ...]


@dataclass(slots=True)
class _Counts:
    added: int = 0
    known: int = 0
    bad: list[BadRow] = field(default_factory=list)


def import_context(log: Log, path: Path, progress: Progress | None = None, *, station: str = "import") -> ImportReport:
    """Import production context from a CSV file.

    A panel may be imported before or after it is inspected. What a row does not say leaves what an earlier file said; a
    file that was imported to its end before changes nothing.

    Parameters
    ----------
    log : Log
        Where to.
    path : Path
        The file: UTF-8, with the columns of the context CSV, separated by comma, semicolon or tab.
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
    counts = _Counts()
    with Table(path, CONTEXT_COLUMNS, ("panel_serial", "string")) as table:
        sha256 = table.facts.sha256
        done = _done_before(log, sha256, "context")
        size = 100
        chunks = _chunks(table.rows(), counts, lambda: size)
        for rows in chunks:
            new = _new_rows(log, rows, sha256, counts)
            if new and not done:
                data = {"file_sha256": sha256, "rows": new}
                appended = log.append([NewEvent(EventKind.CONTEXT, "context", data)], station)
                size = _next_size(len(new), appended.held_s)
                counts.added += len(new)
                time.sleep(_PAUSE_S)
            elif done:
                counts.known += len(new)
            if progress is not None and rows:
                progress(min(1.0, rows[-1][0] / table.facts.lines))
        if not done:
            ended = {"file_sha256": sha256, "what": "context", "file_name": path.name, "rows": counts.added}
            log.append([NewEvent(EventKind.IMPORT_DONE, "context", ended)], station)
        ignored = table.ignored_columns
    return ImportReport(str(path), counts.added, counts.known, tuple(counts.bad), ignored)


def _done_before(log: Log, sha256: str, what: str) -> bool:
    with log.reading() as connection:
        mine = (imports.c.file_sha256 == sha256, imports.c.what == what)
        return connection.execute(select(imports.c.rows).where(*mine)).one_or_none() is not None


def _next_size(rows: int, held_s: float) -> int:
    faster = min(max(_HELD_S / max(held_s, 1e-6), 0.5), 1.5)
    return int(min(max(rows * faster, _SMALLEST), _LARGEST))


_Row = tuple[int, dict[str, Any]]


def _chunks(rows: Iterator[TableRow | BadRow], counts: _Counts, size: Any) -> Iterator[list[_Row]]:
    chunk: list[_Row] = []
    for row in rows:
        if isinstance(row, BadRow):
            counts.bad.append(row)
            continue
        try:
            chunk.append((row.line, _context_row(row)))
        except RowError as error:
            counts.bad.append(BadRow(row.line, error.reason))
        if len(chunk) >= size():
            yield chunk
            chunk = []
    yield chunk


def _context_row(row: TableRow) -> dict[str, Any]:
    values: dict[str, Any] = {
        "serial": needed_text_in(row, "panel_serial"),
        "string": whole_number_in(row, "string", _MOST_STRINGS),
    }
    for name in CONTEXT_TEXTS:
        value = time_in(row, name) if name == "built_at" else text_in(row, name)
        if value:
            values[name] = value
    turned = truth_in(row, "turned")
    if turned is not None:
        values["turned"] = turned
    return values


def _new_rows(log: Log, rows: list[_Row], sha256: str, counts: _Counts) -> list[dict[str, Any]]:
    """Return the rows that say something new; a row that contradicts an earlier one of its file is bad."""
    with log.reading() as connection:
        known = imported_rows(connection, sorted({row["serial"] for _, row in rows})) if rows else {}
    of_this_chunk: dict[tuple[str, int], dict[str, Any]] = {}
    for line, row in rows:
        key = row["serial"], row["string"]
        before = known.get(key)
        said = of_this_chunk.get(key)
        if said is None and before is not None and before.source == sha256:
            said = {name: getattr(before, name) for name in CONTEXT_FIELDS}
        if said is not None and any(said.get(name) not in ("", None, value) for name, value in row.items()):
            names = {"serial": row["serial"], "string": row["string"]}
            counts.bad.append(BadRow(line, Message("import.contradicts", names)))
        elif key in of_this_chunk:
            of_this_chunk[key].update(row)
            counts.known += 1
        elif before is not None and _same(merge(before, row), before):
            counts.known += 1
        else:
            of_this_chunk[key] = dict(row)
    return list(of_this_chunk.values())


def _same(merged: dict[str, Any], before: Any) -> bool:
    return all(merged[name] == getattr(before, name) for name in CONTEXT_FIELDS)
