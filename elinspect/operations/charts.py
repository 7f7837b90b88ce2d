"""Figures over time: first-pass yield, rework, flags, escapes, pictures and their quality, takt; with limits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from elinspect.catalogue import words
from elinspect.records import Disposition, Kind, Purpose, Stage
from elinspect.statistics.asked import ChartOf
from elinspect.statistics.control_charts import LEAST_EXPECTED, Chart, cusum, ewma, g_chart, p_chart, u_chart
from elinspect.statistics.intervals import wilson
from elinspect.store.counts import cell_counts, cells_by, decisions_by, pictures_by
from elinspect.store.log import Log
from elinspect.store.production import Period, confirmed_of_proposed, escaped_panels, measured_of, times_seen

FloatArray = NDArray[np.float64]


class Sort(StrEnum):
    """How a chart was made."""

    P = "p"
    U = "u"
    G = "g"
    EWMA = "ewma"
    CUSUM = "cusum"
    RUN = "run"


@dataclass(frozen=True, slots=True, eq=False)
class DayChart:
    """A chart with what it was asked for.

    Attributes
    ----------
    of : ChartOf
        What it shows.
    sort : Sort
        How; where fewer than five are expected a day, rare events are shown by the good ones between them (g chart),
        for others days are joined.
    chart : Chart
        Values and limits; without points where nothing was logged.
    labels : tuple of str
        Day of each point, the first of joined ones; for a g chart that of each event.
    counts, sizes : ndarray
        Behind the values.
    period : Period
        Asked for.
    purpose : Purpose
        Of the panels.
    kind : Kind or None
        Only this kind.
    logged : (str, str)
        First and last day with anything in it; empty texts without.
    joined : bool
        Whether points stand for several days.
    """

    of: ChartOf
    sort: Sort
    chart: Chart
    labels: tuple[str, ...]
    counts: FloatArray
    sizes: FloatArray
    period: Period
    purpose: Purpose
    kind: Kind | None = None
    logged: tuple[str, str] = ("", "")
    joined: bool = False

    @property
    def whole(self) -> tuple[float, float, float]:
        """The value over the whole period, with its 95 % interval (Wilson); nan where nothing was logged."""
        if not self.sizes.sum() or self.sort is Sort.RUN:
            middle = float(np.median(self.chart.values)) if len(self.chart.values) else float("nan")
            return middle, float("nan"), float("nan")
        low, high = wilson(min(self.counts.sum(), self.sizes.sum()), self.sizes.sum()).at(0)
        return float(self.counts.sum() / self.sizes.sum()), low, high

    @property
    def title(self) -> str:
        """The title in words; a purpose other than production is named in it."""
        title = words(f"chart.{self.of.value}")
        if self.kind is not None:
            title = f"{title}: {words(f'kind.{self.kind.value}')}"
        return title if self.purpose is Purpose.PRODUCTION else f"{title} · {words(f'purpose.{self.purpose.value}')}"

    @property
    def note(self) -> str:
        """What stands under it: purpose, stage, period, sort of chart, n."""
        first, last = (day or "…" for day in self.logged)
        sort = words(f"chart.sort.{self.sort.value}")
        if self.chart.overdispersion > 1.05:
            sort += words("chart.widened", times=self.chart.overdispersion)
        if self.joined:
            sort += words("chart.joined")
        return words(
            "figure.note",
            purpose=words(f"purpose.{self.purpose.value}"),
            stage=words(f"stage.{self.period.stage}"),
            period=words("figure.period", first=self.period.since or first, last=self.period.until or last),
            filters=f"{sort} · ",
            n=f"{self.sizes.sum():.0f}",
        )

    @property
    def percent(self) -> bool:
        """Whether the values are shares."""
        return self.sort not in (Sort.G, Sort.CUSUM, Sort.RUN)

    def drawing(self) -> Any:
        """Return the figure."""
        from elinspect.reports.figures import chart_figure

        unit = f"between.{self.of.value}" if self.sort is Sort.G else self.of.value
        days = [label[5:] if len(label) == 10 else label for label in self.labels]
        return chart_figure(self.chart, days, self.title, self.note, words(f"chart.unit.{unit}"), percent=self.percent)


def day_chart(
    log: Log,
    of: ChartOf | str,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    stage: Stage = Stage.BEFORE_LAMINATION,
    since: str | None = None,
    until: str | None = None,
    product: str | None = None,
    kind: Kind | None = None,
    stringer: str | None = None,
    lane: str | None = None,
) -> DayChart:
    """Make a chart, one point a day.

    Parameters
    ----------
    log : Log
        The log.
    of : ChartOf
        What it shows.
    purpose, stage, since, until, product
        Which panels.
    kind : Kind, optional
        Only flags of this kind, where flags are counted.
    stringer, lane : str, optional
        Only cells from there, where flags are counted.
    """
    of = ChartOf(of)
    period = Period(purpose.value, stage.value, since, until, product)
    with log.reading() as connection:
        if of is ChartOf.TAKT:
            return _spread(of, _gaps_between(times_seen(connection, period)), period, purpose)
        if of in (ChartOf.SIGNAL_TO_NOISE, ChartOf.SHARPNESS):
            measured = measured_of(connection, period, of.value)
            return _spread(of, {day: np.array(values) for day, values in measured.items()}, period, purpose)
        if of in _OF_CELLS:
            points = _flagged(connection, period, kind, stringer, lane)
        elif of is ChartOf.ESCAPES:
            points = _escapes(connection, period)
        elif of is ChartOf.UNUSABLE_PICTURES:
            points = _unusable(connection, period)
        else:
            points = _decided(connection, period, of)
    labels = tuple(sorted(day for day, (_, size) in points.items() if size))
    counts, sizes = (np.array([points[day][side] for day in labels], dtype=np.float64) for side in (0, 1))
    logged, days = (labels[0], labels[-1]) if labels else ("", ""), len(labels)
    if of not in _OF_CELLS and labels and not _are_rare(_events(of, counts, sizes), sizes):
        counts, sizes, labels = _joined(counts, sizes, labels)
    chart, sort, shown = _control(of, counts, sizes, labels)
    return DayChart(of, sort, chart, shown, counts, sizes, period, purpose, kind, logged, len(labels) < days)


_Points = dict[str, tuple[int, int]]


_OF_CELLS = (ChartOf.FLAGGED_CELLS, ChartOf.FLAGGED_CELLS_EWMA, ChartOf.FLAGGED_CELLS_CUSUM)
_GOOD = (ChartOf.FIRST_PASS_YIELD, ChartOf.REWORK_SUCCESS)  # what is counted is good; the others are events
_RARE = 0.1
"""Share from which gaps between events say nothing any more. Plant's choice: ten panels from one to the next."""
CUSUM_ALLOWANCE, CUSUM_LIMIT = 0.5, 5.0
"""In standard deviations of a day: finds a shift of one soonest, with a false signal in about 470 days (Siegmund 1985,
Sequential Analysis, Springer, equation 2.59, of both sides)."""


