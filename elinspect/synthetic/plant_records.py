"""A plant that runs for months, as records without pictures: strings, panels, flags, and the truth behind them.

Everything is drawn in arrays, a day at a time, so that a million panels take minutes. The numbers are invented; they
serve demonstrations and proofs, never as a source for what plants do.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Kind, Layout

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

EVERYWHERE = 0
"""Position of a cause that strikes any cell of a string."""
NO_CAUSE, SISTER_WAFERS, FALSE_FLAG = -1, -2, -3
"""What stands for the cause of a flag that no injected one explains."""


class CauseOf(StrEnum):
    """What may go wrong in the plant."""

    LANE = "lane"
    LOT = "lot"
    SOLDER_HEAD = "solder_head"
    LAYUP = "layup"
    LAMINATOR = "laminator"


@dataclass(frozen=True, slots=True)
class PlantCause:
    """Something that begins to go wrong.

    Attributes
    ----------
    of : CauseOf
        A lane that damages cells; a brittle cell lot; a cold solder head of a lane; handling at a lay-up machine; a
        laminator (its damage shows only after lamination).
    start_day : float
        When it begins, days from the start.
    times : float
        By how much the rate of `kind` rises where it strikes.
    number : int
        Code of the lane, of the lot (in the order of opening), of the lay-up machine or laminator.
    kind : Kind
        What it does.
    position : int
        Cell from the leading end that it strikes; `EVERYWHERE` for any.
    along, across : float or None
        Place in the cell as the lane sees it (`elinspect.frames.LanePlace`); None for anywhere.
    end_day : float
        When it is repaired.
    """

    of: CauseOf
    start_day: float
    times: float = 4.0
    number: int = 0
    kind: Kind = Kind.CRACK
    position: int = EVERYWHERE
    along: float | None = None
    across: float | None = None
    end_day: float = np.inf


@dataclass(frozen=True, slots=True)
class Change:
    """From a day on, more (or fewer) cells are flagged: another model, other criteria, an inspector who drifts.

    Attributes
    ----------
    day : float
        First day.
    times : float
        Factor on the rate of flags.
    line : int
        Line whose station it happens at.
    ramp_days : float
        Days over which the factor builds up; 0 for at once.
    """

    day: float
    times: float
    line: int = 0
    ramp_days: float = 0.0


@dataclass(frozen=True, slots=True)
class RecordPlant:
    """What the plant is and what happens in it.

    Attributes
    ----------
    layout : Layout
        Of its panels.
    products : tuple of str
        Made in turn, day by day.
    lines : int
        Each with its stringers, its EL station and its inspectors.
    stringers : int
        In all lines together.
    lanes_per_stringer : int
        Lanes are coded from 0 through all stringers.
    panels_per_day : int
        In all lines together.
    rates : mapping from Kind to float
        Flags per cell without a cause.
    string_correlation : float
        Between cells of one string, 0..1 (beta-binomial).
    open_lots : int
        Cell lots in use at a time.
    lot_days : float
        For how long a lot lasts.
    lanes_of_lot : float
        Share of the lanes that are fed from one lot at a time: 1 for a lot that goes to all lanes alike, 0 for a lot
        that goes to one lane alone.
    sister_runs : float
        Runs of wafers from one brick with the same fault, per cell.
    sister_length : int
        Longest run.
    missed, false_flags : float
        Share of true defects the machine does not flag; false flags per true one.
    seen_by_inspector : float
        Share of what the machine does not flag that the inspector adds.
    seen_by_reader : float
        Share of what both missed that a second reader sees.
    model_changes, criteria_changes, inspector_drift : tuple of Change
        What changes the rate of flags and is no machine.
    causes : tuple of PlantCause
        What goes wrong.
    reworked : float
        Share of the panels with a confirmed flag above a limit that come back.
    rework_spoils : float
        Share of the reworks that crack a neighbouring cell.
    later_seen : float
        Share of the panels looked at again after lamination.
    read_again : int
        Panels a week that are drawn for a second reading, and as many that are audited.
    """

    layout: Layout = field(default_factory=lambda: Layout(1, 6, 10))
    products: tuple[str, ...] = ("varden 60 1",)
    lines: int = 1
    stringers: int = 6
    lanes_per_stringer: int = 2
    panels_per_day: int = 60
    rates: Mapping[Kind, float] = field(default_factory=lambda: {Kind.CRACK: 0.01})
    string_correlation: float = 0.0
    open_lots: int = 3
    lot_days: float = 2.0
    lanes_of_lot: float = 1.0
    sister_runs: float = 0.0
    sister_length: int = 6
    missed: float = 0.0
    false_flags: float = 0.0
    seen_by_inspector: float = 0.5
    seen_by_reader: float = 0.9
    model_changes: tuple[Change, ...] = ()
    criteria_changes: tuple[Change, ...] = ()
    inspector_drift: tuple[Change, ...] = ()
    causes: tuple[PlantCause, ...] = ()
    reworked: float = 0.9
    rework_spoils: float = 0.0
    later_seen: float = 0.02
    read_again: int = 0

    def __post_init__(self) -> None:
        if self.stringers % self.lines or not 0 <= self.string_correlation < 1:
            raise ValueError("stringers must divide among the lines, and the correlation lie in 0..1")

    @property
    def n_lanes(self) -> int:
        """Lanes of all stringers."""
        return self.stringers * self.lanes_per_stringer

    @property
    def stringer_of_lane(self) -> IntArray:
        """Code of the stringer of each lane."""
        return np.arange(self.n_lanes) // self.lanes_per_stringer


@dataclass(frozen=True, slots=True, eq=False)
class Day:
    """What was made on one day.

    Attributes
    ----------
    number : int
        From 0.
    product : int
        Index into the plant's products.
    lane, lot, panel, number_in_panel : ndarray of int, shape (strings,)
        Of each string, in the order in which each lane made them; panels count through the plant's life.
    built : ndarray of float, shape (strings,)
        Days from the start.
    turned : ndarray of bool, shape (strings,)
        Whether the string lies turned in its panel.
    line, model, criteria, inspector : ndarray of int, shape (strings,)
        Of its panel; the inspector's code, model and criteria count from 0.
    flag_string : ndarray of int, shape (flags,)
        Index of the string.
    flag_position : ndarray of int, shape (flags,)
        From the leading end, from 1; one flag per cell.
    flag_kind : ndarray of int, shape (flags,)
        Index into the plant's kinds.
    flag_along, flag_across : ndarray of float, shape (flags,)
        Place in the cell as the lane sees it.
    flag_cause : ndarray of int, shape (flags,)
        Index of the cause, `NO_CAUSE`, `SISTER_WAFERS` or `FALSE_FLAG`.
    flag_proposed, flag_confirmed : ndarray of bool, shape (flags,)
        Whether the machine flagged it, and whether the inspector confirmed or added it.
    """

    number: int
    product: int
    lane: IntArray
    lot: IntArray
    panel: IntArray
    number_in_panel: IntArray
    built: FloatArray
    turned: BoolArray
    line: IntArray
    model: IntArray
    criteria: IntArray
    inspector: IntArray
    flag_string: IntArray
    flag_position: IntArray
    flag_kind: IntArray
    flag_along: FloatArray
    flag_across: FloatArray
    flag_cause: IntArray
    flag_proposed: BoolArray
    flag_confirmed: BoolArray


def kinds_of(plant: RecordPlant) -> tuple[Kind, ...]:
    """Return the kinds a plant's flags are coded by."""
    return tuple(dict.fromkeys([*plant.rates, *(cause.kind for cause in plant.causes)]))


