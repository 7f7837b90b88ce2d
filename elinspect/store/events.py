"""Events and their stored bytes.

An event is stored as a line of JSON (what, where, when, by whom) and, after the line's end, its data as JSON,
compressed where they are long. The hash of a record covers exactly these bytes and the hash of the record before it in
the same station's chain, so nothing is ever serialised again. The data are packed before the log is locked.
"""

import hashlib
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

FIRST_LINK = bytes(32)
"""What stands in for the hash before the first record of a chain."""
_COMPRESSED_FROM_BYTES = 1024
_COMPRESSION = 3  # half the time of the usual 6 for a tenth more bytes, measured on results of 144 cells


class EventKind(StrEnum):
    """What may happen."""

    PANEL_SEEN = "panel_seen"
    EXPOSURES = "exposures"
    ATTEMPT = "attempt"
    RETAKE = "retake"
    INSPECTION = "inspection"
    RE_EVALUATION = "re_evaluation"
    FLAG_ADDED = "flag_added"
    FLAG_REMOVED = "flag_removed"
    VERDICT = "verdict"
    NOT_ANSWERED_SINGLY = "not_answered_singly"
    DISPOSITION = "disposition"
    TAKE_BACK = "take_back"
    REWORK_DONE = "rework_done"
    CONTEXT = "context"
    MAINTENANCE = "maintenance"
    FLASH_RESULT = "flash_result"
    IMPORT_DONE = "import_done"
    VERSION_CHANGE = "version_change"
    PICTURES_REMOVED = "pictures_removed"
    SIGN_IN = "sign_in"
    AUDIT_RESULT = "audit_result"
    SECOND_READINGS_ASKED = "second_readings_asked"
    SECOND_READING = "second_reading"
    SIMULATED_PANELS = "simulated_panels"
    SERIAL_GIVEN = "serial_given"
    FILE_REFUSED = "file_refused"
    FILE_TAKEN = "file_taken"


@dataclass(frozen=True, slots=True)
class NewEvent:
    """A fact to be logged.

    Attributes
    ----------
    kind : EventKind
        What happened.
    subject : str
        What it happened to: ``panel:<serial>``, ``inspection:<id>`` for a panel without serial, or another subject such
        as ``context``. Every subject has a version, the number of its events.
    data : mapping
        Plain JSON values.
    person : str or None
        Id of the signed-in person; never a name. None for the machine.
    """

    kind: EventKind
    subject: str
    data: Mapping[str, Any]
    person: str | None = None


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """A fact as it stands in the log.

    Attributes
    ----------
    id : int
        Order in this database.
    station : str
        Whose chain.
    number : int
        Place in that chain, from 1.
    at : str
        When it was logged, ISO 8601 with offset.
    version : int
        Version of the subject with this event.
    """

    id: int
    station: str
    number: int
    at: str
    kind: EventKind
    subject: str
    version: int
    person: str | None
    data: Mapping[str, Any]


def now() -> str:
    """Return the time for an event: local, with offset, to the millisecond."""
    return datetime.now().astimezone().isoformat(timespec="milliseconds")


@dataclass(frozen=True, slots=True)
class Packed:
    """An event's data as they are stored, and as they will be read back."""

    stored: bytes
    data: Mapping[str, Any]


def pack(data: Mapping[str, Any]) -> Packed:
    """Pack an event's data; done before the log is locked, because it takes longer than writing them.

    Raises
    ------
    ValueError
        If the data hold NaN or infinity.
    """
    # ASCII: a path may hold bytes that are no UTF-8 (surrogates), and must not stop the log.
    plain = json.dumps(data, allow_nan=False, separators=(",", ":")).encode("ascii")
    stored = plain if len(plain) < _COMPRESSED_FROM_BYTES else zlib.compress(plain, _COMPRESSION)
    return Packed(stored, json.loads(plain))


def to_bytes(event: NewEvent, data: bytes, station: str, number: int, version: int, at: str) -> bytes:
    """Return the bytes that are stored and hashed; `data` are the event's data as `pack` stores them."""
    head = {
        "station": station,
        "number": number,
        "at": at,
        "kind": event.kind.value,
        "subject": event.subject,
        "version": version,
        "person": event.person,
    }
    return json.dumps(head, separators=(",", ":")).encode("ascii") + b"\n" + data


def from_bytes(record: int, body: bytes) -> StoredEvent:
    """Read an event from its stored bytes.

    Raises
    ------
    ValueError
        If the bytes are no event.
    """
    head, _, data = body.partition(b"\n")
    try:
        read = json.loads(head)
        plain = data if data[:1] == b"{" else zlib.decompress(data)
        return StoredEvent(
            record,
            read["station"],
            read["number"],
            read["at"],
            EventKind(read["kind"]),
            read["subject"],
            read["version"],
            read["person"],
            json.loads(plain),
        )
    except (zlib.error, KeyError, TypeError) as error:
        raise ValueError(f"the bytes of record {record} are no event") from error


def link(before: bytes, body: bytes) -> bytes:
    """Return the hash of a record.

    Parameters
    ----------
    before : bytes
        Hash of the record before it in the chain, `FIRST_LINK` for the first.
    body : bytes
        Stored bytes.

    Returns
    -------
    bytes
        SHA-256 (FIPS 180-4), 32 bytes.
    """
    return hashlib.sha256(before + body).digest()


def panel_subject(serial: str | None, inspection: str) -> str:
    """Return the subject of a panel's events; a panel without serial is known by its inspection alone."""
    return f"panel:{serial}" if serial is not None else f"inspection:{inspection}"


def record_id(event: StoredEvent) -> str:
    """Return the id of a record, and so of the decision it holds: the chain's name and its place there."""
    return f"{event.station}:{event.number}"


def inspection_id(serial: str | None, stage: str, purpose: str, image: str) -> str:
    """Return the id of an inspection: its identity (serial, stage, purpose, image hash), hashed.

    Parameters
    ----------
    image : str
        Hash of the image; where the file could not be read, its path.
    """
    identity = json.dumps([serial, stage, purpose, image])
    return hashlib.sha256(identity.encode("ascii")).hexdigest()[:24]
