"""Proof of the commonality analysis on simulated plants: how often it accuses wrongly, how often rightly, and when.

    PYTHONPATH=.:tests python tests/long/commonality_plants.py [--plants N] [--only NAME ...]

Each scenario is run on its own plants (seeded by number). Printed: counts with exact 95 % intervals. A wrong accusation
names a stringer, lane, operator, lay-up or bussing machine that has no cause; bound: not significantly above 1 %
(one-sided exact binomial, 5 %), which is at most 15 of 1,000. The search is the shipped one: everybody at once, at the
part of the level that is for machines and people. Operators change stringers from day to day; two lay-up machines and
two bussing machines take panels in turn.
"""

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

from elinspect.frames import position_as_built
from elinspect.records import Kind
from elinspect.statistics.change_point import onset
from elinspect.statistics.commonality import FAMILY_LEVEL, SearchResult, search, spent
from elinspect.statistics.intervals import exact
from elinspect.statistics.lots import FOR_MACHINES
from elinspect.statistics.strings_made import FlaggedCells, StringsMade, place_code
from elinspect.statistics.suspects import BESIDE, Level, Node
from elinspect.statistics.wafer_repeats import wafer_repeats
from elinspect.synthetic.plant_records import CauseOf, Change, Day, PlantCause, RecordPlant, simulate_days

DAYS, ONSET_DAY, BAD_LANE = 15, 10.0, 7
PERMUTATIONS, PERMUTATIONS_DAILY = 1999, 5999
ONCE, DAILY = FOR_MACHINES * FAMILY_LEVEL, FOR_MACHINES * spent(FAMILY_LEVEL)
_NOT_EVEN_NEAR = 0.02  # p of one reading beyond which the daily level need not be asked


@dataclass(frozen=True)
class BadHands:
    """An operator, or a lay-up or bussing machine, that damages cells since `ONSET_DAY`."""

    level: Level
    code: int
    times: float


@dataclass(frozen=True, eq=False)
class Collected:
    made: StringsMade
    flagged: FlaggedCells
    days: list[Day]
    repeats: int


