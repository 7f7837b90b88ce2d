"""Production context as imported, with validity, and its way to the flagged cells."""

from collections.abc import Collection
from typing import Any

from sqlalchemy import Connection, bindparam, select, update

from elinspect.records import Layout
from elinspect.store.events import StoredEvent
from elinspect.store.projections.attribution import IMPORTED, contexts_of
from elinspect.store.projections.counting import Scope, cell_key, counted_change, update_cells
from elinspect.store.schema import context_rows, flagged_cells, imports, inspections

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


def on_context(connection: Connection, event: StoredEvent) -> None:
    """Write imported rows; what a row does not say leaves what an earlier one said."""
    given = event.data["rows"]
    serials = sorted({row["serial"] for row in given})
    known = imported_rows(connection, serials)
    new, ended = [], []
    for row in given:
        before = known.get((row["serial"], row["string"]))
        merged = merge(before, row)
        if before is not None:
            if all(merged[name] == getattr(before, name) for name in CONTEXT_FIELDS):
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


def on_import_done(connection: Connection, event: StoredEvent) -> None:
    """Keep that a file was imported to its end."""
    connection.execute(
        imports.insert().values(
            file_sha256=event.data["file_sha256"],
            what=event.data["what"],
            file_name=event.data["file_name"],
            done_at=event.at,
            rows=event.data["rows"],
        )
    )


def imported_rows(connection: Connection, serials: Collection[str]) -> dict[tuple[str, int], Any]:
    """Return the valid imported row of every string of these panels."""
    valid = (context_rows.c.origin == IMPORTED, context_rows.c.valid_to.is_(None))
    found = connection.execute(select(context_rows).where(context_rows.c.serial.in_(serials), *valid))
    return {(row.serial, row.string): row for row in found}


def merge(before: Any, given: dict[str, Any]) -> dict[str, Any]:
    """Return the fields of a row after an import: what is given, else what was known, else not known."""
    merged: dict[str, Any] = {name: getattr(before, name) if before is not None else "" for name in CONTEXT_TEXTS}
    merged["turned"] = before.turned if before is not None else None
    merged.update({name: given[name] for name in CONTEXT_FIELDS if name in given})
    return merged


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
