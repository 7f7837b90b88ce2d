"""What the log says, as rows for the rooms below."""

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, exists, func, select

from elinspect.records import Disposition, Purpose, Stage
from elinspect.store.schema import flags, holds, inspections

_QUEUE = (
    *("id", "serial", "seen_at", "purpose", "attempt", "proposal", "above_limit", "decision", "station"),
    *("stage", "decided_at", "decided_by", "decision_id", "image_sha256"),
)

_IDS_AT_ONCE = 500  # SQLite takes at most 999 values in a statement by default


_later = inspections.alias()
_LATEST = ~exists().where(
    _later.c.subject == inspections.c.subject,
    _later.c.stage == inspections.c.stage,
    _later.c.purpose == inspections.c.purpose,
    _later.c.event_id > inspections.c.event_id,
)
"""Whether an inspection is the last of its panel, stage and purpose: a new attempt leaves nothing open behind it."""


def waiting(connection: Connection) -> Sequence[Any]:
    """Return the undecided inspections, in the order they were seen; retaken pictures are left out."""
    columns = [inspections.c[name] for name in _QUEUE]
    undecided = (inspections.c.decision.is_(None), ~inspections.c.superseded, _LATEST)
    return connection.execute(select(*columns).where(*undecided).order_by(inspections.c.event_id)).all()


def held(connection: Connection) -> Sequence[Any]:
    """Return the inspections on hold in the order they were seen, each with its `owner` and since when, `since`."""
    columns = [inspections.c[name] for name in _QUEUE]
    open_hold = (inspections.c.decision == Disposition.HOLD, ~inspections.c.superseded, _LATEST)
    joined = select(*columns, holds.c.owner, holds.c.since).join_from(
        inspections, holds, holds.c.inspection == inspections.c.id
    )
    return connection.execute(joined.where(*open_hold).order_by(inspections.c.event_id)).all()


def decided(connection: Connection, at_most: int) -> Sequence[Any]:
    """Return the inspections that were seen last among those decided for good, in the order they were seen."""
    columns = [inspections.c[name] for name in _QUEUE]
    made = (inspections.c.decision.is_not(None), inspections.c.decision != Disposition.HOLD)
    newest = select(*columns).where(*made).order_by(inspections.c.event_id.desc()).limit(at_most)
    return connection.execute(newest).all()[::-1]


def decided_since(connection: Connection, since: str, seat: str, at_most: int = 5000) -> Sequence[Any]:
    """Return the decisions that stand and were made at a seat since a time, the newest first.

    Parameters
    ----------
    since : str
        ISO 8601 with offset.
    seat : str
        Station whose chain holds the decision.
    at_most : int
        Most rows looked at: several shifts.
    """
    columns = [inspections.c[name] for name in _QUEUE]
    made = (inspections.c.decision.is_not(None), inspections.c.decision_id.startswith(f"{seat}:", autoescape=True))
    start = datetime.fromisoformat(since)
    # As text only days can be compared, and another offset may write the day before.
    recent = inspections.c.decided_at >= (start - timedelta(days=1)).date().isoformat()
    newest = select(*columns).where(*made, recent).order_by(inspections.c.event_id.desc()).limit(at_most)
    return [row for row in connection.execute(newest) if datetime.fromisoformat(row.decided_at) >= start]


def pictures_of(connection: Connection, serial: str) -> Sequence[Any]:
    """Return every inspection of a serial, the newest first."""
    columns = [inspections.c[name] for name in _QUEUE]
    same = select(*columns).where(inspections.c.serial == serial)
    return connection.execute(same.order_by(inspections.c.event_id.desc())).all()


def last_at_station(connection: Connection, station: str, stage: Stage, purpose: Purpose) -> str | None:
    """Return the serial a station logged last at a stage for a purpose; None if it has logged none."""
    own = (inspections.c.station == station, inspections.c.stage == stage, inspections.c.purpose == purpose)
    known = (*own, inspections.c.serial.is_not(None))
    newest = select(inspections.c.serial).where(*known).order_by(inspections.c.event_id.desc()).limit(1)
    found = connection.execute(newest).scalar_one_or_none()
    return str(found) if found is not None else None


def inspections_for(connection: Connection, purpose: Purpose) -> frozenset[str]:
    """Return the ids of all inspections for a purpose."""
    return frozenset(connection.execute(select(inspections.c.id).where(inspections.c.purpose == purpose)).scalars())


def answer_counts(connection: Connection, chosen: Sequence[str]) -> Mapping[str, int]:
    """Return how many flags of inspections were answered which way, under the answer, ``added`` and ``closed``."""
    counts: Counter[str] = Counter()
    for start in range(0, len(chosen), _IDS_AT_ONCE):
        among = flags.c.inspection.in_(chosen[start : start + _IDS_AT_ONCE])
        columns = (flags.c.answer, flags.c.added, flags.c.closed, func.count())
        for answer, added, closed, n in connection.execute(select(*columns).where(among).group_by(*columns[:3])):
            name = "added" if added else "closed" if closed else answer
            if name is not None:
                counts[name] += n
    return counts


def flags_of(connection: Connection, inspection: str) -> Sequence[Any]:
    """Return the flags of an inspection as they stand, in their order."""
    return connection.execute(select(flags).where(flags.c.inspection == inspection).order_by(flags.c.number)).all()