def _control(
    of: ChartOf, counts: FloatArray, sizes: FloatArray, labels: tuple[str, ...]
) -> tuple[Chart, Sort, tuple[str, ...]]:
    if not len(labels):
        none = np.empty(0)
        return Chart(none, none, none, none, none.astype(np.bool_)), Sort.P, ()
    if of in (ChartOf.FLAGGED_CELLS_EWMA, ChartOf.FLAGGED_CELLS_CUSUM):
        return (*_summed(of, counts, sizes), labels)
    if _are_rare(_events(of, counts, sizes), sizes):
        return _gaps(_events(of, counts, sizes), sizes, labels)
    if of is ChartOf.FLAGGED_CELLS:
        return u_chart(counts, sizes, overdispersed=True), Sort.U, labels
    return p_chart(counts, sizes, overdispersed=True), Sort.P, labels


def _events(of: ChartOf, counts: FloatArray, sizes: FloatArray) -> FloatArray:
    return sizes - counts if of in _GOOD else counts


def _are_rare(events: FloatArray, sizes: FloatArray) -> bool:
    """Whether too few are expected a day for limits of a p or u chart, and there are gaps between them to show."""
    rate = float(events.sum() / sizes.sum())
    return rate * float(np.mean(sizes)) < LEAST_EXPECTED and rate <= _RARE and events.sum() >= _LEAST_EVENTS


_LEAST_EVENTS = 2


