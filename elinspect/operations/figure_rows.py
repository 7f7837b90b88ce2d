"""From rows of the log to the plain arrays that statistics works on."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Layout
from elinspect.statistics.strings_made import UNKNOWN, FlaggedCells, IntArray, StringsMade, place_code
from elinspect.statistics.suspects import BESIDE
from elinspect.statistics.wafer_repeats import wafer_repeats
from elinspect.store.flag_columns import FlagColumns, source_key

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
    cells : FlagColumns
        The flagged cells as read, beside `flagged`.
    places : ndarray, shape (flags, 2)
        Where in their cells they lie, as the lane sees it; nan where not known.
    repeats : FlagColumns
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
    places: FloatArray
    cells: FlagColumns
    repeats: FlagColumns


def coded_rows(strings: Sequence[Any], flags: FlagColumns) -> CodedRows:
    """Code rows of `store.counts.strings_made` (by day and `STRING_KEY`) and the flagged cells of `flag_columns`.

    Flags in strings of which the log knows no stringer or that were not counted as made are left out.
    """
    strings = [row for row in strings if row.stringer]
    lanes, strata, lots, stringers, suppliers = Codes(), Codes(), Codes(), Codes(), Codes()
    named = tuple(Codes() for _ in BESIDE)
    days = sorted({row.day for row in strings})
    block_of = {day: number for number, day in enumerate(days)}
    lanes.all_of(sorted({(row.stringer, row.lane) for row in strings}))
    lots.all_of(sorted({(row.cell_supplier, row.cell_lot) for row in strings if row.cell_lot}))
    counts = np.array([int(row.strings) for row in strings], dtype=np.int64)
    sizes = np.array([_cells_per_string(row.layout) for row in strings], dtype=np.int64)
    made = StringsMade(
        np.array([block_of[row.day] for row in strings], dtype=np.int64),
        strata.all_of([_stratum(row) for row in strings]),
        lanes.all_of([(row.stringer, row.lane) for row in strings]),
        _known(lots, [(row.cell_supplier, row.cell_lot) if row.cell_lot else None for row in strings]),
        counts,
        counts * sizes,
        tuple(_known(codes, map(attrgetter(level.value), strings)) for codes, level in zip(named, BESIDE, strict=True)),
    )
    entry_of = {source_key(row): at for at, row in enumerate(strings)}
    entry = np.array([entry_of.get(source, -1) for source in flags.sources], dtype=np.int64)[flags.source]
    kept = flags
    if (entry < 0).any():
        kept, entry = flags.chosen(entry >= 0), entry[entry >= 0]
    along, across = _in_lane(kept.along, kept.across, np.where(kept.turned < 0, np.nan, kept.turned))
    coded = _coded_flags(kept, entry, made, place_code(along, across))
    # Only flagged strings are known here: neighbours are those of one string, and two strings' worth of distance
    # between strings keeps the end of one from being a neighbour of the next.
    feed = (coded.lane, coded.lot, 2 * coded.string, coded.position, sizes[entry])
    again = wafer_repeats(*feed, along, across) if len(kept) else np.zeros(0, dtype=np.bool_)
    stringer_of_lane = stringers.all_of([stringer for stringer, _ in lanes.names])
    supplier_of_lot = suppliers.all_of([supplier for supplier, _ in lots.names])
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
        np.column_stack([along, across])[~again],
        kept.chosen(~again),
        kept.chosen(again),
    )


def places_in_lane(rows: Sequence[Any]) -> tuple[FloatArray, FloatArray]:
    """Return where flags lie in their cells as the lane sees it (`LanePlace`); nan where not known."""
    told = np.array([(row.along, row.across, row.turned) for row in rows], dtype=np.float64)  # None becomes nan
    return _in_lane(*told.reshape(-1, 3).T)


def _in_lane(along: FloatArray, across: FloatArray, turned: FloatArray) -> tuple[FloatArray, FloatArray]:
    unknown = np.isnan(turned)
    along, across = np.where(turned == 1, 1 - along, along), np.where(turned == 1, 1 - across, across)
    return np.where(unknown, np.nan, along), np.where(unknown, np.nan, across)


_stratum = attrgetter("product", "model", "criteria", "decided_by", "station")


def _known(codes: Codes, names: Iterable[Any]) -> IntArray:
    """Return the codes of names; nothing, or an empty text, is not known."""
    return np.array([codes.of(name) if name else UNKNOWN for name in names], dtype=np.int64)


_SIZES: dict[str, int] = {}


def _cells_per_string(layout: str) -> int:
    if layout not in _SIZES:
        _SIZES[layout] = Layout.parse(layout).cells_per_string
    return _SIZES[layout]


def _coded_flags(cells: FlagColumns, entry: IntArray, made: StringsMade, place: IntArray) -> FlaggedCells:
    """Return flags coded as the strings made are, of whose entries they belong to `entry`."""
    return FlaggedCells(
        cells.panel * (int(cells.string.max(initial=0)) + 1) + cells.string,
        made.block[entry],
        made.stratum[entry],
        made.lane[entry],
        made.lot[entry],
        cells.position_as_built,
        place,
        tuple(codes[entry] for codes in made.beside),
    )
