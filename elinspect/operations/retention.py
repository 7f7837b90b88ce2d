"""Making room: pictures go after a time, the facts stay."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select

from elinspect.catalogue import Message
from elinspect.records import Disposition
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.log import Log
from elinspect.store.results import result_of
from elinspect.store.schema import inspections, removed_pictures

_AT_ONCE = 50


@dataclass(frozen=True, slots=True)
class KeptPicture:
    """A picture that was old enough to go but stays."""

    path: str
    reason: Message


@dataclass(frozen=True, slots=True)
class RetentionReport:
    """What was removed.

    Attributes
    ----------
    removed : int
        Pictures.
    freed_bytes : int
        Their size.
    kept : tuple of KeptPicture
        Old pictures that stay, with the reason.
    """

    removed: int
    freed_bytes: int
    kept: tuple[KeptPicture, ...]


def remove_old_pictures(log: Log, days: int, station: str, today: date | None = None) -> RetentionReport:
    """Remove the pictures of inspections older than some days.

    A picture goes only if the log has its inspection, that is decided or was retaken, and the file is still the one
    that was logged, by its hash. Tiles and companions, of which the log has no hash, stay. The log keeps every fact,
    and that the picture was removed.

    Parameters
    ----------
    days : int
        Pictures seen on the last `days` days stay.
    station : str
        Whose chain.
    today : date, optional
        The day from which is counted.

    Returns
    -------
    RetentionReport
        What went and what stays.
    """
    before = ((today or date.today()) - timedelta(days=days)).isoformat()
    kept: list[KeptPicture] = []
    removed, freed = 0, 0
    chunk: dict[str, str] = {}
    for row in _old_inspections(log, before):
        with log.reading() as connection:
            path = Path(result_of(connection, row.id)["image"]["path"])
        reason = _why_it_stays(row, path)
        if reason is not None:
            kept.append(KeptPicture(str(path), reason))
            continue
        size = path.stat().st_size
        path.unlink()
        chunk[row.id] = str(path)
        removed, freed = removed + 1, freed + size
        if len(chunk) >= _AT_ONCE:
            _note(log, chunk, station)
            chunk = {}
    _note(log, chunk, station)
    return RetentionReport(removed, freed, tuple(kept))


def _old_inspections(log: Log, before: str) -> Iterator[Any]:
    gone = select(removed_pictures.c.inspection)
    columns = (inspections.c.id, inspections.c.decision, inspections.c.superseded, inspections.c.image_sha256)
    old = (inspections.c.day < before, inspections.c.id.not_in(gone))
    with log.reading() as connection:
        found = connection.execute(select(*columns).where(*old).order_by(inspections.c.event_id)).all()
    yield from found


def _why_it_stays(row: Any, path: Path) -> Message | None:
    if row.decision in (None, Disposition.HOLD) and not row.superseded:
        return Message("retention.undecided")
    if not path.is_file():
        return Message("retention.missing")
    if row.image_sha256 is None or hashlib.sha256(path.read_bytes()).hexdigest() != row.image_sha256:
        return Message("retention.another")
    return None


def _note(log: Log, pictures: dict[str, str], station: str) -> None:
    if pictures:
        log.append([NewEvent(EventKind.PICTURES_REMOVED, "pictures", {"pictures": pictures})], station)
