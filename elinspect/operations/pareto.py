"""The defect Pareto from the log: by kind, machine, place, lot, time; of cells, flags, panels, watts or cost."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from sqlalchemy import Connection

from elinspect.catalogue import words
from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.comparing import TwoPeriods, discovery_adjusted, group_overdispersion, two_periods
from elinspect.statistics.intervals import wilson
from elinspect.statistics.pareto import USUAL_ORIGIN, CountOf, GroupBy, Measure, Origin
from elinspect.statistics.pareto import pareto as pareto_rows
from elinspect.store.counts import cell_counts, cells_by
from elinspect.store.log import Log
from elinspect.store.people import name_of
from elinspect.store.production import Period, days_of, panels_by
from elinspect.store.projections.attribution import BENCH, PANEL
from elinspect.store.verify import ChainHead, chain_heads

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
_INSPECTED = frozenset({"stringer", "lane", "cell_supplier", "cell_lot", "product", "day", "origin"})
"""Columns by which the log knows how many cells were inspected."""
_SHIFT_STARTS = (6, 14, 22)
"""Hours at which shifts begin. Common practice, no source; three shifts of eight hours."""


@dataclass(frozen=True, slots=True)
class CountedRow:
    """One line of a Pareto of flagged cells.

    Attributes
    ----------
    key : str or None
        The kind, stringer, lane (``<stringer> / <lane>``) and so on, as logged; None where it is not known.
    label : str
        The same in words.
    proposed : int
        Cells the machine flagged, each counted under its one primary kind.
    confirmed : int
        Cells where an inspector confirmed, changed or added a flag, each under the gravest.
    value : float
        What lines are ordered by.
    share, cumulative_share : float
        Of the sum of all values, 0..1.
    cells : int or None
        Cells inspected of this line: of the machine, lot or day; None where cells have no such property.
    per_million : float or None
        Counted cells in a million cells inspected of this line (for kinds and the like, of all).
    low, high : float or None
        95 % interval of `per_million` (Wilson, as if cells were independent).
    earlier : TwoPeriods or None
        The same line in the other period.
    """

    key: str | None
    label: str
    proposed: int
    confirmed: int
    value: float
    share: float
    cumulative_share: float
    cells: int | None = None
    per_million: float | None = None
    low: float | None = None
    high: float | None = None
    earlier: TwoPeriods | None = None


@dataclass(frozen=True, slots=True)
class ParetoTable:
    """A Pareto with what it was asked for.

    Attributes
    ----------
    by, count, measure
        What lines are, what was counted, what they are ordered by.
    rows : tuple of CountedRow
        Largest first; what is not known has a line of its own.
    cells_inspected : int
        Cells in usable pictures, each counted once over retakes and attempts.
    heads : tuple of ChainHead
        Ends of the log's chains when it was counted.
    period, earlier : Period or None
        Days asked for.
    kind : Kind or None
        Only cells of this kind.
    newest_weeks : bool
        Whether the period was narrowed to the newest four weeks.
    overdispersion : float
        How much more the counts of a line vary from day to day than those of independent cells, where periods are
        compared; their p rests on it.
    """

    by: GroupBy
    count: CountOf
    purpose: Purpose
    stage: Stage
    rows: tuple[CountedRow, ...]
    cells_inspected: int
    heads: tuple[ChainHead, ...] = ()
    measure: Measure = Measure.CELLS
    period: Period | None = None
    earlier: Period | None = None
    kind: Kind | None = None
    newest_weeks: bool = False
    overdispersion: float = 1.0

    @property
    def changed(self) -> tuple[bool, ...]:
        """Of each line, whether its rate changed: adjusted for the number of lines (false discovery rate of 5 %)."""
        compared = [row.earlier.p_value if row.earlier is not None else 1.0 for row in self.rows]
        return tuple(bool(p <= 0.05) for p in discovery_adjusted(compared))

    @property
    def header(self) -> tuple[str, ...]:
        """The columns in words, as on screen and in the files."""
        names = ["proposed", "confirmed", "share", "cumulative_share", "per_million", "low", "high"]
        if self.measure in (Measure.FLAGS, Measure.PANELS, Measure.WATTS, Measure.COST):
            names.insert(2, self.measure.value)
        if self.earlier is not None:
            names += ["before", "p_value"]
        return (words(f"pareto.{self.by.value}"), *(words(f"pareto.{name}") for name in names))

    def values(self, row: CountedRow) -> tuple[str | float | int | None, ...]:
        """Return a line's values in the order of `header`; shares are 0..1."""
        found: list[str | float | int | None] = [row.label, row.proposed, row.confirmed]
        if self.measure in (Measure.FLAGS, Measure.PANELS, Measure.WATTS, Measure.COST):
            found.append(round(row.value, 2))
        found += [round(row.share, 4), round(row.cumulative_share, 4)]
        found += [_rounded(row.per_million), _rounded(row.low), _rounded(row.high)]
        if self.earlier is not None:
            found += (
                [_rounded(1e6 * row.earlier.first), float(f"{row.earlier.p_value:.2g}")]
                if row.earlier
                else [None, None]
            )
        return tuple(found)


