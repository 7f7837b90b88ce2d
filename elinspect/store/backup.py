"""Copies of the log while it runs, and back.

A backup is a log in one SQLite file, whatever the log itself lies in. What is copied are the events, the chains, the
people and the outbox; in a copy between different databases the projections are made anew.
"""

import sqlite3
import tempfile
from pathlib import Path

from sqlalchemy import Connection, func, insert, select, text

from elinspect.errors import LogError
from elinspect.store.log import Log, open_log
from elinspect.store.rebuild import rebuild_within
from elinspect.store.schema import chains, events, outbox, people
from elinspect.store.verify import ChainHead, chain_heads, verify

_COPIED = (events, chains, people, outbox)
_AT_ONCE = 500


def backup(log: Log, target: Path) -> tuple[ChainHead, ...]:
    """Write a backup; stations may go on writing.

    Returns
    -------
    tuple of ChainHead
        The chains' ends in the backup.

    Raises
    ------
    LogError
        If the target exists, or cannot be written.
    """
    _refuse_existing(target)
    partial = target.with_name(target.name + ".part")
    partial.unlink(missing_ok=True)
    try:
        if log.sqlite_path is not None:
            _copy_file(log.sqlite_path, partial)
        else:
            with open_log(partial) as made:
                _copy_rows(log, made)
        with open_log(partial) as made:
            heads = chain_heads(made)
        partial.replace(target)
    except (OSError, sqlite3.Error) as error:
        partial.unlink(missing_ok=True)
        raise LogError("command.not_written", file=str(target), cause=str(error)) from error
    return heads


def restore(source: Path, place: str | Path) -> tuple[ChainHead, ...]:
    """Bring a backup back to a place without a log; the backup itself stays as it is.

    Parameters
    ----------
    source : Path
        The backup.
    place : str or Path
        A file that does not exist, or the URL of an empty database.

    Returns
    -------
    tuple of ChainHead
        The chains' ends.

    Raises
    ------
    LogError
        If there is a log already, or the backup is damaged or was tampered with; nothing is restored then.
    """
    if not source.is_file():
        raise LogError("log.cannot_open", file=str(source), cause="there is no such file")
    try:
        if isinstance(place, Path) or "://" not in place:
            return _restore_file(source, Path(place))
        with tempfile.TemporaryDirectory() as folder:
            copied = Path(folder) / "copy.sqlite"
            heads = _checked_copy(source, copied)
            with open_log(copied) as read, open_log(place) as target:
                _copy_rows(read, target)
    except (OSError, sqlite3.Error) as error:
        raise LogError("log.backup_damaged", file=str(source), faults=str(error)) from error
    return heads


def _restore_file(source: Path, target: Path) -> tuple[ChainHead, ...]:
    _refuse_existing(target)
    partial = target.with_name(target.name + ".part")
    try:
        heads = _checked_copy(source, partial)
        partial.replace(target)
    finally:
        partial.unlink(missing_ok=True)
    return heads


def _checked_copy(source: Path, target: Path) -> tuple[ChainHead, ...]:
    target.unlink(missing_ok=True)
    _copy_file(source, target)
    with open_log(target) as copied:
        faults = verify(copied)
        if faults:
            listed = " ".join(fault.text for fault in faults[:5])
            raise LogError("log.backup_damaged", file=str(source), faults=listed)
        return chain_heads(copied)


def _refuse_existing(path: Path) -> None:
    if path.exists():
        raise LogError("log.exists", file=str(path))


def _copy_file(source: Path, target: Path) -> None:
    """Copy a SQLite database as it is at one moment, with what only its write-ahead file holds so far."""
    target.parent.mkdir(parents=True, exist_ok=True)
    read, written = sqlite3.connect(source), sqlite3.connect(target)
    try:
        read.backup(written)
    finally:
        written.close()
        read.close()


def _copy_rows(source: Log, target: Log) -> None:
    with source.reading() as read, target.writing() as write:
        if write.execute(select(func.count()).select_from(events)).scalar_one():
            raise LogError("log.exists", file=target.place)
        for table in _COPIED:
            rows = read.execution_options(stream_results=True).execute(select(table))
            for block in rows.mappings().partitions(_AT_ONCE):
                write.execute(insert(table), [dict(row) for row in block])
        _move_numbering(write)
        rebuild_within(write)


def _move_numbering(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        last = "SELECT setval(pg_get_serial_sequence('events', 'id'), coalesce(max(id), 0) + 1, false) FROM events"
        connection.execute(text(last))
