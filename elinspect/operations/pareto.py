"""The defect Pareto from the log: by kind, machine, place, lot, time; of cells, flags, panels, watts or cost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from sqlalchemy import Connection

from elinspect.catalogue import words
from elinspect.operations.pareto_lines import Key, Line, Lines
from elinspect.operations.shifts import USUAL_SHIFTS
from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.comparing import TwoPeriods, discovery_adjusted, two_periods
from elinspect.statistics.intervals import wilson
from elinspect.statistics.pareto import CountOf, GroupBy, Measure
from elinspect.statistics.pareto import pareto as pareto_rows
from elinspect.store.counts import cells_by
from elinspect.store.log import Log
from elinspect.store.production import Period, days_of
from elinspect.store.verify import ChainHead, chain_heads


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
        95 % interval of `per_million` (Wilson; of as many independent cells as say as much, see `widened`).
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
    widened : float
        How many times wider intervals are than those of independent cells, because cells of one string and one day are
        not.
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
    widened: float = 1.0

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
    shifts: Sequence[str] = USUAL_SHIFTS,
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
    shifts : sequence of str
        When shifts begin, ``06:00``.

    Returns
    -------
    ParetoTable
        Without rows if nothing was flagged.

    Raises
    ------
    ValueError
        If watts or cost are asked for without weights.
    """
    period = Period(purpose.value, Stage(stage).value, since, until, product)
    before = replace(period, since=earlier[0], until=earlier[1]) if earlier is not None else None
    return pareto_of(log, by, period, before, count=count, kind=kind, measure=measure, weights=weights, shifts=shifts)


def pareto_of(
    log: Log,
    by: GroupBy | str,
    period: Period,
    before: Period | None = None,
    *,
    count: CountOf | str = CountOf.CONFIRMED,
    kind: Kind | None = None,
    measure: Measure | str = Measure.CELLS,
    weights: Mapping[Kind, float] | None = None,
    shifts: Sequence[str] = USUAL_SHIFTS,
) -> ParetoTable:
    """Count flagged cells of any period, such as a shift, beside another one; otherwise as `pareto`."""
    by, count, measure = GroupBy(by), CountOf(count), Measure(measure)
    if measure in (Measure.WATTS, Measure.COST) and weights is None:
        raise ValueError(f"{measure} needs weights")
    with log.reading() as connection:
        narrowed = period.since is None and measure is Measure.PANELS
        if narrowed:
            period = replace(period, since=_four_weeks_before(connection, period))
        lines = Lines(connection, by, count, kind, shifts)
        now = lines.of(period, measure, weights or {})
        then = lines.of(before, measure, weights or {}) if before is not None else {}
        whole = sum(int(row.cells) for row in cells_by(connection, period, ()) if row.cells)
        whole_before = sum(int(row.cells) for row in cells_by(connection, before, ()) if row.cells) if before else 0
        days = [replace(each, clock=None) for each in (period, before) if each is not None]
        spread = lines.from_day_to_day(period)
        # Periods of a day or two cannot say themselves how much days vary.
        compared = max(lines.overdispersion(days), spread) if before is not None else None
    chosen = {key: line.value for key, line in now.items()}
    rows = tuple(
        _row(
            row.key,
            now[row.key],
            then.get(row.key),
            (row.share, row.cumulative_share),
            (whole, whole_before),
            (spread, compared),
        )
        for row in pareto_rows(chosen)
    )
    heads = chain_heads(log)
    asked = (measure, period, before, kind, narrowed, compared or 1.0, float(spread**0.5))
    return ParetoTable(by, count, Purpose(period.purpose), Stage(period.stage), rows, int(whole), heads, *asked)


def _four_weeks_before(connection: Connection, period: Period) -> str | None:
    days = days_of(connection, period.purpose, period.stage)
    if days is None:
        return None
    last = min(period.until, days[1]) if period.until is not None else days[1]
    return (date.fromisoformat(last) - timedelta(days=27)).isoformat()


def _row(
    key: Key,
    line: Line,
    then: Line | None,
    shares: tuple[float, float],
    wholes: tuple[int, int],
    spreads: tuple[float, float | None],
) -> CountedRow:
    (whole, whole_before), (spread, overdispersion) = wholes, spreads
    cells = line.cells if line.cells is not None else whole
    low = high = per_million = None
    if cells and line.counted <= cells:
        per_million = 1e6 * line.counted / cells
        low, high = (1e6 * limit for limit in wilson(line.counted / spread, cells / spread).at(0))
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
    if period.clock is not None:
        begin, end = (moment.replace("T", " ") for moment in period.clock)
        return words("figure.period", first=begin, last=end[11:] if end[:10] == begin[:10] else end)
    if period.until is None:
        return words("figure.since", first=period.since)
    return words("figure.period", first=period.since or "…", last=period.until)


def note_words(table: ParetoTable) -> str:
    """Return what stands under every figure: purpose, stage, period, filters, n."""
    only = [words("figure.widened", times=table.widened)] if table.widened > 1.05 else []
    only += [words("figure.only", what=words(f"kind.{table.kind.value}"))] if table.kind is not None else []
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
