"""People and machine: what each inspector answers, agreement with audits and each other, what the machine misses."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import combinations
from typing import Any

import numpy as np

from elinspect.catalogue import words
from elinspect.operations.charts import machine_figures
from elinspect.operations.second_readings import machine_recall
from elinspect.records import Disposition
from elinspect.statistics.agreement import AgainstTruth, Kappa, against_truth, cohen, fleiss
from elinspect.statistics.comparing import TwoPeriods, daily_overdispersion, discovery_adjusted, two_periods
from elinspect.statistics.intervals import wilson
from elinspect.statistics.second_readings import Recall
from elinspect.store.counts import decisions_by
from elinspect.store.log import Log
from elinspect.store.people import name_of
from elinspect.store.production import Period, answers_by, audits_of

LEAST_TOGETHER = 10
"""Panels two people must both have judged for their agreement to be shown. Plant's choice."""
_LEAST_JUDGES = 3
_BESIDE_CHANCE = 0.05  # false discovery rate of the list of people whose answers have drifted


@dataclass(frozen=True, slots=True)
class InspectorLine:
    """What one inspector decided and answered.

    Attributes
    ----------
    name : str
        Or that it is not known any more.
    panels : int
        Decided at the first attempt.
    accepted, accepted_low, accepted_high : float
        Share of them, with its 95 % interval (Wilson).
    answered : int
        Flags of the machine answered one by one.
    dismissed, dismissed_low, dismissed_high : float
        Share dismissed, with its 95 % interval (Wilson).
    added : int
        Flags added.
    before : TwoPeriods or None
        The share dismissed, beside the period before; None where none was asked for.
    drifted : bool
        Whether that changed, adjusted for the number of people (false discovery rate of 5 %).
    """

    name: str
    panels: int
    accepted: float
    accepted_low: float
    accepted_high: float
    answered: int
    dismissed: float
    dismissed_low: float
    dismissed_high: float
    added: int
    before: TwoPeriods | None = None
    drifted: bool = False


@dataclass(frozen=True, slots=True)
class Together:
    """How far two people agree about the same panels: accepted or not.

    Attributes
    ----------
    first, second : str
        Names.
    kappa : Kappa
        Cohen's.
    """

    first: str
    second: str
    kappa: Kappa


@dataclass(frozen=True, slots=True)
class PeopleAndMachine:
    """All of it for a period.

    Attributes
    ----------
    inspectors : tuple of InspectorLine
        The one with most panels first.
    audited : tuple of (str, AgainstTruth)
        Each inspector against auditors, by name; the auditor counts as the truth.
    all_audited : AgainstTruth or None
        All of them together; None without audits.
    together : tuple of Together
        Pairs who judged the same panels.
    several : (float, int, int) or None
        Fleiss' kappa of panels that several people judged, of how many people each, and how many panels.
    recall : Recall or None
        Of the machine, from second readings; None without any.
    machine : mapping
        As `machine_figures`, and ``audits``: counts of so many.
    machine_before : mapping
        The same of the period before.
    """

    inspectors: tuple[InspectorLine, ...]
    audited: tuple[tuple[str, AgainstTruth], ...]
    all_audited: AgainstTruth | None
    together: tuple[Together, ...]
    several: tuple[float, int, int] | None
    recall: Recall | None
    machine: Mapping[str, tuple[int, int]]
    machine_before: Mapping[str, tuple[int, int]]


def people_and_machine(log: Log, period: Period) -> PeopleAndMachine:
    """Return what a period says about people and machine, beside as many days before it.

    Parameters
    ----------
    period : Period
        With first and last day.
    """
    before = days_before(period)
    judged, names = _judged(log, period)
    machine = {**machine_figures(log, period), "audits": flagged_of_audited(log, period)}
    return PeopleAndMachine(
        inspector_lines(log, period, before),
        _each_against_audits(log, period),
        against_audits(log, period),
        _pairs(judged, names),
        _several(judged),
        machine_recall(log, period),
        machine,
        machine_figures(log, before),
    )


def days_before(period: Period) -> Period:
    """Return the period of as many days before one with a first and last day."""
    first, last = (date.fromisoformat(str(day)) for day in (period.since, period.until))
    length = (last - first).days + 1
    days = (first - timedelta(days=length), first - timedelta(days=1))
    return replace(period, since=days[0].isoformat(), until=days[1].isoformat(), clock=None)


_Answers = dict[str | None, Counter[str]]


def inspector_lines(log: Log, period: Period, before: Period | None = None) -> tuple[InspectorLine, ...]:
    """Return every inspector of a period, the one with most panels first; beside another period, if given."""
    panels: Counter[str | None] = Counter()
    accepted: Counter[str | None] = Counter()
    with log.reading() as connection:
        for row in decisions_by(connection, period, ("decided_by",)):
            if row.attempt == 1:
                person = row.decided_by or None
                panels[person] += int(row.panels)
                accepted[person] += int(row.panels) if row.decision == Disposition.ACCEPT else 0
        rows, rows_before = _read_answers(log, period, before)
        answers, answers_before = _answers(rows), _answers(rows_before)
        names = {person: name_of(connection, person) for person in {*panels, *answers}}
    spread = _spread([*rows, *rows_before]) if before is not None else 1.0
    lines = []
    for person, name in names.items():
        own = answers.get(person, Counter())
        answered = _answered(own)
        accept = wilson(accepted[person], panels[person]).at(0)
        dismiss = wilson(own["dismissed"], answered).at(0)
        share = accepted[person] / panels[person] if panels[person] else 0.0
        dismissed = own["dismissed"] / answered if answered else 0.0
        told = None
        if before is not None:
            then = answers_before.get(person, Counter())
            told = two_periods((then["dismissed"], _answered(then)), (own["dismissed"], answered), spread)
        figures = (panels[person], share, *accept, answered, dismissed, *dismiss, own["added"])
        lines.append(InspectorLine(name or words("common.unknown"), *figures, told))
    return _with_drift(sorted(lines, key=lambda line: (-line.panels, line.name)))


