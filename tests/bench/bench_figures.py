"""How long the commands about figures take, as a curve from ten thousand to five million flags.

A simulated plant of 300 days and 12 lanes is logged as events and projections, about five flags in every panel of 60
cells, of which inspectors confirm four; `log verify` accepts the log. How long that takes is printed too. Bound: 3 s
for each command on the largest log.

    PYTHONPATH=.:tests python tests/bench/bench_figures.py [--most FLAGS] [--log FILE] [--only WORD]

With --log a file that such a run left is measured, and nothing is simulated.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from sqlalchemy import func, select

from elinspect.operations.alerts import alerts
from elinspect.operations.charts import day_chart
from elinspect.operations.commonality import commonality
from elinspect.operations.containment import containment
from elinspect.operations.pareto import pareto
from elinspect.operations.passports import module_passport
from elinspect.operations.people_report import people_report
from elinspect.operations.report_making import write_report
from elinspect.operations.reports import machine_report, period_report
from elinspect.operations.shift_report import shift_report
from elinspect.operations.simulating import simulate_into_log
from elinspect.records import Kind, Purpose
from elinspect.statistics.asked import ChartOf, ReportOf
from elinspect.statistics.pareto import GroupBy, Measure
from elinspect.store import Log, open_log
from elinspect.store.production import days_of
from elinspect.store.schema import flagged_cells, inspections
from elinspect.store.verify import verify
from elinspect.synthetic.plant_records import RecordPlant
from elinspect.synthetic.troubled_plant import troubled_plant

BOUND_S = 3.0
DAYS, FLAGS_PER_PANEL = 300, 4.7
DEMO = Purpose.DEMO
Work = dict[str, Callable[[], object]]


def _plant(panels_per_day: int) -> RecordPlant:
    """Return the demonstration plant with six times its flags: a log of five million is what is asked for."""
    plant = troubled_plant(DAYS, panels_per_day)
    causes = tuple(replace(cause, times=1 + (cause.times - 1) / 3) for cause in plant.causes)
    return replace(plant, stringers=6, rates={kind: 6.4 * rate for kind, rate in plant.rates.items()}, causes=causes)


def _work(log: Log, folder: Path) -> Work:
    with log.reading() as connection:
        days = days_of(connection, DEMO.value, "before_lamination")
    assert days is not None
    weeks = (date.fromisoformat(days[1]) - timedelta(days=27)).isoformat()

    def report(made: Callable[[], object], name: str) -> Callable[[], object]:
        return lambda: write_report(made(), folder / f"{name}.pdf")  # type: ignore[arg-type]

    work: Work = {f"pareto by {by.value}": lambda by=by: pareto(log, by, DEMO) for by in GroupBy}  # type: ignore[misc]
    for measure in (Measure.FLAGS, Measure.PANELS, Measure.PER_MILLION):
        work[f"pareto of {measure.value} by lane"] = lambda measure=measure: pareto(  # type: ignore[misc]
            log, GroupBy.LANE, DEMO, measure=measure
        )
    work |= {f"chart of {of.value}": lambda of=of: day_chart(log, of, DEMO) for of in ChartOf}  # type: ignore[misc]
    work |= {
        "commonality, cracks, 4 weeks": lambda: commonality(log, (Kind.CRACK,), DEMO),
        "commonality, all, 4 weeks": lambda: commonality(log, (), DEMO),
        "alerts": lambda: alerts(log, DEMO),
        "containment, a lane, 4 weeks": lambda: containment(log, weeks, DEMO, stringer="B", lane="2", position=3),
        "report of a shift": report(lambda: shift_report(log, DEMO), "shift"),
        "report of a day": report(lambda: period_report(log, ReportOf.DAY, DEMO), "day"),
        "people and machine, 4 weeks": report(lambda: people_report(log, DEMO)[1], "people"),
        "report of a week": report(lambda: period_report(log, ReportOf.WEEK, DEMO), "week"),
        "report of a stringer": report(lambda: machine_report(log, ReportOf.STRINGER, "B", DEMO), "stringer"),
        "report of a supplier": report(lambda: machine_report(log, ReportOf.SUPPLIER, "Ostervane", DEMO), "supplier"),
        "passport of a module": report(lambda: module_passport(log, "SIM-00000100"), "module"),
    }
    return work


def _timed(work: Callable[[], object], times: int = 2) -> tuple[float, float]:
    taken, computed = [], []
    for _ in range(times):
        start, cpu = time.perf_counter(), time.process_time()
        work()
        taken.append(time.perf_counter() - start)
        computed.append(time.process_time() - cpu)
    return min(taken), min(computed)


def _simulated(folder: Path, flags: int) -> Path:
    place, start, cpu = folder / "log.sqlite", time.perf_counter(), time.process_time()
    with open_log(place) as log:
        panels = simulate_into_log(log, _plant(max(1, round(flags / FLAGS_PER_PANEL / DAYS))), DAYS, 1)
        filled = f"{time.perf_counter() - start:.0f} s, {time.process_time() - cpu:.0f} s of them computing"
        print(f"{panels} panels logged in {filled}; faults in its chain: {len(verify(log))}")
    return place


def _measure(place: Path, folder: Path, only: str) -> dict[str, float]:
    slowest = {}
    with open_log(place, new=False) as log:
        with log.reading() as connection:
            counted = [connection.execute(select(func.count()).select_from(t)).scalar_one() for t in _COUNTED]
        print(f"{counted[0]} flagged cells, {counted[1]} inspections")
        for name, done in _work(log, folder).items():
            if only in name:
                slowest[name], computed = _timed(done)
                print(f"    {name:32} {slowest[name]:6.2f} s, {computed:6.2f} s of them computing", flush=True)
    return slowest


_COUNTED = (flagged_cells, inspections)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--most", type=int, default=5_000_000)
    parser.add_argument("--log", type=Path)
    parser.add_argument("--only", default="")
    given = parser.parse_args()
    slowest: dict[str, float] = {}
    sizes = [0] if given.log else [size for size in (10_000, 100_000, 1_000_000, 5_000_000) if size <= given.most]
    for flags in sizes:
        folder: AbstractContextManager[str] = tempfile.TemporaryDirectory()
        with folder as name, nullcontext(Path(name)) as here:
            slowest = _measure(given.log or _simulated(here, flags), here, given.only)
    late = [name for name, taken in slowest.items() if taken > BOUND_S]
    print("within the bounds" if not late else f"NOT within {BOUND_S:.0f} s: {', '.join(late)}")
    return 1 if late else 0


if __name__ == "__main__":
    sys.exit(main())
