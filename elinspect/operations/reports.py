"""Reports for people: shift, week, supplier, stringer, and the passport of one module; as PDF and as a workbook."""

from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from elinspect.catalogue import Value, words
from elinspect.errors import LogError
from elinspect.operations.charts import CHART_COLUMNS, DayChart, Sort, chart_rows, day_chart, machine_figures
from elinspect.operations.commonality import commonality
from elinspect.operations.commonality_files import note_words as commonality_note
from elinspect.operations.commonality_files import parts as commonality_parts
from elinspect.operations.commonality_found import Commonality
from elinspect.operations.figure_files import pareto_drawing, share_columns
from elinspect.operations.pareto import ParetoTable, note_words, pareto, period_words, title_words
from elinspect.operations.people_figures import against_audits, flagged_of_audited, inspector_lines
from elinspect.operations.second_readings import machine_recall
from elinspect.operations.stages import charged_counts
from elinspect.records import Kind, Purpose, Stage
from elinspect.reports.paper import Grid, Heading, Paper, Part, Picture, Text, drawn, write_paper
from elinspect.reports.workbook import Sheet, write_workbook
from elinspect.statistics.asked import ChartOf, ReportOf
from elinspect.statistics.first_stage import Charged
from elinspect.statistics.intervals import wilson
from elinspect.statistics.pareto import GroupBy
from elinspect.statistics.second_readings import Recall
from elinspect.store.anchor import anchor_path, write_anchor
from elinspect.store.events import now
from elinspect.store.log import Log
from elinspect.store.people import name_of
from elinspect.store.production import Period, context_of, days_of, flags_of_inspections, reworks_of
from elinspect.store.reading import pictures_of
from elinspect.store.results import result_of
from elinspect.store.verify import ChainHead, chain_heads


@dataclass(frozen=True, slots=True)
class Report:
    """A report on its way to paper or a workbook.

    Attributes
    ----------
    paper : Paper
        Pages.
    sheets : tuple of Sheet
        The same tables for a workbook.
    heads : tuple of ChainHead
        Ends of the log's chains; written beside.
    """

    paper: Paper
    sheets: tuple[Sheet, ...]
    heads: tuple[ChainHead, ...]


@dataclass(slots=True)
class _Making:
    parts: list[Part] = field(default_factory=list)
    sheets: list[Sheet] = field(default_factory=list)

    def pareto(self, table: ParetoTable) -> None:
        """Add a Pareto: figure, table, sheet."""
        rows = [table.values(row) for row in table.rows]
        self.parts.append(drawn(pareto_drawing(table)) if rows else Text(words("report.no_flags"), soft=True))
        self.sheets.append(Sheet(title_words(table), table.header, rows, (title_words(table), note_words(table))))

    def chart(self, made: DayChart) -> None:
        """Add a chart: sentence, figure, sheet."""
        self.parts.append(Text(chart_words(made)))
        if len(made.labels) > 1 and np.ptp(made.chart.values) > 0:
            self.parts.append(drawn(made.drawing()))
        header = [words(f"column.{name}") for name in CHART_COLUMNS]
        self.sheets.append(Sheet(made.title, header, chart_rows(made), (made.title, made.note)))

    def grid(
        self,
        heading: str,
        header: Sequence[str],
        rows: Sequence[Sequence[Value]],
        shares: Collection[int] = (),
    ) -> None:
        """Add a table: heading, grid, sheet; in the columns `shares` stand shares, shown in per cent on paper."""
        if rows:
            shown = [[_on_paper(value, column in shares) for column, value in enumerate(row)] for row in rows]
            self.parts += [Heading(heading), Grid(header, shown, _widths(header, shown))]
        self.sheets.append(Sheet(heading, header, rows, shares=frozenset(shares)))


