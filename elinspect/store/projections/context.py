"""Production context as imported, with validity, and its way to the flagged cells."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, bindparam, select, update

from elinspect.records import Layout
from elinspect.store.events import StoredEvent
from elinspect.store.projections.attribution import BENCH, IMPORTED, contexts_of
from elinspect.store.projections.counting import Scope, cell_key, counted_change, update_cells
from elinspect.store.projections.imported import Known
from elinspect.store.schema import context_rows, flagged_cells, inspections, reworks

CONTEXT_TEXTS = (
    "string_id",
    "stringer",
    "lane",
    "built_at",
    "cell_lot",
    "cell_supplier",
    "cell_class",
    "ribbon_lot",
    "operator",
    "layup_machine",
    "bussing_machine",
    "el_station",
)
"""Columns of a context row beside serial, string and turned; an empty text is 'not known'."""
CONTEXT_FIELDS = (*CONTEXT_TEXTS, "turned")
REPLACING = frozenset({"cell_replaced", "string_replaced"})
"""Bench work after which a place is another one."""
_NOTHING: dict[str, Any] = {**dict.fromkeys(CONTEXT_TEXTS, ""), "turned": None}


def on_context(connection: Connection, event: StoredEvent) -> None:
    """Write imported rows; what a row does not say leaves what an earlier one said."""
    given = event.data["rows"]
    serials = sorted({row["serial"] for row in given})
    known = known_context(connection, given)
    new, ended = [], []
    for row in given:
        before = known.get((row["serial"], row["string"]))
        fields = before.fields if before is not None else _NOTHING
        merged = {name: row.get(name, fields[name]) for name in CONTEXT_FIELDS}
        if before is not None:
            if all(merged[name] == fields[name] for name in CONTEXT_FIELDS):
                continue
            ended.append({"key_serial": row["serial"], "key_string": row["string"], "valid_to": event.id})
        new.append(
            {
                "serial": row["serial"],
                "string": row["string"],
                "position": 0,
                "origin": IMPORTED,
                "valid_from": event.id,
                "valid_to": None,
                "source": event.data["file_sha256"],
                **merged,
            }
        )
    seen = _inspected_serials(connection, serials)
    if not seen:
        _write(connection, ended, new)
        return
    with counted_change(connection, Scope(seen), inspected=True):
        _write(connection, ended, new)
        attribute_again(connection, seen)


def on_rework_done(connection: Connection, event: StoredEvent) -> None:
    """Keep what the bench did; what it replaced has origin `bench` from then on."""
    serial = event.data["serial"]
    common = {"serial": serial, "inspection": event.data["inspection"], "person": event.person, "at": event.at}
    rows = [
        {
            **common,
            "event_id": event.id,
            "number": number,
            "work": done["work"],
            "string": done["string"] or 0,
            "position": done["position"] or 0,
            "new_string_id": done["new_string_id"],
            "fate": done["fate"],
            "minutes": event.data["minutes"],
            "note": event.data["note"],
        }
        for number, done in enumerate(event.data["done"], start=1)
    ]
    connection.execute(reworks.insert(), rows)
    replaced = [done for done in event.data["done"] if done["work"] in REPLACING]
    with counted_change(connection, Scope((serial,)), inspected=True):
        for done in replaced:
            connection.execute(context_rows.insert().values(_bench_row(event, serial, done)))
        attribute_again(connection, (serial,))


def _bench_row(event: StoredEvent, serial: str, done: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **_NOTHING,
        "serial": serial,
        "string": done["string"],
        "position": done["position"] or 0,
        "origin": BENCH,
        "valid_from": event.id,
        "valid_to": None,
        "source": "",
        "string_id": done["new_string_id"],
    }


def known_context(connection: Connection, rows: Sequence[Mapping[str, Any]]) -> dict[tuple[Any, ...], Known]:
    """Return what was imported about the strings these rows speak about, and their panels' other strings."""
    serials = sorted({row["serial"] for row in rows})
    valid = (context_rows.c.origin == IMPORTED, context_rows.c.valid_to.is_(None))
    found = connection.execute(select(context_rows).where(context_rows.c.serial.in_(serials), *valid))
    return {
        (row.serial, row.string): Known(
            {"serial": row.serial, "string": row.string, **{name: getattr(row, name) for name in CONTEXT_FIELDS}},
            row.source,
        )
        for row in found
    }


def attribute_again(connection: Connection, serials: Collection[str]) -> None:
    """Write the production context of all flagged cells of these panels anew."""
    found = connection.execute(
        select(flagged_cells, inspections.c.layout)
        .join(inspections, inspections.c.id == flagged_cells.c.inspection)
        .where(flagged_cells.c.serial.in_(serials))
    ).all()
    contexts = contexts_of(connection, serials)
    changed: list[dict[str, Any]] = []
    for row in found:
        fields = contexts[row.serial].fields(Layout.parse(row.layout), row.string, row.position, row.event_id)
        if any(getattr(row, name) != value for name, value in fields.items()):
            changed.append({**cell_key(row), **fields})
    if changed:
        update_cells(connection, changed, [name for name in changed[0] if not name.startswith("key_")])


def _inspected_serials(connection: Connection, serials: Collection[str]) -> tuple[str, ...]:
    found = connection.execute(select(inspections.c.serial).where(inspections.c.serial.in_(serials)).distinct())
    return tuple(sorted(found.scalars()))


def _write(connection: Connection, ended: list[dict[str, Any]], new: list[dict[str, Any]]) -> None:
    columns = context_rows.c
    if ended:
        valid = (columns.origin == IMPORTED, columns.valid_to.is_(None))
        mine = (columns.serial == bindparam("key_serial"), columns.string == bindparam("key_string"))
        connection.execute(update(context_rows).where(*mine, *valid).values(valid_to=bindparam("valid_to")), ended)
    if new:
        connection.execute(context_rows.insert(), new)
