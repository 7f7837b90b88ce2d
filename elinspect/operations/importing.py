"""Importing tables into the log: good rows in, bad rows reported, twice the same as once, nobody kept waiting."""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

from elinspect.catalogue import Message
from elinspect.operations.tables import BadRow, Progress, RowError, Table, TableRow
from elinspect.store.connection import POLL_S
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.log import Log
from elinspect.store.people import person_named
from elinspect.store.projections.imported import Known
from elinspect.store.schema import imports

_WORK_S = 0.006
"""Work for which a chunk may hold the log; a decision may wait 15 ms at most behind one."""
_PAUSE_S = 3 * POLL_S
"""Between two chunks, so that whoever waits to write gets in."""
_BLOCK = 2000
"""Rows that are compared with the log at once; they are written in smaller chunks."""
_SETTLED_AFTER = 10
"""Blocks after which the write-ahead file is emptied, before it is large enough that a decision would have to do it."""
_FIRST, _SMALLEST, _LARGEST = 200, 50, 1000
"""Rows per chunk; the fewest are a few panels that were all inspected before, so that what was counted moves."""

Row = dict[str, Any]
_Numbered = tuple[int, Row]


@dataclass(frozen=True, slots=True)
class Importable:
    """One sort of table.

    Attributes
    ----------
    what : str
        Its name in the log, such as ``context``; also the subject of its events.
    kind : EventKind
        Event that carries its rows.
    columns, required : sequence of str
        Columns it may have, and must have.
    keys : sequence of str
        Fields that say which thing a row speaks about.
    parse : callable
        From a row as text to its fields; fields that are not given are left out. Raises RowError.
    known : callable
        From a connection and rows to what the log knows about the same things, by key.
    names : sequence of str
        Fields that name a person; the log keeps an id instead.
    """

    what: str
    kind: EventKind
    columns: Sequence[str]
    required: Sequence[str]
    keys: Sequence[str]
    parse: Callable[[TableRow], Row]
    known: Callable[[Connection, Sequence[Row]], Mapping[tuple[Any, ...], Known]]
    names: Sequence[str] = ()


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


def import_table(log: Log, path: Path, what: Importable, progress: Progress | None, station: str) -> ImportReport:
    """Import a table; see `Importable`.

    What a row does not say leaves what an earlier file said. A file that was imported to its end before changes
    nothing; one that was interrupted goes on where it stopped.

    Raises
    ------
    ImportFileError
        If the file cannot be used at all.
    LogError
        If the log cannot be written; what was imported until then stays.
    """
    counts = _Counts()
    people = _People(log)
    with Table(path, what.columns, what.required) as table:
        done = _done_before(log, table.sha256, what.what)
        size = _Size(_FIRST)
        for number, block in enumerate(_blocks(table.rows(), what, counts), start=1):
            people.hide(block, what.names)
            new = _new_rows(log, block, what, table.sha256, counts)
            if done:
                counts.known += len(new)
            else:
                _write_in_chunks(log, new, what, table.sha256, size, station)
                counts.added += len(new)
            if number % _SETTLED_AFTER == 0:
                log.settle()
            if progress is not None and block:
                progress(min(1.0, block[-1][0] / table.lines))
        if not done:
            ended = {"file_sha256": table.sha256, "what": what.what, "file_name": path.name, "rows": counts.added}
            log.append([NewEvent(EventKind.IMPORT_DONE, what.what, ended)], station)
        ignored = table.ignored_columns
    return ImportReport(str(path), counts.added, counts.known, tuple(counts.bad), ignored)


def _write_in_chunks(log: Log, rows: list[Row], what: Importable, sha256: str, size: "_Size", station: str) -> None:
    begin = 0
    while begin < len(rows):
        chunk = rows[begin : begin + size.rows]
        begin += len(chunk)
        appended = log.append([_event(what, sha256, chunk)], station, bulk=True)
        size.follow(appended.work_s)
        time.sleep(_PAUSE_S)


def _event(what: Importable, sha256: str, rows: list[Row]) -> NewEvent:
    columns = list(rows[0])
    if all(list(row) == columns for row in rows):
        listed = [list(row.values()) for row in rows]
    else:
        columns = list(dict.fromkeys(name for row in rows for name in row))
        listed = [[row.get(name) for name in columns] for row in rows]
    return NewEvent(what.kind, what.what, {"file_sha256": sha256, "columns": columns, "rows": listed})


class _People:
    """Ids in the place of names, so that names stay out of the events."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self._ids: dict[str, str] = {}

    def hide(self, rows: list[_Numbered], fields: Sequence[str]) -> None:
        """Put ids in the place of names, in these rows."""
        for name in fields:
            for _, row in rows:
                if name in row:
                    row[name] = self._ids.get(row[name]) or self._id(row[name])

    def _id(self, name: str) -> str:
        with self._log.writing() as connection:
            self._ids[name] = person_named(connection, name)
        return self._ids[name]


def _done_before(log: Log, sha256: str, what: str) -> bool:
    with log.reading() as connection:
        mine = (imports.c.file_sha256 == sha256, imports.c.what == what)
        return connection.execute(select(imports.c.rows).where(*mine)).one_or_none() is not None


@dataclass(slots=True)
class _Size:
    """Rows per chunk: as many as the log can take in the time a chunk may hold it."""

    rows: int

    def follow(self, work_s: float) -> None:
        # Small steps: a single slow chunk is the machine's doing, not the size's.
        step = 0.9 if work_s > _WORK_S else 1.05
        self.rows = int(min(max(self.rows * step, _SMALLEST), _LARGEST))


def _blocks(rows: Iterator[TableRow | BadRow], what: Importable, counts: _Counts) -> Iterator[list[_Numbered]]:
    block: list[_Numbered] = []
    for row in rows:
        if isinstance(row, BadRow):
            counts.bad.append(row)
            continue
        try:
            block.append((row.line, what.parse(row)))
        except RowError as error:
            counts.bad.append(BadRow(row.line, error.reason))
        if len(block) >= _BLOCK:
            yield block
            block = []
    yield block


def _new_rows(log: Log, rows: list[_Numbered], what: Importable, sha256: str, counts: _Counts) -> list[Row]:
    """Return the rows that say something new; a row that contradicts an earlier one of its file is bad."""
    with log.reading() as connection:
        known = what.known(connection, [row for _, row in rows]) if rows else {}
    key_of = itemgetter(*what.keys)
    of_this_block: dict[tuple[Any, ...], Row] = {key_of(row): row for _, row in rows}
    if not known and len(of_this_block) == len(rows):
        return list(of_this_block.values())
    of_this_block = {}
    for line, row in rows:
        key = key_of(row)
        before = known.get(key)
        said: Mapping[str, Any] | None = of_this_block.get(key)
        if said is None and before is not None and before.source == sha256:
            said = before.fields
        if said is not None and any(said.get(name) not in ("", None, value) for name, value in row.items()):
            counts.bad.append(
                BadRow(line, Message("import.contradicts", {"which": ", ".join(str(part) for part in key if part)}))
            )
        elif key in of_this_block:
            of_this_block[key].update(row)
            counts.known += 1
        elif before is not None and all(before.fields[name] == value for name, value in row.items()):
            counts.known += 1
        else:
            of_this_block[key] = row
    return list(of_this_block.values())
