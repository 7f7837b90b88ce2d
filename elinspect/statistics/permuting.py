"""Whole strings permuted within groups: which string came from where, if the machine did not matter."""

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]


class Urns:
    """One urn for each group, holding a slip for every string made in it with its label on it (the lane, or the lot).

    Parameters
    ----------
    group, label, strings : ndarray of int, shape (entries,)
        How many strings of which label each group has.
    n_labels : int
        Labels are 0..n_labels-1.

    Attributes
    ----------
    shares : ndarray of float, shape (groups, n_labels)
        Share of each label in each group.
    sizes : ndarray of int, shape (groups,)
        Strings in each group.
    """

    def __init__(self, group: IntArray, label: IntArray, strings: IntArray, n_labels: int) -> None:
        n_groups = int(group.max(initial=-1)) + 1
        table = np.bincount(group * n_labels + label, strings, n_groups * n_labels).reshape(n_groups, n_labels)
        self.sizes = table.sum(axis=1).astype(np.int64)
        self.shares = table / np.maximum(self.sizes[:, None], 1)
        # Slips are numbered through, group by group and label by label.
        labels = np.tile(np.arange(n_labels, dtype=np.int32), n_groups)
        self._label_of_slip = np.repeat(labels, table.ravel().astype(np.int64))
        self._first = np.concatenate([[0], np.cumsum(self.sizes)[:-1]]).astype(np.int64)

    def draw(self, group: IntArray, times: int, rng: np.random.Generator) -> IntArray:
        """Draw a slip for each of some strings, without putting back.

        Parameters
        ----------
        group : ndarray of int, shape (strings,)
            Group of each; a group has at least as many slips as strings drawn from it.
        times : int
            How often, independently.

        Returns
        -------
        ndarray of int, shape (times, strings)
            Labels.

        Raises
        ------
        ValueError
            If a group has fewer slips than strings.
        """
        wanted = np.bincount(group, minlength=len(self.sizes))
        if np.any(wanted > self.sizes):
            raise ValueError("more strings are flagged than were made")
        slips = self._slips(np.broadcast_to(group, (times, len(group))), rng)
        self._part_doubles(slips, group, rng)
        labels: IntArray = self._label_of_slip[slips].astype(np.int64)
        return labels

    def _slips(self, group: IntArray, rng: np.random.Generator) -> IntArray:
        slips: IntArray = self._first[group] + (rng.random(group.shape) * self.sizes[group]).astype(np.int64)
        return slips

    def _part_doubles(self, slips: IntArray, group: IntArray, rng: np.random.Generator) -> None:
        # A slip drawn twice is drawn again for the later string: the same as not putting back.
        rows, bits = np.arange(len(slips)), len(group).bit_length()
        strings = np.arange(len(group))
        while rows.size and len(group) > 1:
            # Slip and string in one number: sorting numbers is several times as fast as sorting places.
            ordered = np.sort((slips[rows] << bits) | strings, axis=1)
            drawn = ordered >> bits
            row, place = np.nonzero(drawn[:, 1:] == drawn[:, :-1])
            if not row.size:
                return
            at = ordered[row, place + 1] & ((1 << bits) - 1)
            slips[rows[row], at] = self._slips(group[at], rng)
            rows = np.unique(rows[row])
