"""What the inspector says: verdicts, added flags, the disposition and its taking back."""

import json
from typing import Any

from sqlalchemy import Connection, delete, func, select, update

from elinspect.records import Answer, CrackMode, Kind
from elinspect.store.events import StoredEvent
from elinspect.store.projections.counting import Scope, cell_key, counted_change, update_cells
from elinspect.store.projections.inspected import flag_columns, write_cells
from elinspect.store.results import result_of
from elinspect.store.rules import releases
from elinspect.store.schema import flagged_cells, flags, inspections, outbox
from elinspect.triage.flags import GRAVITY

_KIND_RANK = {kind: rank for rank, kind in enumerate(GRAVITY)}
_MODE_RANK = {CrackMode.C.value: 0, CrackMode.B.value: 1, CrackMode.A.value: 2, None: 3}


def on_verdict(connection: Connection, event: StoredEvent) -> None:
    """Keep the latest answer to a flag, and the flag as it stands after a change."""
    inspection, flag_id, changed = event.data["inspection"], event.data["flag"], event.data["changed"]
    answer = event.data["answer"]
    before = _flag(connection, inspection, flag_id)
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
        connection.execute(update(flags).where(*_is(inspection, flag_id)).values(values))
        for place in {(before.string, before.position), (values["string"], values["position"])}:
            _confirm(connection, inspection, place)


def on_flag_added(connection: Connection, event: StoredEvent) -> None:
    """Add a flag of the inspector; it counts as confirmed."""
    inspection, flag = event.data["inspection"], event.data["flag"]
    last = connection.execute(select(func.max(flags.c.number)).where(flags.c.inspection == inspection)).scalar_one()
    row = flag_columns(inspection, (last or 0) + 1, flag, added=True)
    with counted_change(connection, _scope(connection, inspection)):
        connection.execute(flags.insert().values(answered_by=event.person, **row))
        _confirm(connection, inspection, (row["string"], row["position"]))


def on_flag_removed(connection: Connection, event: StoredEvent) -> None:
    """Take an added flag out again."""
    inspection, flag_id = event.data["inspection"], event.data["flag"]
    row = _flag(connection, inspection, flag_id)
    with counted_change(connection, _scope(connection, inspection)):
        connection.execute(delete(flags).where(*_is(inspection, flag_id)))
        _confirm(connection, inspection, (row.string, row.position))


def on_not_answered_singly(connection: Connection, event: StoredEvent) -> None:
    """Close the flags below every limit that the release closes."""
    mine = (flags.c.inspection == event.data["inspection"], flags.c.flag.in_(event.data["flags"]))
    connection.execute(update(flags).where(*mine).values(closed=True))


def on_disposition(connection: Connection, event: StoredEvent) -> None:
    """Keep the decision; what releases a panel goes to the outbox in the same transaction."""
    inspection, disposition = event.data["inspection"], event.data["disposition"]
    decision = decision_id(event)
    connection.execute(
        update(inspections)
        .where(inspections.c.id == inspection)
        .values(
            decision=disposition,
            decision_id=decision,
            decided_at=event.at,
            decided_by=event.person,
            decision_reason=event.data["reason"],
        )
    )
    row = connection.execute(select(inspections).where(inspections.c.id == inspection)).one()
    known = connection.execute(select(outbox.c.decision).where(outbox.c.decision == decision)).one_or_none()
    if known is None and releases(row.stage, row.purpose, disposition):
        message = {"message": "release", "decision": decision, "serial": row.serial, "disposition": disposition}
        connection.execute(
            outbox.insert().values(
                decision=decision, inspection=inspection, message=json.dumps(message), written_at=event.at
            )
        )


def on_take_back(connection: Connection, event: StoredEvent) -> None:
    """Open an inspection again; a release that was not sent yet is withdrawn."""
    inspection = event.data["inspection"]
    nothing = dict.fromkeys(("decision", "decision_id", "decided_at", "decided_by", "decision_reason"))
    connection.execute(update(inspections).where(inspections.c.id == inspection).values(nothing))
    connection.execute(update(flags).where(flags.c.inspection == inspection).values(closed=False))
    unsent = (outbox.c.decision == event.data["decision"], outbox.c.sent_at.is_(None))
    connection.execute(delete(outbox).where(*unsent))


def decision_id(event: StoredEvent) -> str:
    """Return the id of a decision: the chain's name and the place of its record in it."""
    return f"{event.station}:{event.number}"


def _is(inspection: str, flag_id: str) -> tuple[Any, Any]:
    return flags.c.inspection == inspection, flags.c.flag == flag_id


def _flag(connection: Connection, inspection: str, flag_id: str) -> Any:
    return connection.execute(select(flags).where(*_is(inspection, flag_id))).one()


def _as_made(connection: Connection, inspection: str, flag_id: str) -> dict[str, Any]:
    result = result_of(connection, inspection)
    return next(dict(flag) for flag in result["flags"] if flag["id"] == flag_id)


def _scope(connection: Connection, inspection: str) -> Scope:
    serial = connection.execute(select(inspections.c.serial).where(inspections.c.id == inspection)).scalar_one()
    return Scope.of(serial, inspection)


def _confirm(connection: Connection, inspection: str, place: tuple[int, int]) -> None:
    """Find the confirmed kind of a cell: the gravest flag the inspector agreed to or added."""
    here = (flags.c.inspection == inspection, flags.c.string == place[0], flags.c.position == place[1])
    agreed = [
        row
        for row in connection.execute(select(flags).where(*here))
        if row.added or row.answer in (Answer.CONFIRMED, Answer.CHANGED)
    ]
    gravest = min(agreed, key=_gravity, default=None)
    kind = gravest.kind if gravest is not None else None
    columns = flagged_cells.c
    mine = (columns.inspection == inspection, columns.string == place[0], columns.position == place[1])
    row = connection.execute(select(flagged_cells).where(*mine)).one_or_none()
    if row is None and kind is not None:
        write_cells(connection, inspection, confirmed={place: kind})
    elif row is not None and kind is None and row.proposed_kind is None:
        connection.execute(delete(flagged_cells).where(*mine))
    elif row is not None:
        update_cells(connection, [{**cell_key(row), "confirmed_kind": kind}], ("confirmed_kind",))


def _gravity(row: Any) -> tuple[bool, int, int, int]:
    return row.standing_limit is None, _KIND_RANK[Kind(row.kind)], _MODE_RANK[row.mode], row.number
