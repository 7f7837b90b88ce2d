"""Who may stand behind flags, and how much speaks against each: the suspects of a commonality analysis, counted."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import pdtrc

from elinspect.statistics.permuting import Urns
from elinspect.statistics.strings_made import N_PLACES, UNKNOWN, BoolArray, FlaggedCells, IntArray

FloatArray = NDArray[np.float32]
N_SPANS = 5
"""Spans of time searched: all, the newest half, quarter, eighth, sixteenth of the strings."""
ALSO_BAD = 0.01
"""Chance of an excess below which what is left of a suspect, or its rival, counts as bad too."""


class Level(StrEnum):
    """What a suspect is: how far down a stringer was followed, or who else handled the strings."""

    STRINGER = "stringer"
    LANE = "lane"
    POSITION = "position"
    PLACE = "place"
    POSITION_AND_PLACE = "position_and_place"
    OPERATOR = "operator"
    LAYUP = "layup_machine"
    BUSSING = "bussing_machine"


BESIDE = (Level.OPERATOR, Level.LAYUP, Level.BUSSING)
"""In the order of `StringsMade.beside`."""


@dataclass(frozen=True, slots=True)
class Node:
    """A suspect.

    Attributes
    ----------
    level : Level
        What it is.
    stringer, lane : int
        Codes; the lane is -1 at level `STRINGER`, both are at the levels `BESIDE`.
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
    beside : int
        Code of the operator, lay-up or bussing machine; -1 at the other levels.
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
    beside: int = -1


@dataclass(frozen=True, slots=True, eq=False)
class Labels:
    """What can be written on a slip: every combination of lane, operator, lay-up and bussing that occurs.

    Attributes
    ----------
    machines : dict of Level to ndarray of int, shape (labels,)
        Code of the lane, stringer, operator and so on of each; `UNKNOWN` where not known.
    """

    machines: dict[Level, IntArray]

    @classmethod
    def of(cls, lane: IntArray, beside: Sequence[IntArray], stringer_of_lane: IntArray) -> "Labels":
        """Return the labels with these lanes and what is beside them."""
        of_stringer = stringer_of_lane[lane]
        machines = {Level.STRINGER: of_stringer, **dict.fromkeys(_IN_LANE, lane)}
        machines.update(zip(BESIDE, beside, strict=False))
        return cls(machines)

    def slots(self, level: Level) -> tuple[int, IntArray]:
        """Return how many machines there are, and which a label has: one more than there are for one not known."""
        codes = self.machines[level]
        n = int(codes.max(initial=-1)) + 1
        return n, np.where(codes == UNKNOWN, n, codes)


_IN_LANE = (Level.LANE, Level.POSITION, Level.PLACE, Level.POSITION_AND_PLACE)


@dataclass(frozen=True, slots=True, eq=False)
class _Bins:
    """How the strings of one level are counted: those with a known place, and where each counts."""

    shape: tuple[int, int, int]
    string: IntArray
    start: IntArray
    step: IntArray  # by label

    def of(self, labels: IntArray) -> FloatArray:
        """Return strings by permutation, span, machine and place."""
        times, size = len(labels), int(np.prod(self.shape))
        index = self.step[labels if len(self.string) == labels.shape[1] else labels[:, self.string]]
        index += self.start
        index += np.arange(times)[:, None] * size
        counts = np.bincount(index.ravel(), minlength=times * size)
        return up_to_now(counts.astype(np.float32).reshape(times, *self.shape))


