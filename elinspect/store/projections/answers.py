"""What the inspector says: verdicts, added flags, the disposition and its taking back."""

import json
from typing import Any

from sqlalchemy import Connection

from elinspect.records import Answer, CrackMode, Disposition, Kind
from elinspect.store.events import StoredEvent, record_id
from elinspect.store.projections.counting import Scope, counted_change
from elinspect.store.projections.inspected import flag_columns, write_cells
from elinspect.store.projections.places import flag_place
from elinspect.store.results import result_of
from elinspect.store.rows import delete_by, insert_rows, row_by, rows_by, update_by, update_each
from elinspect.store.rules import releases
from elinspect.store.schema import flagged_cells, flags, holds, inspections, outbox
from elinspect.triage.flags import GRAVITY

_KIND_RANK = {kind: rank for rank, kind in enumerate(GRAVITY)}
_MODE_RANK = {CrackMode.C.value: 0, CrackMode.B.value: 1, CrackMode.A.value: 2, None: 3}


def on_verdict(connection: Connection, event: StoredEvent) -> None:
    """Keep the latest answer to a flag, and the flag as it stands after a change."""
    inspection, flag_id, changed = event.data["inspection"], event.data["flag"], event.data["changed"]
    answer = event.data["answer"]
    before = row_by(connection, flags, inspection=inspection, flag=flag_id)
    if before.added:  # of a flag the inspector added only the note can be another
        update_by(connection, flags, {"note": event.data["note"]}, inspection=inspection, flag=flag_id)
        return
    values = {
        "answer": answer,
        "answered_by": event.person if answer is not None else None,
        "note": event.data["note"],
        "standing": json.dumps(changed) if changed is not None else None,
        "kind": before.kind,
        "mode": before.mode,
        "string": before.string,
        "position": before.position,
        "standing_limit": before.standing_limit,
    }
    if changed is not None or before.standing is not None:
        shown = changed if changed is not None else _as_made(connection, inspection, flag_id)
        values.update(kind=shown["kind"], mode=shown["mode"], standing_limit=shown["limit"])
        values.update(string=shown["string"] or 0, position=shown["position"] or 0)
    with counted_change(connection, _scope(connection, inspection)):
        update_by(connection, flags, values, inspection=inspection, flag=flag_id)
        for place in {(before.string, before.position), (values["string"], values["position"])}:
            _confirm(connection, inspection, place)


def on_flag_added(connection: Connection, event: StoredEvent) -> None:
    """Add a flag of the inspector; it counts as confirmed."""
    inspection, flag = event.data["inspection"], event.data["flag"]
    last = max((row.number for row in rows_by(connection, flags, inspection=inspection)), default=0)
    row = flag_columns(inspection, last + 1, flag, added=True)
    with counted_change(connection, _scope(connection, inspection)):
        insert_rows(connection, flags, [{**row, "answered_by": event.person}])
        _confirm(connection, inspection, (row["string"], row["position"]))


def on_flag_removed(connection: Connection, event: StoredEvent) -> None:
    """Take an added flag out again."""
    inspection, flag_id = event.data["inspection"], event.data["flag"]
    row = row_by(connection, flags, inspection=inspection, flag=flag_id)
    with counted_change(connection, _scope(connection, inspection)):
        delete_by(connection, flags, inspection=inspection, flag=flag_id)
        _confirm(connection, inspection, (row.string, row.position))


def on_not_answered_singly(connection: Connection, event: StoredEvent) -> None:
    """Close the flags below every limit that the release closes."""
    inspection = event.data["inspection"]
    closed = [{"inspection": inspection, "flag": flag, "closed": True} for flag in event.data["flags"]]
    update_each(connection, flags, ("inspection", "flag"), closed)


def on_disposition(connection: Connection, event: StoredEvent) -> None:
    """Keep the decision; what releases a panel goes to the outbox in the same transaction."""
    inspection, disposition = event.data["inspection"], event.data["disposition"]
    decision = record_id(event)
    decided = {
        "decision": disposition,
        "decision_id": decision,
        "decided_at": event.at,
        "decided_by": event.person,
        "decision_reason": event.data["reason"],
    }
    _decide(connection, inspection, decided)
    _note_hold(connection, event, decision)
    row = row_by(connection, inspections, id=inspection)
    if releases(row.stage, row.purpose, disposition) and row_by(connection, outbox, decision=decision) is None:
        message = {"message": "release", "decision": decision, "serial": row.serial, "disposition": disposition}
        written = {"inspection": inspection, "message": json.dumps(message), "written_at": event.at}
        insert_rows(connection, outbox, [{"decision": decision, **written}])


