"""Making room: pictures go after a time, the facts stay."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

from elinspect.catalogue import Message
from elinspect.records import Disposition
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.log import Log
from elinspect.store.results import result_of
from elinspect.store.rows import row_by, rows_by
from elinspect.store.schema import exposure_files, inspections, removed_pictures

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

    The pictures of an inspection, with all tiles and companions, go only if the log has it, it is decided for good or
    was retaken, and every file is still the one that was logged, by its hash. A file that belongs to several
    inspections stays until the last of them goes. The log keeps every fact, and that the pictures were removed.

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
    chunk: dict[str, list[str]] = {}
    try:
        for row in _old_inspections(log, before):
            mine = _removable(log, row, chunk)
            try:
                if isinstance(mine, KeptPicture):
                    kept.append(mine)
                    continue
                freed += sum(_unlinked_bytes(file) for file in mine)
            except OSError as error:
                cause = error.strerror or str(error)
                kept.append(KeptPicture(str(error.filename), Message("retention.failed", {"cause": cause})))
                continue
            chunk[row.id] = [str(file) for file in mine]
            removed += len(mine)
            if len(chunk) >= _AT_ONCE:
                noted, chunk = chunk, {}
                _note(log, noted, station)
    finally:
        _note(log, chunk, station)
    return RetentionReport(removed, freed, tuple(kept))


def _unlinked_bytes(file: Path) -> int:
    size = file.stat().st_size
    file.unlink()
    return size


def _removable(log: Log, row: Any, gone: Collection[str]) -> list[Path] | KeptPicture:
    """Return the files of an inspection that may go, or why they stay."""
    with log.reading() as connection:
        files = rows_by(connection, exposure_files, "number", inspection=row.id)
        first = Path(result_of(connection, row.id)["image"]["path"])
        mine = [Path(file.path) for file in files if not _serves_others(connection, file, gone)]
    return _why_it_stays(row, files, first) or mine


def _old_inspections(log: Log, before: str) -> Iterator[Any]:
    gone = select(removed_pictures.c.inspection)
    columns = (inspections.c.id, inspections.c.decision, inspections.c.superseded)
    old = (inspections.c.day < before, inspections.c.id.not_in(gone))
    with log.reading() as connection:
        found = connection.execute(select(*columns).where(*old).order_by(inspections.c.event_id)).all()
    yield from found


def _why_it_stays(row: Any, files: Sequence[Any], first: Path) -> KeptPicture | None:
    """Return the file for which the pictures of an inspection stay, and why; None if they may go."""
    if row.decision in (None, Disposition.HOLD) and not row.superseded:
        return KeptPicture(str(first), Message("retention.undecided"))
    if not files:
        return KeptPicture(str(first), Message("retention.another" if first.is_file() else "retention.missing"))
    for file in files:
        path = Path(file.path)
        if not path.is_file():
            return KeptPicture(file.path, Message("retention.missing"))
        if sha256(path.read_bytes()).hexdigest() != file.sha256:
            return KeptPicture(file.path, Message("retention.another"))
    return None


def _serves_others(connection: Connection, file: Any, gone: Collection[str]) -> bool:
    """Whether the same file belongs to another inspection that still has its pictures."""
    same = rows_by(connection, exposure_files, path=file.path, sha256=file.sha256)
    others = {other.inspection for other in same} - {file.inspection, *gone}
    return any(row_by(connection, removed_pictures, inspection=other) is None for other in others)


def _note(log: Log, pictures: dict[str, list[str]], station: str) -> None:
    if pictures:
        log.append([NewEvent(EventKind.PICTURES_REMOVED, "pictures", {"pictures": pictures})], station)