def simulate_days(plant: RecordPlant, days: int, seed: int | np.random.Generator) -> Iterator[Day]:
    """Let the plant run; the same seed gives the same days."""
    rng = np.random.default_rng(seed)
    for number in range(days):
        yield _day(plant, number, rng)


def _day(plant: RecordPlant, number: int, rng: np.random.Generator) -> Day:
    made = _strings(plant, number, rng)
    found = [
        *_ordinary(plant, made, rng),
        *(_caused(plant, index, made, rng) for index in range(len(plant.causes))),
        _sisters(plant, made, rng),
    ]
    flags = _one_per_cell({name: np.concatenate([part[name] for part in found]) for name in found[0]}, plant)
    n = len(flags["string"])
    false = rng.random(n) < plant.false_flags / (1 + plant.false_flags)
    order = np.argsort(flags["string"], kind="stable")
    flags = {name: values[order] for name, values in flags.items()}
    flags["cause"][false] = FALSE_FLAG
    seen = (rng.random(n) >= plant.missed) | false
    proposed, confirmed = _by_inspectors(plant, made, flags, seen, rng)
    return Day(
        number=number,
        product=number % len(plant.products),
        **made,
        **{f"flag_{name}": values for name, values in flags.items()},
        flag_proposed=proposed,
        flag_confirmed=confirmed,
    )


