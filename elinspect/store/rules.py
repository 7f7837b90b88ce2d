"""What the log refuses, checked inside the transaction, whoever calls."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, bindparam, func, select

from elinspect.catalogue import Message
from elinspect.errors import LogError
from elinspect.records import Answer, Disposition, ExposureRole, Purpose, Stage
from elinspect.review.gate import ANSWERING, FlagStanding, GateFacts, Role, missing_conditions
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.locks import Lock, holds
from elinspect.store.people import name_of, pins_in_use, registered_role
from elinspect.store.rows import row_by, rows_among, rows_by
from elinspect.store.schema import events, exposure_files, flags, inspections, outbox, second_readings, sign_ins

_REASONED = frozenset({Disposition.HOLD, Disposition.CONCESSION, Disposition.SCRAP})

_FINAL = frozenset({Disposition.ACCEPT, Disposition.CONCESSION, Disposition.SCRAP})

SIMULATED = "SIM-"
"""How the serials of panels begin that were simulated as records: none can be taken for a real one."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What the writer claims when an event is to be appended.

    Attributes
    ----------
    station : str
        Where it is written.
    lock : Lock or None
        The lock the writer holds on the subject.
    version_unchanged : bool
        Whether the subject still has the version the writer last saw; False if the writer named none.
    """

    station: str
    lock: Lock | None = None
    version_unchanged: bool = False


def refuse(connection: Connection, event: NewEvent, standing: Standing) -> None:
    """Refuse an event that must not be logged now.

    Raises
    ------
    LogError
        Naming what is missing, in words.
    ValueError
        If an event about an inspection goes under another subject than the inspection's panel, or holds no answer or
        disposition where one belongs.
    """
    rule = _RULES.get(event.kind)
    if rule is not None:
        rule(connection, event, standing)


def gate_facts(connection: Connection, inspection: str, person: str | None, standing: Standing) -> GateFacts:
    """Return everything the gate rule asks for, as the log knows it.

    Raises
    ------
    LogError
        If there is no such inspection.
    """
    row = inspection_row(connection, inspection)
    return GateFacts(
        flags=flag_standings(connection, inspection),
        usable=row.usable,
        panel_found=row.panel_found,
        layout_agrees=row.layout_agrees,
        serial=row.serial,
        lock_held=holds(connection, row.subject, standing.lock, standing.station),
        version_unchanged=standing.version_unchanged,
        role=role_of(connection, person, standing.station),
    )


def missing_for(
    connection: Connection, inspection: str, disposition: Disposition, person: str | None, standing: Standing
) -> tuple[Message, ...]:
    """Return what stands in the way of a disposition: the state of the inspection first, then the gate rule."""
    row = inspection_row(connection, inspection)
    first = []
    if row.decision == Disposition.HOLD:
        # What was held once is not simply accepted: somebody found a reason to doubt it.
        if disposition is Disposition.ACCEPT:
            first.append(Message("gate.held"))
    elif row.decision is not None:
        first.append(Message("log.already_decided", {"disposition": row.decision}))
    if overtaken(connection, row):
        first.append(Message("log.superseded"))
    left = _left_the_gate(connection, row) if disposition in (Disposition.ACCEPT, Disposition.CONCESSION) else None
    if left is not None:
        first.append(Message("log.serial_decided", {"serial": row.serial, "disposition": left}))
    return (*first, *missing_conditions(gate_facts(connection, inspection, person, standing), disposition))


def overtaken(connection: Connection, row: Any) -> bool:
    """Whether a later picture of the panel at the same stage stands in an inspection's place, whatever its attempt.

    Parameters
    ----------
    row : row of `inspections`
        The earlier one.
    """
    return bool(row.superseded) or _photographed_since(connection, row)


def _photographed_since(connection: Connection, row: Any) -> bool:
    same = rows_by(connection, inspections, subject=row.subject, stage=row.stage, purpose=row.purpose)
    return any(other.event_id > row.event_id for other in same)


def _left_the_gate(connection: Connection, row: Any) -> str | None:
    """Return how an earlier picture of the same attempt was decided, if that let the panel go on or ended it.

    A panel that is released a second time without rework in between is most often another one under its serial.
    """
    if row.purpose != Purpose.PRODUCTION:
        return None
    same = rows_by(
        connection, inspections, subject=row.subject, stage=row.stage, purpose=row.purpose, attempt=row.attempt
    )
    return next((each.decision for each in same if each.id != row.id and each.decision in _FINAL), None)


def inspection_row(connection: Connection, inspection: str) -> Any:
    """Return the row of an inspection.

    Raises
    ------
    LogError
        If there is none.
    """
    row = row_by(connection, inspections, id=inspection)
    if row is None:
        raise LogError("log.no_inspection", inspection=inspection)
    return row


def _own_row(connection: Connection, event: NewEvent) -> Any:
    """Return the row of the inspection an event is about; version and lock of another subject say nothing about it."""
    row = inspection_row(connection, event.data["inspection"])
    if event.subject != row.subject:
        raise ValueError(f"an event about {row.subject} was to be logged under {event.subject}")
    return row


def flag_standings(connection: Connection, inspection: str) -> tuple[FlagStanding, ...]:
    """Return how every flag of an inspection stands."""
    found = rows_by(connection, flags, "number", inspection=inspection)
    return tuple(
        FlagStanding(
            row.flag, row.machine_limit, row.standing_limit, Answer(row.answer) if row.answer else None, row.added
        )
        for row in found
    )


def role_of(connection: Connection, person: str | None, station: str) -> Role | None:
    """Return the role with which a person last signed in at a station; None if never."""
    if person is None:
        return None
    found = row_by(connection, sign_ins, person=person, station=station)
    return Role(found.role) if found is not None else None


def releases(stage: str, purpose: str, disposition: str) -> bool:
    """Whether a disposition lets a panel go on to the press."""
    return (
        purpose == Purpose.PRODUCTION
        and stage == Stage.BEFORE_LAMINATION
        and disposition in (Disposition.ACCEPT, Disposition.CONCESSION)
    )


def _open_to_answers(connection: Connection, event: NewEvent, standing: Standing) -> Any:
    row = _own_row(connection, event)
    if row.decision not in (None, Disposition.HOLD):
        raise LogError("log.already_decided", disposition=row.decision)
    if overtaken(connection, row):
        raise LogError("log.superseded")
    if not standing.version_unchanged:
        raise LogError("gate.version")
    if not holds(connection, row.subject, standing.lock, standing.station):
        raise LogError("gate.lock")
    if role_of(connection, event.person, standing.station) not in ANSWERING:
        raise LogError("gate.role_answer")
    return row


def _verdict(connection: Connection, event: NewEvent, standing: Standing) -> None:
    _open_to_answers(connection, event, standing)
    found = _flag(connection, event)
    if event.data["answer"] is not None:
        Answer(event.data["answer"])
        if found.added:
            raise LogError("log.no_flag", flag=found.flag)


def _flag_added(connection: Connection, event: NewEvent, standing: Standing) -> None:
    _open_to_answers(connection, event, standing)
    flag = event.data["flag"]["id"]
    if row_by(connection, flags, inspection=event.data["inspection"], flag=flag) is not None:
        raise LogError("log.flag_exists", flag=flag)


def _flag_removed(connection: Connection, event: NewEvent, standing: Standing) -> None:
    _open_to_answers(connection, event, standing)
    found = _flag(connection, event)
    if not found.added:
        raise LogError("log.no_flag", flag=found.flag)


def _flag(connection: Connection, event: NewEvent) -> Any:
    flag = event.data["flag"]
    found = row_by(connection, flags, inspection=event.data["inspection"], flag=flag)
    if found is None:
        raise LogError("log.no_flag", flag=flag)
    return found


def _disposition(connection: Connection, event: NewEvent, standing: Standing) -> None:
    disposition = Disposition(event.data["disposition"])
    _own_row(connection, event)
    missing = missing_for(connection, event.data["inspection"], disposition, event.person, standing)
    if disposition in _REASONED and not event.data["reason"].strip():
        missing = (*missing, Message("gate.reason", {"disposition": disposition.value}))
    if disposition is Disposition.HOLD and name_of(connection, event.data.get("owner")) is None:
        missing = (*missing, Message("gate.owner"))
    if missing:
        reasons = " ".join(message.text for message in missing)
        raise LogError("log.gate_refused", disposition=disposition.value, missing=reasons)


def _not_answered_singly(connection: Connection, event: NewEvent, _standing: Standing) -> None:
    """Only a release closes flags, and only those that needed no answer."""
    row = _own_row(connection, event)
    if row.decision not in (Disposition.ACCEPT, Disposition.CONCESSION):
        raise LogError("log.not_released")
    closable = {
        flag.flag_id
        for flag in flag_standings(connection, row.id)
        if flag.answer is None and not flag.added and flag.machine_limit is None
    }
    for flag in event.data["flags"]:
        if flag not in closable:
            raise LogError("log.no_flag", flag=flag)


def _take_back(connection: Connection, event: NewEvent, standing: Standing) -> None:
    row = _own_row(connection, event)
    if row.decision is None or row.decision_id != event.data["decision"]:
        raise LogError("log.nothing_to_take_back")
    if row.decision == Disposition.HOLD:
        raise LogError("log.hold_stays")
    if not standing.version_unchanged:
        raise LogError("gate.version")
    if not holds(connection, row.subject, standing.lock, standing.station):
        raise LogError("gate.lock")
    if role_of(connection, event.person, standing.station) not in ANSWERING:
        raise LogError("gate.role_decide")
    message = row_by(connection, outbox, decision=row.decision_id)
    if message is not None and message.sent_at is not None:
        raise LogError("log.release_sent")
    if _photographed_since(connection, row):
        raise LogError("log.later_inspection")


def _inspection(connection: Connection, event: NewEvent, standing: Standing) -> None:
    result = event.data["result"]
    known = row_by(connection, inspections, id=event.data["inspection"])
    if known is not None or not standing.version_unchanged:
        raise LogError("log.changed_elsewhere")
    if result["quality"]["usable"] and other_serial_of(connection, _pictures(result), result["serial"]) is not None:
        raise LogError("log.changed_elsewhere")


def _re_evaluation(connection: Connection, event: NewEvent, standing: Standing) -> None:
    """A run under other versions takes the first one's place only while nobody has answered, decided or retaken."""
    row = _own_row(connection, event)
    stands = event.data["stands"]
    if not standing.version_unchanged or (stands and touched(connection, row)):
        raise LogError("log.changed_elsewhere")
    result = event.data["result"]
    other = other_serial_of(connection, _pictures(result), result["serial"], row.event_id)
    if result["quality"]["usable"] and other is not None:
        raise LogError("log.changed_elsewhere")


