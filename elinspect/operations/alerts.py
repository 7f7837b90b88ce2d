"""Alerts within minutes: the same lane and place again and again, or a lane whose rate has risen."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from elinspect.catalogue import Message, Value
from elinspect.operations.figure_rows import places_in_lane
from elinspect.records import Kind, Layout, Purpose, Stage
from elinspect.statistics.alerts import (
    BernoulliCusum,
    RepeatRule,
    bernoulli_cusum,
    rate_spread,
    repeat_rule,
    repeats,
    run_cusum,
)
from elinspect.store.lanes import UsualFlags, counts_since, flags_of_lanes, strings_of_lanes, usual_flags
from elinspect.store.log import Log
from elinspect.store.production import Period, days_of, maintenance_of

FloatArray = NDArray[np.float64]
Lane = tuple[str, str]

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
_MOST_WANDER = 0.3  # of the rate, from day to day; set for more, the rules would see nothing any more
_MOST_RATE = 0.7  # of strings; where more are flagged, a string with a flag says nothing


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
    cells : int
        Of a string.
    last_work : str
        Last maintenance of the lane; empty if none is known.
    since_work : (int, int) or None
        Flagged cells and cells that the place made since; None where that is too long ago to be counted.
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
    cells: int
    last_work: str = ""
    since_work: tuple[int, int] | None = None

    @property
    def message(self) -> Message:
        """The alert in one line."""
        values: dict[str, Value] = {"stringer": self.stringer, "lane": self.lane, "position": self.position}
        counts: dict[str, Value] = {"flagged": self.flagged, "n": self.strings, "at": self.at[:16].replace("T", " ")}
        return Message("alert.place" if self.position else "alert.lane", {**values, **counts})


@dataclass(frozen=True, slots=True)
class Rules:
    """Both rules, set for the usual rates of the plant.

    Attributes
    ----------
    repeat : RepeatRule
        For each position of each lane.
    cusum : BernoulliCusum
        For each lane.
    """

    repeat: RepeatRule
    cusum: BernoulliCusum


def rules_for(usual: UsualFlags, cells_per_string: int) -> Rules:
    """Set the rules for what is usual.

    Every position has its own rate: where cells crack anyway, as at the ends of a string, more repeats are needed. What
    counts for the rates is at least what counts for an alert, so that false alarms are at most as frequent as stated.
    """
    strings = max(usual.cells / cells_per_string, 1.0)
    least = _LEAST_RATE / cells_per_string
    rates = [
        float(np.clip(usual.by_position.get(position, 0) / strings, least, 1.0))
        for position in range(1, cells_per_string + 1)
    ]
    flagged = float(np.clip(usual.strings / strings, _LEAST_RATE, _MOST_RATE))
    odds = TIMES_TO_FIND * flagged / (1 - flagged)
    made = [round(cells / cells_per_string) for _, cells in usual.by_day]
    spread = min(rate_spread([strings for strings, _ in usual.by_day], made), _MOST_WANDER * flagged)
    cusum = bernoulli_cusum(flagged, odds / (1 + odds), BETWEEN_FALSE_ALARMS, spread)
    return Rules(repeat_rule(rates, 1, WINDOW, FALSE_ALARMS, wander=spread / flagged), cusum)


def usual_before(connection: Connection, purpose: Purpose, stage: Stage, day: str, cells: int) -> UsualFlags:
    """Return what was flagged in the four weeks before a day, in strings of so many cells.

    A plant without that history is judged by the day itself: every position by the median of all, so that a place that
    is bad from the start does not pass for usual.
    """
    before = (date.fromisoformat(day) - timedelta(days=BASE_DAYS)).isoformat()
    eve = (date.fromisoformat(day) - timedelta(days=1)).isoformat()
    usual = usual_flags(connection, Period(purpose.value, stage.value, before, eve))
    if usual.cells:
        return usual
    today = usual_flags(connection, Period(purpose.value, stage.value, day))
    middle = int(np.median([today.by_position.get(position, 0) for position in range(1, cells + 1)]))
    strings = today.cells / cells
    # A string may have several flags: counted as many strings as carry one where positions know nothing of each other.
    flagged = round(strings * (1 - (1 - min(middle / strings, 1.0)) ** cells)) if strings else 0
    return UsualFlags(dict.fromkeys(range(1, cells + 1), middle), ((flagged, today.cells),))


def alerts(
    log: Log,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    stage: Stage = Stage.BEFORE_LAMINATION,
    until: str | None = None,
    before: str | None = None,
) -> tuple[Alert, ...]:
    """Evaluate both rules over the newest days.

    Counted are flags inspectors confirmed, and in panels nobody has decided yet those the machine is sure of: they are
    what makes an alert early.

    Parameters
    ----------
    log : Log
        The log.
    purpose, stage : Purpose, Stage
        Which panels.
    until : str, optional
        Last day; by default the newest.
    before : str, optional
        Only what was seen before a moment of that day or the next, ``YYYY-MM-DDTHH:MM``: the end of a shift.

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
        clock = (f"{begin}T00:00", before) if before is not None else None
        recent = Period(purpose.value, stage.value, begin, last, clock=clock)
        strings, flags = strings_of_lanes(connection, recent), flags_of_lanes(connection, recent)
        if not strings or not flags:
            return ()
        cells = Layout.parse(strings[-1].layout).cells_per_string
        rules = rules_for(usual_before(connection, purpose, stage, begin, cells), cells)
        found = raised(strings, flags, rules)
        told = with_work(connection, found, Period(purpose.value, stage.value, until=last))
    return tuple(sorted(told, key=lambda alert: alert.at, reverse=True))