def _decide(connection: Connection, inspection: str, decided: dict[str, Any]) -> None:
    """Write a decision, or that there is none any more, to an inspection and its flagged cells."""
    with counted_change(connection, _scope(connection, inspection), inspected=True):
        update_by(connection, inspections, decided, id=inspection)
        of_cells = {"decided": decided["decision"] is not None, "decided_by": decided["decided_by"] or ""}
        update_by(connection, flagged_cells, of_cells, inspection=inspection)


def _note_hold(connection: Connection, event: StoredEvent, decision: str) -> None:
    """Keep who holds a panel since when and who has to settle it; any other decision ends the hold."""
    inspection = event.data["inspection"]
    held = row_by(connection, holds, inspection=inspection)
    if event.data["disposition"] != Disposition.HOLD:
        if held is not None:
            update_by(connection, holds, {"ended_by": decision}, inspection=inspection)
        return
    owner = {"owner": event.data.get("owner", event.person), "reason": event.data["reason"]}
    new = {**owner, "decision_id": decision, "since": event.at, "person": event.person, "ended_by": None}
    if held is None:
        insert_rows(connection, holds, [{"inspection": inspection, **new}])
    else:  # handed to another owner: it has been on hold all the time
        still = {"since": held.since} if held.ended_by is None else {}
        update_by(connection, holds, {**new, **still}, inspection=inspection)


def on_take_back(connection: Connection, event: StoredEvent) -> None:
    """Open an inspection again, or return it to the hold it was in; a release that was not sent yet is withdrawn."""
    inspection = event.data["inspection"]
    before = dict.fromkeys(("decision", "decision_id", "decided_at", "decided_by", "decision_reason"))
    held = row_by(connection, holds, inspection=inspection)
    if held is not None and held.ended_by == event.data["decision"]:
        update_by(connection, holds, {"ended_by": None}, inspection=inspection)
        decision = {"decision": Disposition.HOLD.value, "decision_id": held.decision_id, "decided_at": held.since}
        before = {**decision, "decided_by": held.person, "decision_reason": held.reason}
    _decide(connection, inspection, before)
    update_by(connection, flags, {"closed": False}, inspection=inspection)
    message = row_by(connection, outbox, decision=event.data["decision"])
    if message is not None and message.sent_at is None:
        delete_by(connection, outbox, decision=event.data["decision"])


def _as_made(connection: Connection, inspection: str, flag_id: str) -> dict[str, Any]:
    result = result_of(connection, inspection)
    return next(dict(flag) for flag in result["flags"] if flag["id"] == flag_id)


def _scope(connection: Connection, inspection: str) -> Scope:
    return Scope.of(row_by(connection, inspections, id=inspection).serial, inspection)


def _confirm(connection: Connection, inspection: str, place: tuple[int, int]) -> None:
    """Find the confirmed kind of a cell: the gravest flag the inspector agreed to or added."""
    here: dict[str, Any] = {"inspection": inspection, "string": place[0], "position": place[1]}
    agreed = [
        row
        for row in rows_by(connection, flags, **here)
        if row.added or row.answer in (Answer.CONFIRMED, Answer.CHANGED)
    ]
    gravest = min(agreed, key=_gravity, default=None)
    kind = gravest.kind if gravest is not None else None
    row = row_by(connection, flagged_cells, **here)
    if row is None and kind is not None:
        standing = gravest.standing if gravest is not None else None
        where = flag_place(result_of(connection, inspection), json.loads(standing)) if standing else None
        write_cells(connection, inspection, confirmed={place: kind}, in_cell={place: where})
    elif row is not None and kind is None and row.proposed_kind is None:
        delete_by(connection, flagged_cells, **here)
    elif row is not None:
        update_by(connection, flagged_cells, {"confirmed_kind": kind}, **here)


def _gravity(row: Any) -> tuple[bool, int, int, int]:
    return row.standing_limit is None, _KIND_RANK[Kind(row.kind)], _MODE_RANK[row.mode], row.number