def touched(connection: Connection, row: Any) -> bool:
    """Whether somebody has answered, noted, decided or retaken an inspection, given its row."""
    of_this = rows_by(connection, flags, inspection=row.id)
    answered = any(flag.added or flag.answer is not None or flag.note for flag in of_this)
    return answered or row.decision is not None or bool(row.superseded)


def _serial_given(connection: Connection, event: NewEvent, standing: Standing) -> None:
    row = _open_to_answers(connection, event, standing)
    if row.serial is not None:
        raise LogError("log.has_serial", serial=row.serial)
    if row.decision == Disposition.HOLD:
        raise LogError("log.held_without_serial")


def _sign_in(connection: Connection, event: NewEvent, _standing: Standing) -> None:
    if pins_in_use(connection) and registered_role(connection, event.person) != event.data["role"]:
        raise LogError("people.role")


def _rework_done(connection: Connection, event: NewEvent, standing: Standing) -> None:
    """Where people sign in, nobody logs work under a name alone: what was replaced excuses the stringer."""
    role = role_of(connection, event.person, standing.station)
    if pins_in_use(connection) and role in (None, Role.AUDITOR):
        raise LogError("bench.role")


def _audit_result(connection: Connection, event: NewEvent, standing: Standing) -> None:
    if role_of(connection, event.person, standing.station) not in (Role.AUDITOR, Role.QUALITY_ENGINEER):
        raise LogError("people.auditor")