def beside(plant: RecordPlant, day: Day) -> list[np.ndarray]:
    """Return who handled each string: one of nine operators, three to a shift; lay-up; bussing."""
    shift, groups = np.floor(day.built * 3).astype(np.int64) % 3, max(1, plant.stringers // 3)
    operator = 3 * shift + (plant.stringer_of_lane[day.lane] // groups + day.number) % 3
    return [operator, day.panel % 2, day.panel // 4 % 2]


def _damaged(plant: RecordPlant, bad: BadHands, hands: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """Return strings and positions of the cells that bad hands damage."""
    string = np.flatnonzero(hands[BESIDE.index(bad.level)] == bad.code)
    n = plant.layout.cells_per_string
    hit = rng.random((len(string), n)) < (bad.times - 1) * plant.rates[Kind.CRACK]
    of_string, position = np.nonzero(hit)
    return np.stack([string[of_string], position + 1])


def collect(
    plant: RecordPlant, days: int, seed: list[int], bad: BadHands | None = None, *, turned_ignored: bool = False
) -> Collected:
    """Run a plant and count it as the analysis of a log does; wafer repeats set apart."""
    made, cells, run = [], [], list(simulate_days(plant, days, np.random.default_rng(seed)))
    rng = np.random.default_rng([*seed, 1])
    base = 0
    lane_string = np.zeros(plant.n_lanes, dtype=np.int64)
    repeats = 0
    for day in run:
        stratum = ((day.product * 8 + day.model) * 8 + day.criteria) * 64 + day.inspector
        block = np.full(len(day.lane), day.number)
        of_string = np.stack([block, stratum, day.lane, day.lot, *beside(plant, day)])
        made.append(of_string)
        # Strings are in order of lane and time; their number in the lane goes on from day to day.
        starts = np.searchsorted(day.lane, np.arange(plant.n_lanes))
        number = np.arange(len(day.lane)) - starts[day.lane] + lane_string[day.lane]
        lane_string += np.bincount(day.lane, minlength=plant.n_lanes)
        confirmed = day.flag_confirmed
        s, position = day.flag_string[confirmed], day.flag_position[confirmed]
        along, across = day.flag_along[confirmed], day.flag_across[confirmed]
        if bad is not None and day.number >= ONSET_DAY:
            extra = _damaged(plant, bad, beside(plant, day), rng)
            s, position = np.concatenate([s, extra[0]]), np.concatenate([position, extra[1]])
            along, across = (np.concatenate([old, rng.random(extra.shape[1])]) for old in (along, across))
        per_string = np.full(len(s), plant.layout.cells_per_string)
        again = wafer_repeats(day.lane[s], day.lot[s], number[s], position, per_string, along, across)
        repeats += int(again.sum())
        if turned_ignored:
            turned = day.turned[s].tolist()
            pairs = zip(position.tolist(), turned, strict=True)
            position = np.array([position_as_built(plant.layout, at, other_way) for at, other_way in pairs])
        row = np.stack([base + s, *of_string[:4, s], position, place_code(along, across), *of_string[4:, s]])
        cells.append(row[:, ~again])
        base += len(day.lane)
    codes, counts = np.unique(np.concatenate(made, axis=1), axis=1, return_counts=True)
    strings = StringsMade(*codes[:4], counts, counts * plant.layout.cells_per_string, tuple(codes[4:]))
    flagged = np.concatenate(cells, axis=1)
    return Collected(strings, FlaggedCells(*flagged[:7], tuple(flagged[7:])), run, repeats)


def analyse(plant: RecordPlant, collected: Collected, number: int, *, daily: bool = False) -> SearchResult:
    level, permutations = (DAILY, PERMUTATIONS_DAILY) if daily else (ONCE, PERMUTATIONS)
    return search(
        collected.made,
        collected.flagged,
        plant.stringer_of_lane,
        np.random.default_rng([number, 1]),
        level=level,
        permutations=permutations,
    )


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


def wrong(plant: RecordPlant, node: Node | None, bad: BadHands | None = None) -> bool:
    """Whether somebody is accused that has no cause."""
    if node is None:
        return False
    if node.level in BESIDE:
        return bad is None or (node.level, node.beside) != (bad.level, bad.code)
    lanes = {cause.number for cause in plant.causes if cause.of is CauseOf.LANE}
    if node.level is Level.STRINGER:
        return not any(plant.stringer_of_lane[lane] == node.stringer for lane in lanes)
    return node.lane not in lanes


def share(count: int, size: int) -> str:
    low, high = exact(count, size).at(0)
    return f"{count} of {size} ({100 * count / size:.1f} %, {100 * low:.1f}-{100 * high:.1f})"


def _flagged(day: Day, node: Node) -> np.ndarray:
    counted = day.flag_confirmed & ((day.flag_position == node.position) | (node.position == 0))
    found: np.ndarray = np.bincount(day.flag_string[counted], minlength=len(day.lane)) > 0
    return found


def onset_covered(collected: Collected, node: Node) -> tuple[bool, bool, int]:
    """Find the onset, by days as the analysis of a log does, and by slots of 10 strings of the lane.

    Returns whether each interval holds the true one, and the days of the first. A change between two slots may have
    come at any time between the last string of one and the first of the other.
    """
    observed, expected, spans, by_day = [], [], [], []
    for day in collected.days:
        flagged = _flagged(day, node)
        mine = day.lane == BAD_LANE
        rest = flagged[~mine].mean()
        by_day.append((flagged[mine].sum(), mine.sum(), rest))
        for part in np.array_split(np.flatnonzero(mine), max(1, int(mine.sum()) // 10)):
            observed.append(flagged[part].sum())
            expected.append(rest * len(part))
            spans.append((day.built[part[0]], day.built[part[-1]]))
    found = onset(np.array(observed, float), np.array(expected, float))
    earliest = spans[found.low - 1][1] if found.low else 0.0
    own, made, elsewhere = np.array(by_day, float).T
    daily = onset(own, made * (0.5 * max(elsewhere.mean(), 1e-4) + 0.5 * elsewhere))
    within = daily.low <= ONSET_DAY <= daily.high
    return within, earliest <= ONSET_DAY <= spans[found.high][0], daily.high - daily.low + 1


def run_sound(name: str, plants: int) -> bool:
    plant = SOUND[name]
    begin, accused, repeats, not_separated = time.time(), 0, 0, 0
    for number in range(plants):
        collected = collect(plant, DAYS, [number, 2])
        found = analyse(plant, collected, number)
        accused += wrong(plant, found.accused)
        not_separated += bool(found.rivals)
        repeats += collected.repeats
    bound = int(binom.ppf(0.95, plants, 0.01))
    held = accused <= bound
    print(
        f"{name:16}: wrong accusation in {share(accused, plants)}; at most {bound}: {'holds' if held else 'FAILS'}; "
        f"'cannot be separated' in {not_separated}"
        f" [{(time.time() - begin) / plants * 1e3:.0f} ms per plant, {repeats / plants:.1f} wafer repeats set apart]",
        flush=True,
    )
    return held


@dataclass
class Tally:
    right: int = 0
    partly: int = 0
    wrong: int = 0
    not_separated: int = 0

    def add(self, plant: RecordPlant, found: SearchResult, right: Callable[[Node], bool], bad: BadHands | None) -> None:
        node = found.accused
        self.not_separated += bool(found.rivals)
        self.wrong += wrong(plant, node, bad)
        self.right += node is not None and right(node)
        self.partly += node is not None and not right(node) and not wrong(plant, node, bad)


def run_bad(
    name: str,
    plant: RecordPlant,
    plants: int,
    right: Callable[[Node], bool],
    bad: BadHands | None = None,
    *,
    daily: bool = False,
    turned_ignored: bool = False,
) -> float:
    """Run plants with a cause; print how often it is found, at one reading and (asked so) at the daily level."""
    begin, once, every_day, covered, widths = time.time(), Tally(), Tally(), np.zeros(2, int), []
    for number in range(plants):
        collected = collect(plant, DAYS, [number, 2], bad, turned_ignored=turned_ignored)
        found = analyse(plant, collected, number)
        once.add(plant, found, right, bad)
        if daily and found.p_value <= _NOT_EVEN_NEAR:
            every_day.add(plant, analyse(plant, collected, number, daily=True), right, bad)
        node = found.accused
        if bad is None and node is not None and not wrong(plant, node):
            by_day, by_strings, width = onset_covered(collected, node)
            covered += (by_day, by_strings)
            widths.append(width)
    told = f"{name}: right cause {share(once.right, plants)}; only its stringer or not all of it {once.partly}; "
    told += f"wrong {once.wrong}; cannot be separated {once.not_separated}"
    if daily:
        told += f"; read daily: right {share(every_day.right, plants)}, wrong {every_day.wrong}"
    if widths:
        told += f"; onset interval covers, by days {share(covered[0], len(widths))} (median {np.median(widths):.0f} "
        told += f"days), by 10 strings {share(covered[1], len(widths))}"
    print(f"{told} [{(time.time() - begin) / plants * 1e3:.0f} ms per plant]", flush=True)
    return once.right / plants


def _lane(node: Node) -> bool:
    return node.lane == BAD_LANE


def _position(node: Node) -> bool:
    return node.lane == BAD_LANE and node.position == 3


def _run_with_cause(name: str, plants: int) -> bool:
    """Run one of the stated settings; whether it holds."""
    if name == "rate 1 %":
        return run_bad("4 x, 1500 cells, 1 %", bad_lane(4, 1500), plants, _lane, daily=True) >= 0.95
    if name == "rate 0.5 %":
        return run_bad("4 x, 3000 cells, 0.5 %", bad_lane(4, 3000, 0.005), plants, _lane, daily=True) >= 0.95
    if name == "position":
        return run_bad("4 x at position 3", bad_lane(4, 1500, position=3), plants, _position, daily=True) >= 0.95
    if name == "turned ignored":
        plant = bad_lane(4, 1500, position=3)
        return run_bad("the same, turned ignored", plant, plants, _position, turned_ignored=True) < 0.5
    of, code, times = {"operator": (Level.OPERATOR, 4, 4.0), "layup": (Level.LAYUP, 1, 2.0),
                       "bussing": (Level.BUSSING, 1, 2.0)}[name]  # fmt: skip
    hands = BadHands(of, code, times)
    plant = RecordPlant(string_correlation=CLUSTERED)
    title = f"{of.value} at {times:.0f} x since day 10"
    return run_bad(title, plant, plants, lambda node: (node.level, node.beside) == (of, code), hands) >= 0.8


WITH_CAUSE = ("rate 1 %", "rate 0.5 %", "position", "turned ignored", "operator", "layup", "bussing")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plants", type=int, default=1000)
    parser.add_argument("--only", nargs="*", choices=[*SOUND, *WITH_CAUSE, "curve"])
    given = parser.parse_args()
    good = True
    for name in given.only or (*SOUND, *WITH_CAUSE, "curve"):
        if name in SOUND:
            good &= run_sound(name, given.plants)
        elif name in WITH_CAUSE:
            good &= _run_with_cause(name, given.plants)
        else:
            print("power curve, 12 lanes, correlation 0.1, base rate 1 %")
            for times in (2, 3, 4, 6):
                for cells in (500, 1000, 1500, 2000, 3000, 6000):
                    plants = max(50, given.plants // 5)
                    run_bad(f"{times} x, {cells} cells", bad_lane(times, cells), plants, _lane, daily=True)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
