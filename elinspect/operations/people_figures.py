"""People and machine: what each inspector answers, agreement with audits, what the machine finds and misses."""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from elinspect.catalogue import words
from elinspect.records import Disposition
from elinspect.statistics.agreement import AgainstTruth, against_truth
from elinspect.statistics.intervals import wilson
from elinspect.store.counts import decisions_by
from elinspect.store.log import Log
from elinspect.store.people import name_of
from elinspect.store.production import Period, answers_by, audits_of


@dataclass(frozen=True, slots=True)
class InspectorLine:
    """What one inspector decided and answered.

    Attributes
    ----------
    name : str
        Or that it is not known any more.
    panels : int
        Decided at the first attempt.
    accepted : float
        Share of them.
    answered : int
        Flags of the machine answered one by one.
    dismissed, dismissed_low, dismissed_high : float
        Share dismissed, with its 95 % interval (Wilson).
    added : int
        Flags added.
    """

    name: str
    panels: int
    accepted: float
    answered: int
    dismissed: float
    dismissed_low: float
    dismissed_high: float
    added: int


def inspector_lines(log: Log, period: Period) -> tuple[InspectorLine, ...]:
    """Return every inspector of a period, the one with most panels first."""
    panels: Counter[str | None] = Counter()
    accepted: Counter[str | None] = Counter()
    answers: dict[str | None, Counter[str]] = {}
    with log.reading() as connection:
        for row in decisions_by(connection, period, ("decided_by",)):
            if row.attempt == 1:
                person = row.decided_by or None
                panels[person] += int(row.panels)
                accepted[person] += int(row.panels) if row.decision == Disposition.ACCEPT else 0
        for row in answers_by(connection, period):
            told = answers.setdefault(row.answered_by, Counter())
            told["added" if row.added else row.answer] += row.flags
        names = {person: name_of(connection, person) for person in {*panels, *answers}}
    lines = []
    for person, name in names.items():
        own = answers.get(person, Counter())
        answered = own["confirmed"] + own["changed"] + own["dismissed"]
        low, high = wilson(own["dismissed"], answered).at(0)
        share = accepted[person] / panels[person] if panels[person] else 0.0
        dismissed = own["dismissed"] / answered if answered else 0.0
        figures = (panels[person], share, answered, dismissed, low, high, own["added"])
        lines.append(InspectorLine(name or words("common.unknown"), *figures))
    return tuple(sorted(lines, key=lambda line: (-line.panels, line.name)))


def flagged_of_audited(log: Log, period: Period) -> tuple[int, int]:
    """Return how many panels that auditors would not accept the machine had flagged above a limit, and of how many."""
    with log.reading() as connection:
        bad = [row for row in audits_of(connection, period) if row.audited != Disposition.ACCEPT]
    return sum(row.above_limit > 0 for row in bad), len(bad)


def against_audits(log: Log, period: Period) -> AgainstTruth | None:
    """Compare what was decided at the gate with what auditors would have decided; None without audits.

    The auditor counts as the truth; defective is whatever is not accepted.
    """
    table = np.zeros((2, 2))
    with log.reading() as connection:
        for row in audits_of(connection, period):
            if row.decision is not None:
                called = int(row.decision == Disposition.ACCEPT)
                table[called, int(row.audited == Disposition.ACCEPT)] += 1
    return against_truth(table) if table.any() else None
