"""Locks on panels, with the database's time and fencing numbers.

A lock names the station that works on a panel. Each taking raises the fencing number, so a writer that was away too
long finds out: its number is no longer the panel's. A station takes its own lock over at once (the program was
restarted); another station's only after it expired.
"""

from dataclasses import dataclass

from sqlalchemy import Connection, select, text, update

from elinspect.errors import LogError
from elinspect.store.schema import locks

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
    if connection.dialect.name == "sqlite":
        asked = "SELECT (julianday('now') - 2440587.5) * 86400.0"
    else:
        asked = "SELECT extract(epoch FROM clock_timestamp())"
    return float(connection.execute(text(asked)).scalar_one())


def take(connection: Connection, subject: str, station: str, lasting_s: float = LOCK_S) -> Lock:
    """Take the lock on a subject.

    Raises
    ------
    LogError
        If another station holds it.
    """
    time = database_time(connection)
    row = connection.execute(select(locks).where(locks.c.subject == subject)).one_or_none()
    if row is None:
        connection.execute(
            locks.insert().values(subject=subject, station=station, fence=1, expires_at=time + lasting_s)
        )
        return Lock(subject, 1)
    if row.station != station and row.expires_at > time:
        raise LogError("log.locked_by_station", station=row.station)
    fence = row.fence + 1
    connection.execute(
        update(locks)
        .where(locks.c.subject == subject)
        .values(station=station, fence=fence, expires_at=time + lasting_s)
    )
    return Lock(subject, fence)


def renew(connection: Connection, lock: Lock, lasting_s: float = LOCK_S) -> None:
    """Let a lock that is held last anew; one that was lost stays lost."""
    held = (locks.c.subject == lock.subject, locks.c.fence == lock.fence)
    connection.execute(update(locks).where(*held).values(expires_at=database_time(connection) + lasting_s))


def release(connection: Connection, lock: Lock) -> None:
    """Give a lock back; its fencing number stays, so the next is higher."""
    held = (locks.c.subject == lock.subject, locks.c.fence == lock.fence)
    connection.execute(update(locks).where(*held).values(expires_at=0.0))


def holds(connection: Connection, subject: str, lock: Lock | None, station: str) -> bool:
    """Whether a lock is still the one on the subject: nobody took it since, and it was not given back."""
    if lock is None or lock.subject != subject:
        return False
    row = connection.execute(select(locks).where(locks.c.subject == subject)).one_or_none()
    return row is not None and row.station == station and row.fence == lock.fence and row.expires_at > 0.0
