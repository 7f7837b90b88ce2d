"""Reports in the making: pages and the sheets of a workbook side by side, written together."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from elinspect.catalogue import Message, Value, words
from elinspect.errors import LogError
from elinspect.operations.charts import CHART_COLUMNS, DayChart, chart_rows, chart_words
from elinspect.operations.figure_files import pareto_drawing, share_columns
from elinspect.operations.pareto import ParetoTable, note_words, period_words, title_words
from elinspect.operations.people_figures import PeopleAndMachine
from elinspect.operations.people_words import people_sentences, people_tables
from elinspect.records import Purpose, Stage
from elinspect.reports.paper import Grid, Heading, Paper, Part, Text, drawn, write_paper
from elinspect.reports.workbook import Sheet, write_workbook
from elinspect.store.anchor import anchor_path, write_anchor
from elinspect.store.events import now
from elinspect.store.log import Log
from elinspect.store.production import Period, days_of
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
class Making:
    """Parts of the pages and sheets of the workbook, added side by side.

    Attributes
    ----------
    parts : list of Part
        For paper.
    sheets : list of Sheet
        For the workbook.
    """

    parts: list[Part] = field(default_factory=list)
    sheets: list[Sheet] = field(default_factory=list)

    def pareto(self, table: ParetoTable) -> None:
        """Add a Pareto: figure, table, sheet."""
        rows = [table.values(row) for row in table.rows]
        self.parts.append(drawn(pareto_drawing(table)) if rows else Text(words("report.no_flags"), soft=True))
        notes, shares = (title_words(table), note_words(table)), share_columns(table)
        self.sheets.append(Sheet(title_words(table), table.header, rows, notes, shares))

    def chart(self, made: DayChart) -> None:
        """Add a chart: sentence, figure, sheet."""
        self.parts.append(Text(chart_words(made)))
        if len(made.labels) > 1 and np.ptp(made.chart.values) > 0:
            self.parts.append(drawn(made.drawing()))
        header = [words(f"column.{name}") for name in CHART_COLUMNS]
        shares = frozenset(range(1, 5)) if made.percent else frozenset[int]()
        self.sheets.append(Sheet(made.title, header, chart_rows(made), (made.title, made.note), shares))

    def grid(
        self,
        heading: str,
        header: Sequence[str],
        rows: Sequence[Sequence[Value]],
        shares: Collection[int] = (),
        most: int | None = None,
    ) -> None:
        """Add a table: heading, grid, sheet; in the columns `shares` stand shares, shown in per cent on paper.

        A table without rows is left out on paper; one with more than `most` is cut there, and says so.
        """
        if rows:
            shown = [[_on_paper(value, column in shares) for column, value in enumerate(row)] for row in rows[:most]]
            self.parts += [Heading(heading), Grid(header, shown)]
        if most is not None and len(rows) > most:
            self.parts.append(Text(words("report.more_rows", n=len(rows) - most), soft=True))
        self.sheets.append(Sheet(heading, header, rows, shares=frozenset(shares)))

    def people(self, found: PeopleAndMachine) -> None:
        """Add people and machine: tables and sentences."""
        for table in people_tables(found):
            self.grid(table.heading, table.header, table.rows, table.shares)
        told = people_sentences(found)
        self.parts += [Heading(words("report.machine")), *(Text(text) for text in told)]
        self.sheets.append(Sheet(words("report.machine"), (words("column.what_it_says"),), [(text,) for text in told]))

    def say_first(self, heading: str, messages: Sequence[Message], parts: Sequence[Part]) -> None:
        """Put what matters most before everything else: `parts` on paper, its text in the workbook."""
        self.parts[:0] = [Heading(heading), *parts]
        told: list[Sequence[Value]] = [(message.text,) for message in messages]
        self.sheets.insert(0, Sheet(heading, (words("column.what_it_says"),), told))


def _on_paper(value: Value, share: bool) -> str:
    if value is None:
        return ""
    if share and isinstance(value, int | float):
        return f"{value:.1%}"
    large = isinstance(value, float) and value >= 1000
    return f"{value:,.0f}".replace(",", " ") if large else str(value)


def done(log: Log, title: str, period: Period, making: Making, more: Sequence[tuple[str, str]] = ()) -> Report:
    """Return the report, with its facts: period, purpose, stage, when it was made, ends of the log."""
    heads = chain_heads(log)
    purpose = Purpose(period.purpose)
    facts = [
        (words("fact.period"), period_words(period)),
        (words("fact.purpose"), words(f"purpose.{purpose.value}")),
        (words("fact.stage"), words(f"stage.{period.stage}")),
        *more,
    ]
    if purpose is not Purpose.PRODUCTION:
        title = f"{title} · {words(f'purpose.{purpose.value}')}"
    return Report(Paper(title, [*facts, *facts_of(heads)], making.parts), tuple(making.sheets), heads)


def facts_of(heads: Sequence[ChainHead]) -> list[tuple[str, str]]:
    """Return when a report is made, and where the log's chains ended."""
    told = ", ".join(f"{head.station} {head.number}: {head.hash[:12]}" for head in heads)
    return [(words("fact.made"), now()[:16].replace("T", " ")), (words("fact.heads"), told)]


def days_asked(log: Log, purpose: Purpose, n: int, since: str | None, until: str | None) -> tuple[str, str]:
    """Return first and last day; by default the newest `n`."""
    with log.reading() as connection:
        days = days_of(connection, purpose.value, Stage.BEFORE_LAMINATION.value)
    last = until or (days[1] if days else date.today().isoformat())
    return since or days_back(last, n - 1), last


def days_back(day: str, days: int) -> str:
    """Return the day so many days before another."""
    return (date.fromisoformat(day) - timedelta(days=days)).isoformat()


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
