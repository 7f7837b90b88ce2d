"""Logging what the pipeline said about a panel."""

from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, func, select

from elinspect.catalogue import Message
from elinspect.errors import LogError
from elinspect.records import Disposition, PanelResult, Proposal, Purpose, Stage
from elinspect.result_file import as_dict
from elinspect.store.events import EventKind, NewEvent, inspection_id, panel_subject
from elinspect.store.log import Log
from elinspect.store.results import event_at
from elinspect.store.rules import event_count, other_serial_of
from elinspect.store.schema import evaluations, flags, inspections

_TRIES = 5


@dataclass(frozen=True, slots=True)
class _Plan:
    inspection: str
    version: int
    events: tuple[NewEvent, ...]


def log_inspection(log: Log, result: PanelResult, station: str) -> str:
    """Log a result with its exposures, attempt or retake, and versions.

    An inspection is (serial, stage, purpose, image hash). The same run again changes nothing; a run under other
    versions is a re-evaluation, which takes the first one's place only while nobody has answered. The attempt is
    counted by the log: one more than the panel's reworks. The same image under another serial is a camera fault: what
    is logged then holds and cannot be released.

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
        other = other_serial_of(connection, result.image.sha256, result.serial)
    return _held(result, other) if other is not None else result


def next_attempt(log: Log, serial: str | None, stage: Stage, purpose: Purpose) -> int:
    """Return the attempt that an inspection of this panel would be now: one more than its reworks."""
    with log.reading() as connection:
        return _attempt(connection, serial, stage, purpose)


def _attempt(connection: Connection, serial: str | None, stage: Stage, purpose: Purpose) -> int:
    if serial is None:
        return 1
    columns = inspections.c
    mine = (columns.serial == serial, columns.stage == stage.value, columns.purpose == purpose.value)
    reworks = select(func.count()).where(*mine, columns.decision == Disposition.REWORK.value)
    return 1 + int(connection.execute(reworks).scalar_one())


def _plan(connection: Connection, result: PanelResult) -> _Plan:
    image = result.image.sha256 or f"path:{result.image.path}"
    inspection = inspection_id(result.serial, result.stage.value, result.purpose.value, image)
    subject = panel_subject(result.serial, inspection)
    version = event_count(connection, subject)
    other = other_serial_of(connection, result.image.sha256, result.serial)
    if other is not None:
        result = _held(result, other)
    known = connection.execute(select(inspections).where(inspections.c.id == inspection)).one_or_none()
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
    columns = inspections.c
    panel = (columns.serial == result.serial, columns.stage == result.stage.value)
    same = (columns.purpose == result.purpose.value, columns.attempt == attempt)
    return int(connection.execute(select(func.count()).where(*panel, *same)).scalar_one())


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
    before = select(evaluations.c.event_id).where(evaluations.c.inspection == known.id)
    earlier = [known.event_id, *connection.execute(before).scalars()]
    if any(event_at(connection, record).data["result"]["versions"] == logged["versions"] for record in earlier):
        return ()
    answered = select(func.count()).where(flags.c.inspection == known.id, flags.c.answer.is_not(None) | flags.c.added)
    touched = bool(connection.execute(answered).scalar_one()) or known.decision is not None or known.superseded
    data = {"inspection": known.id, "stands": not touched, "result": logged}
    return (NewEvent(EventKind.RE_EVALUATION, known.subject, data),)