def _second_readings_asked(connection: Connection, event: NewEvent, standing: Standing) -> None:
    if role_of(connection, event.person, standing.station) not in (Role.AUDITOR, Role.QUALITY_ENGINEER):
        raise LogError("readings.who_asks")


def _second_reading(connection: Connection, event: NewEvent, standing: Standing) -> None:
    """A panel is read once for each draw, by somebody else than who decided it."""
    asked = row_by(connection, second_readings, draw=event.data["draw"], inspection=event.data["inspection"])
    if asked is None or asked.read_at is not None:
        raise LogError("readings.not_waiting")
    if role_of(connection, event.person, standing.station) not in (*ANSWERING, Role.AUDITOR):
        raise LogError("readings.who_reads")
    if event.person == inspection_row(connection, asked.inspection).decided_by:
        raise LogError("readings.own_panel")


def _pictures(result: Mapping[str, Any]) -> list[str]:
    image = result["image"]
    own = [file["sha256"] for file in image.get("files", ()) if file["role"] != ExposureRole.DARK]
    return own or ([image["sha256"]] if image["sha256"] is not None else [])


def _simulated_panels(connection: Connection, event: NewEvent, _standing: Standing) -> None:
    serials = sorted({row[0] for row in event.data["panels"]})
    seen = rows_among(connection, inspections, "serial", serials)
    if seen or not all(serial.startswith(SIMULATED) for serial in serials):
        raise LogError("log.only_demo", prefix=SIMULATED)


