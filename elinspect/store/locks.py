"""Locks on panels, with the database's time and fencing numbers.

A lock names the station that works on a panel. Each taking raises the fencing number, so a writer that was away too
long finds out: its number is no longer the panel's. A station takes its own lock over at once (the program was
restarted); another station's only after it expired.
"""

from dataclasses import dataclass

from sqlalchemy import Connection, text

from elinspect.errors import LogError
from elinspect.store.rows import insert_rows, row_by, update_by
from elinspect.store.schema import locks

_SQLITE_TIME = text("SELECT (julianday('now') - 2440587.5) * 86400.0")
_POSTGRES_TIME = text("SELECT extract(epoch FROM clock_timestamp())")
LOCK_S = 300.0
"""How long a lock lasts without being renewed. Common practice, no source: several takts, less than a shift break."""


@dataclass(frozen=True, slots=True)
class Lock:
    """A lock as it was taken.

    Attributes
    ----------
    subject : str
        What is locked.
    fence : int
        Fencing number; the highest one holds.
    """

    subject: str
    fence: int


def database_time(connection: Connection) -> float:
    """Return the database's time, seconds since 1970."""
    asked = _SQLITE_TIME if connection.dialect.name == "sqlite" else _POSTGRES_TIME
    return float(connection.execute(asked).scalar_one())


def take(connection: Connection, subject: str, station: str, lasting_s: float = LOCK_S) -> Lock:
    """Take the lock on a subject.

    Raises
    ------
    LogError
        If another station holds it.
    """
    time = database_time(connection)
    row = row_by(connection, locks, subject=subject)
    if row is None:
        new = {"subject": subject, "station": station, "fence": 1, "expires_at": time + lasting_s}
        insert_rows(connection, locks, [new])
        return Lock(subject, 1)
    if row.station != station and row.expires_at > time:
        raise LogError("log.locked_by_station", station=row.station)
    fence = row.fence + 1
    taken = {"station": station, "fence": fence, "expires_at": time + lasting_s}
    update_by(connection, locks, taken, subject=subject)
    return Lock(subject, fence)


def renew(connection: Connection, lock: Lock, lasting_s: float = LOCK_S) -> None:
    """Let a lock that is held last anew; one that was lost stays lost."""
    expires_at = database_time(connection) + lasting_s
    update_by(connection, locks, {"expires_at": expires_at}, subject=lock.subject, fence=lock.fence)


def release(connection: Connection, lock: Lock) -> None:
    """Give a lock back; its fencing number stays, so the next is higher."""
    update_by(connection, locks, {"expires_at": 0.0}, subject=lock.subject, fence=lock.fence)


def holds(connection: Connection, subject: str, lock: Lock | None, station: str) -> bool:
    """Whether a lock is still the one on the subject: nobody took it since, and it was not given back."""
    if lock is None or lock.subject != subject:
        return False
    row = row_by(connection, locks, subject=subject)
    return row is not None and row.station == station and row.fence == lock.fence and row.expires_at > 0.0
