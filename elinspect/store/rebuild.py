"""Making the projections anew from the events."""

from collections.abc import Callable

from sqlalchemy import Connection, delete, func, select

from elinspect.store.events import from_bytes
from elinspect.store.log import Log
from elinspect.store.projections import apply
from elinspect.store.schema import PROJECTIONS, events

_AT_ONCE = 200


def rebuild(log: Log, progress: Callable[[float], None] | None = None) -> int:
    """Empty every projection and fill it again, in one transaction: all or nothing.

    Nobody else can write meanwhile; do it while no station works.

    Returns
    -------
    int
        Events that were applied.
    """
    with log.writing() as connection:
        return rebuild_within(connection, progress)


def rebuild_within(connection: Connection, progress: Callable[[float], None] | None = None) -> int:
    """Do the same within an open transaction."""
    for table in PROJECTIONS:
        connection.execute(delete(table))
    total = connection.execute(select(func.count()).select_from(events)).scalar_one()
    after, done = 0, 0
    while True:
        columns = (events.c.id, events.c.body)
        found = connection.execute(
            select(*columns).where(events.c.id > after).order_by(events.c.id).limit(_AT_ONCE)
        ).all()
        if not found:
            return done
        for row in found:
            apply(connection, from_bytes(row.id, bytes(row.body)))
        after, done = found[-1].id, done + len(found)
        if progress is not None:
            progress(done / total)
