"""The lines of a Pareto as the log's counts have them: which columns they are of, and how each is named."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from sqlalchemy import Connection

from elinspect.catalogue import words
from elinspect.operations.shifts import USUAL_SHIFTS, shift_number
from elinspect.records import Kind, Layout
from elinspect.statistics.comparing import daily_overdispersion, group_overdispersion
from elinspect.statistics.pareto import USUAL_ORIGIN, CountOf, GroupBy, Measure, Origin
from elinspect.store.counts import cell_counts, cells_by, strings_made
from elinspect.store.people import name_of
from elinspect.store.production import Period, days_of, panels_by
from elinspect.store.projections.attribution import BENCH, IMPORTED, PANEL

_COLUMNS: dict[GroupBy, tuple[str, ...]] = {
    GroupBy.KIND: (),
    GroupBy.STRINGER: ("origin", "stringer"),
    GroupBy.LANE: ("origin", "stringer", "lane"),
    GroupBy.POSITION: ("origin", "position_as_built"),
    GroupBy.CELL_SUPPLIER: ("origin", "cell_supplier"),
    GroupBy.CELL_LOT: ("origin", "cell_supplier", "cell_lot"),
    GroupBy.RIBBON_LOT: ("origin", "ribbon_lot"),
    GroupBy.OPERATOR: ("origin", "operator"),
    GroupBy.SHIFT: ("hour",),
    GroupBy.PRODUCT: ("product",),
    GroupBy.DAY: ("day",),
    GroupBy.ORIGIN: ("origin",),
    GroupBy.ATTEMPT: ("attempt",),
    GroupBy.REASON: ("reason",),
}
_INSPECTED = frozenset(
    {"stringer", "lane", "cell_supplier", "cell_lot", "product", "day", "origin", "ribbon_lot", "operator", "hour"}
)
"""Columns by which the log knows how many cells were inspected."""
SPREAD_DAYS = 28
"""Newest days of a period whose counts say how much they vary from day to day."""


@dataclass(slots=True)
class Line:
    """One line as counted, before it is ordered.

    Attributes
    ----------
    label : str
        In words.
    proposed, confirmed : int
        Cells.
    counted : int
        Those of the two that are asked for.
    value : float
        What lines are ordered by.
    cells : int or None
        Cells inspected of this line; None where cells have no such property.
    """

    label: str
    proposed: int = 0
    confirmed: int = 0
    counted: int = 0
    value: float = 0.0
    cells: int | None = None


Key = str | None


class Lines:
    """Reads the lines of a Pareto for one period."""

    def __init__(
        self,
        connection: Connection,
        by: GroupBy,
        count: CountOf,
        kind: Kind | None,
        shifts: Sequence[str] = USUAL_SHIFTS,
    ) -> None:
        self._connection, self._by, self._count, self._shifts = connection, by, count, shifts
        self._kind = kind.value if kind is not None else None

    def of(self, period: Period, measure: Measure, weights: Mapping[Kind, float]) -> dict[Key, Line]:
        """Return the lines by key, in the order of the keys."""
        lines: dict[Key, Line] = {}
        columns = _COLUMNS[self._by]
        confirmed = self._count is CountOf.CONFIRMED
        for row in cell_counts(self._connection, period, columns, self._kind):
            if not (row.proposed or row.confirmed or row.flags_proposed or row.flags_confirmed):
                continue
            key, label = self._named(tuple(row[: len(columns)]), row.kind)
            line = lines.setdefault(key, Line(label))
            line.proposed += int(row.proposed)
            line.confirmed += int(row.confirmed)
            counted = int(row.confirmed if confirmed else row.proposed)
            line.counted += counted
            if measure is Measure.FLAGS:
                line.value += int(row.flags_confirmed if confirmed else row.flags_proposed)
            else:
                line.value += counted * weights.get(Kind(row.kind), 0.0) if weights else counted
        self._inspected(period, lines)
        if measure is Measure.PER_MILLION:
            for line in lines.values():
                line.value = 1e6 * line.counted / line.cells if line.cells else 0.0
        elif measure is Measure.PANELS:
            self._panels(period, lines)
        return dict(sorted(lines.items(), key=lambda item: (item[0] is None, item[0] or "")))

    def overdispersion(self, periods: Sequence[Period]) -> float:
        """Return how much more the counts of a line vary between the days of a period than independent cells would."""
        found = self._points(periods)
        if not found:
            return 1.0
        line, _, count, size = np.array(found, dtype=np.int64).T
        return group_overdispersion(line, count, size)

    def from_day_to_day(self, period: Period) -> float:
        """Return how much more the counts of a line vary from one day to the next, in the newest four weeks."""
        days = days_of(self._connection, period.purpose, period.stage)
        if days is None:
            return 1.0
        last = min(period.until, days[1]) if period.until is not None else days[1]
        first = (date.fromisoformat(last) - timedelta(days=SPREAD_DAYS - 1)).isoformat()
        found = self._points([replace(period, since=first, until=last, clock=None)])
        if not found:
            return 1.0
        line, day, count, size = np.array(found, dtype=np.int64).T
        return daily_overdispersion(np.zeros_like(line) if self._by is GroupBy.DAY else line, day, count, size)

    def _points(self, periods: Sequence[Period]) -> list[tuple[int, int, int, int]]:
        """Return line, day, counted cells and all cells of every day; a line in another period is another line."""
        counts: dict[tuple[int, str, Key], int] = defaultdict(int)
        cells: dict[tuple[int, str, Key], int] = defaultdict(int)
        whole: dict[tuple[int, str], int] = defaultdict(int)
        columns, confirmed = _COLUMNS[self._by], self._count is CountOf.CONFIRMED
        known = self._has_cells()
        for number, period in enumerate(periods):
            by = ("day", *(name for name in columns if name != "day"))
            for row in cell_counts(self._connection, period, by, self._kind):
                key, _ = self._named(tuple(getattr(row, name) for name in columns), row.kind)
                counts[number, row.day, key] += int(row.confirmed if confirmed else row.proposed)
            for row in cells_by(self._connection, period, by if known else ("day",)):
                whole[number, row.day] += int(row.cells)
                if known:
                    key, _ = self._named(tuple(getattr(row, name) for name in columns), "")
                    cells[number, row.day, key] += int(row.cells)
        if self._by is GroupBy.DAY:  # a day has no other days
            return [(0, date.fromisoformat(day).toordinal(), n, whole[of, day]) for (of, day, _), n in counts.items()]
        lines = {(number, key) for number, _, key in counts}
        return [
            (
                line,
                date.fromisoformat(day).toordinal(),
                counts.get((number, day, key), 0),
                cells.get((number, day, key), 0) if known else made,
            )
            for (number, day), made in whole.items()
            for line, (of, key) in enumerate(lines)
            if of == number
        ]

    def _has_cells(self) -> bool:
        """Whether the log knows how many cells each line had."""
        columns = _COLUMNS[self._by]
        return bool(columns) and set(columns) <= _INSPECTED and self._by is not GroupBy.ORIGIN

    def _panels(self, period: Period, lines: dict[Key, Line]) -> None:
        columns = _COLUMNS[self._by]
        for line in lines.values():
            line.value = 0.0
        confirmed = self._count is CountOf.CONFIRMED
        for row in panels_by(self._connection, period, columns, self._kind, confirmed=confirmed):
            key, _ = self._named(tuple(row[: len(columns)]), row.kind)
            if key in lines:
                lines[key].value += int(row.panels)

    def _inspected(self, period: Period, lines: dict[Key, Line]) -> None:
        """Say how many cells each line had, where cells have this property."""
        columns = _COLUMNS[self._by]
        if self._by is GroupBy.POSITION and period.clock is None:
            self._positions(period, lines)
        if not self._has_cells():
            return
        for row in cells_by(self._connection, period, columns):
            key, _ = self._named(tuple(row[: len(columns)]), "")
            if key in lines:
                lines[key].cells = (lines[key].cells or 0) + int(row.cells)

    def _positions(self, period: Period, lines: dict[Key, Line]) -> None:
        """Say how many cells were made at each position: one of every string that is long enough."""
        for row in strings_made(self._connection, period, decided=False, by=("layout",)):
            for position in range(1, Layout.parse(row.layout).cells_per_string + 1):
                line = lines.get(self._named((IMPORTED, position), "")[0])
                if line is not None:
                    line.cells = (line.cells or 0) + int(row.strings)

    def _named(self, values: tuple[Any, ...], kind: str) -> tuple[Key, str]:
        """Return key and label of a line."""
        by = self._by
        if by is GroupBy.KIND:
            return kind, words(f"kind.{kind}")
        if by is GroupBy.ORIGIN:
            origin = Origin.BENCH if values[0] == BENCH else USUAL_ORIGIN[Kind(kind)]
            return origin.value, words(f"origin.{origin.value}")
        if by is GroupBy.SHIFT:
            shift = shift_number(self._shifts, f"{values[0]}:00")  # an hour is of the shift it begins in
            return str(shift), words("pareto.shift_number", number=shift)
        if by is GroupBy.REASON:
            return (values[0], values[0]) if values[0] else (None, words("pareto.no_reason"))
        if len(values) == 1:
            return str(values[0]), str(values[0])
        origin_text, *names = values
        if origin_text in (BENCH, PANEL):
            return str(origin_text), words(f"pareto.{origin_text}")
        if not any(names):
            return None, words("common.unknown")
        if by is GroupBy.OPERATOR:
            names = [name_of(self._connection, name) or name for name in names]
        label = " / ".join(str(name) or words("common.unknown") for name in names)
        return (label if by is not GroupBy.POSITION else f"{int(names[0]):03d}"), label
