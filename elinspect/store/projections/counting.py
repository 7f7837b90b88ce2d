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

from sqlalchemy import Connection, Table, TextClause, text

from elinspect.records import Answer, Layout
from elinspect.store.projections.attribution import PanelContext, contexts_of
from elinspect.store.rows import rows_among, rows_by, update_each
from elinspect.store.schema import (
    flagged_cells,
    flags,
    handled_counts,
    handling_counts,
    inspected_counts,
    inspections,
    kept_counts,
    picture_counts,
    place_counts,
    string_counts,
)

_Key = tuple[Any, ...]
_COUNTS = ("proposed", "confirmed", "flags_proposed", "flags_confirmed")


def _keys_of(table: Table, counts: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(column.name for column in table.c if column.name not in counts)


DIMENSIONS = _keys_of(kept_counts, (*_COUNTS, "kind"))
CELL_TABLES = (kept_counts, place_counts, handling_counts)
"""Tables of flagged cells and flags."""
CELL_DIMENSIONS = tuple(_keys_of(table, (*_COUNTS, "kind")) for table in CELL_TABLES)
HANDLED_DIMENSIONS = _keys_of(handled_counts, ("cells",))
STRING_DIMENSIONS = _keys_of(string_counts, ("strings",))
PICTURE_DIMENSIONS = _keys_of(picture_counts, ("pictures",))
_HOUR_AT = CELL_DIMENSIONS[2].index("hour")  # the one column that flagged cells do not have: it is in `seen_at`
_KEYS_OF = tuple(attrgetter(*("seen_at" if name == "hour" else name for name in names)) for names in CELL_DIMENSIONS)


def cell_keys(row: Any) -> tuple[_Key, _Key, _Key]:
    """Return the keys under which a flagged cell counts in each of `CELL_TABLES`, without the kind."""
    kept, place, handling = (keys(row) for keys in _KEYS_OF)
    return kept, place, (*handling[:_HOUR_AT], handling[_HOUR_AT][11:13], *handling[_HOUR_AT + 1 :])


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


class Tally:
    """How much counts under which key, for each table of counts.

    Attributes
    ----------
    cells : tuple of Counter
        For each of `CELL_TABLES`, by its key, the kind, and which of its counts.
    inspected, handled, strings, pictures : Counter
        By the keys of `inspected_counts`, `handled_counts`, `string_counts` and `picture_counts`.
    """

    __slots__ = ("cells", "handled", "inspected", "pictures", "strings")

    def __init__(self) -> None:
        self.cells: tuple[Counter[_Key], ...] = tuple(Counter() for _ in CELL_TABLES)
        self.inspected: Counter[_Key] = Counter()
        self.handled: Counter[_Key] = Counter()
        self.strings: Counter[_Key] = Counter()
        self.pictures: Counter[_Key] = Counter()

    def add_cell(self, keys: tuple[_Key, ...], kind: str, count: int) -> None:
        """Count a cell or flag; `count` says as which of proposed, confirmed, flag proposed, flag confirmed."""
        for counter, key in zip(self.cells, keys, strict=True):
            counter[*key, kind, count] += 1


@contextmanager
def counted_change(connection: Connection, scope: Scope, *, inspected: bool = False) -> Iterator[None]:
    """Keep the counts right over a change.

    Parameters
    ----------
    scope : Scope
        The panels the change touches.
    inspected : bool
        Whether it also changes which cells were inspected, where they came from, or what was decided about them.
    """
    before = _tally(connection, scope, inspected)
    yield
    _settle(connection, scope)
    after = _tally(connection, scope, inspected)
    _add_difference(connection, before, after)


def _tally(connection: Connection, scope: Scope, inspected: bool) -> Tally:
    tally = Tally()
    keys: dict[_Key, tuple[_Key, ...]] = {}
    first = set()
    for row in scope.rows(connection, flagged_cells, "inspection"):
        place = (row.inspection, row.string, row.position)
        keys[place] = cell_keys(row)
        if row.attempt == 1:
            first.add(row.inspection)
        if row.counts_proposed:
            tally.add_cell(keys[place], row.proposed_kind, PROPOSED)
        if row.counts_confirmed:
            tally.add_cell(keys[place], row.confirmed_kind, CONFIRMED)
    for flag, count in _bundles(rows_among(connection, flags, "inspection", sorted(first)) if first else ()):
        of_cell = keys.get((flag.inspection, flag.string, flag.position))
        if of_cell is not None:
            tally.add_cell(of_cell, flag.kind, count)
    if inspected:
        _tally_pictures(connection, scope, tally)
    return tally


def _bundles(found: Sequence[Any]) -> Iterator[tuple[Any, int]]:
    """Return the flags that count, and as what; those under one of their own kind are one with it.

    Forty broken fingers of a cell are one flag with forty single ones under it; it counts once, also where an inspector
    confirmed some of the forty alone.
    """
    by_id = {(flag.inspection, flag.flag): flag for flag in found}
    counted = set()
    for flag in found:
        top = flag
        while (above := by_id.get((top.inspection, top.parent))) is not None and above.kind == flag.kind:
            top = above
        counts = {FLAG_PROPOSED} if not flag.added else set()
        if flag.added or flag.answer in _AGREED:
            counts.add(FLAG_CONFIRMED)
        for count in counts:
            if (top.inspection, top.flag, count) not in counted:
                counted.add((top.inspection, top.flag, count))
                yield top, count


PROPOSED, CONFIRMED, FLAG_PROPOSED, FLAG_CONFIRMED = range(4)
_AGREED = (Answer.CONFIRMED, Answer.CHANGED)


def _settle(connection: Connection, scope: Scope) -> None:
    """Decide anew which row of each place counts, and which limit stands against it."""
    found = sorted(scope.rows(connection, flagged_cells, "inspection"), key=lambda row: row.event_id)
    reasons = _reasons(connection, sorted({row.inspection for row in found}))
    places = defaultdict(list)
    for row in found:
        places[row.serial, row.stage, row.purpose, row.string, row.position, row.instance].append(row)
    changed = []
    for rows in places.values():
        proposing = next((row for row in rows if row.proposed_kind is not None), None)
        confirming = next((row for row in reversed(rows) if row.confirmed_kind is not None), None)
        for row in rows:
            kind = row.confirmed_kind if row.confirmed_kind is not None else row.proposed_kind
            reason = reasons.get((row.inspection, row.string, row.position, kind), "")
            now = (row is proposing, row is confirming, reason)
            if now != (row.counts_proposed, row.counts_confirmed, row.reason):
                counts = {"counts_proposed": now[0], "counts_confirmed": now[1], "reason": reason}
                changed.append({**cell_key(row), **counts})
    update_each(connection, flagged_cells, CELL_KEY, changed)


def _reasons(connection: Connection, among: Sequence[str]) -> dict[_Key, str]:
    """Return the limit that stands against the flags of a kind in a cell."""
    reasons: dict[_Key, str] = {}
    for flag in rows_among(connection, flags, "inspection", among) if among else ():
        if flag.standing_limit is not None:
            key = (flag.inspection, flag.string, flag.position, flag.kind)
            reasons[key] = max(flag.standing_limit, reasons.get(key, ""))
    return reasons


CELL_KEY = ("inspection", "string", "position")


def cell_key(row: Any) -> dict[str, Any]:
    """Return the key of a row of `flagged_cells`."""
    return {name: getattr(row, name) for name in CELL_KEY}


def _tally_pictures(connection: Connection, scope: Scope, tally: Tally) -> None:
    """Count pictures, the strings in those of a first attempt, and the cells inspected by where they came from.

    A cell counts once, by the first picture that could be judged.
    """
    contexts = contexts_of(connection, scope.serials)
    seen: set[_Key] = set()
    for row in sorted(scope.rows(connection, inspections, "id"), key=lambda row: row.event_id):
        judged = row.usable and row.panel_found
        tally.pictures[picture_key(row, judged)] += 1
        if not judged:
            continue
        context = contexts.get(row.serial, PanelContext())
        if row.attempt == 1:
            for string in context.imported:
                tally.strings[string_key(row, string)] += 1
        head, hour = (row.day, row.purpose, row.stage, row.product), row.seen_at[11:13]
        for place, cells, (counted_as, replaced) in _parts(context, Layout.parse(row.layout), row.event_id):
            instance = (row.serial, row.stage, row.purpose, *place, replaced)
            if instance not in seen:
                seen.add(instance)
                tally.inspected[*head, *counted_as[:_MADE_AS]] += cells
                tally.handled[*head, counted_as[0], *counted_as[_MADE_AS:], hour] += cells


def picture_key(row: Any, judged: bool) -> _Key:
    """Return the key of `picture_counts` for a row of `inspections`."""
    head = (row.day, row.purpose, row.stage, row.product, row.decision or "", row.decided_by or "")
    return (*head, row.attempt, int(judged))


def string_key(row: Any, made: Any) -> _Key:
    """Return the key of `string_counts` for a row of `inspections` and one of `context_rows`."""
    judged = (row.model or "", row.criteria, row.station, row.layout, row.decided_by or "")
    return (row.day, row.purpose, row.stage, row.product, *judged, *_MADE(made), int(row.decision is not None))


_MADE_AS = len(DIMENSIONS) - 4  # origin, stringer, lane, supplier, lot; day, purpose, stage and product are before
_MADE = attrgetter("stringer", "lane", "cell_supplier", "cell_lot", "operator", "layup_machine", "bussing_machine")

_Part = tuple[tuple[int, int], int, tuple[tuple[str, ...], int]]


def _parts(context: PanelContext, layout: Layout, as_of: int) -> Iterator[_Part]:
    """Split a panel into its strings and the cells the bench replaced in them: place, cells, under what they count."""
    replaced = context.replaced_places(as_of)
    for string in range(1, layout.n_strings + 1):
        cells = [position for (number, position) in replaced if number == string and position]
        for position in cells:
            yield (string, position), 1, context.counted_as(string, position, as_of)
        yield (string, 0), layout.cells_per_string - len(cells), context.counted_as(string, 0, as_of)


def count_new(connection: Connection, counted: Tally) -> None:
    """Count panels that were never seen before."""
    _add_difference(connection, Tally(), counted)


def _upsert(table: Table, keys: tuple[str, ...], counts: tuple[str, ...]) -> TextClause:
    names = (*keys, *counts)
    added = ", ".join(f"{name} = {table.name}.{name} + excluded.{name}" for name in counts)
    return text(
        f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ({', '.join(':' + name for name in names)}) "
        f"ON CONFLICT ({', '.join(keys)}) DO UPDATE SET {added}"
    )


_ADD_CELLS = tuple(
    _upsert(table, (*names, "kind"), _COUNTS) for table, names in zip(CELL_TABLES, CELL_DIMENSIONS, strict=True)
)
_ADD_INSPECTED = _upsert(inspected_counts, DIMENSIONS, ("cells",))
_ADD_HANDLED = _upsert(handled_counts, HANDLED_DIMENSIONS, ("cells",))
_ADD_STRINGS = _upsert(string_counts, STRING_DIMENSIONS, ("strings",))
_ADD_PICTURES = _upsert(picture_counts, PICTURE_DIMENSIONS, ("pictures",))


def _add_difference(connection: Connection, before: Tally, after: Tally) -> None:
    for statement, names, old, new in zip(_ADD_CELLS, CELL_DIMENSIONS, before.cells, after.cells, strict=True):
        changed: dict[_Key, list[int]] = {}
        for key, difference in _differences(old, new):
            changed.setdefault(key[:-1], [0] * len(_COUNTS))[key[-1]] = difference
        named = (*names, "kind", *_COUNTS)
        rows = [dict(zip(named, (*key, *counts), strict=True)) for key, counts in changed.items()]
        if rows:
            connection.execute(statement, rows)
    for statement, names, old, new in (
        (_ADD_INSPECTED, (*DIMENSIONS, "cells"), before.inspected, after.inspected),
        (_ADD_HANDLED, (*HANDLED_DIMENSIONS, "cells"), before.handled, after.handled),
        (_ADD_STRINGS, (*STRING_DIMENSIONS, "strings"), before.strings, after.strings),
        (_ADD_PICTURES, (*PICTURE_DIMENSIONS, "pictures"), before.pictures, after.pictures),
    ):
        rows = [dict(zip(names, (*key, difference), strict=True)) for key, difference in _differences(old, new)]
        if rows:
            connection.execute(statement, rows)


def _differences(before: Counter[_Key], after: Counter[_Key]) -> list[tuple[_Key, int]]:
    found = ((key, after[key] - before[key]) for key in sorted({*before, *after}))
    return [(key, difference) for key, difference in found if difference]
