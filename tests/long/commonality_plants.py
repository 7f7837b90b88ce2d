"""Proof of the commonality analysis on simulated plants: how often it accuses wrongly, how often rightly, and when.

    PYTHONPATH=.:tests python tests/long/commonality_plants.py [--plants N] [--only NAME]

Each scenario is run on its own plants (seeded by number). Printed: counts with exact 95 % intervals. A wrong accusation
names a stringer or lane that has no cause; bound: not significantly above 1 % (one-sided exact binomial, 5 %), which is
at most 15 of 1,000.
"""

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

from elinspect.records import Kind
from elinspect.statistics.change_point import onset
from elinspect.statistics.commonality import Level, Node, SearchResult, search
from elinspect.statistics.intervals import exact
from elinspect.statistics.strings_made import FlaggedCells, StringsMade, place_code
from elinspect.statistics.wafer_repeats import wafer_repeats
from elinspect.synthetic.plant_records import CauseOf, Change, Day, PlantCause, RecordPlant, simulate_days

DAYS, ONSET_DAY, BAD_LANE = 15, 10.0, 7
PERMUTATIONS = 999


@dataclass(frozen=True, eq=False)
class Collected:
    made: StringsMade
    flagged: FlaggedCells
    days: list[Day]
    repeats: int


def collect(plant: RecordPlant, days: int, seed: list[int]) -> Collected:
    """Run a plant and count it as the analysis of a log does; wafer repeats set apart."""
    made, cells, run = [], [], list(simulate_days(plant, days, np.random.default_rng(seed)))
    base = 0
    lane_string = np.zeros(plant.n_lanes, dtype=np.int64)
    repeats = 0
    for day in run:
        stratum = ((day.product * 8 + day.model) * 8 + day.criteria) * 64 + day.inspector
        block = np.full(len(day.lane), day.number)
        made.append(np.stack([block, stratum, day.lane, day.lot]))
        # Strings are in order of lane and time; their number in the lane goes on from day to day.
        starts = np.searchsorted(day.lane, np.arange(plant.n_lanes))
        number = np.arange(len(day.lane)) - starts[day.lane] + lane_string[day.lane]
        lane_string += np.bincount(day.lane, minlength=plant.n_lanes)
        confirmed = day.flag_confirmed
        s, position = day.flag_string[confirmed], day.flag_position[confirmed]
        along, across = day.flag_along[confirmed], day.flag_across[confirmed]
        per_string = np.full(len(s), plant.layout.cells_per_string)
        again = wafer_repeats(day.lane[s], day.lot[s], number[s], position, per_string, along, across)
        repeats += int(again.sum())
        row = [base + s, block[s], stratum[s], day.lane[s], day.lot[s], position, place_code(along, across)]
        cells.append(np.stack(row)[:, ~again])
        base += len(day.lane)
    codes, counts = np.unique(np.concatenate(made, axis=1), axis=1, return_counts=True)
    strings = StringsMade(*codes, counts, counts * plant.layout.cells_per_string)
    return Collected(strings, FlaggedCells(*np.concatenate(cells, axis=1)), run, repeats)


def analyse(plant: RecordPlant, number: int, days: int = DAYS) -> tuple[Collected, SearchResult]:
    collected = collect(plant, days, [number, 2])
    rng = np.random.default_rng([number, 1])
    found = search(
        collected.made, collected.flagged, plant.stringer_of_lane, rng, permutations=PERMUTATIONS, within_lots=True
    )
    return collected, found


CLUSTERED = 0.1
SOUND: dict[str, RecordPlant] = {
    "null": RecordPlant(),
    "clustered null": RecordPlant(string_correlation=CLUSTERED),
    "lot only": RecordPlant(
        string_correlation=CLUSTERED,
        lanes_of_lot=0.5,
        causes=(PlantCause(CauseOf.LOT, 0.0, 5.0, 16), PlantCause(CauseOf.LOT, 0.0, 5.0, 19)),
    ),
    "sister wafers": RecordPlant(string_correlation=CLUSTERED, sister_runs=5e-4),
    "model change": RecordPlant(
        string_correlation=CLUSTERED, lines=2, model_changes=(Change(6.0, 2.5, 0), Change(11.0, 2.5, 1))
    ),
    "inspector drift": RecordPlant(
        string_correlation=CLUSTERED, lines=2, inspector_drift=(Change(5.0, 2.5, 1, ramp_days=6.0),)
    ),
}


def bad_lane(times: float, cells_after: int, rate: float = 0.01, position: int = 0) -> RecordPlant:
    """Return a plant of 12 lanes whose lane 7 goes bad on day 10 of 15 and has so many cells since then."""
    panels = round(cells_after * 12 / (5 * 60))
    place = {"along": 0.2, "across": 0.8} if position else {}
    cause = PlantCause(CauseOf.LANE, ONSET_DAY, times, BAD_LANE, position=position, **place)
    return RecordPlant(string_correlation=CLUSTERED, panels_per_day=panels, rates={Kind.CRACK: rate}, causes=(cause,))