def raised(strings: Sequence[Any], flags: Sequence[Any], rules: Rules) -> list[Alert]:
    """Return the last alert of every place and lane, for rows of `store.lanes` in the order of time."""
    made: dict[Lane, int] = defaultdict(int)
    numbers = {}
    for row in strings:
        numbers[row.serial, row.string] = made[row.stringer, row.lane]
        made[row.stringer, row.lane] += 1
    of_place, of_lane = defaultdict(list), defaultdict(list)
    for row in flags:
        number = numbers.get((row.serial, row.string))
        if number is not None:
            of_lane[row.stringer, row.lane].append((number, row))
            if row.position_as_built:
                of_place[row.stringer, row.lane, row.position_as_built].append((number, row))
    found = [*_repeated(of_place, rules.repeat), *_risen(of_lane, made, rules.cusum)]
    cells = Layout.parse(strings[-1].layout).cells_per_string if strings else 0
    return [replace(alert, cells=cells) for alert in found]


_Numbered = dict[Any, list[tuple[int, Any]]]


def _repeated(of_place: _Numbered, rule: RepeatRule) -> Iterable[Alert]:
    for (stringer, lane, position), numbered in of_place.items():
        numbered.sort(key=lambda pair: pair[0])
        numbers = [number for number, _ in numbered]
        found = repeats(sorted(set(numbers)), rule)
        if found:
            last = sorted(set(numbers))[found[-1]]
            recent = [row for number, row in numbered if last - rule.window < number <= last]
            yield _alert(stringer, lane, position, recent, rule.window, rule.false_alarms)


def _risen(of_lane: _Numbered, made: dict[Lane, int], design: BernoulliCusum) -> Iterable[Alert]:
    for (stringer, lane), numbered in of_lane.items():
        flagged = np.zeros(made[stringer, lane])
        flagged[[number for number, _ in numbered]] = 1
        beyond = np.flatnonzero(run_cusum(flagged, design) > design.limit)
        if beyond.size:
            end = int(beyond[-1])
            begin = int(beyond[-2]) + 1 if len(beyond) > 1 else 0
            recent = [row for number, row in numbered if begin <= number <= end]
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
        at=max(row.seen_at for row in rows),
        false_alarms=false_alarms,
        places=places[np.isfinite(places).all(axis=1)],
        serials=serials,
        cells=0,
    )


def with_work(connection: Connection, found: Sequence[Alert], period: Period) -> list[Alert]:
    """Return alerts with the last maintenance of their lanes, and what the places made since."""
    work = maintenance_of(connection) if found else []
    return [_with_work(connection, alert, work, period) for alert in found]


def _with_work(connection: Connection, alert: Alert, work: Sequence[Any], period: Period) -> Alert:
    own = [row for row in work if row.machine == alert.stringer and row.lane in ("", alert.lane)]
    if not own:
        return alert
    last = own[-1]
    ended = last.ended_at or last.started_at
    told = replace(alert, last_work=f"{last.started_at[:16].replace('T', ' ')} {last.what}")
    oldest = (date.fromisoformat(alert.at[:10]) - timedelta(days=BASE_DAYS)).isoformat()
    if ended[:10] < oldest:
        return told
    since = replace(period, since=ended[:10])
    return replace(
        told, since_work=counts_since(connection, since, (alert.stringer, alert.lane), alert.position, ended)
    )
