"""The connection to the database: SQLite in one file, or PostgreSQL by URL.

Whoever writes is alone: in SQLite every write transaction opens with BEGIN IMMEDIATE, in PostgreSQL it takes one
advisory lock first. So the order of events is the order in which they were committed.
"""

import gc
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError

from elinspect.errors import LogError, told_as

WAIT_S = 10.0
"""How long a writer waits for its turn. Common practice, no source: longer than any transaction of ours."""
POLL_S = 0.0004
"""How often a waiting writer of SQLite looks whether its turn has come."""
_WRITE_AHEAD_PAGES = 4000
"""How far SQLite's write-ahead file may grow until the writer that finds it so moves it into the database (16 MB). With
the usual 1000 it was an inspector's decision too often, for 10 to 30 ms; who writes much calls `settle` before that.
"""
_MOST_TRIES = 100  # to see one state with several connections; each takes less time than a write
_WRITER_LOCK = 7_310_520_641  # any number that nobody else uses in this database

_NETWORK_TYPES = frozenset(
    {
        *("nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "lustre", "glusterfs", "ncpfs", "ocfs2", "gfs2"),
        *("beegfs", "fuse.sshfs", "fuse.glusterfs", "fuse.davfs", "fuse.davfs2", "fuse.rclone", "fuse.gvfsd-fuse"),
        *("fuse.s3fs", "fuse.ceph"),
    }
)
_MOUNTS = Path("/proc/self/mounts")
_DRIVE_REMOTE = 4  # GetDriveTypeW, Windows API


def refuse_network_share(path: Path, mounts: str | None = None) -> None:
    """Refuse a database file on a network share: its locks cannot be trusted there.

    Parameters
    ----------
    path : Path
        The database file; need not exist.
    mounts : str, optional
        Text of the mount table; the system's own if not given.

    Raises
    ------
    LogError
        If the file would lie on a share.
    """
    resolved = path.resolve()
    if os.name == "nt":
        share = str(resolved).startswith("\\\\") or _is_remote_drive(resolved.anchor)
    else:
        if mounts is None:
            mounts = _MOUNTS.read_text(encoding="utf-8", errors="replace") if _MOUNTS.exists() else ""
        share = _file_system_of(resolved, mounts) in _NETWORK_TYPES
    if share:
        raise LogError("log.network_share", file=str(path))


def _is_remote_drive(anchor: str) -> bool:
    import ctypes

    library: Any = getattr(ctypes, "windll", None)
    return library is not None and library.kernel32.GetDriveTypeW(anchor) == _DRIVE_REMOTE


def _file_system_of(path: Path, mounts: str) -> str:
    best, found = -1, ""
    for line in mounts.splitlines():
        fields = line.split()
        if len(fields) < 3:
            continue
        point = Path(fields[1].encode().decode("unicode_escape"))  # the kernel writes a space as \040
        if (path == point or point in path.parents) and len(point.parts) >= best:
            best, found = len(point.parts), fields[2]
    return found


def engine_for(place: str | Path) -> Engine:
    """Return an engine for a file or a URL; nothing is opened yet.

    Raises
    ------
    LogError
        If the URL cannot be understood, its driver is missing, or the file lies on a network share.
    """
    if isinstance(place, Path) or "://" not in place:
        return _sqlite_engine(Path(place))
    try:
        url = make_url(place)
    except ArgumentError:
        raise LogError("log.url", url=_without_password(place)) from None
    if url.get_backend_name() == "sqlite" and url.database:
        return _sqlite_engine(Path(url.database))
    if url.get_backend_name() not in ("postgresql", "postgres"):
        raise LogError("log.url", url=_without_password(place))
    try:
        return create_engine(url.set(drivername="postgresql+psycopg"), pool_pre_ping=True)
    except (ModuleNotFoundError, NoSuchModuleError):
        raise LogError("log.no_driver") from None


def _without_password(url: str) -> str:
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{rest.rpartition('@')[2]}"


def _sqlite_engine(path: Path) -> Engine:
    refuse_network_share(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LogError("log.cannot_open", file=str(path), cause=str(error)) from error
    engine = create_engine(f"sqlite:///{path}", connect_args={"isolation_level": None, "timeout": WAIT_S})
    event.listen(engine, "connect", _set_up_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _set_up_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(f"PRAGMA wal_autocheckpoint={_WRITE_AHEAD_PAGES}")
    connection.execute("PRAGMA secure_delete=ON")  # an erased name is overwritten, not only forgotten


def write_ahead(engine: Engine) -> None:
    """Switch a SQLite database to its write-ahead log, where readers and the writer do not wait for each other."""
    if engine.dialect.name != "sqlite":
        return
    raw = engine.raw_connection()
    try:
        # SQLite does not wait by itself when two programs make the switch at once.
        _waited_for(lambda: raw.cursor().execute("PRAGMA journal_mode=WAL"))
    finally:
        raw.close()


def _begin_sqlite(connection: Connection) -> None:
    if not connection.get_execution_options().get("writing"):
        connection.exec_driver_sql("BEGIN")
        return
    # SQLite's own waiting sleeps up to 100 ms between its tries; a decision must not wait that long behind an import.
    connection.exec_driver_sql("PRAGMA busy_timeout=0")
    try:
        _waited_for(lambda: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    finally:
        connection.exec_driver_sql(f"PRAGMA busy_timeout={int(WAIT_S * 1000)}")


def _waited_for(asked: Callable[[], object]) -> None:
    """Ask SQLite for what another program may hold, again and again until it is given or `WAIT_S` are over."""
    deadline = time.monotonic() + WAIT_S
    while True:
        try:
            asked()
        except (DBAPIError, sqlite3.Error) as error:
            if not _is_busy(_cause_of(error)) or time.monotonic() > deadline:
                raise
            time.sleep(POLL_S)
        else:
            return


def _cause_of(error: DBAPIError | sqlite3.Error) -> BaseException | None:
    return error.orig if isinstance(error, DBAPIError) else error


def _is_busy(cause: BaseException | None) -> bool:
    code = getattr(cause, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


@contextmanager
def reading(engine: Engine, place: str) -> Iterator[Connection]:
    """Open a transaction that only reads: one consistent state of the log."""
    with in_words(place), _no_collection(), engine.connect() as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY"))
        yield connection


@contextmanager
def reading_together(engine: Engine, place: str, n: int) -> Iterator[list[Connection]]:
    """Open so many transactions that only read, and see the same events; again where somebody wrote in between."""
    for _ in range(_MOST_TRIES):
        with ExitStack() as opened:
            connections = [opened.enter_context(reading(engine, place)) for _ in range(n)]
            ends = {connection.execute(text("SELECT max(id) FROM events")).scalar() for connection in connections}
            if len(ends) <= 1:
                yield connections
                return
    raise LogError("log.locked", file=place, cause="")


@contextmanager
def writing(engine: Engine, place: str, *, bulk: bool = False) -> Iterator[Connection]:
    """Open a transaction that writes; on disk when it is left, or, after an error, as if it had never been.

    Parameters
    ----------
    bulk : bool
        Whether others get their turn before this is on disk. Who writes next still never gets there before it: SQLite
        then waits for all that was written before.
    """
    with (
        in_words(place),
        _no_collection(),
        engine.connect().execution_options(writing=True) as connection,
        _disk_afterwards(connection, bulk),
        connection.begin(),
    ):
        if connection.dialect.name == "postgresql":
            connection.execute(text(f"SET LOCAL lock_timeout = '{int(WAIT_S * 1000)}ms'"))
            connection.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": _WRITER_LOCK})
        yield connection


@contextmanager
def _disk_afterwards(connection: Connection, bulk: bool) -> Iterator[None]:
    """Wait for the disk after a transaction of SQLite has ended, and its lock with it, not within it."""
    database = connection.engine.url.database
    if not bulk or database is None or connection.dialect.name != "sqlite":
        yield
        return
    raw = connection.connection.driver_connection
    assert raw is not None
    raw.execute("PRAGMA synchronous=NORMAL")
    try:
        yield
        with told_as("log.not_kept", LogError, file=database), Path(f"{database}-wal").open("rb+") as write_ahead_file:
            os.fsync(write_ahead_file.fileno())
    finally:
        raw.execute("PRAGMA synchronous=FULL")


@contextmanager
def _no_collection() -> Iterator[None]:
    """Put Python's search for cyclic garbage off.

    In a writer it took up to 97 ms (measured), and everybody else waited; a reader of half a million rows would search
    every few hundred rows, in vain.
    """
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def settle(engine: Engine, place: str) -> None:
    """Move what SQLite's write-ahead file holds into the database; nobody else waits for that."""
    if engine.dialect.name == "sqlite":
        with in_words(place), engine.connect() as connection:
            raw = connection.connection.driver_connection
            assert raw is not None
            raw.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()


@contextmanager
def in_words(place: str) -> Iterator[None]:
    """Turn what the database says into words: what, which file, what to do.

    Raises
    ------
    LogError
        If the log is locked, the disk is full, or the database cannot be reached or used.
    """
    try:
        yield
    except (DBAPIError, sqlite3.Error) as error:
        cause = _cause_of(error)
        raise LogError(_code_for(cause), file=place, cause=str(cause).strip().partition("\n")[0]) from error


_SQLITE_CODES = {
    sqlite3.SQLITE_BUSY: "log.locked",
    sqlite3.SQLITE_LOCKED: "log.locked",
    sqlite3.SQLITE_FULL: "log.disk_full",
    sqlite3.SQLITE_READONLY: "log.read_only",
    sqlite3.SQLITE_IOERR: "log.disk_failed",
    sqlite3.SQLITE_CORRUPT: "log.damaged",
    sqlite3.SQLITE_NOTADB: "log.not_a_log",
    sqlite3.SQLITE_CANTOPEN: "log.cannot_open",
}
_POSTGRES_CODES = {"55P03": "log.locked", "53100": "log.disk_full", "25006": "log.read_only"}


def _code_for(cause: BaseException | None) -> str:
    sqlite_code = getattr(cause, "sqlite_errorcode", None)
    if sqlite_code is not None:
        return _SQLITE_CODES.get(sqlite_code & 0xFF, "log.failed")
    return _POSTGRES_CODES.get(getattr(cause, "sqlstate", None) or "", "log.failed")
