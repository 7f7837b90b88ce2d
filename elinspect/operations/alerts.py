"""Alerts within minutes: the same lane and place again and again, or a lane whose rate has risen."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message, Value, words
from elinspect.operations.figure_rows import places_in_lane
from elinspect.operations.tool_map import MachinePart
from elinspect.records import Kind, Layout, Purpose, Stage
from elinspect.reports.paper import Drawing, Heading, Paper, Part, Text, write_paper
from elinspect.statistics.alerts import RepeatRule, bernoulli_cusum, repeat_rule, repeats, run_cusum
from elinspect.store.counts import strings_made
from elinspect.store.log import Log
from elinspect.store.production import (
    Period,
    days_of,
    flagged_strings,
    flags_in_order,
    maintenance_of,
    strings_in_order,
)

FloatArray = NDArray[np.float64]

LOOK_BACK_DAYS = 3
"""Days in which alerts are looked for; what is older is history."""
BASE_DAYS = 28
"""Days before them from which the usual rates are taken."""
WINDOW = 30
"""Strings of a lane a repeat is looked for in; at a usual pace about an hour. Plant's choice."""
FALSE_ALARMS = 20.0
"""False alarms of the repeat rule in a million strings of the plant. Plant's choice."""
BETWEEN_FALSE_ALARMS = 50_000.0
"""Strings of the plant between two false alarms of the lanes' CUSUM. Plant's choice: some days of a large line."""
TIMES_TO_FIND = 4.0
_LEAST_RATE = 0.001  # of strings; with fewer flags than that in four weeks the base rate is not known better


@dataclass(frozen=True, slots=True, eq=False)
class Alert:
    """Something to look at now.

    Attributes
    ----------
    stringer, lane : str
        Where.
    position : int
        From the leading end; 0 where the whole lane's rate has risen.
    kind : Kind or None
        The most frequent kind of the flags.
    flagged, strings : int
        Flagged strings, of so many.
    at : str
        When the flag was seen that raised it.
    false_alarms : float
        Of the rule, in a million strings of the plant.
    places : ndarray, shape (flags, 2)
        Along and across the lane.
    serials : tuple of str
        Panels that show it, the newest first.
    last_work : str
        Last maintenance of the lane; empty if none is known.
    since_work : (int, int)
        Flagged strings and strings since.
    """

    stringer: str
    lane: str
    position: int
    kind: Kind | None
    flagged: int
    strings: int
    at: str
    false_alarms: float
    places: FloatArray
    serials: tuple[str, ...]
    last_work: str = ""
    since_work: tuple[int, int] = (0, 0)

    @property
    def message(self) -> Message:
        """The alert in one line."""
        values: dict[str, Value] = {"stringer": self.stringer, "lane": self.lane, "position": self.position}
        counts: dict[str, Value] = {"flagged": self.flagged, "n": self.strings, "at": self.at[:16].replace("T", " ")}
        return Message("alert.place" if self.position else "alert.lane", {**values, **counts})


def alerts(
    log: Log,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    stage: Stage = Stage.BEFORE_LAMINATION,
    until: str | None = None,
) -> tuple[Alert, ...]:
    """Evaluate both rules over the newest days.

    Counted are flags inspectors confirmed, and flags of the machine in panels nobody has decided yet: those are what
    makes an alert early.

    Parameters
    ----------
    log : Log
        The log.
    purpose, stage : Purpose, Stage
        Which panels.
    until : str, optional
        Last day; by default the newest.

    Returns
    -------
    tuple of Alert
        The newest first; at most one for each place, its last.
    """
    with log.reading() as connection:
        days = days_of(connection, purpose.value, stage.value)
        if days is None:
            return ()
        last = min(until, days[1]) if until else days[1]
        begin = (date.fromisoformat(last) - timedelta(days=LOOK_BACK_DAYS - 1)).isoformat()
        before = (date.fromisoformat(begin) - timedelta(days=BASE_DAYS)).isoformat()
        recent = Period(purpose.value, stage.value, begin, last)
        base = Period(purpose.value, stage.value, before, begin)
        strings = strings_in_order(connection, recent)
        flags = flags_in_order(connection, recent)
        made = strings_made(connection, base, decided=False, by=("layout",))
        usual = flagged_strings(connection, base)
        work = maintenance_of(connection)
    if not strings or not flags:
        return ()
    total = sum(int(row.strings) for row in made) or len(strings)
    usual = usual if made else len({(row.serial, row.string) for row in flags})
    found = [*_repeated(strings, flags, usual / total), *_risen(strings, flags, usual / total)]
    told = [_with_work(alert, strings, flags, work) for alert in found]
    return tuple(sorted(told, key=lambda alert: alert.at, reverse=True))


_Lane = tuple[str, str]


def _numbers(strings: Sequence[Any]) -> tuple[dict[tuple[str, int], int], dict[_Lane, int]]:
    """Return the running number of each string in its lane, and how many each lane made."""
    made: dict[_Lane, int] = defaultdict(int)
    numbers = {}
    for row in strings:
        numbers[row.serial, row.string] = made[row.stringer, row.lane]
        made[row.stringer, row.lane] += 1
    return numbers, dict(made)


def _by_place(flags: Sequence[Any], numbers: dict[tuple[str, int], int]) -> dict[tuple[str, str, int], list[Any]]:
    places: dict[tuple[str, str, int], list[Any]] = defaultdict(list)
    for row in flags:
        if (row.serial, row.string) in numbers and row.position_as_built:
            places[row.stringer, row.lane, row.position_as_built].append(row)
    return places


