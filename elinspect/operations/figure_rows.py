"""From rows of the log to the plain arrays that statistics works on."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Layout
from elinspect.statistics.strings_made import UNKNOWN, FlaggedCells, IntArray, StringsMade, place_code
from elinspect.statistics.suspects import BESIDE
from elinspect.statistics.wafer_repeats import wafer_repeats

FloatArray = NDArray[np.float64]


class Codes:
    """Gives every name a number, from 0, in the order in which they first come."""

    def __init__(self) -> None:
        self._codes: defaultdict[Any, int] = defaultdict()
        self._codes.default_factory = self._codes.__len__

    @property
    def names(self) -> list[Any]:
        """The names by their numbers."""
        return list(self._codes)

    def of(self, name: Any) -> int:
        """Return the number of a name."""
        return self._codes[name]

    def all_of(self, names: Collection[Any]) -> IntArray:
        """Return the numbers of names; half a million take some hundredths of a second."""
        return np.fromiter(map(self._codes.__getitem__, names), dtype=np.int64, count=len(names))


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
    beside : tuple of list of str
        Operators, lay-up and bussing machines, by code, in the order of `suspects.BESIDE`.
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
    beside: tuple[list[str], ...]
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
    lot = _lots(lots, *zip(*((row.cell_supplier, row.cell_lot) for row in strings), strict=True)) if strings else block
    counts = np.array([int(row.strings) for row in strings], dtype=np.int64)
    sizes = np.array([_cells_per_string(row.layout) for row in strings], dtype=np.int64)
    named = tuple(Codes() for _ in BESIDE)
    beside = _beside(named, strings)
    made = StringsMade(block, stratum, lane, lot, counts, counts * sizes, beside)
    columns = (values.tolist() for values in (block, stratum, lane, lot, *beside))
    kept, coded = _coded_flags(flags, block_of, strata, lanes, lots, named, set(zip(*columns, strict=True)))
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
        tuple(codes.names for codes in named),
        [row for row, repeat in zip(kept, again, strict=True) if not repeat],
        [row for row, repeat in zip(kept, again, strict=True) if repeat],
    )


def places_in_lane(rows: Sequence[Any]) -> tuple[FloatArray, FloatArray]:
    """Return where flags lie in their cells as the lane sees it (`LanePlace`); nan where not known."""
    along = np.array([row.along for row in rows], dtype=np.float64)  # None becomes nan
    across = np.array([row.across for row in rows], dtype=np.float64)
    told = np.array([row.turned for row in rows], dtype=np.float64)
    unknown, turned = np.isnan(told), told == 1
    along, across = np.where(turned, 1 - along, along), np.where(turned, 1 - across, across)
    return np.where(unknown, np.nan, along), np.where(unknown, np.nan, across)


_stratum = attrgetter("product", "model", "criteria", "decided_by", "station")


def _lots(lots: Codes, suppliers: Sequence[str], names: Sequence[str]) -> IntArray:
    known = (lots.of(pair) if pair[1] else UNKNOWN for pair in zip(suppliers, names, strict=True))
    return np.fromiter(known, dtype=np.int64, count=len(names))


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
    named: Sequence[Codes],
    known: set[tuple[int, ...]],
) -> tuple[list[Any], FlaggedCells]:
    if not flags:
        empty = np.zeros(0, dtype=np.int64)
        return [], FlaggedCells(empty, empty, empty, empty, empty, empty, empty, (empty,) * len(BESIDE))
    columns = list(zip(*map(_CODED, flags), strict=True))
    block = np.fromiter((block_of.get(day, -1) for day in columns[0]), dtype=np.int64, count=len(flags))
    stratum = strata.all_of(list(zip(*columns[1:6], strict=True)))
    lane = lanes.all_of(list(zip(*columns[6:8], strict=True)))
    lot = _lots(lots, columns[8], columns[9])
    beside = _beside(named, flags)
    counted = _among(known, block, stratum, lane, lot, *beside) & np.array([bool(name) for name in columns[6]])
    kept = [row for row, counts in zip(flags, counted.tolist(), strict=True) if counts]
    string = Codes().all_of([(row.serial, row.string) for row in kept])
    position = np.array(columns[10], dtype=np.int64)[counted]
    place = place_code(*places_in_lane(kept))
    block, stratum, lane, lot = (values[counted] for values in (block, stratum, lane, lot))
    return kept, FlaggedCells(
        string, block, stratum, lane, lot, position, place, tuple(codes[counted] for codes in beside)
    )


_CODED = attrgetter(
    *("day", "product", "model", "criteria", "decided_by", "station", "stringer", "lane"),
    *("cell_supplier", "cell_lot", "position_as_built"),
)


def _beside(named: Sequence[Codes], rows: Sequence[Any]) -> tuple[IntArray, ...]:
    """Return the codes of operator, lay-up and bussing machine; an empty text is not known."""

    def codes(of: Codes, column: str) -> IntArray:
        names = map(attrgetter(column), rows)
        return np.fromiter((of.of(name) if name else UNKNOWN for name in names), dtype=np.int64, count=len(rows))

    return tuple(codes(of, level.value) for of, level in zip(named, BESIDE, strict=True))


def _among(known: set[tuple[int, ...]], *codes: IntArray) -> NDArray[np.bool_]:
    """Return which rows of codes are among the known ones."""
    rows = zip(*(values.tolist() for values in codes), strict=True)
    return np.fromiter(map(known.__contains__, rows), dtype=np.bool_, count=len(codes[0]))


def _repeats(rows: Sequence[Any], coded: FlaggedCells) -> NDArray[np.bool_]:
    """Find repeats of a wafer. Only flagged strings are known here: neighbours are those of one string."""
    if not rows:
        return np.zeros(0, dtype=np.bool_)
    sizes = np.array([_cells_per_string(row.layout) for row in rows], dtype=np.int64)
    # Two strings' worth of distance between strings, so that the end of one is no neighbour of the next.
    return wafer_repeats(coded.lane, coded.lot, 2 * coded.string, coded.position, sizes, *places_in_lane(rows))