def _joined(
    counts: FloatArray, sizes: FloatArray, labels: tuple[str, ...]
) -> tuple[FloatArray, FloatArray, tuple[str, ...]]:
    """Join days, in order, until five of the rarer outcome are expected in each point."""
    rate = float(counts.sum() / sizes.sum())
    least = LEAST_EXPECTED / max(min(rate, 1 - rate), 1e-12)
    if not 0 < rate < 1 or np.mean(sizes) >= least:
        return counts, sizes, labels
    begins, held = [0], 0.0
    for day, size in enumerate(sizes.tolist()):
        if held >= least:
            begins.append(day)
            held = 0.0
        held += size
    if held < least and len(begins) > 1:
        begins.pop()  # what is left at the end goes with the point before
    joined = (np.add.reduceat(counts, begins), np.add.reduceat(sizes, begins))
    return (*joined, tuple(labels[begin] for begin in begins))


def _summed(of: ChartOf, counts: FloatArray, sizes: FloatArray) -> tuple[Chart, Sort]:
    """Return the charts that remember what came before: moving average, or sums above and below the mean."""
    rate = float(counts.sum() / sizes.sum())
    spread = u_chart(counts, sizes, overdispersed=True).overdispersion * np.sqrt(max(rate, 1e-12) / sizes)
    if of is ChartOf.FLAGGED_CELLS_EWMA:
        return ewma(counts / sizes, rate, spread, 0.2), Sort.EWMA
    sums = cusum((counts / sizes - rate) / spread, 0.0, CUSUM_ALLOWANCE, CUSUM_LIMIT, anew=True)
    values = np.where(sums.high >= sums.low, sums.high, -sums.low)
    limit = np.full_like(values, CUSUM_LIMIT)
    return Chart(values, np.zeros_like(values), -limit, limit, np.abs(values) > limit), Sort.CUSUM


def _gaps(counts: FloatArray, sizes: FloatArray, labels: tuple[str, ...]) -> tuple[Chart, Sort, tuple[str, ...]]:
    """Return the good panels between two bad ones; within a day the bad ones are taken as evenly spread."""
    before, places, days = 0.0, [], []
    for count, size, day in zip(counts, sizes, labels, strict=True):
        places += [before + size * (number + 0.5) / count for number in range(int(count))]
        days += [day] * int(count)
        before += size
    gaps = [max(0.0, round(second - first) - 1) for first, second in pairwise([0.0, *places])]
    return g_chart(gaps), Sort.G, tuple(days)


def _decided(connection: Connection, period: Period, of: ChartOf) -> _Points:
    first = of is ChartOf.FIRST_PASS_YIELD
    points: _Points = {}
    for row in decisions_by(connection, period, ("day",)):
        if (row.attempt == 1) is not first or row.decision == Disposition.HOLD:
            continue
        passed, decided = points.get(row.day, (0, 0))
        good = row.panels if row.decision == Disposition.ACCEPT else 0
        points[row.day] = (passed + good, decided + row.panels)
    return points


def _flagged(
    connection: Connection, period: Period, kind: Kind | None, stringer: str | None, lane: str | None
) -> _Points:
    made: dict[str, int] = {}
    for row in cells_by(connection, period, ("day", "stringer", "lane")):
        if stringer in (None, row.stringer) and lane in (None, row.lane):
            made[row.day] = made.get(row.day, 0) + int(row.cells)
    only = kind.value if kind is not None else None
    flagged: dict[str, int] = {}
    for row in cell_counts(connection, period, ("day",), only, stringer=stringer, lane=lane):
        flagged[row.day] = flagged.get(row.day, 0) + int(row.confirmed)
    return {day: (flagged.get(day, 0), cells) for day, cells in made.items()}


def _escapes(connection: Connection, period: Period) -> _Points:
    """Return panels with a confirmed flag after lamination that the gate did not confirm, of those looked at."""
    later = Period(period.purpose, Stage.AFTER_LAMINATION.value, period.since, period.until, period.product)
    looked = {row.day: int(row.pictures) for row in pictures_by(connection, later, ("day",))}
    escaped = escaped_panels(connection, later, period.stage)
    return {day: (min(escaped.get(day, 0), n), n) for day, n in looked.items()}


def _unusable(connection: Connection, period: Period) -> _Points:
    points: _Points = {}
    for row in pictures_by(connection, period, ("day", "judged")):
        bad, n = points.get(row.day, (0, 0))
        pictures = int(row.pictures)
        points[row.day] = (bad + (0 if row.judged else pictures), n + pictures)
    return points