def _read_answers(log: Log, period: Period, before: Period | None) -> tuple[Sequence[Any], Sequence[Any]]:
    """Read the answers of both periods, each on a core of its own: four weeks have half a million."""
    asked = [period] if before is None else [period, before]
    with log.reading_together(len(asked)) as connections, ThreadPoolExecutor(len(asked)) as readers:
        rows, *earlier = readers.map(answers_by, connections, asked)
    return rows, earlier[0] if earlier else ()


def _with_drift(lines: Sequence[InspectorLine]) -> tuple[InspectorLine, ...]:
    adjusted = discovery_adjusted([line.before.p_value if line.before is not None else 1.0 for line in lines])
    return tuple(replace(line, drifted=bool(p <= _BESIDE_CHANCE)) for line, p in zip(lines, adjusted, strict=True))


def _answers(rows: Sequence[Any]) -> _Answers:
    found: _Answers = {}
    for row in rows:
        found.setdefault(row.answered_by, Counter())["added" if row.added else row.answer] += row.flags
    return found


def _answered(own: Counter[str]) -> int:
    return own["confirmed"] + own["changed"] + own["dismissed"]


def _spread(rows: Sequence[Any]) -> float:
    """Return how much more the dismissals of a person vary from day to day than independent answers would."""
    counts: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0])
    for row in rows:
        if not row.added and row.answer is not None:
            of_day = counts[row.answered_by, row.day]
            of_day[0] += row.flags if row.answer == "dismissed" else 0
            of_day[1] += row.flags
    if not counts:
        return 1.0
    people = {person: number for number, person in enumerate(dict.fromkeys(person for person, _ in counts))}
    line = [people[person] for person, _ in counts]
    days = [date.fromisoformat(day).toordinal() for _, day in counts]
    dismissed, answered = np.array(list(counts.values())).T
    return daily_overdispersion(line, days, dismissed, answered)


def flagged_of_audited(log: Log, period: Period) -> tuple[int, int]:
    """Return how many panels that auditors would not accept the machine had flagged above a limit, and of how many."""
    with log.reading() as connection:
        bad = [row for row in audits_of(connection, period) if row.audited != Disposition.ACCEPT]
    return sum(row.above_limit > 0 for row in bad), len(bad)


def against_audits(log: Log, period: Period) -> AgainstTruth | None:
    """Compare what was decided at the gate with what auditors would have decided; None without audits.

    The auditor counts as the truth; defective is whatever is not accepted.
    """
    with log.reading() as connection:
        rows = audits_of(connection, period)
    return _truth_of(rows)


def _each_against_audits(log: Log, period: Period) -> tuple[tuple[str, AgainstTruth], ...]:
    by_person: dict[str | None, list[Any]] = defaultdict(list)
    with log.reading() as connection:
        for row in audits_of(connection, period):
            by_person[row.decided_by].append(row)
        names = {person: name_of(connection, person) or words("common.unknown") for person in by_person}
    found = ((names[person], _truth_of(rows)) for person, rows in by_person.items())
    return tuple(sorted(((name, truth) for name, truth in found if truth is not None), key=lambda pair: pair[0]))


def _truth_of(rows: Sequence[Any]) -> AgainstTruth | None:
    table = np.zeros((2, 2))
    for row in rows:
        if row.decision is not None:
            table[int(row.decision == Disposition.ACCEPT), int(row.audited == Disposition.ACCEPT)] += 1
    return against_truth(table) if table.any() else None


_Judged = dict[str, dict[str, bool]]


def _judged(log: Log, period: Period) -> tuple[_Judged, Mapping[str, str]]:
    """Return who accepted which picture, by picture and person: who decided it, and who audited it; and their names."""
    found: _Judged = defaultdict(dict)
    with log.reading() as connection:
        rows = audits_of(connection, period)
        people = {person for row in rows for person in (row.decided_by, row.person) if person is not None}
        names = {person: name_of(connection, person) or words("common.unknown") for person in people}
    for row in rows:
        for person, said in ((row.decided_by, row.decision), (row.person, row.audited)):
            if person is not None and said is not None:
                found[row.inspection][person] = said == Disposition.ACCEPT
    return found, names


def _pairs(judged: _Judged, names: Mapping[str, str]) -> tuple[Together, ...]:
    tables: dict[tuple[str, str], Any] = defaultdict(lambda: np.zeros((2, 2)))
    for said in judged.values():
        for first, second in combinations(sorted(said), 2):
            tables[first, second][int(said[first]), int(said[second])] += 1
    found = [
        Together(names[first], names[second], cohen(table))
        for (first, second), table in tables.items()
        if table.sum() >= LEAST_TOGETHER
    ]
    return tuple(sorted(found, key=lambda pair: -pair.kappa.n))


def _several(judged: _Judged) -> tuple[float, int, int] | None:
    """Return Fleiss' kappa of the panels that most people judged, where that is three or more."""
    most = max((len(said) for said in judged.values()), default=0)
    if most < _LEAST_JUDGES:
        return None
    votes = [(sum(said.values()), most - sum(said.values())) for said in judged.values() if len(said) == most]
    return fleiss(votes), most, len(votes)
