"""Commonality analysis: which stringer, lane, position or place in the cell the flags have in common.

The search is nested (stringer > lane > position from the leading end > place in the cell) and runs over several spans
of time that end now. Its level is held for the whole search at once, by the maximum statistic: whole strings are
permuted among the lanes within groups of the same time, product, model, criteria, inspector (and cell lot), and the
largest score found anywhere must be larger than what such permutations give. An exact test on cells would accuse
falsely far more often, because cells of one string are not independent.

References
----------
Westfall and Young (1993), Resampling-Based Multiple Testing (maximum statistic); Kulldorff (1997), Commun. Stat. Theory
Methods 26:1481, doi:10.1080/03610929708831995 (the same over spans of time); Besag and Clifford (1991), Biometrika
78:301, doi:10.1093/biomet/78.2.301 (stopping early).
"""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import pdtrc

from elinspect.statistics.permuting import Urns
from elinspect.statistics.strings_made import N_PLACES, FlaggedCells, IntArray, StringsMade, groups_of

FAMILY_LEVEL = 0.01
"""Chance of a false accusation in the whole search. Plant's choice; the usual 5 % would accuse every third week."""
N_SPANS = 5
"""Spans of time searched: all, the newest half, quarter, eighth, sixteenth of the strings."""
FloatArray = NDArray[np.float32]
_BATCH_SIZES = (49, 150)
_CLEAR_AFTER = 499  # permutations after which a far larger score needs no more of them
_ALSO_BAD = 0.01  # chance of an excess below which the rest of a machine counts as bad too
MOST_DRAWS = 4_000_000
"""Strings drawn in all permutations together; beyond, a part of the strings calibrates."""


class Level(StrEnum):
    """How far down a cause was followed."""

    STRINGER = "stringer"
    LANE = "lane"
    POSITION = "position"
    PLACE = "place"
    POSITION_AND_PLACE = "position_and_place"


@dataclass(frozen=True, slots=True)
class Node:
    """A suspect.

    Attributes
    ----------
    level : Level
        How far down.
    stringer, lane : int
        Codes; the lane is -1 at level `STRINGER`.
    position : int
        From the leading end; 0 where the level has none.
    place : int
        Place in the cell; -1 where the level has none.
    span : int
        Span of time, 0 for the newest and shortest.
    observed : int
        Strings with such a flag.
    expected : float
        How many its share of the strings of every group would give.
    score : float
        Half the deviance of the two, less the logarithm of the number of suspects at this level.
    """

    level: Level
    stringer: int
    lane: int
    position: int
    place: int
    span: int
    observed: int
    expected: float
    score: float


@dataclass(frozen=True, slots=True)
class SearchResult:
    """What a search found.

    Attributes
    ----------
    best : Node or None
        The suspect with the largest score; None without any flag.
    p_value : float
        Chance of a score as large anywhere in the search, if no machine mattered.
    level : float
        What it was compared with.
    permutations : int
        How many were made; fewer where it was clear early that nothing is found.
    critical : float
        Score from which somebody is accused; nan where the search stopped early.
    first_block : tuple of int
        First block of every span.
    """

    best: Node | None
    p_value: float
    level: float
    permutations: int
    critical: float
    first_block: tuple[int, ...]

    @property
    def accused(self) -> Node | None:
        """The suspect, if the evidence is enough."""
        return self.best if self.p_value <= self.level else None


