"""The report of one shift: what to act on, what the next shift takes over, yield and flags beside the shift before."""

from collections import Counter
from collections.abc import Sequence

from elinspect.catalogue import Value, words
from elinspect.errors import LogError
from elinspect.operations.alerts import alerts
from elinspect.operations.commonality_words import chance_words
from elinspect.operations.pareto import pareto_of
from elinspect.operations.people_figures import inspector_lines
from elinspect.operations.people_words import inspector_table
from elinspect.operations.report_making import Making, Report, done
from elinspect.operations.shifts import USUAL_SHIFTS, Shift, newest_shift, shift_before, shift_on
from elinspect.records import Disposition, Purpose, Stage
from elinspect.reports.paper import Heading, Text
from elinspect.statistics.comparing import TwoPeriods, two_periods
from elinspect.statistics.pareto import GroupBy
from elinspect.store.counts import decisions_by, pictures_by
from elinspect.store.log import Log
from elinspect.store.production import Period, maintenance_of
from elinspect.store.reading import held, waiting

_MOST_OPEN = 60
"""Open panels listed on paper; the workbook has all."""


def shift_report(
    log: Log,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    shifts: Sequence[str] = USUAL_SHIFTS,
    number: int | None = None,
    until: str | None = None,
) -> Report:
    """Make the report of one shift: of panels photographed in it.

    Parameters
    ----------
    shifts : sequence of str
        When the plant's shifts begin, ``06:00``.
    number : int, optional
        Which of them, from 1; by default the newest one with pictures.
    until : str, optional
        The day it began; by default the newest.

    Raises
    ------
    LogError
        If there is no such shift, or the log holds no picture of this purpose.
    """
    newest = newest_shift(log, purpose, shifts, until)
    if newest is None:
        raise LogError("report.no_shift", purpose=words(f"purpose.{purpose.value}"))
    shift = shift_on(shifts, until or newest.day, number) if number is not None else newest
    period, before = (_period(purpose, each) for each in (shift, shift_before(shifts, shift)))
    making = Making()
    _act_on(log, purpose, shift, making)
    _taken_over(log, purpose, shift, making)
    making.grid(*_rates(log, period, before), shares=(3, 5))
    making.parts.append(Heading(words("report.flags")))
    for by in (GroupBy.KIND, GroupBy.LANE):
        making.pareto(pareto_of(log, by, period, before))
    _work(log, shift, making)
    table = inspector_table(inspector_lines(log, period))
    making.grid(table.heading, table.header, table.rows, table.shares)
    begin, end = shift.begin[11:], shift.end[11:]
    title = words("report.shift", number=shift.number, day=shift.day, begin=begin, end=end)
    return done(log, title, period, making)


def _period(purpose: Purpose, shift: Shift) -> Period:
    clock = (shift.begin, shift.end)
    return Period(purpose.value, Stage.BEFORE_LAMINATION.value, shift.day, shift.last_day, clock=clock)


def _act_on(log: Log, purpose: Purpose, shift: Shift, making: Making) -> None:
    """Add the alerts raised in the shift."""
    found = alerts(log, purpose, until=shift.last_day, before=shift.end)
    raised = [alert for alert in found if _within(alert.at, shift)]
    parts = [Text(alert.message.text, strong=True) for alert in raised] or [Text(words("alert.none"))]
    if raised:
        parts.append(Text(words("commonality.caution"), soft=True))
    making.say_first(words("report.act_on"), [alert.message for alert in raised], parts)


def _within(moment: str, shift: Shift) -> bool:
    return shift.begin <= moment[:16] < shift.end


def _taken_over(log: Log, purpose: Purpose, shift: Shift, making: Making) -> None:
    """Add the panels of the shift that are still open: not decided, or on hold."""
    with log.reading() as connection:
        found = [(row, words("report.undecided"), "") for row in waiting(connection)]
        found += [(row, words("disposition.hold"), row.owner or "") for row in held(connection)]
    rows: list[Sequence[Value]] = [
        (row.serial or "", row.seen_at[:16].replace("T", " "), row.attempt, why, owner, words(f"purpose.{row.purpose}"))
        for row, why, owner in found
        if row.purpose == purpose and row.stage == Stage.BEFORE_LAMINATION and _within(row.seen_at, shift)
    ]
    header = [words(f"column.{name}") for name in ("serial", "seen_at", "attempt", "why_open", "owner", "purpose")]
    if not rows:
        making.parts += [Heading(words("report.taken_over")), Text(words("report.nothing_open"))]
    making.grid(words("report.taken_over"), header, rows, most=_MOST_OPEN)


def _rates(log: Log, period: Period, before: Period) -> tuple[str, Sequence[str], list[Sequence[Value]]]:
    """Return what became of the panels of the shift, as shares with intervals, beside the shift before."""
    counted, counted_before = (_counted(log, each) for each in (period, before))
    rows: list[Sequence[Value]] = []
    for name, (count, n) in counted.items():
        then, of = counted_before.get(name, (0, 0))
        told = two_periods((then, of), (count, n))
        interval = "{:.1%} – {:.1%}".format(*told.second_interval)
        shares = (told.second, interval) if n else (None, "")
        rows.append((words(f"shift.{name}"), count, n, *shares, told.first if of else None, of, _chance(told, of, n)))
    names = ("what", "count", "n", "share_of", "interval", "shift_before", "n_before", "p_value")
    return words("report.yield_of_shift"), [words(f"column.{name}") for name in names], rows


def _chance(told: TwoPeriods, of: int, n: int) -> str:
    return chance_words(told.p_value) if of and n else ""


def _counted(log: Log, period: Period) -> dict[str, tuple[int, int]]:
    first: Counter[str] = Counter()
    again: Counter[str] = Counter()
    with log.reading() as connection:
        for row in decisions_by(connection, period, ()):
            (first if row.attempt == 1 else again)[row.decision] += int(row.panels)
        judged = {bool(row.judged): int(row.pictures) for row in pictures_by(connection, period, ("judged",))}
    n, n_again = (sum(each.values()) for each in (first, again))
    final = n - first[Disposition.HOLD]
    passed = {"first_pass": (first[Disposition.ACCEPT], final)}
    others = {name: (first[Disposition(name)], n) for name in ("rework", "hold", "concession", "scrap")}
    return {
        **passed,
        **others,
        "after_rework": (again[Disposition.ACCEPT], n_again - again[Disposition.HOLD]),
        "not_judged": (judged.get(False, 0), sum(judged.values())),
    }


def _work(log: Log, shift: Shift, making: Making) -> None:
    """Add what was done to machines in the shift."""
    with log.reading() as connection:
        work = [row for row in maintenance_of(connection) if _within(row.started_at, shift)]
    rows: list[Sequence[Value]] = [
        (row.started_at[:16].replace("T", " "), row.machine, row.lane, row.what, row.note) for row in work
    ]
    names = ("at", "machine", "lane_only", "work", "note")
    making.grid(words("report.work"), [words(f"column.{name}") for name in names], rows)