def wrong(plant: RecordPlant, node: Node | None) -> bool:
    """Whether a machine is accused that has no cause."""
    if node is None:
        return False
    lanes = {cause.number for cause in plant.causes if cause.of is CauseOf.LANE}
    if node.level is Level.STRINGER:
        return not any(plant.stringer_of_lane[lane] == node.stringer for lane in lanes)
    return node.lane not in lanes


def share(count: int, size: int) -> str:
    low, high = exact(count, size).at(0)
    return f"{count} of {size} ({100 * count / size:.1f} %, {100 * low:.1f}-{100 * high:.1f})"


def onset_covered(collected: Collected, node: Node) -> tuple[bool, int]:
    """Find the onset in slots of 10 strings of the lane; whether the interval holds the true one.

    A change between two slots may have come at any time between the last string of one and the first of the other.
    """
    observed, expected, spans = [], [], []
    for day in collected.days:
        counted = day.flag_confirmed & ((day.flag_position == node.position) | (node.position == 0))
        flagged = np.bincount(day.flag_string[counted], minlength=len(day.lane)) > 0
        rest = flagged[day.lane != BAD_LANE].mean()
        mine = day.lane == BAD_LANE
        for part in np.array_split(np.flatnonzero(mine), max(1, int(mine.sum()) // 10)):
            observed.append(flagged[part].sum())
            expected.append(rest * len(part))
            spans.append((day.built[part[0]], day.built[part[-1]]))
    found = onset(np.array(observed, float), np.array(expected, float))
    earliest = spans[found.low - 1][1] if found.low else 0.0
    return earliest <= ONSET_DAY <= spans[found.high][0], found.high - found.low + 1


def run_sound(name: str, plants: int) -> bool:
    plant = SOUND[name]
    begin, accused, repeats = time.time(), 0, 0
    for number in range(plants):
        collected, found = analyse(plant, number)
        accused += wrong(plant, found.accused)
        repeats += collected.repeats
    bound = int(binom.ppf(0.95, plants, 0.01))
    held = accused <= bound
    print(
        f"{name:16}: wrong machine accused in {share(accused, plants)}; at most {bound}: {'holds' if held else 'FAILS'}"
        f" [{(time.time() - begin) / plants * 1e3:.0f} ms per plant, {repeats / plants:.1f} wafer repeats set apart]",
        flush=True,
    )
    return held


def run_bad(name: str, plant: RecordPlant, plants: int, right: Callable[[Node], bool]) -> float:
    begin = time.time()
    hits = partly = wrongly = covered = asked = 0
    widths = []
    for number in range(plants):
        collected, found = analyse(plant, number)
        node = found.accused
        wrongly += wrong(plant, node)
        if node is not None and right(node):
            hits += 1
        elif node is not None and not wrong(plant, node):
            partly += 1
        if node is not None and not wrong(plant, node):
            asked += 1
            inside, width = onset_covered(collected, node)
            covered += inside
            widths.append(width)
    print(
        f"{name}: right cause {share(hits, plants)}; only its stringer or not all of it {partly}; wrong {wrongly}; "
        f"onset interval covers {share(covered, asked) if asked else '-'}, median width "
        f"{np.median(widths) if widths else float('nan'):.0f} slots of 10 strings "
        f"[{(time.time() - begin) / plants * 1e3:.0f} ms per plant]",
        flush=True,
    )
    return hits / plants


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plants", type=int, default=1000)
    parser.add_argument("--only", choices=["sound", "bad", "curve"])
    given = parser.parse_args()
    good = True
    if given.only in (None, "sound"):
        for name in SOUND:
            good &= run_sound(name, given.plants)

    def lane(node: Node) -> bool:
        return node.lane == BAD_LANE

    if given.only in (None, "bad"):
        good &= run_bad("4 x, 1500 cells, 1 %", bad_lane(4, 1500), given.plants, lane) >= 0.95
        good &= run_bad("4 x, 3000 cells, 0.5 %", bad_lane(4, 3000, 0.005), given.plants, lane) >= 0.95
        one = bad_lane(4, 1500, position=3)
        good &= run_bad("4 x at position 3", one, given.plants, lambda n: n.lane == BAD_LANE and n.position == 3) > 0.9
    if given.only in (None, "curve"):
        print("power curve, 12 lanes, correlation 0.1, base rate 1 %")
        for times in (2, 3, 4, 6):
            for cells in (500, 1000, 1500, 2000, 3000, 6000):
                run_bad(f"{times} x, {cells} cells", bad_lane(times, cells), max(50, given.plants // 5), lane)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
