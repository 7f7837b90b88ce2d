"""Reports for people: day, week, stringer, supplier; as PDF and as a workbook."""

from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

from elinspect.catalogue import Value, words
from elinspect.operations.charts import day_chart
from elinspect.operations.commonality import commonality
from elinspect.operations.commonality_files import note_words as commonality_note
from elinspect.operations.commonality_files import parts as commonality_parts
from elinspect.operations.commonality_found import Commonality
from elinspect.operations.commonality_words import as_messages, chance_words
from elinspect.operations.containment import containment
from elinspect.operations.figure_files import share_columns
from elinspect.operations.pareto import CountedRow, ParetoTable, pareto
from elinspect.operations.people_figures import days_before, people_and_machine
from elinspect.operations.report_making import Making, Report, days_asked, days_back, done
from elinspect.operations.shifts import USUAL_SHIFTS
from elinspect.operations.stages import charged_counts
from elinspect.records import Kind, Purpose, Stage
from elinspect.reports.paper import Heading, Part, Text
from elinspect.statistics.asked import ChartOf, ReportOf
from elinspect.statistics.comparing import discovery_adjusted, two_periods
from elinspect.statistics.first_stage import Charged
from elinspect.statistics.pareto import GroupBy, Measure
from elinspect.store.counts import cell_counts, cells_by
from elinspect.store.log import Log
from elinspect.store.production import Period, maintenance_of


def period_report(
    log: Log,
    of: ReportOf,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    until: str | None = None,
    since: str | None = None,
    shifts: Sequence[str] = USUAL_SHIFTS,
) -> Report:
    """Make the report of a day or of a week: what to act on, yield, Pareto, machines, people.

    Parameters
    ----------
    of : {ReportOf.DAY, ReportOf.WEEK}
        One day, or seven.
    since, until : str, optional
        First and last day; by default the newest.
    shifts : sequence of str
        When shifts begin.
    """
    first, last = days_asked(log, purpose, 1 if of is ReportOf.DAY else 7, since, until)
    period = Period(purpose.value, Stage.BEFORE_LAMINATION.value, first, last)
    making = Making()
    with ThreadPoolExecutor(1) as beside:  # the search counts on one core, all else is read and drawn on the other
        searching = beside.submit(commonality, log, (), purpose, since=days_back(last, 27), until=last)
        _period_figures(log, period, shifts, making)
        found = searching.result()
    told = commonality_parts(log, found, drawn=False)
    making.say_first(words("report.act_on"), as_messages(found), told)
    return done(log, words(f"report.{of.value}"), period, making)


def _period_figures(log: Log, period: Period, shifts: Sequence[str], making: Making) -> None:
    """Add yield, flags, machines and people of a period."""
    purpose, first, last = Purpose(period.purpose), str(period.since), str(period.until)
    days = {"since": first, "until": last}
    making.parts.append(Heading(words("report.yield")))
    for chart in (ChartOf.FIRST_PASS_YIELD, ChartOf.REWORK_SUCCESS, ChartOf.UNUSABLE_PICTURES, ChartOf.ESCAPES):
        making.chart(day_chart(log, chart, purpose, **days))  # type: ignore[arg-type]
    earlier = days_before(period)
    making.parts.append(Heading(words("report.flags")))
    for by in (GroupBy.KIND, GroupBy.LANE):
        making.pareto(pareto(log, by, purpose, **days, earlier=(str(earlier.since), str(earlier.until))))  # type: ignore[arg-type]
    if first == last:
        making.pareto(
            pareto(log, GroupBy.SHIFT, purpose, **days, measure=Measure.PER_MILLION, shifts=shifts)  # type: ignore[arg-type]
        )
    making.grid(*_first_stages(log, period))
    making.people(people_and_machine(log, period))


def _first_stages(log: Log, period: Period) -> tuple[str, Sequence[str], list[Sequence[Value]]]:
    found = charged_counts(log, period)
    rows: list[Sequence[Value]] = [(words(f"charged.{who.value}"), found[who]) for who in Charged if found.get(who)]
    return words("report.first_stage"), [words("column.charged"), words("column.flagged")], rows


def machine_report(
    log: Log,
    of: ReportOf,
    name: str,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    since: str | None = None,
    until: str | None = None,
    kind: Kind | None = None,
) -> Report:
    """Make the report of a stringer, or of a cell supplier in the steps of an 8D report as far as the log goes.

    Parameters
    ----------
    of : {ReportOf.STRINGER, ReportOf.SUPPLIER}
        Which of the two.
    name : str
        Of the stringer or supplier.
    since, until : str, optional
        First and last day; by default the newest four weeks.
    """
    first, last = days_asked(log, purpose, 28, since, until)
    period = Period(purpose.value, Stage.BEFORE_LAMINATION.value, first, last)
    making = Making()
    with ThreadPoolExecutor(1) as beside:
        searching = beside.submit(
            commonality, log, (kind,) if kind is not None else (), purpose, since=first, until=last
        )
        figures = _stringer_figures if of is ReportOf.STRINGER else _supplier_figures
        figures(log, name, period, kind, making)
        found = searching.result()
    heading = words("report.problem" if of is ReportOf.STRINGER else "report.d2")
    making.say_first(heading, as_messages(found), _about(log, of, name, found))
    return done(log, words(f"report.{of.value}", name=name), period, making, _only(kind))


def _only(kind: Kind | None) -> list[tuple[str, str]]:
    return [(words("alert.kind"), words(f"kind.{kind.value}"))] if kind is not None else []


def _about(log: Log, of: ReportOf, name: str, found: Commonality) -> list[Part]:
    suspect = found.suspect
    concerned = suspect is not None and suspect.stringer == name if of is ReportOf.STRINGER else found.lot is not None
    if concerned and (of is ReportOf.STRINGER or str(found.lot).startswith(name)):
        return commonality_parts(log, found)
    return [Text(words("report.not_accused", name=name), strong=True), Text(commonality_note(found), soft=True)]


