"""Logging what the pipeline said about a panel."""

import json
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection

from elinspect.catalogue import Message
from elinspect.errors import LogError
from elinspect.records import Disposition, ExposureRole, ImageFacts, PanelResult, Proposal, Purpose, Stage
from elinspect.result_file import as_dict
from elinspect.store.events import EventKind, NewEvent, inspection_id, panel_subject
from elinspect.store.log import Log
from elinspect.store.results import event_at
from elinspect.store.rows import row_by, rows_by
from elinspect.store.rules import event_count, other_serial_of, touched
from elinspect.store.schema import evaluations, inspections, reworks

_TRIES = 5


@dataclass(frozen=True, slots=True)
class _Plan:
    inspection: str
    version: int
    events: tuple[NewEvent, ...]


def log_inspection(log: Log, result: PanelResult, station: str) -> str:
    """Log a result with its exposures, attempt or retake, and versions.

    An inspection is (serial, stage, purpose, hash of all exposures). The same run again changes nothing; a run under
    other versions is a re-evaluation, which takes the first one's place only while nobody has answered. The attempt is
    counted by the log: one more after each rework. The same image under another serial is a camera fault: what is
    logged then holds and cannot be released.

    Parameters
    ----------
    log : Log
        Where to.
    result : PanelResult
        What the pipeline said.
    station : str
        Where the picture was taken.

    Returns
    -------
    str
        Id of the inspection.

    Raises
    ------
    LogError
        If it could not be written; nothing is logged then.
    """
    if result.serial is not None and not (result.serial.isprintable() and result.serial):
        raise LogError("log.serial", serial=repr(result.serial))
    for attempt in range(_TRIES):
        with log.reading() as connection:
            plan = _plan(connection, result)
        if not plan.events:
            break
        try:
            log.append(plan.events, station, plan.version)
        except LogError as error:
            # Somebody else wrote about this panel meanwhile: look again.
            if error.message.code != "log.changed_elsewhere" or attempt == _TRIES - 1:
                raise
        else:
            break
    return plan.inspection


def held_if_image_known(log: Log, result: PanelResult) -> PanelResult:
    """Return the result as it must be logged: held if the log has the same image under another serial."""
    with log.reading() as connection:
        known = row_by(connection, inspections, id=_id(result))
        return _held_if_known(connection, result, known)


def next_attempt(log: Log, serial: str | None, stage: Stage, purpose: Purpose) -> int:
    """Return the attempt that an inspection of this panel would be now: one more after each rework."""
    with log.reading() as connection:
        return _attempt(connection, serial, stage, purpose)


def _attempt(connection: Connection, serial: str | None, stage: Stage, purpose: Purpose) -> int:
    if serial is None:
        return 1
    before = rows_by(connection, inspections, "event_id", serial=serial, stage=stage.value, purpose=purpose.value)
    if not before:
        return 1
    last = before[-1]
    sent = last.decision == Disposition.REWORK
    done = any(row.event_id > last.event_id for row in rows_by(connection, reworks, serial=serial))
    return int(last.attempt) + (sent or done)


def _plan(connection: Connection, result: PanelResult) -> _Plan:
    inspection = _id(result)
    subject = panel_subject(result.serial, inspection)
    version = event_count(connection, subject)
    known = row_by(connection, inspections, id=inspection)
    result = _held_if_known(connection, result, known)
    if known is not None:
        return _Plan(inspection, version, _re_evaluation(connection, known, result))
    attempt = _attempt(connection, result.serial, result.stage, result.purpose)
    retake = _retake(connection, result, attempt)
    logged = as_dict(replace(result, attempt=attempt))
    place = {"inspection": inspection, "attempt": attempt, "retake": retake}
    seen = [NewEvent(EventKind.PANEL_SEEN, subject, {"serial": result.serial})] if version == 0 else []
    counted = NewEvent(EventKind.RETAKE if retake else EventKind.ATTEMPT, subject, place)
    exposures = NewEvent(EventKind.EXPOSURES, subject, {"inspection": inspection, "image": logged["image"]})
    inspected = NewEvent(EventKind.INSPECTION, subject, {**place, "result": logged})
    return _Plan(inspection, version, (*seen, counted, exposures, inspected))


def _retake(connection: Connection, result: PanelResult, attempt: int) -> int:
    if result.serial is None:
        return 0
    same: dict[str, Any] = {"stage": result.stage.value, "purpose": result.purpose.value, "attempt": attempt}
    return len(rows_by(connection, inspections, serial=result.serial, **same))


def _id(result: PanelResult) -> str:
    image = _identity(result.image)
    return inspection_id(result.serial, result.stage.value, result.purpose.value, image)


def _identity(image: ImageFacts) -> str:
    """Return what the exposure set is known by: the hash of its file, of all hashes where there are several."""
    if len(image.files) > 1:
        listed = json.dumps([[file.role.value, file.sha256] for file in image.files])
        return sha256(listed.encode("ascii")).hexdigest()
    return image.sha256 or f"path:{image.path}"


def _pictures(image: ImageFacts) -> list[str]:
    own = [file.sha256 for file in image.files if file.role is not ExposureRole.DARK]
    return own or ([image.sha256] if image.sha256 is not None else [])


def _held_if_known(connection: Connection, result: PanelResult, known: Any) -> PanelResult:
    """Hold a result whose image was another panel's before; a panel that had it first is not held for a later one."""
    before = known.event_id if known is not None else None
    other = other_serial_of(connection, _pictures(result.image), result.serial, before)
    return _held(result, other) if other is not None else result


def _held(result: PanelResult, other: str) -> PanelResult:
    """Return the result as it must be logged when the picture was already another panel's."""
    reason = Message("log.same_image", {"serial": result.serial, "other": other})
    if reason in result.quality.notes:
        return result
    quality = replace(result.quality, usable=False, notes=(*result.quality.notes, reason))
    reasons = (reason, *result.proposal.reasons)
    return replace(result, quality=quality, proposal=Proposal(Disposition.HOLD, reasons))


def _re_evaluation(connection: Connection, known: Any, result: PanelResult) -> tuple[NewEvent, ...]:
    logged = as_dict(replace(result, attempt=known.attempt))
    earlier = [known.event_id, *(row.event_id for row in rows_by(connection, evaluations, inspection=known.id))]
    if any(event_at(connection, record).data["result"]["versions"] == logged["versions"] for record in earlier):
        return ()
    data = {"inspection": known.id, "stands": not touched(connection, known), "result": logged}
    return (NewEvent(EventKind.RE_EVALUATION, known.subject, data),)
