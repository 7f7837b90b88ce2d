"""The log: open, append, read."""

import time
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from sqlalchemy import Connection, Engine, insert, inspect, select, text

from elinspect.errors import LogError
from elinspect.store.connection import engine_for, in_words, reading, reading_together, settle, write_ahead, writing
from elinspect.store.events import (
    FIRST_LINK,
    EventKind,
    NewEvent,
    Packed,
    StoredEvent,
    from_bytes,
    link,
    now,
    pack,
    to_bytes,
)
from elinspect.store.locks import Lock, release, renew
from elinspect.store.projections import apply
from elinspect.store.rows import row_by
from elinspect.store.rules import Standing, event_count, refuse
from elinspect.store.schema import HEAD_REVISION, chains, events


@dataclass(frozen=True, slots=True)
class Appended:
    """What an append did.

    Attributes
    ----------
    version : int
        Version of the subject of the last event.
    events : tuple of StoredEvent
        The events as they stand in the log.
    held_s : float
        How long other writers had to wait for this transaction, its way to the disk left out.
    work_s : float
        The same without the time in which the machine did something else: computing time where the database is a file
        and all its work is done in this thread, else the time by the clock.
    to_disk_s : float
        How long that took; others waited meanwhile, unless it was `bulk`.
    """

    version: int
    events: tuple[StoredEvent, ...]
    held_s: float
    work_s: float
    to_disk_s: float


class Log:
    """An open log; close it, or use it as a context manager. May be used from several threads.

    Attributes
    ----------
    place : str
        The file or URL, for messages; without password.
    """

    def __init__(self, engine: Engine, place: str) -> None:
        self._engine = engine
        self.place = place

    def __enter__(self) -> "Log":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close all connections."""
        self._engine.dispose()

    @property
    def sqlite_path(self) -> Path | None:
        """The database file; None for a server."""
        url = self._engine.url
        return Path(url.database) if url.get_backend_name() == "sqlite" and url.database else None

    def reading(self) -> AbstractContextManager[Connection]:
        """Open a transaction that only reads."""
        return reading(self._engine, self.place)

    def reading_together(self, n: int) -> AbstractContextManager[list[Connection]]:
        """Open so many transactions that only read, all of the same state of the log: one for each thread."""
        return reading_together(self._engine, self.place, n)

    def writing(self, *, bulk: bool = False) -> AbstractContextManager[Connection]:
        """Open a transaction that writes, alone; on disk when it is left, with `bulk` after others get their turn."""
        return writing(self._engine, self.place, bulk=bulk)

    def settle(self) -> None:
        """Do now what the database would do later while somebody waits; for those who write much and have time."""
        settle(self._engine, self.place)

    def append(
        self,
        new: Sequence[NewEvent],
        station: str,
        expected_version: int | None = None,
        lock: Lock | None = None,
        *,
        bulk: bool = False,
    ) -> Appended:
        """Log events: all of them or none, on disk when this returns.

        Parameters
        ----------
        new : sequence of NewEvent
            In order. With `expected_version` or `lock`, all of one subject.
        station : str
            Whose chain.
        expected_version : int, optional
            Version of the subject the writer last saw. Needed for inspections, verdicts and decisions.
        lock : Lock, optional
            The writer's lock on the subject; renewed, or given back with a decision. Needed for verdicts and decisions.
        bulk : bool
            Whether this is one of many, as in an import: others then get their turn before it is on disk.

        Returns
        -------
        Appended
            The new version and the events as stored.

        Raises
        ------
        LogError
            If a rule or the gate refuses an event (its text names what is missing), or the database cannot write;
            nothing is logged then.
        ValueError
            If there are no events, or events of several subjects with a version.
        """
        subjects = {event.subject for event in new}
        if not new or (expected_version is not None and len(subjects) != 1):
            raise ValueError("append needs events, and events of one subject where a version is expected")
        ready = [pack(event.data) for event in new]
        with self.writing(bulk=bulk) as connection:
            start, computed = time.perf_counter(), time.thread_time()
            unchanged = expected_version is not None and event_count(connection, new[0].subject) == expected_version
            standing = Standing(station, lock, unchanged)
            stored = []
            for event, packed in zip(new, ready, strict=True):
                refuse(connection, event, standing)
                stored.append(_write_event(connection, event, packed, station))
                apply(connection, stored[-1])
            if lock is not None:
                decided = any(event.kind is EventKind.DISPOSITION for event in new)
                (release if decided else renew)(connection, lock)
            written, computed = time.perf_counter(), time.thread_time() - computed
        held_s = written - start
        work_s = computed if self.sqlite_path is not None else held_s
        return Appended(stored[-1].version, tuple(stored), held_s, work_s, time.perf_counter() - written)

    def events(self, after: int = 0) -> Iterator[StoredEvent]:
        """Yield all events after a record, in the order they were logged, a few at a time."""
        while True:
            with self.reading() as connection:
                found = connection.execute(
                    select(events.c.id, events.c.body).where(events.c.id > after).order_by(events.c.id).limit(500)
                ).all()
            if not found:
                return
            for row in found:
                yield from_bytes(row.id, bytes(row.body))
            after = found[-1].id


def _write_event(connection: Connection, event: NewEvent, packed: Packed, station: str) -> StoredEvent:
    """Write one event at the end of a station's chain."""
    head = row_by(connection, chains, station=station)
    number = (head.number if head is not None else 0) + 1
    before = bytes(head.hash) if head is not None else FIRST_LINK
    version, at = event_count(connection, event.subject) + 1, now()
    body = to_bytes(event, packed.stored, station, number, version, at)
    linked = link(before, body)
    row = {
        "station": station,
        "number": number,
        "subject": event.subject,
        "version": version,
        "kind": event.kind.value,
        "hash": linked,
        "body": body,
    }
    result = connection.execute(_INSERT, row)
    connection.execute(_MOVE_HEAD, {"station": station, "number": number, "hash": linked})
    key = result.inserted_primary_key
    assert key is not None
    return StoredEvent(int(key[0]), station, number, at, event.kind, event.subject, version, event.person, packed.data)


