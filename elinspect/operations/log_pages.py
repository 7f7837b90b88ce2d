"""What the pages for technician and quality show of a log: values, texts and drawn figures, made in the background."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from elinspect.catalogue import words
from elinspect.operations.alert_card import card, write_card
from elinspect.operations.alert_watch import AlertWatch
from elinspect.operations.alerts import Alert, alerts
from elinspect.operations.charts import chart_words, day_chart
from elinspect.operations.commonality import commonality
from elinspect.operations.commonality_files import drawings, examples
from elinspect.operations.commonality_words import as_messages
from elinspect.operations.figure_files import pareto_drawing, write_pareto
from elinspect.operations.pareto import ParetoTable, pareto
from elinspect.operations.people_report import people_report
from elinspect.operations.people_words import PeopleTable, people_sentences, people_tables
from elinspect.operations.report_making import Report, write_report
from elinspect.operations.shifts import USUAL_SHIFTS
from elinspect.operations.tool_map import MachinePart
from elinspect.records import Kind, Purpose, Stage
from elinspect.reports.paper import Drawing, Text
from elinspect.statistics.asked import ChartOf
from elinspect.statistics.pareto import CountOf, GroupBy, Measure
from elinspect.store.events import EventKind, NewEvent, now
from elinspect.store.log import Log
from elinspect.store.people import person_named
from elinspect.store.production import days_of, maintenance_of

_DOTS_PER_INCH = 130


@dataclass(frozen=True, slots=True)
class TechnicianView:
    """What the technician sees.

    Attributes
    ----------
    purpose : Purpose
        Of the panels.
    headline : str
        What to act on, or that there is nothing.
    lines : tuple of str
        What it rests on.
    alerts : tuple of Alert
        The newest first.
    pictures : tuple of bytes
        Map, timeline, places and, where their pictures are still there, example cells as PNG.
    machine, lane : str
        Of the suspect; empty without one.
    work : tuple of str
        Last maintenance of all machines, the newest first.
    empty : str
        What to say instead where there is nothing to work on; empty otherwise.
    """

    purpose: Purpose
    headline: str
    lines: tuple[str, ...]
    alerts: tuple[Alert, ...]
    pictures: tuple[bytes, ...]
    machine: str
    lane: str
    work: tuple[str, ...]
    empty: str = ""


@dataclass(frozen=True, slots=True)
class CardView:
    """The card of an alert, to be read at the machine.

    Attributes
    ----------
    title, headline : str
        Where, and what.
    facts : tuple of (str, str)
        Position, kind, what touches there, maintenance.
    lines : tuple of str
        Caution and panels.
    picture : bytes
        The place, as PNG.
    """

    title: str
    headline: str
    facts: tuple[tuple[str, str], ...]
    lines: tuple[str, ...]
    picture: bytes


@dataclass(frozen=True, slots=True)
class FiguresAsked:
    """Filters of the quality page.

    Attributes
    ----------
    by : GroupBy
        Lines of the Pareto.
    count : CountOf
        What it counts.
    chart : ChartOf
        The chart beside it.
    days : int
        Newest days; 0 for the whole log.
    kind : Kind or None
        Only this kind.
    measure : Measure
        What lines are ordered by.
    purpose : Purpose or None
        Of the panels; None for what `LogPages.purpose` says.
    compared : bool
        Whether the days are compared with as many before them.
    """

    by: GroupBy = GroupBy.KIND
    count: CountOf = CountOf.CONFIRMED
    chart: ChartOf = ChartOf.FIRST_PASS_YIELD
    days: int = 28
    kind: Kind | None = None
    measure: Measure = Measure.CELLS
    purpose: Purpose | None = None
    compared: bool = False


@dataclass(frozen=True, slots=True)
class FiguresView:
    """What the quality page shows.

    Attributes
    ----------
    asked : FiguresAsked
        Filters.
    purpose : Purpose
        Of the panels.
    sentence : str
        The chart in words.
    table : ParetoTable or None
        The Pareto; None without anything inspected.
    pictures : tuple of bytes
        Pareto and chart as PNG.
    empty : str
        What to say instead; empty otherwise.
    """

    asked: FiguresAsked
    purpose: Purpose
    sentence: str
    table: ParetoTable | None
    pictures: tuple[bytes, ...]
    empty: str = ""


@dataclass(frozen=True, slots=True)
class PeopleView:
    """What the quality page shows of people and machine.

    Attributes
    ----------
    purpose : Purpose
        Of the panels.
    period : str
        In words.
    tables : tuple of PeopleTable
        Inspectors, agreement with audits and with each other.
    sentences : tuple of str
        What is said about the machine.
    report : Report or None
        The same, to be exported; None without anything decided.
    empty : str
        What to say instead; empty otherwise.
    """

    purpose: Purpose
    period: str
    tables: tuple[PeopleTable, ...]
    sentences: tuple[str, ...]
    report: Report | None
    empty: str = ""


class LogPages:
    """Reads a log for the pages; its methods take a while and belong in the background.

    Parameters
    ----------
    log : Log
        The log.
    station : str
        Whose chain marks of the technician go to.
    tools : sequence of MachinePart
        The plant's map of what touches where, for the cards of alerts.
    shifts : sequence of str
        When shifts begin, ``06:00``.
    """

    def __init__(
        self, log: Log, station: str, tools: Sequence[MachinePart] = (), shifts: Sequence[str] = USUAL_SHIFTS
    ) -> None:
        self._log, self._station, self._tools, self._shifts = log, station, tools, shifts
        self._watch, self._news = AlertWatch(log), 0

    @property
    def news(self) -> int:
        """Alerts raised at this desk since the technician's page was read last."""
        return self._news

    def flag_stands(self, inspection: str) -> None:
        """Look at the lanes of an inspection of which a flag was confirmed just now; what that raises is news.

        Raises
        ------
        LogError
            If the log cannot be read.
        """
        self._news += len(self._watch.after(inspection))

    def purpose(self) -> Purpose:
        """Return the purpose to show: production where there is any, otherwise the first that the log holds."""
        with self._log.reading() as connection:
            for purpose in Purpose:
                if days_of(connection, purpose.value, Stage.BEFORE_LAMINATION.value) is not None:
                    return purpose
        return Purpose.PRODUCTION

    def technician(self, kind: Kind | None) -> TechnicianView:
        """Return what a technician should look at, for one kind of flag or all."""
        self._news = 0
        purpose = self.purpose()
        # Where nobody decides yet, as in a demo, what the machine flagged is all there is.
        found = commonality(self._log, (kind,) if kind is not None else (), purpose)
        if not found.cells:
            found = commonality(self._log, (kind,) if kind is not None else (), purpose, decided=False)
        with self._log.reading() as connection:
            done = maintenance_of(connection)
        work = tuple(_work_words(row) for row in reversed(done[-6:]))
        if not found.cells:
            return TechnicianView(purpose, "", (), (), (), "", "", work, words("page.no_context"))
        first, *rest = (message.text for message in as_messages(found))
        told = [*drawings(found), *examples(self._log, found)]
        shown = tuple(_png(part.figure) for part in told if isinstance(part, Drawing))
        suspect = found.suspect
        where = (suspect.stringer, suspect.lane) if suspect is not None else ("", "")
        raised = tuple(alert for alert in alerts(self._log, purpose) if kind in (None, alert.kind))
        return TechnicianView(purpose, first, tuple(rest), raised, shown, *where, work)

    def mark_maintenance(self, machine: str, lane: str, what: str, person: str) -> None:
        """Log that something was done to a machine now.

        Raises
        ------
        LogError
            If it could not be written.
        """
        row: dict[str, str] = {"machine": machine, "lane": lane, "started_at": now(), "what": what}
        data = {"file_sha256": "", "columns": list(row), "rows": [list(row.values())]}
        with self._log.writing() as connection:
            who = person_named(connection, person)
        self._log.append([NewEvent(EventKind.MAINTENANCE, "maintenance", data, who)], self._station)

    def card(self, alert: Alert) -> CardView:
        """Return the card of an alert, as it would be printed."""
        paper = card(alert, self._tools)
        headline, *lines = (part.text for part in paper.parts if isinstance(part, Text))
        (figure,) = (part.figure for part in paper.parts if isinstance(part, Drawing))
        return CardView(paper.title, headline, tuple(paper.facts), tuple(lines), _png(figure))

    def save_card(self, alert: Alert, path: Path) -> None:
        """Write the card of an alert; raises LogError if it cannot be written."""
        write_card(alert, path, self._tools)

    def figures(self, asked: FiguresAsked) -> FiguresView:
        """Return Pareto and chart for some filters."""
        purpose = asked.purpose or self.purpose()
        since = self._since(purpose, asked.days)
        before = None
        if asked.compared and since is not None:
            first = date.fromisoformat(since)
            before = (first - timedelta(days=asked.days)).isoformat(), (first - timedelta(days=1)).isoformat()
        table = pareto(
            self._log,
            asked.by,
            purpose,
            count=asked.count,
            kind=asked.kind,
            since=since,
            measure=asked.measure,
            earlier=before,
            shifts=self._shifts,
        )
        if not table.cells_inspected:
            return FiguresView(asked, purpose, "", None, (), words("page.nothing_inspected"))
        chart = day_chart(self._log, asked.chart, purpose, since=since, kind=asked.kind)
        shown = [pareto_drawing(table)] + ([chart.drawing()] if chart.labels else [])
        return FiguresView(asked, purpose, chart_words(chart), table, tuple(_png(figure) for figure in shown))

    def people(self, asked: FiguresAsked) -> PeopleView:
        """Return people and machine for the purpose and days of some filters."""
        purpose = asked.purpose or self.purpose()
        with self._log.reading() as connection:
            seen = days_of(connection, purpose.value, Stage.BEFORE_LAMINATION.value)
        if seen is None:
            return PeopleView(purpose, "", (), (), None, words("page.nothing_inspected"))
        since = self._since(purpose, asked.days) or seen[0]
        found, report = people_report(self._log, purpose, since=since, until=seen[1])
        period = words("figure.period", first=since, last=seen[1])
        return PeopleView(purpose, period, people_tables(found), people_sentences(found), report)

    def save_report(self, report: Report, path: Path) -> None:
        """Write a report by the end of the name; raises LogError if it cannot be written."""
        write_report(report, path)

    def save_pareto(self, table: ParetoTable, path: Path) -> None:
        """Write a Pareto by the end of the name; raises LogError if it cannot be written."""
        write_pareto(table, path)

    def _since(self, purpose: Purpose, days: int) -> str | None:
        with self._log.reading() as connection:
            seen = days_of(connection, purpose.value, Stage.BEFORE_LAMINATION.value)
        if seen is None or not days:
            return None
        return (date.fromisoformat(seen[1]) - timedelta(days=days - 1)).isoformat()


def _work_words(row: Any) -> str:
    where = " / ".join(part for part in (row.machine, row.lane) if part)
    return f"{row.started_at[:16].replace('T', ' ')} · {where} · {row.what}"


def _png(figure: Any) -> bytes:
    from elinspect.reports.figures import as_png

    return as_png(figure, _DOTS_PER_INCH)


def alert_words(raised: Sequence[Alert]) -> tuple[str, ...]:
    """Return alerts in words."""
    return tuple(alert.message.text for alert in raised)