_LONGEST_TAKT_S = 600.0  # a longer gap is a pause


def _spread(of: ChartOf, by_day: Mapping[str, FloatArray], period: Period, purpose: Purpose) -> DayChart:
    """Return the median of each day, with where eight of ten values lie; no control limits are meant for it."""
    labels = tuple(by_day)
    low, values, high = (np.array([np.percentile(by_day[day], share) for day in labels]) for share in (10, 50, 90))
    centre = np.full(len(labels), np.median(values) if len(values) else np.nan)
    chart = Chart(values, centre, low, high, np.zeros(len(labels), dtype=np.bool_))
    sizes = np.array([len(by_day[day]) for day in labels], dtype=np.float64)
    logged = (labels[0], labels[-1]) if labels else ("", "")
    return DayChart(of, Sort.RUN, chart, labels, values, sizes, period, purpose, None, logged)


def _gaps_between(rows: Sequence[Any]) -> dict[str, FloatArray]:
    """Return the seconds between one picture of a station and the next, by day; pauses are left out."""
    gaps: dict[str, list[FloatArray]] = {}
    for row in rows:
        steps = np.diff(np.sort(_seconds_of_day(row.clocks)))
        gaps.setdefault(row.day, []).append(steps[(steps > 0) & (steps < _LONGEST_TAKT_S)])
    joined = {day: np.concatenate(steps) for day, steps in gaps.items()}
    return {day: steps for day, steps in joined.items() if len(steps)}


def _seconds_of_day(clocks: str) -> FloatArray:
    """Return times of day, ``HH:MM:SS,HH:MM:SS``, in seconds."""
    digits = np.frombuffer(f"{clocks},".encode("ascii"), dtype=np.uint8).reshape(-1, 9) - ord("0")
    seconds: FloatArray = digits[:, [0, 1, 3, 4, 6, 7]] @ np.array([36000.0, 3600.0, 600.0, 60.0, 10.0, 1.0])
    return seconds


def chart_words(made: DayChart) -> str:
    """Return a chart in a sentence: value over the period, interval, signals."""
    if not made.labels:
        return words("chart.empty", title=made.title)
    value, low, high = made.whole
    interval = words("chart.interval", low=low, high=high) if low == low else ""
    shown = words(f"chart.value.{made.of.value}", value=value) if made.sort is Sort.RUN else f"{value:.2%}"
    signals, n = int(made.chart.out.sum()), int(made.sizes.sum())
    told = words("chart.whole", title=made.title, value=shown, interval=interval, cells=n)
    if made.sort is Sort.RUN or len(made.labels) < 2:
        return told  # no limits are meant for it
    return f"{told} {words('chart.beyond', out=signals, n=len(made.labels))}"


CHART_COLUMNS = ("day", "value", "centre", "low", "high", "out", "count", "n")


def chart_rows(made: DayChart) -> list[Sequence[str | float | None]]:
    """Return a chart as a table with the columns of `CHART_COLUMNS`."""
    same = len(made.counts) == len(made.labels)
    return [
        (
            label,
            round(float(made.chart.values[point]), 6),
            round(float(made.chart.centre[point]), 6),
            round(float(made.chart.low[point]), 6),
            round(float(made.chart.high[point]), 6),
            words("chart.out") if made.chart.out[point] else "",
            float(made.counts[point]) if same else None,
            float(made.sizes[point]) if same else None,
        )
        for point, label in enumerate(made.labels)
    ]


def machine_figures(log: Log, period: Period) -> dict[str, tuple[int, int]]:
    """Return what can be said about the machine, as counts of so many.

    Parameters
    ----------
    log : Log
        The log.
    period : Period
        Which panels.

    Returns
    -------
    dict
        ``recall``: cells it flagged of those confirmed; ``false``: cells it flagged that nobody confirmed, of those it
        flagged. What nobody saw is in neither: `operations.second_readings.machine_recall` tells about that.
    """
    with log.reading() as connection:
        found = cell_counts(connection, period, ("attempt",))
        agreed = confirmed_of_proposed(connection, period)
    proposed, confirmed = (sum(int(getattr(row, name)) for row in found) for name in ("proposed", "confirmed"))
    return {"recall": (agreed, confirmed), "false": (max(0, proposed - agreed), proposed)}