def _widths(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[float]:
    """Return shares of the width that follow the longest text of each column, within bounds."""
    longest = [max(len(text) for text in (name, *(row[at] for row in rows))) for at, name in enumerate(header)]
    return [min(max(length + 2, 9), 18) for length in longest]


def _on_paper(value: Value, share: bool) -> str:
    if value is None:
        return ""
    if share and isinstance(value, int | float):
        return f"{value:.1%}"
    large = isinstance(value, float) and value >= 1000
    return f"{value:,.0f}".replace(",", " ") if large else str(value)


def chart_words(made: DayChart) -> str:
    """Return a chart in a sentence: value over the period, interval, signals."""
    if not made.labels:
        return words("chart.empty", title=made.title)
    value, low, high = made.whole
    interval = words("chart.interval", low=low, high=high) if low == low else ""
    shown = f"{value:.2%}" if made.sort is not Sort.RUN else f"{value:.1f}"
    signals = int(made.chart.out.sum())
    return words("chart.whole", title=made.title, value=shown, interval=interval, out=signals, n=len(made.labels))


def period_report(
    log: Log, of: ReportOf, purpose: Purpose = Purpose.PRODUCTION, *, until: str | None = None, since: str | None = None
) -> Report:
    """Make the report of a shift's day or of a week: yield, Pareto, machines, what to act on, people.

    Parameters
    ----------
    of : {ReportOf.SHIFT, ReportOf.WEEK}
        One day, or seven.
    since, until : str, optional
        First and last day; by default the newest.
    """
    first, last = _days(log, purpose, 1 if of is ReportOf.SHIFT else 7, since, until)
    making = _Making()
    with ThreadPoolExecutor(1) as beside:  # the search counts on one core, all else is read and drawn on the other
        searching = beside.submit(commonality, log, (), purpose, since=_back(last, 27), until=last)
        _period_figures(log, purpose, first, last, making)
        found = searching.result()
    making.parts[:0] = [Heading(words("report.act_on")), *commonality_parts(log, found)[:4]]
    return _done(log, words(f"report.{of.value}"), purpose, first, last, making)


def _period_figures(log: Log, purpose: Purpose, first: str, last: str, making: _Making) -> None:
    """Add yield, flags, machines and people of a period."""
    making.parts.append(Heading(words("report.yield")))
    for chart in (ChartOf.FIRST_PASS_YIELD, ChartOf.REWORK_SUCCESS, ChartOf.UNUSABLE_PICTURES, ChartOf.ESCAPES):
        making.chart(day_chart(log, chart, purpose, since=first, until=last))
    before = (_back(first, _span(first, last)), _back(first, 1))
    making.parts.append(Heading(words("report.flags")))
    for by in (GroupBy.KIND, GroupBy.LANE):
        making.pareto(pareto(log, by, purpose, since=first, until=last, earlier=before))
    if first == last:
        making.pareto(pareto(log, GroupBy.SHIFT, purpose, since=first, until=last))
    making.grid(*_first_stages(log, purpose, first, last))
    making.grid(*_people(log, purpose, first, last))
    making.parts += [Text(text) for text in _machine(log, purpose, first, last)]
    making.parts.append(Text(_agreement(log, purpose, first, last)))


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
    """Make the report of a stringer or of a cell supplier (to lay beside an 8D report).

    Parameters
    ----------
    of : {ReportOf.STRINGER, ReportOf.SUPPLIER}
        Which of the two.
    name : str
        Of the stringer or supplier.
    since, until : str, optional
        First and last day; by default the newest four weeks.
    """
    first, last = _days(log, purpose, 28, since, until)
    making = _Making()
    with ThreadPoolExecutor(1) as beside:
        searching = beside.submit(
            commonality, log, (kind,) if kind is not None else (), purpose, since=first, until=last
        )
        _machine_figures(log, of, name, purpose, (first, last), kind, making)
        found = searching.result()
    making.parts[:0] = [Heading(words("report.problem")), *_about(log, of, name, found)]
    making.parts.append(Text(words("report.eight_d"), soft=True))
    return _done(log, words(f"report.{of.value}", name=name), purpose, first, last, making)


def _machine_figures(
    log: Log, of: ReportOf, name: str, purpose: Purpose, days: tuple[str, str], kind: Kind | None, making: _Making
) -> None:
    """Add a stringer or supplier beside the others, its lanes or lots, and a stringer's flags over time."""
    first, last = days
    by = GroupBy.STRINGER if of is ReportOf.STRINGER else GroupBy.CELL_SUPPLIER
    making.parts.append(Heading(words("report.beside_others")))
    making.pareto(pareto(log, by, purpose, kind=kind, since=first, until=last, measure="per_million"))
    finer = GroupBy.LANE if of is ReportOf.STRINGER else GroupBy.CELL_LOT
    table = pareto(log, finer, purpose, kind=kind, since=first, until=last)
    own = [row for row in table.rows if row.label.startswith(f"{name} / ")]
    own_rows = [table.values(row) for row in own]
    making.grid(words("report.own", name=name), table.header, own_rows, share_columns(table))
    if of is ReportOf.STRINGER:
        chart = day_chart(log, ChartOf.FLAGGED_CELLS, purpose, since=first, until=last, kind=kind, stringer=name)
        making.chart(chart)


def _about(log: Log, of: ReportOf, name: str, found: Commonality) -> list[Part]:
    suspect = found.suspect
    concerned = suspect is not None and suspect.stringer == name if of is ReportOf.STRINGER else found.lot is not None
    if concerned and (of is ReportOf.STRINGER or str(found.lot).startswith(name)):
        return commonality_parts(log, found)
    return [Text(words("report.not_accused", name=name), strong=True), Text(commonality_note(found), soft=True)]


def module_passport(log: Log, serial: str) -> Report:
    """Make the passport of one module: all stages, attempts, pictures, decisions, versions, ends of the log.

    Raises
    ------
    LogError
        If the log does not know the serial.
    """
    with log.reading() as connection:
        seen = sorted(pictures_of(connection, serial), key=lambda row: (row.seen_at, row.attempt))
        if not seen:
            raise LogError("report.no_serial", serial=serial)
        made = context_of(connection, serial)
        done = reworks_of(connection, [serial])
        flags = flags_of_inspections(connection, [row.id for row in seen])
        people = {row.decided_by: name_of(connection, row.decided_by) for row in seen}
        results = {row.id: _result(connection, row.id) for row in seen}
    making = _Making()
    making.grid(words("passport.strings"), *_strings(made))
    making.grid(words("passport.pictures"), *_pictures(seen, results, people))
    making.grid(words("passport.flags"), *_flags(seen, flags))
    making.grid(words("passport.bench"), *_bench(done))
    shown = [Path(result["image"]["path"]) for result in results.values() if result is not None]
    for path in [path for path in shown if path.suffix.lower() in (".png", ".jpg", ".jpeg") and path.is_file()][-2:]:
        making.parts.append(Picture(path, path.name))
    heads = chain_heads(log)
    facts = [*_facts(heads), (words("column.serial"), serial), (words("passport.purpose"), _purposes(seen))]
    return Report(Paper(words("report.module", serial=serial), facts, making.parts), tuple(making.sheets), heads)


def _result(connection: Any, inspection: str) -> dict[str, Any] | None:
    try:
        return result_of(connection, inspection)
    except LogError:
        return None  # simulated as a record


def _purposes(seen: Sequence[Any]) -> str:
    return ", ".join(dict.fromkeys(words(f"purpose.{row.purpose}") for row in seen))


def _time(text: str) -> str:
    return text[:16].replace("T", " ")


_Table = tuple[Sequence[str], list[Sequence[Value]]]


def _strings(made: Sequence[Any]) -> _Table:
    names = ("string", "string_id", "stringer", "lane_only", "built", "supplier", "lot", "ribbon_lot")
    rows: list[Sequence[Value]] = [
        (row.string, row.string_id, row.stringer, row.lane, _time(row.built_at), row.cell_supplier, row.cell_lot,
         row.ribbon_lot)
        for row in made
    ]  # fmt: skip
    return [words(f"column.{name}") for name in names], rows


def _pictures(seen: Sequence[Any], results: dict[str, Any], people: dict[Any, str | None]) -> _Table:
    names = ("seen_at", "stage", "attempt", "proposal", "decision", "person", "versions", "picture")
    rows: list[Sequence[Value]] = []
    for row in seen:
        result = results[row.id]
        versions = " · ".join(str(value) for value in result["versions"].values() if value) if result else ""
        picture = f"{Path(result['image']['path']).name} {result['image']['sha256'] or ''}"[:60] if result else ""
        decision = words(f"disposition.{row.decision}") if row.decision else words("containment.undecided")
        head = (_time(row.seen_at), words(f"stage.{row.stage}"), row.attempt, words(f"disposition.{row.proposal}"))
        rows.append((*head, decision, people[row.decided_by] or "", versions, picture))
    return [words(f"column.{name}") for name in names], rows


def _flags(seen: Sequence[Any], flags: Sequence[Any]) -> _Table:
    stage = {row.id: words(f"stage.{row.stage}") for row in seen}
    rows: list[Sequence[Value]] = [
        (stage[row.inspection], words(f"kind.{row.kind}"), row.string or None, row.position or None,
         round(row.score, 3), row.standing_limit or "", words(f"answer.{row.answer}") if row.answer else "")
        for row in flags
    ]  # fmt: skip
    names = ("stage", "kind", "string", "position", "score", "limit", "answer")
    return [words(f"column.{name}") for name in names], rows


def _bench(done: Sequence[Any]) -> _Table:
    names = ("at", "work", "string", "position", "new_string", "fate")
    rows: list[Sequence[Value]] = [
        (
            _time(row.at),
            row.work.replace("_", " "),
            row.string or None,
            row.position or None,
            row.new_string_id,
            row.fate,
        )
        for row in done
    ]  # fmt: skip
    return [words(f"column.{name}") for name in names], rows


def _people(log: Log, purpose: Purpose, first: str, last: str) -> tuple[str, Sequence[str], list[Sequence[Value]]]:
    period = Period(purpose.value, Stage.BEFORE_LAMINATION.value, first, last)
    names = ("person", "panels", "accepted", "answered", "dismissed", "interval", "added")
    rows: list[Sequence[Value]] = [
        (line.name, line.panels, f"{line.accepted:.1%}", line.answered, f"{line.dismissed:.1%}",
         f"{line.dismissed_low:.1%} – {line.dismissed_high:.1%}", line.added)
        for line in inspector_lines(log, period)
    ]  # fmt: skip
    return words("report.people"), [words(f"column.{name}") for name in names], rows


def _first_stages(
    log: Log, purpose: Purpose, first: str, last: str
) -> tuple[str, Sequence[str], list[Sequence[Value]]]:
    found = charged_counts(log, Period(purpose.value, Stage.BEFORE_LAMINATION.value, first, last))
    rows: list[Sequence[Value]] = [(words(f"charged.{who.value}"), found[who]) for who in Charged if found.get(who)]
    return words("report.first_stage"), [words("column.charged"), words("column.flagged")], rows


def _machine(log: Log, purpose: Purpose, first: str, last: str) -> list[str]:
    """Return what can be said about the machine, with intervals."""
    period = Period(purpose.value, Stage.BEFORE_LAMINATION.value, first, last)
    found = {**machine_figures(log, period), "audits": flagged_of_audited(log, period)}
    told = [recall_words(machine_recall(log, period))]
    for name, (count, n) in found.items():
        if n and count <= n:
            low, high = wilson(count, n).at(0)
            told.append(words(f"machine.{name}", share=count / n, count=count, n=n, low=low, high=high))
    return told


def recall_words(found: Recall | None) -> str:
    """Return what second readings say about the machine, or that there were none."""
    if found is None:
        return words("machine.no_second_readings")
    missed = {"missed": found.missed, "missed_low": found.missed_low, "missed_high": found.missed_high}
    counts = {"unflagged": found.unflagged, "read": found.read, "panels": found.with_cells, "cells": found.cells}
    return words("machine.second_readings", **missed, **counts, recall=found.value, low=found.low, high=found.high)


def _agreement(log: Log, purpose: Purpose, first: str, last: str) -> str:
    found = against_audits(log, Period(purpose.value, Stage.BEFORE_LAMINATION.value, first, last))
    if found is None:
        return words("people.no_audits")
    low, high = found.effectiveness_interval

    def share(value: float) -> str:
        return f"{value:.1%}" if value == value else words("common.unknown")

    return words(
        "people.agreement",
        right=found.effectiveness,
        n=found.n,
        low=low,
        high=high,
        miss=share(found.miss_rate),
        false=share(found.false_alarm_rate),
        kappa=f"{found.kappa.value:.2f}" if found.kappa.value == found.kappa.value else words("common.unknown"),
        grade=words(f"grade.{found.grade.value}"),
    )


def _done(log: Log, title: str, purpose: Purpose, first: str, last: str, making: _Making) -> Report:
    heads = chain_heads(log)
    period = Period(purpose.value, Stage.BEFORE_LAMINATION.value, first, last)
    facts = [(words("fact.period"), period_words(period)), (words("fact.purpose"), words(f"purpose.{purpose.value}"))]
    if purpose is not Purpose.PRODUCTION:
        title = f"{title} · {words(f'purpose.{purpose.value}')}"
    return Report(Paper(title, [*facts, *_facts(heads)], making.parts), tuple(making.sheets), heads)


def _facts(heads: Sequence[ChainHead]) -> list[tuple[str, str]]:
    told = ", ".join(f"{head.station} {head.number}: {head.hash[:12]}" for head in heads)
    return [(words("fact.made"), now()[:16].replace("T", " ")), (words("fact.heads"), told)]


def _days(log: Log, purpose: Purpose, n: int, since: str | None, until: str | None) -> tuple[str, str]:
    with log.reading() as connection:
        days = days_of(connection, purpose.value, Stage.BEFORE_LAMINATION.value)
    last = until or (days[1] if days else date.today().isoformat())
    return since or _back(last, n - 1), last


def _back(day: str, days: int) -> str:
    return (date.fromisoformat(day) - timedelta(days=days)).isoformat()


def _span(first: str, last: str) -> int:
    return (date.fromisoformat(last) - date.fromisoformat(first)).days + 1


def write_report(report: Report, path: Path) -> None:
    """Write a report as PDF or XLSX, with the ends of the log's chains in ``<name>.anchor.json`` beside it.

    Raises
    ------
    LogError
        If the file cannot be written, or its name ends otherwise.
    """
    if path.suffix.lower() == ".pdf":
        write_paper(path, report.paper)
    elif path.suffix.lower() == ".xlsx":
        cover = Sheet(words("report.cover"), (words("report.fact"), report.paper.title), report.paper.facts)
        write_workbook(path, [cover, *report.sheets])
    else:
        raise LogError("figure.suffix", file=str(path), known=".pdf, .xlsx")
    write_anchor(anchor_path(path), report.heads)