def other_serial_of(
    connection: Connection, pictures: Sequence[str], serial: str | None, before: int | None = None
) -> str | None:
    """Return another serial under which one of these pictures was logged before; None if there is none.

    Parameters
    ----------
    pictures : sequence of str
        Hashes of a panel's pictures; a dark exposure is no picture of a panel and may serve many.
    before : int, optional
        Record before which it must have been logged; by default, ever.
    """
    if not pictures or serial is None:
        return None
    same = {row.inspection for row in rows_among(connection, exposure_files, "sha256", pictures)}
    known = rows_among(connection, inspections, "id", sorted(same)) if same else ()
    others = [row for row in known if row.serial not in (None, serial) and (before is None or row.event_id < before)]
    return min(others, key=lambda row: row.event_id).serial if others else None


_VERSION = select(func.max(events.c.version)).where(events.c.subject == bindparam("subject"))


def event_count(connection: Connection, subject: str) -> int:
    """Return the version of a subject: how many events it has."""
    return int(connection.execute(_VERSION, {"subject": subject}).scalar_one() or 0)


_RULES: dict[EventKind, Callable[[Connection, NewEvent, Standing], None]] = {
    EventKind.VERDICT: _verdict,
    EventKind.FLAG_ADDED: _flag_added,
    EventKind.FLAG_REMOVED: _flag_removed,
    EventKind.NOT_ANSWERED_SINGLY: _not_answered_singly,
    EventKind.DISPOSITION: _disposition,
    EventKind.TAKE_BACK: _take_back,
    EventKind.INSPECTION: _inspection,
    EventKind.RE_EVALUATION: _re_evaluation,
    EventKind.SERIAL_GIVEN: _serial_given,
    EventKind.SIGN_IN: _sign_in,
    EventKind.REWORK_DONE: _rework_done,
    EventKind.AUDIT_RESULT: _audit_result,
    EventKind.SECOND_READINGS_ASKED: _second_readings_asked,
    EventKind.SECOND_READING: _second_reading,
    EventKind.SIMULATED_PANELS: _simulated_panels,
}