class Counting:
    """Counts flagged strings by suspect, for the labels as they were and as permuted.

    A string counts once for each suspect it can charge: so one bad string with many flagged cells weighs no more than
    another, and the counts hardly vary more than chance (with a correlation of 0.1 within strings a lane at four times
    the base rate was found in 28 of 40 plants by counting cells, in 39 by counting strings).

    Parameters
    ----------
    flagged : FlaggedCells
        The flagged cells.
    group : ndarray of int, shape (cells,)
        Group within which each is permuted.
    urns : Urns
        What was made in each group.
    labels : Labels
        What the slips of the urns say.
    span_of_block : ndarray of int
        Shortest span each block belongs to.
    """

    def __init__(
        self, flagged: FlaggedCells, group: IntArray, urns: Urns, labels: Labels, span_of_block: IntArray
    ) -> None:
        self._urns, self._labels = urns, labels
        _, first, string = np.unique(flagged.string, return_index=True, return_inverse=True)
        self.group, self._span, self.first_cell = group[first], span_of_block[flagged.block[first]], first
        self._bins: dict[Level, _Bins] = {}
        self._expected: dict[Level, FloatArray] = {}
        anywhere = np.zeros(len(flagged), dtype=np.int64)
        position, place = np.maximum(flagged.position, 0), flagged.place
        places = {
            **dict.fromkeys((Level.STRINGER, Level.LANE, *BESIDE), anywhere),
            Level.POSITION: np.where(position > 0, position, -1),
            Level.PLACE: place,
            Level.POSITION_AND_PLACE: np.where((position > 0) & (place >= 0), position * N_PLACES + place, -1),
        }
        for level in labels.machines:
            n_machines = labels.slots(level)[0]
            one_lane_each = level is Level.STRINGER and n_machines == labels.slots(Level.LANE)[0]
            if not one_lane_each and (n_machines > 1 or level not in BESIDE):
                self._count_by(level, string, places[level])

    def _count_by(self, level: Level, string: IntArray, place: IntArray) -> None:
        """Count strings by a place in them, from 0; -1 for not known."""
        known = place >= 0
        if not known.any():
            return
        n_bins = int(place.max()) + 1
        pairs = np.sort(string[known] * n_bins + place[known])  # several times as fast as `np.unique`
        of_string, at = np.divmod(pairs[np.diff(pairs, prepend=-1) > 0], n_bins)
        n, slot = self._labels.slots(level)
        shape = (N_SPANS, n + 1, n_bins)
        self._bins[level] = _Bins(shape, of_string, self._span[of_string] * (n + 1) * n_bins + at, slot * n_bins)
        shares = self._urns.shares @ np.eye(n + 1)[slot]  # groups x machines
        group, span, bin_, alike = _alike(self.group[of_string], self._span[of_string], at, len(shares), n_bins)
        index = (span[:, None] * (n + 1) + np.arange(n + 1)) * n_bins + bin_[:, None]
        counts = np.bincount(index.ravel(), (shares[group] * alike[:, None]).ravel(), int(np.prod(shape)))
        expected = up_to_now(counts.astype(np.float32).reshape(1, *shape))
        expected[:, :, n] = np.inf  # a machine that is not known is never a suspect
        self._expected[level] = expected

    def best_of(self, label_of_cell: IntArray, levels: Sequence[Level] = tuple(Level)) -> Node:
        """Return the suspect with the largest score, for given labels of the flagged cells."""
        labels = label_of_cell[self.first_cell][None, :]
        observed = {level: bins.of(labels) for level, bins in self._bins.items() if level in levels}
        scores = {level: self._scores(level, counts)[0] for level, counts in observed.items()}
        level = max(scores, key=lambda name: float(scores[name].max()))
        at = tuple(int(i) for i in np.unravel_index(int(scores[level].argmax()), scores[level].shape))
        counts = int(observed[level][(0, *at)]), float(self._expected[level][(0, *at)])
        return self._node(level, at, counts, float(scores[level].max()))

    def _node(self, level: Level, at: tuple[int, ...], counts: tuple[int, float], score: float) -> Node:
        span, machine, bin_ = at
        position, place = {
            Level.POSITION: (bin_, -1),
            Level.PLACE: (0, bin_),
            Level.POSITION_AND_PLACE: divmod(bin_, N_PLACES),
        }.get(level, (0, -1))
        if level in BESIDE:
            return Node(level, -1, -1, 0, -1, span, *counts, score, beside=machine)
        if level is Level.STRINGER:
            return Node(level, machine, -1, 0, -1, span, *counts, score)
        lanes = self._labels.machines[Level.LANE]
        stringer = int(self._labels.machines[Level.STRINGER][lanes == machine][0])
        return Node(level, stringer, machine, position, place, span, *counts, score)

    def followed(self, node: Node, label_of_cell: IntArray) -> Node:
        """Follow an accusation to where it belongs.

        Down to one lane where the stringer's others are sound, up to the whole lane where its other positions and
        places are bad too.
        """
        if node.level in (*BESIDE, Level.LANE):
            return node
        labels = label_of_cell[self.first_cell][None, :]
        observed = self._bins[Level.LANE].of(labels)[0, node.span, :, 0]
        expected = self._expected[Level.LANE][0, node.span, :, 0]
        if node.level is Level.STRINGER:
            lanes = self._labels.machines[Level.LANE]
            own = np.unique(lanes[self._labels.machines[Level.STRINGER] == node.stringer])
            tails = pdtrc(observed[own] - 1, expected[own])
            if np.all(tails < ALSO_BAD):
                return node
            lane = int(own[np.argmin(tails)])
        else:
            lane = node.lane
            rest, rest_expected = observed[lane] - node.observed, expected[lane] - node.expected
            if not in_excess(float(rest), float(rest_expected)):
                return node
        counts = int(observed[lane]), float(expected[lane])
        return replace(self._node(Level.LANE, (node.span, lane, 0), counts, node.score))

    def largest(self, times: int, rng: np.random.Generator) -> FloatArray:
        """Return the largest score found anywhere, for each of some permutations."""
        labels = self._urns.draw(self.group, times, rng)
        of_levels = [self._scores(level, bins.of(labels)).reshape(times, -1) for level, bins in self._bins.items()]
        largest: FloatArray = np.max([scores.max(axis=1) for scores in of_levels], axis=0)
        return largest

    def _scores(self, level: Level, observed: FloatArray) -> FloatArray:
        """Return half the Poisson deviance of every excess, less what the number of suspects of a level gives anyway.

        So a lane among twelve and a place among a thousand are weighed alike.
        """
        expected = self._expected[level]
        n_suspects = self._labels.slots(level)[0] * expected.shape[-1]
        out = np.full(observed.shape, -np.inf, dtype=np.float32)
        more = np.flatnonzero(observed > expected)
        o, e = observed.ravel()[more], expected.ravel()[more % expected.size]
        out.ravel()[more] = o * np.log(o / np.maximum(e, 1e-9)) - (o - e) - np.log(n_suspects)
        return out