_INSERT = insert(events)
_MOVE_HEAD = text(
    "INSERT INTO chains (station, number, hash) VALUES (:station, :number, :hash) "
    "ON CONFLICT (station) DO UPDATE SET number = excluded.number, hash = excluded.hash"
)


def open_log(place: str | Path, *, new: bool = True) -> Log:
    """Open the log, making it where there is none yet.

    Parameters
    ----------
    place : str or Path
        A file for SQLite, or a URL such as ``postgresql://user@host/database``.
    new : bool
        Whether it may be made; a person who asks about a log does not mean an empty one.

    Returns
    -------
    Log
        At the schema of this program; an older one was migrated.

    Raises
    ------
    LogError
        If the file lies on a network share, is no log, comes from a newer program, or cannot be reached; if there is
        none and none may be made.
    """
    engine = engine_for(place)
    shown = engine.url.render_as_string(hide_password=True)
    name = shown.removeprefix("sqlite:///")
    try:
        with in_words(name):
            file = engine.url.database if engine.dialect.name == "sqlite" else None
            there = file is None or Path(file).exists()
            revision = _revision(engine, name) if new or there else None
            if revision is None and not new:
                raise LogError("log.none_there", file=name)
            write_ahead(engine)
            if revision != HEAD_REVISION:
                from elinspect.store.migrating import migrate  # alembic takes half a second to import

                migrate(engine, name, revision)
    except BaseException:
        engine.dispose()
        raise
    return Log(engine, name)


def _revision(engine: Engine, name: str) -> str | None:
    """Return the schema of a database; None where there is none yet."""
    with engine.connect() as connection:
        tables = inspect(connection).get_table_names()
        if not tables:
            return None
        if not {"alembic_version", "events"} <= set(tables) and tables != ["alembic_version"]:
            raise LogError("log.not_a_log", file=name)
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()
        return str(found) if found is not None else None
