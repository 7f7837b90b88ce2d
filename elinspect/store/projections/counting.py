"""Kept counts: how many cells were inspected, flagged and confirmed, by day and production context.

Every change of what is counted runs between two tallies of the panels it touches; the difference goes to the kept
counts. So they always equal a recount of the rows.

A place in a panel is counted once: what the machine proposed is taken from the first attempt that flagged it, what was
confirmed from the last attempt that confirmed it. A place the bench replaced is another one from then on, and a picture
that was retaken counts in nothing.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

from sqlalchemy import Connection, Table, text

from elinspect.records import Layout
from elinspect.store.projections.attribution import PanelContext, contexts_of
from elinspect.store.rows import rows_among, rows_by, update_each
from elinspect.store.schema import flagged_cells, inspected_counts, inspections, kept_counts

DIMENSIONS = ("day", "purpose", "stage", "product", "origin", "stringer", "lane", "cell_supplier", "cell_lot")
_KEY_OF = attrgetter(*DIMENSIONS)

_Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Scope:
    """Which panels a change touches: by serial, or one inspection of a panel without serial."""

    serials: tuple[str, ...] = ()
    inspection: str | None = None

    @classmethod
    def of(cls, serial: str | None, inspection: str) -> "Scope":
        """Return the scope of one panel."""
        return cls((serial,)) if serial is not None else cls(inspection=inspection)

    def rows(self, connection: Connection, table: Table, inspection_column: str) -> Sequence[Any]:
        """Return the rows of these panels that count: those of pictures that were not retaken."""
        if self.inspection is not None:
            return rows_by(connection, table, superseded=False, **{inspection_column: self.inspection})
        return rows_among(connection, table, "serial", self.serials, superseded=False)


@dataclass(frozen=True, slots=True)
class _Tally:
    flagged: Counter[_Key]
    confirmed: Counter[_Key]
    inspected: Counter[_Key]


@contextmanager
def counted_change(connection: Connection, scope: Scope, *, inspected: bool = False) -> Iterator[None]:
    """Keep the counts right over a change.

    Parameters
    ----------
    scope : Scope
        The panels the change touches.
    inspected : bool
        Whether it also changes which cells were inspected, or where they came from.
    """
    before = _tally(connection, scope, inspected)
    yield
    _settle(connection, scope)
    after = _tally(connection, scope, inspected)
    _add_difference(connection, before, after)


def _tally(connection: Connection, scope: Scope, inspected: bool) -> _Tally:
    flagged: Counter[_Key] = Counter()
    confirmed: Counter[_Key] = Counter()
    for row in scope.rows(connection, flagged_cells, "inspection"):
        key = _KEY_OF(row)
        if row.counts_proposed:
            flagged[*key, row.proposed_kind] += 1
        if row.counts_confirmed:
            confirmed[*key, row.confirmed_kind] += 1
    return _Tally(flagged, confirmed, _inspected(connection, scope) if inspected else Counter())


def _settle(connection: Connection, scope: Scope) -> None:
    """Decide anew which row of each place counts."""
    places = defaultdict(list)
    for row in sorted(scope.rows(connection, flagged_cells, "inspection"), key=lambda row: row.event_id):
        places[row.serial, row.stage, row.purpose, row.string, row.position, row.instance].append(row)
    changed = []
    for rows in places.values():
        proposing = next((row for row in rows if row.proposed_kind is not None), None)
        confirming = next((row for row in reversed(rows) if row.confirmed_kind is not None), None)
        for row in rows:
            now = (row is proposing, row is confirming)
            if now != (row.counts_proposed, row.counts_confirmed):
                changed.append({**cell_key(row), "counts_proposed": now[0], "counts_confirmed": now[1]})
    update_each(connection, flagged_cells, CELL_KEY, changed)


CELL_KEY = ("inspection", "string", "position")


def cell_key(row: Any) -> dict[str, Any]:
    """Return the key of a row of `flagged_cells`."""
    return {name: getattr(row, name) for name in CELL_KEY}


def _inspected(connection: Connection, scope: Scope) -> Counter[_Key]:
    """Count the cells inspected by where they came from; each place once, by the first picture that could be judged."""
    found = [row for row in scope.rows(connection, inspections, "id") if row.usable and row.panel_found]
    contexts = contexts_of(connection, scope.serials)
    seen: set[tuple[Any, ...]] = set()
    counts: Counter[_Key] = Counter()
    for row in sorted(found, key=lambda row: row.event_id):
        context = contexts.get(row.serial, PanelContext())
        head = (row.day, row.purpose, row.stage, row.product)
        for place, cells, (counted_as, replaced) in _parts(context, Layout.parse(row.layout), row.event_id):
            instance = (row.serial, row.stage, row.purpose, *place, replaced)
            if instance not in seen:
                seen.add(instance)
                counts[*head, *counted_as] += cells
    return counts


_Part = tuple[tuple[int, int], int, tuple[tuple[str, ...], int]]


def _parts(context: PanelContext, layout: Layout, as_of: int) -> Iterator[_Part]:
    """Split a panel into its strings and the cells the bench replaced in them: place, cells, under what they count."""
    replaced = context.replaced_places(as_of)
    for string in range(1, layout.n_strings + 1):
        cells = [position for (number, position) in replaced if number == string and position]
        for position in cells:
            yield (string, position), 1, context.counted_as(string, position, as_of)
        yield (string, 0), layout.cells_per_string - len(cells), context.counted_as(string, 0, as_of)


def count_new(
    connection: Connection, flagged: Counter[_Key], confirmed: Counter[_Key], inspected: Counter[_Key]
) -> None:
    """Count cells of panels that were never seen before: `flagged` and `confirmed` by `DIMENSIONS` and kind."""
    nothing: Counter[_Key] = Counter()
    _add_difference(connection, _Tally(nothing, nothing, nothing), _Tally(flagged, confirmed, inspected))


def _upsert(table: Table, keys: tuple[str, ...], counts: tuple[str, ...]) -> str:
    names = (*keys, *counts)
    added = ", ".join(f"{name} = {table.name}.{name} + excluded.{name}" for name in counts)
    return (
        f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ({', '.join(':' + name for name in names)}) "
        f"ON CONFLICT ({', '.join(keys)}) DO UPDATE SET {added}"
    )


_ADD_KEPT = text(_upsert(kept_counts, (*DIMENSIONS, "kind"), ("proposed", "confirmed")))
_ADD_INSPECTED = text(_upsert(inspected_counts, DIMENSIONS, ("cells",)))


def _add_difference(connection: Connection, before: _Tally, after: _Tally) -> None:
    kept = []
    for key in sorted({*before.flagged, *before.confirmed, *after.flagged, *after.confirmed}):
        proposed = after.flagged[key] - before.flagged[key]
        confirmed = after.confirmed[key] - before.confirmed[key]
        if proposed or confirmed:
            named = dict(zip((*DIMENSIONS, "kind"), key, strict=True))
            kept.append({**named, "proposed": proposed, "confirmed": confirmed})
    if kept:
        connection.execute(_ADD_KEPT, kept)
    inspected = [
        {**dict(zip(DIMENSIONS, key, strict=True)), "cells": after.inspected[key] - before.inspected[key]}
        for key in sorted({*before.inspected, *after.inspected})
        if after.inspected[key] != before.inspected[key]
    ]
    if inspected:
        connection.execute(_ADD_INSPECTED, inspected)
