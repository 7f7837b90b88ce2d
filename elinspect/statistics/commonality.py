"""Commonality analysis: which stringer, lane, position or place in the cell, or who else, the flags have in common.

The search is nested (stringer > lane > position from the leading end > place in the cell), takes in operators, lay-up
and bussing machines, and runs over several spans of time that end now. Its level is held for the whole search at once,
by the maximum statistic: whole strings are permuted, with all that is written on them, within groups of the same time,
product, model, criteria, inspector (and cell lot), and the largest score found anywhere must be larger than what such
permutations give. An exact test on cells would accuse falsely far more often, because cells of one string are not
independent. Only strings with flags are drawn, so that the cost follows them and not the strings made.

References
----------
Westfall and Young (1993), Resampling-Based Multiple Testing (maximum statistic); Kulldorff (1997), Commun. Stat. Theory
Methods 26:1481, doi:10.1080/03610929708831995 (the same over spans of time); Besag and Clifford (1991), Biometrika
78:301, doi:10.1093/biomet/78.2.301 (stopping early).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.statistics.permuting import Urns
from elinspect.statistics.rivals import Handled
from elinspect.statistics.strings_made import FlaggedCells, IntArray, StringsMade, combined, groups_of
from elinspect.statistics.suspects import N_SPANS, Counting, FloatArray, Labels, Node

FAMILY_LEVEL = 0.01
"""Chance of a false accusation in the whole search. Plant's choice; the usual 5 % would accuse every third week."""
_BATCH_SIZES = (24, 25, 50, 100)
_MOST_AT_ONCE = 300
_CLEAR_AFTER = 499  # permutations after which a far larger score needs no more of them
MOST_DRAWS = 4_000_000
"""Strings drawn in all permutations together; beyond, a part of the strings calibrates."""


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
    rivals : tuple of Node
        Who else handled nearly the same strings, so that the two cannot be separated; asked only if the evidence is
        enough.
    """

    best: Node | None
    p_value: float
    level: float
    permutations: int
    critical: float
    first_block: tuple[int, ...]
    rivals: tuple[Node, ...] = ()

    @property
    def found(self) -> bool:
        """Whether the evidence is enough that somebody made these flags."""
        return self.p_value <= self.level

    @property
    def accused(self) -> Node | None:
        """The suspect, if the evidence is enough and points to one alone."""
        return self.best if self.found and not self.rivals else None


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
    label_of_made, label_of_flagged = combined((made.lane, *made.beside), (flagged.lane, *flagged.beside))
    _, first = np.unique(label_of_made, return_index=True)
    labels = Labels.of(made.lane[first], [codes[first] for codes in made.beside], stringer_of_lane)
    urns = Urns(of_made, label_of_made, made.strings, len(first))
    counting = whole = Counting(flagged, of_flagged, urns, labels, span_of_block)
    best = whole.best_of(label_of_flagged)
    part = _part_for_calibration(flagged, rng, most_draws // permutations)
    if part is not None:
        counting = Counting(flagged.chosen(part), of_flagged[part], urns, labels, span_of_block)
    p_value, done, critical = _p_value(counting, best.score, rng, level, permutations)
    rivals: tuple[Node, ...] = ()
    if p_value <= level:
        best = whole.followed(best, label_of_flagged)
        handled = Handled(flagged, of_flagged, label_of_flagged, labels, urns)
        best, rivals = handled.settled(best, first_block[best.span])
    return SearchResult(best, p_value, level, done, critical, first_block, rivals)


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


def _p_value(
    counting: Counting, found: float, rng: np.random.Generator, level: float, permutations: int
) -> tuple[float, int, float]:
    """Return p, how many permutations were made, and the critical score."""
    enough = int(np.floor(level * (permutations + 1)))  # so many as large, and p cannot be below the level
    largest: list[FloatArray] = []
    done = as_large = 0
    batches = iter(_BATCH_SIZES)
    while done < permutations and as_large < max(enough, 10):
        size = min(next(batches, _MOST_AT_ONCE), permutations - done)
        largest.append(counting.largest(size, rng))
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