def _repeated(strings: Sequence[Any], flags: Sequence[Any], rate: float) -> Iterable[Alert]:
    numbers, _ = _numbers(strings)
    positions = Layout.parse(strings[-1].layout).cells_per_string
    rule = repeat_rule(max(rate / positions, _LEAST_RATE / positions), positions, WINDOW, FALSE_ALARMS)
    for (stringer, lane, position), rows in _by_place(flags, numbers).items():
        rows = sorted(rows, key=lambda row: numbers[row.serial, row.string])
        raised = repeats([numbers[row.serial, row.string] for row in rows], rule)
        if raised:
            last = raised[-1]
            recent = [row for row in rows[: last + 1] if _near(numbers, row, rows[last], rule)]
            yield _alert(stringer, lane, position, recent, rule.window, rule.false_alarms)


def _near(numbers: dict[tuple[str, int], int], row: Any, last: Any, rule: RepeatRule) -> bool:
    return numbers[last.serial, last.string] - numbers[row.serial, row.string] < rule.window


def _risen(strings: Sequence[Any], flags: Sequence[Any], rate: float) -> Iterable[Alert]:
    numbers, made = _numbers(strings)
    base = min(max(rate, _LEAST_RATE), 0.2)
    design = bernoulli_cusum(base, min(TIMES_TO_FIND * base, 0.9), BETWEEN_FALSE_ALARMS)
    rows_of: dict[_Lane, list[Any]] = defaultdict(list)
    for row in flags:
        if (row.serial, row.string) in numbers:
            rows_of[row.stringer, row.lane].append(row)
    for (stringer, lane), rows in rows_of.items():
        flagged = np.zeros(made[stringer, lane])
        flagged[[numbers[row.serial, row.string] for row in rows]] = 1
        beyond = np.flatnonzero(run_cusum(flagged, design) > design.limit)
        if beyond.size:
            end = int(beyond[-1])
            begin = int(beyond[-2]) + 1 if len(beyond) > 1 else 0
            recent = [row for row in rows if begin <= numbers[row.serial, row.string] <= end]
            yield _alert(stringer, lane, 0, recent, end - begin + 1, 1e6 / design.in_control)


def _alert(stringer: str, lane: str, position: int, rows: list[Any], strings: int, false_alarms: float) -> Alert:
    kinds = [row.kind for row in rows]
    places = np.column_stack(places_in_lane(rows))
    serials = tuple(dict.fromkeys(row.serial for row in reversed(rows)))[:12]
    return Alert(
        stringer=stringer,
        lane=lane,
        position=position,
        kind=Kind(max(set(kinds), key=kinds.count)) if kinds else None,
        flagged=len({(row.serial, row.string) for row in rows}),
        strings=strings,
        at=rows[-1].seen_at,
        false_alarms=false_alarms,
        places=places[np.isfinite(places).all(axis=1)],
        serials=serials,
    )


def _with_work(alert: Alert, strings: Sequence[Any], flags: Sequence[Any], work: Sequence[Any]) -> Alert:
    own = [row for row in work if row.machine == alert.stringer and row.lane in ("", alert.lane)]
    if not own:
        return alert
    last = own[-1]
    ended = (last.ended_at or last.started_at)[:19]

    def since(rows: Sequence[Any], *, flagged: bool) -> int:
        here = (row for row in rows if (row.stringer, row.lane) == (alert.stringer, alert.lane))
        after = (row for row in here if row.seen_at[:19] > ended)
        same = (row for row in after if not flagged or alert.position in (0, row.position_as_built))
        return len({(row.serial, row.string) for row in same})

    counts = (since(flags, flagged=True), since(strings, flagged=False))
    return replace(alert, last_work=f"{last.started_at[:16].replace('T', ' ')} {last.what}", since_work=counts)


def card(alert: Alert, parts: Sequence[MachinePart] = ()) -> Paper:
    """Return the card a technician takes to the machine: one page.

    Parameters
    ----------
    alert : Alert
        What it is about.
    parts : sequence of MachinePart
        The plant's map of what touches where.
    """
    from elinspect.reports.figures import place_figure

    middle = tuple(float(value) for value in np.median(alert.places, axis=0)) if len(alert.places) else None
    place = (middle[0], middle[1]) if middle is not None else None
    touching = [part.name for part in parts if part.touches(alert.stringer, alert.lane, alert.position, place)]
    flagged, strings = alert.since_work
    facts = [
        (words("alert.where"), words("alert.lane_name", stringer=alert.stringer, lane=alert.lane)),
        (words("figure.position"), str(alert.position) if alert.position else words("alert.any_position")),
        (words("alert.kind"), words(f"kind.{alert.kind.value}") if alert.kind is not None else ""),
        (words("alert.touching"), ", ".join(touching) or words("alert.no_part")),
        (words("alert.last_work"), alert.last_work or words("common.unknown")),
    ]
    if alert.last_work:
        facts.append((words("alert.since_work"), words("alert.counts", flagged=flagged, n=strings)))
    told: list[Part] = [Text(alert.message.text, strong=True), Text(words("commonality.caution"))]
    note = words("alert.false_alarms", n=alert.false_alarms)
    told.append(Drawing(place_figure(alert.places, None, words("commonality.places"), note)))
    told += [Heading(words("alert.panels")), Text(", ".join(alert.serials))]
    return Paper(words("alert.title", stringer=alert.stringer, lane=alert.lane), facts, told)


def write_card(alert: Alert, path: Path, parts: Sequence[MachinePart] = ()) -> None:
    """Write a card as PDF.

    Raises
    ------
    LogError
        If the file cannot be written.
    """
    write_paper(path, card(alert, parts))
