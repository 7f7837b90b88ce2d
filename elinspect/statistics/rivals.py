"""Who else handled the strings a suspect is charged with, and whether the two can be told apart.

Of two who share many strings, the one stands whose strings are bad without the other as well. Where neither can be seen
without the other, nobody can say which of the two it is.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.statistics.permuting import Urns
from elinspect.statistics.strings_made import UNKNOWN, BoolArray, FlaggedCells, IntArray
from elinspect.statistics.suspects import BESIDE, Labels, Level, Node, at_place, belongs, in_excess

_MOST_TURNS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Handled:
    """Flagged cells with what was written on their strings.

    Attributes
    ----------
    flagged : FlaggedCells
        All of them.
    group, label : ndarray of int, shape (cells,)
        Group within which each string is compared; what is written on it.
    labels : Labels
        What the labels say.
    urns : Urns
        What was made in each group.
    """

    flagged: FlaggedCells
    group: IntArray
    label: IntArray
    labels: Labels
    urns: Urns

    def settled(self, node: Node, since: int) -> tuple[Node, tuple[Node, ...]]:
        """Return who stands behind an excess, and who cannot be told apart from it.

        Parameters
        ----------
        node : Node
            The suspect with enough evidence.
        since : int
            First block of its span of time.
        """
        compared = _Compared(self, node, since)
        for _ in range(_MOST_TURNS):
            rivals = []
            own = compared.mask(node)
            for rival in compared.rivals(node):
                other = compared.mask(rival)
                if not compared.excess(other) or compared.excess(own, without=other):
                    continue
                if compared.excess(other, without=own):
                    node = rival
                    break
                rivals.append(rival)
            else:
                return node, tuple(rivals)
        return node, ()


class _Compared:
    """The flagged strings of a span of time and place, each once."""

    def __init__(self, handled: Handled, node: Node, since: int) -> None:
        flagged = handled.flagged
        counts = np.flatnonzero((flagged.block >= since) & at_place(node, flagged.position, flagged.place))
        _, first = np.unique(flagged.string[counts], return_index=True)
        cells = counts[first]
        self._label, self._machines, self._span = handled.label[cells], handled.labels.machines, node.span
        self._shares: NDArray[np.float64] = handled.urns.shares[handled.group[cells]]
        self._like = node

    def mask(self, node: Node) -> BoolArray:
        """Return which labels are a suspect's."""
        nowhere = np.full(len(self._machines[Level.LANE]), UNKNOWN)
        level = Level.LANE if node.lane >= 0 else node.level
        anywhere = Node(level, node.stringer, node.lane, 0, -1, 0, 0, 0.0, 0.0, node.beside)
        return belongs(anywhere, self._machines, nowhere, nowhere)

    def excess(self, mask: BoolArray, without: BoolArray | None = None) -> bool:
        """Whether strings with these labels are bad more often than chance allows, among those without others."""
        rest = np.zeros(len(mask), dtype=np.bool_) if without is None else without
        chosen = ~rest[self._label]
        shares = self._shares[chosen]
        among = shares @ ~rest
        expected = (shares @ (mask & ~rest)) / np.maximum(among, 1e-12)
        return in_excess(float(mask[self._label[chosen]].sum()), float(expected.sum()))

    def rivals(self, node: Node) -> list[Node]:
        """Return, of everybody else who handles strings, the one who handled most of the suspect's."""
        mine = self._label[self.mask(node)[self._label]]
        levels = [level for level in BESIDE if level in self._machines and level is not node.level]
        if node.level in BESIDE:
            levels += [Level.LANE, Level.STRINGER]
        found = []
        for level in levels:
            codes = self._machines[level][mine]
            codes = codes[codes != UNKNOWN]
            if len(codes):
                found.append(self._node(level, int(np.bincount(codes).argmax())))
        return found

    def _node(self, level: Level, code: int) -> Node:
        lane = code if level is Level.LANE else -1
        stringer = code if level is Level.STRINGER else -1
        if level is Level.LANE:
            lanes = self._machines[Level.LANE]
            stringer = int(self._machines[Level.STRINGER][lanes == code][0])
        here = self._machines[level] == code
        observed, expected = int(here[self._label].sum()), float((self._shares @ here).sum())
        beside = code if level in BESIDE else -1
        return Node(level, stringer, lane, 0, -1, self._span, observed, expected, self._like.score, beside)
