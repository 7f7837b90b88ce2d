"""Files that a station could not inspect, and why: the list the inspector sees. It stands in the events alone."""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import Connection, select

from elinspect.catalogue import Message
from elinspect.store.events import EventKind, NewEvent, from_bytes
from elinspect.store.log import Log
from elinspect.store.schema import chains, events

_LOOKED_AT = 500
"""Newest events of a station that are read: the list on screen is for acting on, the events keep all."""


@dataclass(frozen=True, slots=True)
class RefusedFile:
    """A file, or a set of files, that could not be inspected.

    Attributes
    ----------
    station : str
        Which station's folder it lies in.
    file : str
        Its name.
    reason : Message
        Why, and what to do.
    at : str
        When, ISO 8601 with offset.
    """

    station: str
    file: str
    reason: Message
    at: str


def refuse_file(log: Log, station: str, file: str, reason: Message) -> None:
    """Log that a file could not be inspected; the same reason again is not logged twice in a row."""
    with log.reading() as connection:
        if any(known.file == file and known.reason == reason for known in _of_station(connection, station)):
            return
    data = {"file": file, "code": reason.code, "values": dict(reason.values)}
    log.append([NewEvent(EventKind.FILE_REFUSED, _subject(station), data)], station)


def take_file(log: Log, station: str, file: str) -> None:
    """Log that a file refused earlier was inspected after all, or has gone; nothing where it was not refused."""
    with log.reading() as connection:
        if all(known.file != file for known in _of_station(connection, station)):
            return
    log.append([NewEvent(EventKind.FILE_TAKEN, _subject(station), {"file": file})], station)


def refused_files(connection: Connection) -> tuple[RefusedFile, ...]:
    """Return the files of all stations that were refused and not inspected since, the newest first."""
    stations = connection.execute(select(chains.c.station)).scalars().all()
    found = [refused for station in stations for refused in _of_station(connection, station)]
    return tuple(sorted(found, key=lambda refused: refused.at, reverse=True))


def _of_station(connection: Connection, station: str) -> list[RefusedFile]:
    newest = select(events.c.id, events.c.body).where(events.c.subject == _subject(station))
    rows = connection.execute(newest.order_by(events.c.version.desc()).limit(_LOOKED_AT)).all()
    latest: dict[str, RefusedFile | None] = {}
    for row in rows:
        event = from_bytes(row.id, bytes(row.body))
        data: Mapping[str, object] = event.data
        name = str(data["file"])
        if name not in latest:
            refused = event.kind is EventKind.FILE_REFUSED
            latest[name] = _refused(station, event.data, event.at) if refused else None
    return [refused for refused in latest.values() if refused is not None]


def _refused(station: str, data: Mapping[str, object], at: str) -> RefusedFile:
    values = data["values"]
    assert isinstance(values, dict)
    return RefusedFile(station, str(data["file"]), Message(str(data["code"]), values), at)


def _subject(station: str) -> str:
    return f"files:{station}"