def _by_inspectors(
    plant: RecordPlant,
    made: Mapping[str, NDArray[Any]],
    flags: Mapping[str, NDArray[Any]],
    found: BoolArray,
    rng: np.random.Generator,
) -> tuple[BoolArray, BoolArray]:
    """Return what the machine proposed and what inspectors confirmed or added.

    One who drifts upwards adds cells the machine sees no reason to flag; one who drifts downwards dismisses good flags.
    """
    added = ~found & (rng.random(len(found)) < plant.seen_by_inspector)
    drift = _factor(plant.inspector_drift, made)[flags["string"]]
    chance = rng.spawn(1)[0].random(len(found))  # a stream of its own: plants without drift stay as they are
    ordinary = flags["cause"] == NO_CAUSE
    own = ordinary & (chance < 1 - 1 / np.maximum(drift, 1.0))
    let_go = chance >= np.minimum(drift, 1.0)
    proposed = found & ~own
    confirmed = own | ((found | added) & (flags["cause"] != FALSE_FLAG) & ~let_go)
    return proposed, confirmed


def _strings(plant: RecordPlant, number: int, rng: np.random.Generator) -> dict[str, NDArray[Any]]:
    per_panel = plant.layout.n_strings
    n = plant.panels_per_day * per_panel
    panel = np.repeat(np.arange(plant.panels_per_day), per_panel)
    line = panel % plant.lines
    lanes_per_line = plant.n_lanes // plant.lines
    lane = line * lanes_per_line + rng.integers(lanes_per_line, size=n)
    built = number + (np.arange(n) + rng.random(n)) / n
    in_panel = np.tile(np.arange(1, per_panel + 1), plant.panels_per_day)
    made: dict[str, NDArray[Any]] = {
        "lane": lane,
        "lot": _lots(plant, lane, built, rng),
        "panel": panel + number * plant.panels_per_day,
        "number_in_panel": in_panel,
        "built": built,
        "turned": in_panel % 2 == 0,
        "line": line,
        "model": _version(plant.model_changes, line, built),
        "criteria": _version(plant.criteria_changes, line, built),
        "inspector": line * 3 + (np.floor(built * 3) % 3).astype(np.int64),
    }
    order = np.lexsort((made["built"], made["lane"]))
    return {name: np.asarray(values)[order] for name, values in made.items()}


def _lots(plant: RecordPlant, lane: IntArray, built: FloatArray, rng: np.random.Generator) -> IntArray:
    """Return the lot of each string: lots follow each other in every one of the open places."""
    places = rng.integers(plant.open_lots, size=len(lane))
    # A lane that is fed from one place takes from it alone.
    fed = rng.random(len(lane)) < 1 - plant.lanes_of_lot
    places[fed] = lane[fed] % plant.open_lots
    return np.floor(built / plant.lot_days + places / plant.open_lots).astype(np.int64) * plant.open_lots + places


def _version(changes: tuple[Change, ...], line: IntArray, built: FloatArray) -> IntArray:
    version = np.zeros(len(line), dtype=np.int64)
    for change in changes:
        version += (line == change.line) & (built >= change.day)
    return version


def _flag_factor(plant: RecordPlant, made: Mapping[str, NDArray[Any]]) -> FloatArray:
    """Return by how much more cells of a string are flagged or added than in an ordinary one."""
    judged = _factor((*plant.model_changes, *plant.criteria_changes), made)
    return judged * np.maximum(_factor(plant.inspector_drift, made), 1.0)


def _factor(changes: tuple[Change, ...], made: Mapping[str, NDArray[Any]]) -> FloatArray:
    factor = np.ones(len(made["lane"]))
    for change in changes:
        since = np.asarray(made["built"], dtype=np.float64) - change.day
        reached = np.clip(since / change.ramp_days, 0, 1) if change.ramp_days else since >= 0
        factor *= np.where(made["line"] == change.line, 1 + (change.times - 1) * reached, 1.0)
    return factor


def _ordinary(
    plant: RecordPlant, made: Mapping[str, NDArray[Any]], rng: np.random.Generator
) -> Iterator[dict[str, NDArray[Any]]]:
    factor = _flag_factor(plant, made)
    for index, kind in enumerate(kinds_of(plant)):
        rate = plant.rates.get(kind, 0.0) * factor
        for cause in plant.causes:
            if cause.kind is kind and cause.position == EVERYWHERE and cause.along is None:
                rate = rate * np.where(_struck(cause, made), cause.times, 1.0)
        string, position = _cells(np.clip(rate, 0, 0.9), plant, rng)
        struck = np.full(len(string), NO_CAUSE)
        for number, cause in enumerate(plant.causes):
            if cause.kind is kind and cause.position == EVERYWHERE and cause.along is None:
                struck[_struck(cause, made)[string] & (rng.random(len(string)) < 1 - 1 / cause.times)] = number
        yield _flags(string, position, index, struck, rng)


