"""From rows of the log to the plain arrays that statistics works on."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Layout
from elinspect.statistics.strings_made import UNKNOWN, FlaggedCells, IntArray, StringsMade, place_code
from elinspect.statistics.wafer_repeats import wafer_repeats

FloatArray = NDArray[np.float64]


class Codes:
    """Gives every name a number, from 0, in the order in which they first come."""

    def __init__(self) -> None:
        self.names: list[Any] = []
        self._codes: dict[Any, int] = {}

    def of(self, name: Any) -> int:
        """Return the number of a name."""
        code = self._codes.get(name)
        if code is None:
            code = self._codes[name] = len(self.names)
            self.names.append(name)
        return code

    def all_of(self, names: Sequence[Any]) -> IntArray:
        """Return the numbers of names."""
        return np.array([self.of(name) for name in names], dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class CodedRows:
    """Strings and flagged cells of a period, coded.

    Attributes
    ----------
    made, flagged : StringsMade, FlaggedCells
        For `elinspect.statistics.commonality`; wafer repeats are left out of `flagged`.
    days : list of str
        Block b is day b.
    lanes : list of (str, str)
        Stringer and lane, by code.
    stringers : list of str
        By code.
    stringer_of_lane : ndarray of int
        Code of the stringer of each lane.
    lots : list of (str, str)
        Supplier and lot, by code.
    suppliers : list of str
        By code.
    supplier_of_lot : ndarray of int
        Code of the supplier of each lot.
    rows : list of rows
        The flagged cells as read, beside `flagged`.
    repeats : list of rows
        Flags set apart as repeats of a wafer.
    """

    made: StringsMade
    flagged: FlaggedCells
    days: list[str]
    lanes: list[tuple[str, str]]
    stringers: list[str]
    stringer_of_lane: IntArray
    lots: list[tuple[str, str]]
    suppliers: list[str]
    supplier_of_lot: IntArray
    rows: list[Any] = field(default_factory=list)
    repeats: list[Any] = field(default_factory=list)


def coded_rows(strings: Sequence[Any], flags: Sequence[Any]) -> CodedRows:
    """Code rows of `store.production.strings_made` and `flagged_of`.

    Flags in strings of which the log knows no stringer or that were not counted as made are left out.
    """
    strings = [row for row in strings if row.stringer]
    lanes, strata, lots = Codes(), Codes(), Codes()
    days = sorted({row.day for row in strings})
    block_of = {day: number for number, day in enumerate(days)}
    lanes.all_of(sorted({(row.stringer, row.lane) for row in strings}))
    lots.all_of(sorted({(row.cell_supplier, row.cell_lot) for row in strings if row.cell_lot}))
    block = np.array([block_of[row.day] for row in strings], dtype=np.int64)
    stratum = strata.all_of([_stratum(row) for row in strings])
    lane = lanes.all_of([(row.stringer, row.lane) for row in strings])
    lot = _lots(lots, strings)
    counts = np.array([row.strings for row in strings], dtype=np.int64)
    sizes = np.array([_cells_per_string(row.layout) for row in strings], dtype=np.int64)
    made = StringsMade(block, stratum, lane, lot, counts, counts * sizes)
    known = set(zip(block.tolist(), stratum.tolist(), lane.tolist(), lot.tolist(), strict=True))
    kept, coded = _coded_flags(flags, block_of, strata, lanes, lots, known)
    stringers, suppliers = Codes(), Codes()
    stringer_of_lane = stringers.all_of([stringer for stringer, _ in lanes.names])
    supplier_of_lot = suppliers.all_of([supplier for supplier, _ in lots.names])
    again = _repeats(kept, coded)
    return CodedRows(
        made,
        coded.chosen(~again),
        days,
        lanes.names,
        stringers.names,
        stringer_of_lane,
        lots.names,
        suppliers.names,
        supplier_of_lot,
        [row for row, repeat in zip(kept, again, strict=True) if not repeat],
        [row for row, repeat in zip(kept, again, strict=True) if repeat],
    )


def places_in_lane(rows: Sequence[Any]) -> tuple[FloatArray, FloatArray]:
    """Return where flags lie in their cells as the lane sees it (`LanePlace`); nan where not known."""
    along = np.array([np.nan if row.along is None else row.along for row in rows], dtype=np.float64)
    across = np.array([np.nan if row.across is None else row.across for row in rows], dtype=np.float64)
    turned = np.array([bool(row.turned) for row in rows], dtype=np.bool_)
    unknown = np.array([row.turned is None for row in rows], dtype=np.bool_)
    along, across = np.where(turned, 1 - along, along), np.where(turned, 1 - across, across)
    return np.where(unknown, np.nan, along), np.where(unknown, np.nan, across)


def _stratum(row: Any) -> tuple[Any, ...]:
    return (row.product, row.model, row.criteria, row.decided_by, row.station)


def _lots(lots: Codes, rows: Sequence[Any]) -> IntArray:
    codes = [lots.of((row.cell_supplier, row.cell_lot)) if row.cell_lot else UNKNOWN for row in rows]
    return np.array(codes, dtype=np.int64)


_SIZES: dict[str, int] = {}


def _cells_per_string(layout: str) -> int:
    if layout not in _SIZES:
        _SIZES[layout] = Layout.parse(layout).cells_per_string
    return _SIZES[layout]


def _coded_flags(
    flags: Sequence[Any],
    block_of: dict[str, int],
    strata: Codes,
    lanes: Codes,
    lots: Codes,
    known: set[tuple[int, int, int, int]],
) -> tuple[list[Any], FlaggedCells]:
    string, kept, codes = Codes(), [], []
    for row in flags:
        lot = lots.of((row.cell_supplier, row.cell_lot)) if row.cell_lot else UNKNOWN
        lane = (row.stringer, row.lane)
        key = (block_of.get(row.day, -1), strata.of(_stratum(row)), lanes.of(lane) if row.stringer else -1, lot)
        if key in known:
            kept.append(row)
            codes.append((string.of((row.serial, row.string)), *key, row.position_as_built))
    table = np.array(codes, dtype=np.int64).reshape(-1, 6).T
    of_string, block, stratum, lane_code, lot_code, position = table
    place = place_code(*places_in_lane(kept))
    return kept, FlaggedCells(of_string, block, stratum, lane_code, lot_code, position, place)


def _repeats(rows: Sequence[Any], coded: FlaggedCells) -> NDArray[np.bool_]:
    """Find repeats of a wafer. Only flagged strings are known here: neighbours are those of one string."""
    if not rows:
        return np.zeros(0, dtype=np.bool_)
    sizes = np.array([_cells_per_string(row.layout) for row in rows], dtype=np.int64)
    # Two strings' worth of distance between strings, so that the end of one is no neighbour of the next.
    return wafer_repeats(coded.lane, coded.lot, 2 * coded.string, coded.position, sizes, *places_in_lane(rows))
