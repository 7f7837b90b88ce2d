"""Repeats that come from the wafer, not from the machine: neighbours of one brick carry the same fault.

Sister wafers are cut from one brick and often stay together in the cell lot, so that their faults follow each other in
the feed at the same place in the cell. A machine that strikes one place hits it once per string, a whole string apart.
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.statistics.strings_made import IntArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MOST_CELLS_APART = 3
"""Cells of the feed between two sisters. Plant's choice: shorter than any string."""
MOST_APART = 0.08
"""Distance of their places, in widths of a cell. Plant's choice; about twice what a mark scatters."""


def wafer_repeats(
    lane: IntArray,
    lot: IntArray,
    string: IntArray,
    position: IntArray,
    cells_per_string: IntArray,
    along: FloatArray,
    across: FloatArray,
) -> BoolArray:
    """Find flags that repeat the wafer before them.

    Parameters
    ----------
    lane, lot : ndarray of int, shape (flags,)
        Of each flagged cell; negative where not known.
    string : ndarray of int, shape (flags,)
        Running number of the string in its lane, one for each string the lane made.
    position : ndarray of int, shape (flags,)
        From the leading end, from 1.
    cells_per_string : ndarray of int, shape (flags,)
        Cells of that string.
    along, across : ndarray of float, shape (flags,)
        Place in the cell; nan where not known.

    Returns
    -------
    ndarray of bool, shape (flags,)
        True for a flag with a sister shortly before it; the first of a run is kept.
    """
    repeats = np.zeros(len(lane), dtype=np.bool_)
    # A lane's cells one after another. Strings of different length in one lane only stretch the count.
    feed = string * int(cells_per_string.max(initial=1)) + position - 1
    order = _in_order(lane, lot, feed)
    lanes, lots, feeds = lane[order], lot[order], feed[order]
    for step in range(1, MOST_CELLS_APART + 1):
        apart = feeds[step:] - feeds[:-step]
        same = (lanes[step:] == lanes[:-step]) & (lots[step:] == lots[:-step]) & (lanes[step:] >= 0)
        at = np.flatnonzero(
            same & (apart >= 1) & (apart <= MOST_CELLS_APART)
        )  # few; places are compared of these alone
        before, after = order[at], order[at + step]
        near = np.hypot(along[after] - along[before], across[after] - across[before]) <= MOST_APART
        repeats[after[near & (position[after] != position[before])]] = True
    return repeats


def _in_order(lane: IntArray, lot: IntArray, feed: IntArray) -> IntArray:
    """Return the order by lane, lot, feed: sorting one number for the three is several times as fast."""
    columns = [column - column.min(initial=0) for column in (lane, lot, feed)]
    sizes = [int(column.max(initial=0)) + 1 for column in columns]
    if sizes[0] * sizes[1] * sizes[2] >= 2**62:
        return np.lexsort((feed, lot, lane))
    return np.argsort((columns[0] * sizes[1] + columns[1]) * sizes[2] + columns[2], kind="stable")