def search(
    made: StringsMade,
    flagged: FlaggedCells,
    stringer_of_lane: IntArray,
    rng: np.random.Generator,
    *,
    level: float = FAMILY_LEVEL,
    permutations: int = 1999,
    within_lots: bool = True,
    most_draws: int = MOST_DRAWS,
) -> SearchResult:
    """Search for the machine place that flags have in common.

    Parameters
    ----------
    made : StringsMade
        All strings that were inspected.
    flagged : FlaggedCells
        Their flagged cells of the kind in question, wafer repeats set apart.
    stringer_of_lane : ndarray of int, shape (lanes,)
        Code of the stringer each lane belongs to.
    rng : numpy.random.Generator
        For the permutations.
    level : float
        For the whole search.
    permutations : int
        At most; 1 / (permutations + 1) is the smallest p there can be.
    within_lots : bool
        Compare lanes only within the same cell lot, so that a bad lot accuses no lane.
    most_draws : int
        Strings drawn in all permutations together; where more are flagged, a part of them calibrates.

    Returns
    -------
    SearchResult
        With p 1 if nothing is flagged.
    """
    first_block, span_of_block = _spans(made)
    if not len(flagged):
        return SearchResult(None, 1.0, level, 0, np.nan, first_block)
    names = ("block", "stratum", "lot") if within_lots else ("block", "stratum")
    of_made, of_flagged = groups_of(made, flagged, *names)
    urns = Urns(of_made, made.lane, made.strings, len(stringer_of_lane))
    counting = counting_all = _Counting(flagged, of_flagged, urns, span_of_block, stringer_of_lane)
    best = counting.best_of(flagged.lane)
    part = _part_for_calibration(flagged, rng, most_draws // permutations)
    if part is not None:
        chosen = flagged.chosen(part)
        counting = _Counting(chosen, of_flagged[part], urns, span_of_block, stringer_of_lane)
    p_value, done, critical = counting.p_value(best.score, rng, level, permutations)
    if p_value <= level:
        best = counting_all.followed(best, flagged.lane)
    return SearchResult(best, p_value, level, done, critical, first_block)


def _part_for_calibration(flagged: FlaggedCells, rng: np.random.Generator, most: int) -> NDArray[np.bool_] | None:
    """Choose strings that stand for all where there are very many flagged ones.

    The score is a deviance, which spreads alike for few and many strings; with fewer the counts are
    sparser and the largest score rather larger, so that nobody is accused the more easily.
    """
    strings = np.unique(flagged.string)
    if len(strings) <= most:
        return None
    return np.isin(flagged.string, rng.choice(strings, most, replace=False))


def spent(level: float, looks: int = 28) -> float:
    """Return the level of one reading, if the log is read again and again.

    The level is spent in equal parts, so that all readings of a period together accuse falsely with at most `level`,
    however strongly they depend on each other (Bonferroni; a spending function that is a straight line, Lan and DeMets
    1983, Biometrika 70:659, doi:10.1093/biomet/70.3.659).

    Parameters
    ----------
    level : float
        For all readings of the period.
    looks : int
        Readings in the period; four weeks of days by default.
    """
    if looks < 1:
        raise ValueError(f"there must be at least one reading, not {looks}")
    return level / looks


def _spans(made: StringsMade) -> tuple[tuple[int, ...], IntArray]:
    """Return the first block of every span, newest and shortest first, and each block's shortest span."""
    n_blocks = int(made.block.max(initial=0)) + 1
    upto = np.cumsum(np.bincount(made.block, made.strings, n_blocks)[::-1])
    total = upto[-1] if len(upto) else 0
    first = []
    for halvings in range(N_SPANS - 1, -1, -1):
        blocks = int(np.searchsorted(upto, total / 2**halvings * (1 - 1e-9))) + 1
        first.append(max(0, n_blocks - blocks))
    shortest = np.array([next(s for s, begin in enumerate(first) if block >= begin) for block in range(n_blocks)])
    return tuple(first), shortest.astype(np.int64)


class _Counting:
    """Counts flagged strings by suspect, for the lanes as they were and as permuted.

    A string counts once for each suspect it can charge: so one bad string with many flagged cells weighs no more than
    another, and the counts hardly vary more than chance (with a correlation of 0.1 within strings a lane at four times
    the base rate was found in 28 of 40 plants by counting cells, in 39 by counting strings).
    """

    def __init__(
        self, flagged: FlaggedCells, group: IntArray, urns: Urns, span_of_block: IntArray, stringer_of_lane: IntArray
    ) -> None:
        self._urns, self._stringer_of_lane = urns, stringer_of_lane
        _, first, string = np.unique(flagged.string, return_index=True, return_inverse=True)
        self._group, self._span = group[first], span_of_block[flagged.block[first]]
        self._first_cell = first
        self._machines = {level: len(stringer_of_lane) for level in Level}
        self._machines[Level.STRINGER] = int(stringer_of_lane.max()) + 1
        self._bins: dict[Level, tuple[int, IntArray, IntArray]] = {}
        self._count_by(Level.STRINGER, string, np.zeros(len(flagged), dtype=np.int64))
        self._count_by(Level.LANE, string, np.zeros(len(flagged), dtype=np.int64))
        position, place = np.maximum(flagged.position, 0), flagged.place
        self._count_by(Level.POSITION, string, np.where(position > 0, position, -1))
        self._count_by(Level.PLACE, string, place)
        both = np.where((position > 0) & (place >= 0), position * N_PLACES + place, -1)
        self._count_by(Level.POSITION_AND_PLACE, string, both)
        if self._machines[Level.STRINGER] == len(stringer_of_lane):
            del self._bins[Level.STRINGER]  # one lane each: the same suspects twice
        self._expected = {level: self._expected_at(level) for level in self._bins}

    def _count_by(self, level: Level, string: IntArray, place: IntArray) -> None:
        """Count strings by a place in them, from 0; -1 for not known."""
        known = place >= 0
        if known.any():
            n_bins = int(place.max()) + 1
            pairs = np.unique(string[known] * n_bins + place[known])
            self._bins[level] = (n_bins, *np.divmod(pairs, n_bins))

    def _expected_at(self, level: Level) -> FloatArray:
        n_bins, string, place = self._bins[level]
        shares = self._urns.shares[self._group[string]]
        if level is Level.STRINGER:
            stringers = np.eye(self._machines[level])[self._stringer_of_lane]
            shares = shares @ stringers
        n = self._machines[level]
        index = (self._span[string][:, None] * n + np.arange(n)) * n_bins + place[:, None]
        counts = np.bincount(index.ravel(), shares.ravel(), N_SPANS * n * n_bins)
        return _up_to_now(counts.astype(np.float32).reshape(1, N_SPANS, n, n_bins))

    def followed(self, node: Node, lane_of_cell: IntArray) -> Node:
        """Follow an accusation to where it belongs.

        Down to one lane where the stringer's others are sound, up to the whole lane where its other positions and
        places are bad too.
        """
        lanes = lane_of_cell[self._first_cell][None, :]
        observed = self._observed(Level.LANE, lanes)[0, node.span, :, 0]
        expected = self._expected[Level.LANE][0, node.span, :, 0]
        if node.level is Level.STRINGER:
            own = np.flatnonzero(self._stringer_of_lane == node.stringer)
            tails = pdtrc(observed[own] - 1, expected[own])
            if np.all(tails < _ALSO_BAD):
                return node
            lane = int(own[np.argmin(tails)])
        else:
            lane = node.lane
            rest, rest_expected = observed[lane] - node.observed, expected[lane] - node.expected
            if node.level is Level.LANE or rest < 1 or pdtrc(rest - 1, max(rest_expected, 1e-9)) >= _ALSO_BAD:
                return node
        return replace(
            node,
            level=Level.LANE,
            lane=lane,
            position=0,
            place=-1,
            observed=int(observed[lane]),
            expected=float(expected[lane]),
        )

    def best_of(self, lane_of_cell: IntArray) -> Node:
        """Return the suspect with the largest score, for given lanes of the flagged cells."""
        lanes = lane_of_cell[self._first_cell][None, :]
        observed = {level: self._observed(level, lanes) for level in self._bins}
        scores = {level: self._scores(level, counts)[0] for level, counts in observed.items()}
        level = max(scores, key=lambda name: float(scores[name].max()))
        span, machine, place = (int(i) for i in np.unravel_index(int(scores[level].argmax()), scores[level].shape))
        position, in_cell = {
            Level.POSITION: (place, -1),
            Level.PLACE: (0, place),
            Level.POSITION_AND_PLACE: divmod(place, N_PLACES),
        }.get(level, (0, -1))
        alone = level is not Level.STRINGER
        return Node(
            level=level,
            stringer=int(self._stringer_of_lane[machine]) if alone else machine,
            lane=machine if alone else -1,
            position=position,
            place=in_cell,
            span=span,
            observed=int(observed[level][0, span, machine, place]),
            expected=float(self._expected[level][0, span, machine, place]),
            score=float(scores[level].max()),
        )

    def p_value(
        self, found: float, rng: np.random.Generator, level: float, permutations: int
    ) -> tuple[float, int, float]:
        """Return p, how many permutations were made, and the critical score."""
        enough = int(np.floor(level * (permutations + 1)))  # so many as large, and p cannot be below the level
        largest: list[FloatArray] = []
        done = as_large = 0
        batches = iter(_BATCH_SIZES)
        while done < permutations and as_large < max(enough, 10):
            size = min(next(batches, 300), permutations - done)
            largest.append(self._largest(size, rng))
            as_large += int(np.count_nonzero(largest[-1] >= found * (1 - 1e-6)))
            done += size
            p = (as_large + 1) / (done + 1)
            if not as_large and done >= _CLEAR_AFTER:
                # The tail of half a deviance falls like an exponential function: no need to see it all.
                p *= float(np.exp(np.max(np.concatenate(largest)) - found))
                if p <= level / 10:
                    break
        else:
            p = (as_large + 1) / (done + 1)
        whole = np.sort(np.concatenate(largest)) if largest else np.empty(0)
        rank = len(whole) - max(enough, 1)
        critical = float(whole[rank]) if done == permutations and rank >= 0 else float("nan")
        return p, done, critical

    def _largest(self, times: int, rng: np.random.Generator) -> FloatArray:
        lanes = self._urns.draw(self._group, times, rng)
        of_levels = [self._scores(level, self._observed(level, lanes)).reshape(times, -1) for level in self._bins]
        largest: FloatArray = np.max([scores.max(axis=1) for scores in of_levels], axis=0)
        return largest

    def _observed(self, level: Level, lanes: IntArray) -> FloatArray:
        """Return strings by permutation, span, machine and place."""
        n_bins, string, place = self._bins[level]
        machine = lanes if level is not Level.STRINGER else self._stringer_of_lane[lanes]
        n = self._machines[level]
        times = len(lanes)
        head = np.arange(times)[:, None] * N_SPANS + self._span[string]
        index = (head * n + machine[:, string]) * n_bins + place
        counts = np.bincount(index.ravel(), minlength=times * N_SPANS * n * n_bins)
        return _up_to_now(counts.astype(np.float32).reshape(times, N_SPANS, n, n_bins))

    def _scores(self, level: Level, observed: FloatArray) -> FloatArray:
        """Return half the Poisson deviance of every excess, less what the number of suspects of a level gives anyway.

        So a lane among twelve and a place among a thousand are weighed alike.
        """
        expected = self._expected[level]
        n_suspects = expected[0, 0].size
        out = np.full(observed.shape, -np.inf, dtype=np.float32)
        more = np.flatnonzero(observed > expected)
        o, e = observed.ravel()[more], np.broadcast_to(expected, observed.shape).ravel()[more]
        out.ravel()[more] = o * np.log(o / np.maximum(e, 1e-9)) - (o - e) - np.log(n_suspects)
        return out


def _up_to_now(counts: FloatArray) -> FloatArray:
    """Add up over spans: the newest is part of every longer one."""
    np.cumsum(counts, axis=1, out=counts)
    return counts