def _stringer_figures(log: Log, name: str, period: Period, kind: Kind | None, making: Making) -> None:
    """Add a stringer beside the others, its kinds and lanes, its flags over time and what was done to it."""
    _beside_others(log, GroupBy.STRINGER, name, period, kind, making)
    _parts_of(log, GroupBy.LANE, name, period, kind, making)
    days = {"since": period.since, "until": period.until}
    making.chart(
        day_chart(log, ChartOf.FLAGGED_CELLS, Purpose(period.purpose), **days, kind=kind, stringer=name)  # type: ignore[arg-type]
    )
    with log.reading() as connection:
        work = maintenance_of(connection, name)
    rows: list[Sequence[Value]] = [
        (row.started_at[:16].replace("T", " "), row.lane, row.what)
        for row in work
        if str(period.since) <= row.started_at[:10] <= str(period.until)
    ]
    making.grid(words("report.work"), [words(f"column.{name}") for name in ("at", "lane_only", "work")], rows)


def _supplier_figures(log: Log, name: str, period: Period, kind: Kind | None, making: Making) -> None:
    """Add a supplier beside the others, its kinds and lots, where the worst lot is now, and what others have to add."""
    _beside_others(log, GroupBy.CELL_SUPPLIER, name, period, kind, making)
    lots = _parts_of(log, GroupBy.CELL_LOT, name, period, kind, making)
    making.parts.append(Heading(words("report.d3")))
    if lots:
        _extent(log, lots, period, making)
    making.parts.append(Text(words("report.d3_list"), soft=True))
    steps: list[Sequence[Value]] = [(words(f"report.step.{step}"), "") for step in ("d1", "d4", "d5", "d6", "d7", "d8")]
    making.grid(words("report.to_add"), [words("column.step"), words("column.to_fill")], steps)


def _beside_others(log: Log, by: GroupBy, name: str, period: Period, kind: Kind | None, making: Making) -> None:
    days = {"since": period.since, "until": period.until}
    making.parts.append(Heading(words("report.beside_others")))
    table = pareto(log, by, Purpose(period.purpose), kind=kind, **days, measure=Measure.PER_MILLION)  # type: ignore[arg-type]
    making.pareto(table)
    if kind is None:
        making.grid(*_kinds(log, by.value, name, period, table.widened**2))


def _kinds(
    log: Log, column: str, name: str, period: Period, spread: float
) -> tuple[str, Sequence[str], list[Sequence[Value]]]:
    """Return the rate of every kind in the cells of a stringer or supplier, beside those of all others."""
    own: Counter[str] = Counter()
    others: Counter[str] = Counter()
    with log.reading() as connection:
        for row in cell_counts(connection, period, (column,)):
            if row[0]:
                (own if row[0] == name else others)[row.kind] += int(row.confirmed)
        sizes = {row[0]: int(row.cells) for row in cells_by(connection, period, (column,)) if row[0]}
    mine = sizes.pop(name, 0)
    rest = sum(sizes.values())
    kinds = [kind for kind, n in own.most_common() if n]
    found = [two_periods((others[kind], rest), (own[kind], mine), spread) for kind in kinds]
    adjusted = discovery_adjusted([each.p_value for each in found])
    rows: list[Sequence[Value]] = []
    for kind, each, p in zip(kinds, found, adjusted.tolist(), strict=True):
        interval = "{:,.0f} – {:,.0f}".format(*(1e6 * limit for limit in each.second_interval)).replace(",", " ")
        rates = (round(1e6 * each.second, 1), interval, round(1e6 * each.first, 1))
        rows.append((words(f"kind.{kind}"), own[kind], *rates, chance_words(p)))
    names = ("kind", "flagged", "per_million", "interval", "others_per_million", "adjusted")
    return words("report.kinds_of", name=name), [words(f"column.{each}") for each in names], rows


def _parts_of(log: Log, by: GroupBy, name: str, period: Period, kind: Kind | None, making: Making) -> list[CountedRow]:
    """Add the lanes of a stringer or the lots of a supplier; return them."""
    days = {"since": period.since, "until": period.until}
    table: ParetoTable = pareto(log, by, Purpose(period.purpose), kind=kind, **days)  # type: ignore[arg-type]
    own = [row for row in table.rows if row.label.startswith(f"{name} / ")]
    making.grid(words("report.own", name=name), table.header, [table.values(row) for row in own], share_columns(table))
    return own


def _extent(log: Log, lots: Sequence[CountedRow], period: Period, making: Making) -> None:
    """Say where the strings of the lot are that is worst for certain: whose interval begins highest.

    As far as a week after the lot was seen last at the gate: going through everybody's four weeks would take seconds.
    """
    worst = max(lots, key=lambda row: row.low or 0.0)
    lot = worst.label.partition(" / ")[2]
    with log.reading() as connection:
        seen = sorted(row.day for row in cells_by(connection, period, ("day", "cell_lot")) if row.cell_lot == lot)
    first, last = seen[0], min(days_back(seen[-1], -_DAYS_AFTER), str(period.until))
    strings = containment(log, first, Purpose(period.purpose), lot=lot, until=last)
    places = Counter(line.whereabouts for line in strings)
    panels = {where: len({line.serial for line in strings if line.whereabouts == where}) for where in places}
    rows: list[Sequence[Value]] = [(where, n, panels[where]) for where, n in places.most_common()]
    header = [words(f"column.{name}") for name in ("whereabouts", "strings", "panels")]
    making.grid(words("report.extent", lot=worst.label, first=first, last=last), header, rows)


_DAYS_AFTER = 7
