"""Production context as imported, with validity, and its way to the flagged cells."""

from collections.abc import Collection, Mapping
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, bindparam, select, text

from elinspect.records import Layout
from elinspect.store.events import StoredEvent
from elinspect.store.projections.attribution import BENCH, IMPORTED, contexts_of
from elinspect.store.projections.counting import CELL_KEY, Scope, cell_key, counted_change
from elinspect.store.projections.imported import Known
from elinspect.store.rows import insert_rows, insert_values, rows_among, update_each
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


_COLUMNS = ("serial", "string", "position", "origin", "valid_from", "valid_to", "source", *CONTEXT_FIELDS)


def on_context(connection: Connection, event: StoredEvent) -> None:
    """Write imported rows; what a row does not say leaves what an earlier one said."""
    columns, source = event.data["columns"], event.data["file_sha256"]
    serial_at, string_at = columns.index("serial"), columns.index("string")
    field_at = [columns.index(name) if name in columns else None for name in CONTEXT_FIELDS]
    pick = itemgetter(*field_at) if None not in field_at else None
    serials = sorted({row[serial_at] for row in event.data["rows"]})
    known = known_context(connection, serials)
    new, ended = [], []
    for row in event.data["rows"]:
        serial, string = row[serial_at], row[string_at]
        before = known.get((serial, string))
        if before is None and pick is not None and None not in (picked := pick(row)):
            new.append((serial, string, 0, IMPORTED, event.id, None, source, *picked))
            continue
        said = [row[at] if at is not None else None for at in field_at]
        fields = before.fields if before is not None else _NOTHING
        merged = [fields[name] if value is None else value for name, value in zip(CONTEXT_FIELDS, said, strict=True)]
        if before is not None:
            if merged == [fields[name] for name in CONTEXT_FIELDS]:
                continue
            ended.append({"serial": serial, "string": string, "origin": IMPORTED, "valid_to": event.id})
        new.append((serial, string, 0, IMPORTED, event.id, None, source, *merged))
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
    insert_rows(connection, reworks, rows)
    replaced = [done for done in event.data["done"] if done["work"] in REPLACING]
    with counted_change(connection, Scope((serial,)), inspected=True):
        insert_rows(connection, context_rows, [_bench_row(event, serial, done) for done in replaced])
        attribute_again(connection, (serial,))


_VALID_IMPORTED = select(context_rows).where(
    context_rows.c.serial.in_(bindparam("serials", expanding=True)),
    context_rows.c.origin == IMPORTED,
    context_rows.c.valid_to.is_(None),
)


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


def known_context(connection: Connection, serials: Collection[str]) -> dict[tuple[Any, ...], Known]:
    """Return what was imported about the strings of these panels, by serial and string."""
    found = connection.execute(_VALID_IMPORTED, {"serials": list(serials)}).all()
    return {
        (row.serial, row.string): Known(
            {"serial": row.serial, "string": row.string, **{name: getattr(row, name) for name in CONTEXT_FIELDS}},
            row.source,
        )
        for row in found
    }


def attribute_again(connection: Connection, serials: Collection[str]) -> None:
    """Write the production context of all flagged cells of these panels anew."""
    layouts = {row.id: row.layout for row in rows_among(connection, inspections, "serial", list(serials))}
    contexts = contexts_of(connection, serials)
    changed: list[dict[str, Any]] = []
    for row in rows_among(connection, flagged_cells, "serial", list(serials)):
        layout = Layout.parse(layouts[row.inspection])
        fields = contexts[row.serial].fields(layout, row.string, row.position, row.event_id)
        if any(getattr(row, name) != value for name, value in fields.items()):
            changed.append({**cell_key(row), **fields})
    update_each(connection, flagged_cells, CELL_KEY, changed)


def _inspected_serials(connection: Connection, serials: Collection[str]) -> tuple[str, ...]:
    return tuple(sorted(set(connection.execute(_INSPECTED, {"serials": list(serials)}).scalars())))


_INSPECTED = select(inspections.c.serial).where(inspections.c.serial.in_(bindparam("serials", expanding=True)))


def _write(connection: Connection, ended: list[dict[str, Any]], new: list[tuple[Any, ...]]) -> None:
    if ended:
        connection.execute(_END, ended)
    insert_values(connection, context_rows, _COLUMNS, new)


_END = text(
    "UPDATE context_rows SET valid_to = :valid_to "
    "WHERE serial = :serial AND string = :string AND origin = :origin AND valid_to IS NULL"
)