def _cells(rate: FloatArray, plant: RecordPlant, rng: np.random.Generator) -> tuple[IntArray, IntArray]:
    """Draw flagged cells with the given rate in each string, alike or unlike within a string."""
    n, rho = plant.layout.cells_per_string, plant.string_correlation
    if rho:
        spread = (1 - rho) / rho
        rate = rng.beta(np.maximum(rate * spread, 1e-12), (1 - rate) * spread)
    counts = rng.binomial(n, rate)
    string = np.repeat(np.arange(len(rate)), counts)
    several = np.flatnonzero(counts)
    order = np.argsort(rng.random((len(several), n)), axis=1)
    position = order[np.arange(n) < counts[several][:, None]] + 1
    return string, position


def _struck(cause: PlantCause, made: Mapping[str, NDArray[Any]]) -> BoolArray:
    """Return which strings a cause can strike."""
    when = (made["built"] >= cause.start_day) & (made["built"] < cause.end_day)
    if cause.of in (CauseOf.LANE, CauseOf.SOLDER_HEAD):
        where = made["lane"] == cause.number
    elif cause.of is CauseOf.LOT:
        where = made["lot"] == cause.number
    else:
        where = made["panel"] % 2 == cause.number  # two lay-up machines, two laminators, in turn
    struck: BoolArray = when & where
    return struck


def _caused(
    plant: RecordPlant, index: int, made: Mapping[str, NDArray[Any]], rng: np.random.Generator
) -> dict[str, NDArray[Any]]:
    """Draw what a cause does at its one place; what it does anywhere is drawn with the ordinary flags."""
    cause = plant.causes[index]
    kind = kinds_of(plant).index(cause.kind)
    rate = plant.rates.get(cause.kind, 0.0) * (cause.times - 1)
    struck = _struck(cause, made) if cause.position != EVERYWHERE or cause.along is not None else np.zeros(0, bool)
    string = np.flatnonzero(struck)
    if cause.position == EVERYWHERE:
        string, position = np.repeat(string, plant.layout.cells_per_string), None
        position = np.tile(np.arange(1, plant.layout.cells_per_string + 1), int(struck.sum()))
    else:
        rate *= plant.layout.cells_per_string  # the whole excess of the string falls on one cell
        position = np.full(len(string), min(cause.position, plant.layout.cells_per_string))
    hit = rng.random(len(string)) < rate
    flags = _flags(string[hit], position[hit], kind, np.full(int(hit.sum()), index), rng)
    for name in ("along", "across"):
        middle = getattr(cause, name)
        if middle is not None:
            flags[name] = np.clip(rng.normal(middle, 0.05, int(hit.sum())), 0, 1)
    return flags


def _sisters(plant: RecordPlant, made: Mapping[str, NDArray[Any]], rng: np.random.Generator) -> dict[str, NDArray[Any]]:
    """Draw runs of wafers from one brick: neighbours in the feed, the same place in each."""
    per_string = plant.layout.cells_per_string
    n_cells = len(made["lane"]) * per_string
    starts = rng.integers(n_cells, size=rng.poisson(plant.sister_runs * n_cells))
    lengths = rng.integers(3, plant.sister_length + 1, size=len(starts))
    run = np.repeat(np.arange(len(starts)), lengths)
    step = np.arange(len(run)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    cell = starts[run] + step
    string, position = np.divmod(np.minimum(cell, n_cells - 1), per_string)
    lane = np.asarray(made["lane"])
    kept = (cell < n_cells) & (lane[string] == lane[starts[run] // per_string])
    flags = _flags(string[kept], position[kept] + 1, 0, np.full(int(kept.sum()), SISTER_WAFERS), rng)
    for name in ("along", "across"):
        flags[name] = np.clip(rng.random(len(starts))[run][kept] + rng.normal(0, 0.01, int(kept.sum())), 0, 1)
    return flags


def _flags(
    string: IntArray, position: IntArray, kind: int, cause: IntArray, rng: np.random.Generator
) -> dict[str, NDArray[Any]]:
    n = len(string)
    return {
        "string": string,
        "position": position,
        "kind": np.full(n, kind),
        "along": rng.random(n),
        "across": rng.random(n),
        "cause": cause,
    }


def _one_per_cell(flags: dict[str, NDArray[Any]], plant: RecordPlant) -> dict[str, NDArray[Any]]:
    """Keep the last flag of a cell: what a cause did stands behind what would have happened anyway."""
    cell = np.asarray(flags["string"]) * plant.layout.cells_per_string + np.asarray(flags["position"]) - 1
    _, last = np.unique(cell[::-1], return_index=True)
    kept = len(cell) - 1 - last
    return {name: values[kept] for name, values in flags.items()}
