"""What the log says, as rows for the rooms below."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, func, select

from elinspect.store.schema import flags, inspected_counts, inspections, kept_counts

_QUEUE = ("id", "serial", "seen_at", "purpose", "attempt", "proposal", "above_limit", "decision")


def waiting(connection: Connection) -> Sequence[Any]:
    """Return the undecided inspections, in the order they were seen; retaken pictures are left out."""
    columns = [inspections.c[name] for name in _QUEUE]
    undecided = (inspections.c.decision.is_(None), ~inspections.c.superseded)
    return connection.execute(select(*columns).where(*undecided).order_by(inspections.c.event_id)).all()


def decided(connection: Connection, at_most: int) -> Sequence[Any]:
    """Return the inspections that were seen last among the decided ones, in the order they were seen."""
    columns = [inspections.c[name] for name in _QUEUE]
    made = inspections.c.decision.is_not(None)
    newest = select(*columns).where(made).order_by(inspections.c.event_id.desc()).limit(at_most)
    return connection.execute(newest).all()[::-1]


def flags_of(connection: Connection, inspection: str) -> Sequence[Any]:
    """Return the flags of an inspection as they stand, in their order."""
    return connection.execute(select(flags).where(flags.c.inspection == inspection).order_by(flags.c.number)).all()


def flag_counts(
    connection: Connection,
    by: Sequence[str],
    equal: dict[str, str],
    since: str | None = None,
    until: str | None = None,
) -> Sequence[Any]:
    """Return kept counts of flagged cells.

    Parameters
    ----------
    by : sequence of str
        Columns of `kept_counts` to group by.
    equal : dict
        Columns and the value each must have.
    since, until : str, optional
        First and last day, ``YYYY-MM-DD``.

    Returns
    -------
    sequence of rows
        The columns of `by`, `proposed`, `confirmed`; an empty text is 'not known'.
    """
    table = kept_counts.c
    conditions = [table[name] == value for name, value in equal.items()]
    if since is not None:
        conditions.append(table.day >= since)
    if until is not None:
        conditions.append(table.day <= until)
    columns = [table[name] for name in by]
    sums = (func.sum(table.proposed).label("proposed"), func.sum(table.confirmed).label("confirmed"))
    return connection.execute(select(*columns, *sums).where(*conditions).group_by(*columns)).all()


def cells_inspected(
    connection: Connection, equal: dict[str, str], since: str | None = None, until: str | None = None
) -> int:
    """Return how many cells were inspected, each once."""
    table = inspected_counts.c
    conditions = [table[name] == value for name, value in equal.items()]
    if since is not None:
        conditions.append(table.day >= since)
    if until is not None:
        conditions.append(table.day <= until)
    return int(connection.execute(select(func.sum(table.cells)).where(*conditions)).scalar_one() or 0)