def _alike(
    group: IntArray, span: IntArray, at: IntArray, n_groups: int, n_bins: int
) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Return each combination of group, span and bin once, with its strings, where that makes them fewer."""
    size = n_groups * N_SPANS * n_bins
    if size > len(group):
        return group, span, at, np.ones(len(group), dtype=np.int64)
    counts = np.bincount((group * N_SPANS + span) * n_bins + at, minlength=size)
    found = np.flatnonzero(counts)
    rest, bin_ = np.divmod(found, n_bins)
    return *np.divmod(rest, N_SPANS), bin_, counts[found]


def in_excess(observed: float, expected: float) -> bool:
    """Whether a count lies above what is expected by more than chance (`ALSO_BAD`)."""
    return observed >= 1 and bool(pdtrc(observed - 1, max(expected, 1e-9)) < ALSO_BAD)


def up_to_now(counts: FloatArray) -> FloatArray:
    """Add up over spans, in place: the newest is part of every longer one."""
    for span in range(1, counts.shape[1]):
        counts[:, span] += counts[:, span - 1]
    return counts


def belongs(node: Node, machines: dict[Level, IntArray], position: IntArray, place: IntArray) -> BoolArray:
    """Return which flags belong to a suspect, by the codes of their machines, position and place."""
    if node.level in BESIDE:
        return np.asarray(machines[node.level] == node.beside)
    if node.level is Level.STRINGER:
        return np.asarray(machines[Level.STRINGER] == node.stringer)
    mine: BoolArray = machines[Level.LANE] == node.lane
    return mine & at_place(node, position, place)


def at_place(node: Node, position: IntArray, place: IntArray) -> BoolArray:
    """Return which flags lie at the position and place of a suspect, whoever made them."""
    same = np.ones(len(position), dtype=np.bool_)
    if node.position:
        same &= position == node.position
    if node.place >= 0:
        same &= place == node.place
    return same