def _rounded(value: float | None) -> float | None:
    return round(value, 1) if value is not None else None


def pareto(
    log: Log,
    by: GroupBy | str = GroupBy.KIND,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    count: CountOf | str = CountOf.CONFIRMED,
    stage: Stage = Stage.BEFORE_LAMINATION,
    kind: Kind | None = None,
    product: str | None = None,
    since: str | None = None,
    until: str | None = None,
    measure: Measure | str = Measure.CELLS,
    weights: Mapping[Kind, float] | None = None,
    earlier: tuple[str, str] | None = None,
) -> ParetoTable:
    """Count flagged cells.

    Parameters
    ----------
    log : Log
        The log.
    by : GroupBy
        What the lines are.
    purpose : Purpose
        Only production counts in a plant's figures; the others are shown apart, under their name.
    count : CountOf
        Whether lines are ordered by, and shares taken of, confirmed or machine-proposed cells.
    stage : Stage
        Of the pictures.
    kind : Kind, optional
        Only cells of this primary kind.
    product : str, optional
        Only this product, as the log names it.
    since, until : str, optional
        First and last day, ``YYYY-MM-DD``. Without a first day the whole log is counted; of panels, of which the log
        keeps no counts, the newest four weeks, and the title says so.
    measure : Measure
        What lines are ordered by.
    weights : mapping from Kind to float, optional
        Watts or cost of one flagged cell of a kind, the plant's own figures; needed for these two measures.
    earlier : (str, str), optional
        First and last day of another period to compare each line's rate with.

    Returns
    -------
    ParetoTable
        Without rows if nothing was flagged.

    Raises
    ------
    ValueError
        If watts or cost are asked for without weights.
    """
    by, count, measure = GroupBy(by), CountOf(count), Measure(measure)
    if measure in (Measure.WATTS, Measure.COST) and weights is None:
        raise ValueError(f"{measure} needs weights")
    period = Period(purpose.value, stage.value, since, until, product)
    before = Period(purpose.value, stage.value, *earlier, product) if earlier is not None else None
    with log.reading() as connection:
        narrowed = since is None and measure is Measure.PANELS
        if narrowed:
            period = replace(period, since=_four_weeks_before(connection, period))
        lines = _Lines(connection, by, count, kind)
        now = lines.of(period, measure, weights or {})
        then = lines.of(before, measure, weights or {}) if before is not None else {}
        whole = sum(int(row.cells) for row in cells_by(connection, period, ()) if row.cells)
        whole_before = sum(int(row.cells) for row in cells_by(connection, before, ()) if row.cells) if before else 0
        spread = lines.overdispersion((period, before)) if before is not None else 1.0
    chosen = {key: line.value for key, line in now.items()}
    rows = tuple(
        _row(
            row.key,
            now[row.key],
            then.get(row.key),
            (row.share, row.cumulative_share),
            (whole, whole_before),
            spread if before is not None else None,
        )
        for row in pareto_rows(chosen)
    )
    heads = chain_heads(log)
    asked = (measure, period, before, kind, narrowed, spread)
    return ParetoTable(by, count, purpose, stage, rows, int(whole), heads, *asked)


def _four_weeks_before(connection: Connection, period: Period) -> str | None:
    days = days_of(connection, period.purpose, period.stage)
    if days is None:
        return None
    last = min(period.until, days[1]) if period.until is not None else days[1]
    return (date.fromisoformat(last) - timedelta(days=27)).isoformat()


@dataclass(slots=True)
class _Line:
    label: str
    proposed: int = 0
    confirmed: int = 0
    counted: int = 0
    value: float = 0.0
    cells: int | None = None


_Key = str | None


