"""What a commonality analysis works on: strings that were made, and flagged cells in them, as plain arrays.

Cells of one string are not independent, so that the string is the unit that is compared and permuted. Strings without a
flag need no row of their own: they are counted by where they came from.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

UNKNOWN = -1
"""Code of a lot or place that is not known."""
PLACE_GRID = 3
"""Places in a cell are told apart in a grid of 3 x 3. Plant's choice: coarse enough for a handful of flags."""
N_PLACES = PLACE_GRID * PLACE_GRID


@dataclass(frozen=True, slots=True, eq=False)
class StringsMade:
    """Strings that were made and inspected, counted; one entry for each combination that occurs.

    Attributes
    ----------
    block : ndarray of int, shape (entries,)
        Span of time (day or shift) in which they were made, from 0, in order.
    stratum : ndarray of int
        What else may change the rate and is no machine: product, wafer type, image quality, model and criteria
        version, inspector; combined to one code.
    lane : ndarray of int
        Code of the lane, from 0.
    lot : ndarray of int
        Code of the cell lot, `UNKNOWN` where not known.
    strings, cells : ndarray of int
        How many.
    beside : tuple of ndarray of int
        Codes of operator, lay-up and bussing machine, as far as they are looked at; `UNKNOWN` where not known.
    """

    block: IntArray
    stratum: IntArray
    lane: IntArray
    lot: IntArray
    strings: IntArray
    cells: IntArray
    beside: tuple[IntArray, ...] = ()

    def chosen(self, mask: BoolArray) -> "StringsMade":
        """Return some of the entries."""
        return replace(self, **_chosen(self, mask))


@dataclass(frozen=True, slots=True, eq=False)
class FlaggedCells:
    """Flagged cells, one entry each.

    Attributes
    ----------
    string : ndarray of int, shape (cells,)
        Which string; any number that tells strings apart.
    block, stratum, lane, lot : ndarray of int
        Of the string, codes as in `StringsMade`.
    position : ndarray of int
        Counted from the leading end, from 1; 0 where not known.
    place : ndarray of int
        Place in the cell as the lane sees it (`place_code`), `UNKNOWN` where not known.
    beside : tuple of ndarray of int
        Of the string, codes as in `StringsMade`.
    """

    string: IntArray
    block: IntArray
    stratum: IntArray
    lane: IntArray
    lot: IntArray
    position: IntArray
    place: IntArray
    beside: tuple[IntArray, ...] = ()

    def __len__(self) -> int:
        return len(self.string)

    def chosen(self, mask: BoolArray) -> "FlaggedCells":
        """Return some of the cells."""
        return replace(self, **_chosen(self, mask))


def _chosen(columns: StringsMade | FlaggedCells, mask: BoolArray) -> dict[str, Any]:
    found = {field.name: getattr(columns, field.name) for field in fields(columns)}
    found["beside"] = tuple(codes[mask] for codes in found["beside"])
    return {name: values if name == "beside" else values[mask] for name, values in found.items()}


def place_code(along: NDArray[np.float64], across: NDArray[np.float64]) -> IntArray:
    """Return the code of places in a cell, 0..8, row by row along the feed; `UNKNOWN` for nan.

    Parameters
    ----------
    along, across : ndarray of float, shape (n,)
        As `elinspect.frames.LanePlace`, 0..1.
    """
    known = np.isfinite(along) & np.isfinite(across)
    rows, columns = (
        np.clip(np.floor(np.where(known, value, 0.0) * PLACE_GRID), 0, PLACE_GRID - 1).astype(np.int64)
        for value in (along, across)
    )
    return np.where(known, rows * PLACE_GRID + columns, UNKNOWN)


def groups_of(made: StringsMade, flagged: FlaggedCells, *names: str) -> tuple[IntArray, IntArray]:
    """Return one code, from 0, for each combination of some columns: of the entries of both.

    Raises
    ------
    ValueError
        If a flagged cell lies in a combination of which nothing was made.
    """
    of_made, of_flagged = ([getattr(rows, name) for name in names] for rows in (made, flagged))
    return combined(of_made, of_flagged)


def combined(of_made: Sequence[IntArray], of_flagged: Sequence[IntArray]) -> tuple[IntArray, IntArray]:
    """Return one code, from 0, for each combination of columns; raises as `groups_of`."""
    codes = np.zeros(len(of_made[0]) + len(of_flagged[0]), dtype=np.int64)
    for made, flagged in zip(of_made, of_flagged, strict=True):
        _, column = np.unique(np.concatenate([made, flagged]), return_inverse=True)
        _, codes = np.unique(codes * (int(column.max(initial=0)) + 1) + column, return_inverse=True)
    made_codes, flagged_codes = codes[: len(of_made[0])], codes[len(of_made[0]) :]
    if not np.isin(flagged_codes, made_codes).all():
        raise ValueError("cells are flagged in strings that were not made")
    return made_codes, flagged_codes
