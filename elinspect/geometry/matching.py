"""Whether two pictures show the same cells: image and serial belong together, the right cell was replaced.

How much alike the same cell looks in two pictures depends on the wafers, the noise and the cameras; how much alike
different cells look depends on the wafers too (sister wafers of one brick are near copies). Both are measured on the
two pictures themselves: every cell against its own place, and against all other places.

References
----------
Fisher, R. A. (1921). "On the probable error of a coefficient of correlation deduced from a small sample." Metron 1:3-32
(the transform ``arctanh`` that makes correlations about normal).
"""

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.geometry.fingerprint import FEWEST_IN_COMMON, unpacked
from elinspect.records import Fingerprints, read_only

_OTHERS_BELOW = 99.5
"""Percentile of the likeness of different cells above which two cells do not count as different."""
_SPREADS = 3.5
_LEAST_SPREAD = 0.12
"""How far below the median the likeness of the same cell may lie, in robust spreads, and the least spread."""
_BELONGS, _DOES_NOT = 0.7, 0.4
"""Shares of the untouched cells that match from which, and below which, two pictures show the same panel, or do not."""


class CellMatch(StrEnum):
    """Whether a cell is the same in both pictures."""

    SAME = "same"
    OTHER = "other"
    UNSURE = "unsure"
    NOT_COMPARED = "not_compared"


class PanelMatch(StrEnum):
    """Whether two pictures fit together."""

    BELONGS = "belongs"
    NOT_THIS_PANEL = "not_this_panel"
    TURNED = "turned"
    NOT_AS_REPLACED = "not_as_replaced"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True, eq=False)
class Rematch:
    """What two pictures say about each other.

    Attributes
    ----------
    verdict : PanelMatch
        `NOT_THIS_PANEL`: image and serial do not belong together. `TURNED`: the same panel, but turned by 180°.
        `NOT_AS_REPLACED`: not replaced, or the wrong one. `CANNOT_TELL`: too few cells with texture.
    cells : tuple of CellMatch
        By cell, in the order of addresses.
    likeness : ndarray, shape (n_cells,)
        Correlation of the two fingerprints of each place, -1..1; 0 where not compared.
    still_there : tuple of int
        Cells said to be replaced that look the same as before.
    changed : tuple of int
        Cells said to be untouched that look like other ones.
    undecided : tuple of int
        Cells said to be replaced that cannot be told from the ones before (sister wafers, weak texture).
    message : Message
        The verdict in words, without addresses.
    """

    verdict: PanelMatch
    cells: tuple[CellMatch, ...]
    likeness: NDArray[np.float64]
    still_there: tuple[int, ...]
    changed: tuple[int, ...]
    undecided: tuple[int, ...]
    message: Message


def rematched(before: Fingerprints, after: Fingerprints, replaced: Collection[int] = ()) -> Rematch:
    """Compare the cells of a panel or string with an earlier picture of it.

    Parameters
    ----------
    before, after : Fingerprints
        Of the two pictures, both in the order of addresses.
    replaced : collection of int
        Cells that were replaced in between; empty between stages or for a retake.

    Raises
    ------
    ValueError
        If a replaced cell does not exist.
    """
    n = len(before.codes)
    if any(not 0 <= cell < n for cell in replaced):
        raise ValueError(f"replaced cells {sorted(replaced)} are not all among {n}")
    if before.shape != after.shape or len(after.codes) != n:
        nothing = (CellMatch.NOT_COMPARED,) * n
        return _answer(PanelMatch.NOT_THIS_PANEL, nothing, np.zeros(n), Message("rematch.other_layout"))
    touched = np.isin(np.arange(n), list(replaced))
    compared = np.array([bool(a) and bool(b) for a, b in zip(before.codes, after.codes, strict=True)])
    rows, later = unpacked(before), unpacked(after)
    if (compared & ~touched).sum() < FEWEST_IN_COMMON:
        return _answer(PanelMatch.CANNOT_TELL, (CellMatch.NOT_COMPARED,) * n, np.zeros(n), Message("rematch.too_few"))
    crossed = rows @ later.T
    cells, belongs = _by_cell(crossed, compared, touched)
    likeness = np.where(compared, np.diag(crossed), 0.0)
    if belongs < _BELONGS and _share_turned(rows, later, touched) >= _BELONGS:
        return _answer(PanelMatch.TURNED, cells, likeness, Message("rematch.turned"))
    if belongs < _DOES_NOT:
        return _answer(PanelMatch.NOT_THIS_PANEL, cells, likeness, Message("rematch.not_this_panel"))
    if belongs < _BELONGS:
        return _answer(PanelMatch.CANNOT_TELL, cells, likeness, Message("rematch.unclear"))
    still_there = tuple(i for i in sorted(replaced) if cells[i] is CellMatch.SAME)
    undecided = tuple(i for i in sorted(replaced) if cells[i] in (CellMatch.UNSURE, CellMatch.NOT_COMPARED))
    changed = tuple(i for i in range(n) if cells[i] is CellMatch.OTHER and not touched[i])
    found = still_there, changed, undecided
    if still_there or changed:
        counts = {"still_there": len(still_there), "changed": len(changed)}
        return _answer(PanelMatch.NOT_AS_REPLACED, cells, likeness, Message("rematch.not_as_replaced", counts), *found)
    if undecided:
        message = Message("rematch.undecided", {"n": len(undecided)})
        return _answer(PanelMatch.BELONGS, cells, likeness, message, *found)
    return _answer(PanelMatch.BELONGS, cells, likeness, Message("rematch.belongs"))


def _by_cell(
    crossed: NDArray[np.float32], compared: NDArray[np.bool_], touched: NDArray[np.bool_]
) -> tuple[tuple[CellMatch, ...], float]:
    """Judge each cell, and return the share of the untouched ones that look more alike than different cells do."""
    n = len(crossed)
    likeness = np.arctanh(np.clip(crossed, -0.999, 0.999))
    own = np.diag(likeness)
    both = compared[:, None] & compared & ~np.eye(n, dtype=bool)
    others = float(np.percentile(likeness[both], _OTHERS_BELOW))
    untouched = own[compared & ~touched]
    middle = float(np.median(untouched))
    spread = max(1.4826 * float(np.median(np.abs(untouched - middle))), _LEAST_SPREAD)
    usual = middle - _SPREADS * spread
    same, other = own >= max(usual, others), own < min(usual, others)
    cells = tuple(
        CellMatch.NOT_COMPARED
        if not compared[i]
        else CellMatch.SAME
        if same[i]
        else CellMatch.OTHER
        if other[i]
        else CellMatch.UNSURE
        for i in range(n)
    )
    return cells, float((untouched > others).mean())


def _share_turned(rows: NDArray[np.float32], later: NDArray[np.float32], touched: NDArray[np.bool_]) -> float:
    """Return the share of untouched cells that match if the later picture is turned by 180°: everything reversed."""
    turned = later[::-1, ::-1]
    compared = np.asarray(rows.any(axis=1) & turned.any(axis=1))
    if (compared & ~touched).sum() < FEWEST_IN_COMMON:
        return 0.0
    return _by_cell(rows @ turned.T, compared, touched)[1]


def _answer(
    verdict: PanelMatch,
    cells: tuple[CellMatch, ...],
    likeness: NDArray[np.float64],
    message: Message,
    still_there: tuple[int, ...] = (),
    changed: tuple[int, ...] = (),
    undecided: tuple[int, ...] = (),
) -> Rematch:
    return Rematch(verdict, cells, read_only(likeness), still_there, changed, undecided, message)
