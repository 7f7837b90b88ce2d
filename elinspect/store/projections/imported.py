"""Maintenance events and flash results as imported."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Table, select, tuple_

from elinspect.store.events import EventKind, StoredEvent
from elinspect.store.rows import insert_rows, update_by
from elinspect.store.schema import flash_results, imports, maintenance_events


@dataclass(frozen=True, slots=True)
class Known:
    """What the log knows about one thing that tables speak about.

    Attributes
    ----------
    fields : mapping
        Every field; an empty text or None is 'not known'.
    source : str
        Hash of the file that said it.
    """

    fields: Mapping[str, Any]
    source: str


MAINTENANCE_KEYS = ("machine", "lane", "started_at", "what")
MAINTENANCE_FIELDS = (*MAINTENANCE_KEYS, "ended_at", "note")
FLASH_KEYS = ("serial", "measured_at")
FLASH_FIGURES = ("power_w", "voc_v", "isc_a", "vmp_v", "imp_a", "fill_factor")
FLASH_FIELDS = (*FLASH_KEYS, *FLASH_FIGURES, "module_class", "tester")

_TABLES: dict[EventKind, tuple[Table, tuple[str, ...], tuple[str, ...]]] = {
    EventKind.MAINTENANCE: (maintenance_events, MAINTENANCE_KEYS, MAINTENANCE_FIELDS),
    EventKind.FLASH_RESULT: (flash_results, FLASH_KEYS, FLASH_FIELDS),
}


def known_rows(connection: Connection, kind: EventKind, rows: Sequence[Mapping[str, Any]]) -> dict[Any, Known]:
    """Return what the log knows about the things these rows speak about, by key."""
    table, keys, fields = _TABLES[kind]
    wanted = {tuple(row[name] for name in keys) for row in rows}
    found = connection.execute(select(table).where(tuple_(*(table.c[name] for name in keys)).in_(wanted)))
    return {
        tuple(getattr(row, name) for name in keys): Known({name: getattr(row, name) for name in fields}, row.source)
        for row in found
    }


def on_imported_rows(connection: Connection, event: StoredEvent) -> None:
    """Write rows; what one does not say leaves what an earlier one said."""
    table, keys, fields = _TABLES[event.kind]
    source, columns = event.data["file_sha256"], event.data["columns"]
    rows = [
        {name: value for name, value in zip(columns, row, strict=True) if value is not None}
        for row in event.data["rows"]
    ]
    known = known_rows(connection, event.kind, rows)
    nothing: dict[str, Any] = {name: None if table.c[name].nullable else "" for name in fields}
    new = []
    for row in rows:
        key = tuple(row[name] for name in keys)
        if key in known:
            update_by(connection, table, {**row, "source": source}, **dict(zip(keys, key, strict=True)))
        else:
            new.append({**nothing, **row, "source": source})
    insert_rows(connection, table, new)


def on_import_done(connection: Connection, event: StoredEvent) -> None:
    """Keep that a file was imported to its end."""
    named = {name: event.data[name] for name in ("file_sha256", "what", "file_name", "rows")}
    insert_rows(connection, imports, [{**named, "done_at": event.at}])
