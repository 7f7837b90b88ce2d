"""People and machine as tables and sentences: for reports, the command line and the window alike."""

from collections.abc import Sequence
from dataclasses import dataclass

from elinspect.catalogue import Value, words
from elinspect.operations.commonality_words import chance_words
from elinspect.operations.people_figures import InspectorLine, PeopleAndMachine
from elinspect.statistics.agreement import AgainstTruth, Kappa
from elinspect.statistics.intervals import wilson
from elinspect.statistics.second_readings import Recall


@dataclass(frozen=True, slots=True)
class PeopleTable:
    """A table of them.

    Attributes
    ----------
    heading : str
        Above it.
    header : sequence of str
        Columns.
    rows : sequence of sequences
        Values.
    shares : frozenset of int
        Columns, from 0, in which shares stand, 0..1.
    """

    heading: str
    header: Sequence[str]
    rows: Sequence[Sequence[Value]]
    shares: frozenset[int] = frozenset()


def people_tables(found: PeopleAndMachine) -> tuple[PeopleTable, ...]:
    """Return inspectors, agreement with audits, agreement with each other; those without lines are left out."""
    tables = (inspector_table(found.inspectors), _audited(found), _together(found))
    return tuple(table for table in tables if table.rows)


def _table(heading: str, names: Sequence[str], rows: Sequence[Sequence[Value]], shares: Sequence[int]) -> PeopleTable:
    return PeopleTable(words(heading), [words(f"column.{name}") for name in names], rows, frozenset(shares))


def inspector_table(lines: Sequence[InspectorLine]) -> PeopleTable:
    """Return what each inspector decided and answered."""
    names = ["person", "panels", "accepted", "interval", "answered", "dismissed", "interval", "added"]
    compared = any(line.before is not None for line in lines)
    rows: list[Sequence[Value]] = []
    for line in lines:
        accepted = (line.accepted, _interval(line.accepted_low, line.accepted_high))
        dismissed = (line.dismissed, _interval(line.dismissed_low, line.dismissed_high))
        row: list[Value] = [line.name, line.panels, *accepted, line.answered, *dismissed, line.added]
        if compared:
            row += [line.before.first if line.before is not None else None, _drift(line)]
        rows.append(row)
    if compared:
        names += ["dismissed_before", "drift"]
    return _table("report.people", names, rows, (2, 5, 8) if compared else (2, 5))


def _drift(line: InspectorLine) -> str:
    if line.before is None:
        return ""
    said = words("people.drifted") if line.drifted else ""
    return f"{chance_words(line.before.p_value)} {said}".strip()


def _audited(found: PeopleAndMachine) -> PeopleTable:
    every = [*found.audited]
    if found.all_audited is not None and len(every) > 1:
        every.append((words("people.all"), found.all_audited))
    rows: list[Sequence[Value]] = [(name, *_truth(truth)) for name, truth in every]
    names = ("person", "n", "right", "interval", "missed", "false_alarms", "kappa", "grade")
    return _table("people.audits", names, rows, (2, 4, 5))


def _truth(truth: AgainstTruth) -> tuple[Value, ...]:
    rates = (_known(truth.miss_rate), _known(truth.false_alarm_rate))
    grade = words(f"grade.{truth.grade.value}")
    return (
        truth.n,
        truth.effectiveness,
        _interval(*truth.effectiveness_interval),
        *rates,
        _kappa_words(truth.kappa),
        grade,
    )


def _known(value: float) -> float | None:
    return value if value == value else None


def _interval(low: float, high: float) -> str:
    return f"{low:.1%} – {high:.1%}"


def _kappa_words(kappa: Kappa) -> str:
    if kappa.value != kappa.value:
        return words("common.unknown")
    low, high = max(kappa.low, -1.0), min(kappa.high, 1.0)
    return f"{kappa.value:.2f} ({low:.2f} – {high:.2f})"


def _together(found: PeopleAndMachine) -> PeopleTable:
    rows: list[Sequence[Value]] = [
        (pair.first, pair.second, pair.kappa.n, _kappa_words(pair.kappa)) for pair in found.together
    ]
    return _table("people.together", ("person", "other_person", "n", "kappa"), rows, ())


def people_sentences(found: PeopleAndMachine) -> tuple[str, ...]:
    """Return what can be said about agreement and the machine, with intervals."""
    told = [] if found.all_audited is not None else [words("people.no_audits")]
    if found.several is not None:
        kappa, people, panels = found.several
        told.append(words("people.several", kappa=kappa, people=people, panels=panels))
    told.append(recall_words(found.recall))
    for name, (count, n) in found.machine.items():
        if n and count <= n:
            low, high = wilson(count, n).at(0)
            told.append(words(f"machine.{name}", share=count / n, count=count, n=n, low=low, high=high))
            told += _machine_before(*found.machine_before.get(name, (0, 0)))
    return tuple(told)


def _machine_before(count: int, n: int) -> list[str]:
    if not n or count > n:
        return []
    low, high = wilson(count, n).at(0)
    return [words("machine.before", share=count / n, count=count, n=n, low=low, high=high)]


def recall_words(found: Recall | None) -> str:
    """Return what second readings say about the machine, or that there were none."""
    if found is None:
        return words("machine.no_second_readings")
    missed = {"missed": found.missed, "missed_low": found.missed_low, "missed_high": found.missed_high}
    counts = {"unflagged": found.unflagged, "read": found.read, "panels": found.with_cells, "cells": found.cells}
    return words("machine.second_readings", **missed, **counts, recall=found.value, low=found.low, high=found.high)