class _Lines:
    """Reads the lines of a Pareto for one period."""

    def __init__(self, connection: Connection, by: GroupBy, count: CountOf, kind: Kind | None) -> None:
        self._connection, self._by, self._count = connection, by, count
        self._kind = kind.value if kind is not None else None

    def of(self, period: Period, measure: Measure, weights: Mapping[Kind, float]) -> dict[_Key, _Line]:
        """Return the lines by key, in the order of the keys."""
        lines: dict[_Key, _Line] = {}
        columns = _COLUMNS[self._by]
        confirmed = self._count is CountOf.CONFIRMED
        for row in cell_counts(self._connection, period, columns, self._kind):
            if not (row.proposed or row.confirmed or row.flags_proposed or row.flags_confirmed):
                continue
            key, label = self._named(tuple(row[: len(columns)]), row.kind)
            line = lines.setdefault(key, _Line(label))
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
        counts: dict[tuple[int, str, _Key], int] = defaultdict(int)
        cells: dict[tuple[int, str, _Key], int] = defaultdict(int)
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
        lines = {(number, key) for number, _, key in counts}
        found = [
            (lines_at, counts.get((number, day, key), 0), cells.get((number, day, key), 0) if known else made)
            for (number, day), made in whole.items()
            for lines_at, (of, key) in enumerate(lines)
            if of == number
        ]
        if not found:
            return 1.0
        line, count, size = np.array(found, dtype=np.int64).T
        return group_overdispersion(line, count, size)

    def _has_cells(self) -> bool:
        """Whether the log knows how many cells each line had."""
        columns = _COLUMNS[self._by]
        return bool(columns) and set(columns) <= _INSPECTED and self._by is not GroupBy.ORIGIN

    def _panels(self, period: Period, lines: dict[_Key, _Line]) -> None:
        columns = _COLUMNS[self._by]
        for line in lines.values():
            line.value = 0.0
        confirmed = self._count is CountOf.CONFIRMED
        for row in panels_by(self._connection, period, columns, self._kind, confirmed=confirmed):
            key, _ = self._named(tuple(row[: len(columns)]), row.kind)
            if key in lines:
                lines[key].value += int(row.panels)

    def _inspected(self, period: Period, lines: dict[_Key, _Line]) -> None:
        """Say how many cells each line had, where cells have this property."""
        columns = _COLUMNS[self._by]
        if not self._has_cells():
            return
        for row in cells_by(self._connection, period, columns):
            key, _ = self._named(tuple(row[: len(columns)]), "")
            if key in lines:
                lines[key].cells = (lines[key].cells or 0) + int(row.cells)

    def _named(self, values: tuple[Any, ...], kind: str) -> tuple[_Key, str]:
        """Return key and label of a line."""
        by = self._by
        if by is GroupBy.KIND:
            return kind, words(f"kind.{kind}")
        if by is GroupBy.ORIGIN:
            origin = Origin.BENCH if values[0] == BENCH else USUAL_ORIGIN[Kind(kind)]
            return origin.value, words(f"origin.{origin.value}")
        if by is GroupBy.SHIFT:
            shift = _shift(str(values[0]))
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


def _shift(hour: str) -> int:
    at = int(hour) if hour.isdigit() else 0
    return next((number for number, start in reversed(list(enumerate(_SHIFT_STARTS, 1))) if at >= start), 3)


def _row(
    key: _Key,
    line: _Line,
    then: _Line | None,
    shares: tuple[float, float],
    wholes: tuple[int, int],
    overdispersion: float | None,
) -> CountedRow:
    whole, whole_before = wholes
    cells = line.cells if line.cells is not None else whole
    low = high = per_million = None
    if cells and line.counted <= cells:
        per_million = 1e6 * line.counted / cells
        low, high = (1e6 * limit for limit in wilson(line.counted, cells).at(0))
    compared = None
    if overdispersion is not None:
        cells_before = then.cells if then is not None and then.cells is not None else whole_before
        counted_before = then.counted if then is not None else 0
        if counted_before <= cells_before and line.counted <= cells:
            compared = two_periods((counted_before, cells_before), (line.counted, cells), overdispersion)
    figures = (line.value, *shares, line.cells, per_million, low, high)
    return CountedRow(key, line.label, line.proposed, line.confirmed, *figures, compared)


def period_words(period: Period | None) -> str:
    """Return a period in words."""
    if period is None or (period.since is None and period.until is None):
        return words("figure.whole_log")
    if period.until is None:
        return words("figure.since", first=period.since)
    return words("figure.period", first=period.since or "…", last=period.until)


def note_words(table: ParetoTable) -> str:
    """Return what stands under every figure: purpose, stage, period, filters, n."""
    only = [words("figure.only", what=words(f"kind.{table.kind.value}"))] if table.kind is not None else []
    if table.period is not None and table.period.product is not None:
        only.append(words("figure.only", what=table.period.product))
    return words(
        "figure.note",
        purpose=words(f"purpose.{table.purpose.value}"),
        stage=words(f"stage.{table.stage.value}"),
        period=period_words(table.period),
        filters="".join(only),
        n=words("figure.cells", n=table.cells_inspected),
    )


def title_words(table: ParetoTable) -> str:
    """Return the title of a Pareto; a purpose other than production, and a period nobody asked for, are named in it."""
    parts = [words("figure.pareto_title", by=table.header[0])]
    if table.newest_weeks:
        parts.append(words("figure.newest_weeks"))
    if table.purpose is not Purpose.PRODUCTION:
        parts.append(words(f"purpose.{table.purpose.value}"))
    return " · ".join(parts)
