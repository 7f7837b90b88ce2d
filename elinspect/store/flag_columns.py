"""Flagged cells of a period as columns of numbers, half a million of them in about half a second.

Rows of Python objects would take several times as long; who is meant by a number is asked for the few that are shown.
"""

from collections import defaultdict
from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Integer, Text, case, cast, func, select

from elinspect.store.log import Log
from elinspect.store.production import Period, flagged_conditions
from elinspect.store.schema import flagged_cells, inspections

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

STRING_KEY = (
    *("product", "model", "criteria", "decided_by", "station", "layout"),
    *("stringer", "lane", "cell_supplier", "cell_lot", "operator", "layup_machine", "bussing_machine"),
)
"""What a commonality analysis groups the strings of a day by, of `flagged_cells` and of the counts of strings made."""
_BETWEEN, _NEXT = "\x1f", "\x1e"
_MOST_POSITIONS = 1000  # more than any string has cells
_PARTS = 10_000  # places in a cell are kept to a ten-thousandth of its width
_NOT_KNOWN = -1
_READERS = 2


@dataclass(frozen=True, slots=True, eq=False)
class FlagColumns:
    """Flagged cells, one entry each, in the order of the log.

    Attributes
    ----------
    panel : ndarray of int, shape (cells,)
        Which of `inspections` they were seen in.
    string, position, position_as_built : ndarray of int
        Of the cell in its panel, and from the leading end; 0 where that is not known.
    turned : ndarray of int
        1 or 0; -1 where not known.
    along, across : ndarray of float
        Place in the cell, 0..1, to a ten-thousandth; nan where not known.
    source : ndarray of int
        Which of `sources` their string came from.
    inspections : tuple of str
        Ids of the pictures, those logged last at the end.
    sources : tuple of str
        `source_key` of every string that occurs.
    """

    panel: IntArray
    string: IntArray
    position: IntArray
    position_as_built: IntArray
    turned: IntArray
    along: FloatArray
    across: FloatArray
    source: IntArray
    inspections: tuple[str, ...]
    sources: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.panel)

    def chosen(self, which: NDArray[Any]) -> "FlagColumns":
        """Return some of the cells, by mask or index."""
        return replace(self, **{name: getattr(self, name)[which] for name in _COLUMNS})


_COLUMNS = tuple(field.name for field in fields(FlagColumns) if field.name not in ("inspections", "sources"))


def source_key(row: Any) -> str:
    """Return the first columns of a row of strings made, day and `STRING_KEY`, as one text."""
    return _BETWEEN.join(row[: len(STRING_KEY) + 1])


def flag_columns(log: Log, period: Period, days: Sequence[str], kinds: Sequence[str], *, decided: bool) -> FlagColumns:
    """Read the cells of `store.production.flagged_of`, on both cores.

    Parameters
    ----------
    log : Log
        The log.
    period : Period
        Which pictures.
    days : sequence of str
        Days that may have flags, in order; they are shared out between two readers, who see the same log.
    kinds : sequence of str
        Kinds of flag; empty for all.
    decided : bool
        What inspectors confirmed in decided panels, otherwise what the machine flagged.
    """
    shares = [of for of in np.array_split(np.array(days, dtype=object), _READERS) if len(of)]
    asked = [replace(period, since=of[0], until=of[-1]) for of in shares]
    read = partial(_days, kinds=kinds, decided=decided)
    with log.reading_together(len(asked)) as connections, ThreadPoolExecutor(_READERS) as readers:
        found = list(readers.map(read, connections, asked))
    return _joined([day for of_reader in found for day in of_reader])


def _days(connection: Connection, asked: Period, kinds: Sequence[str], decided: bool) -> list[FlagColumns]:
    """Read day by day: of every cell two whole numbers and, as text, picture and origin.

    One format for the origin's thirteen columns: joined by twelve `||` they took as long as all the rest.
    """
    cell = flagged_cells.c
    turned = case((cell.turned.is_(None), 0), (cell.turned, 2), else_=1)
    where = ((cell.string * _MOST_POSITIONS + cell.position) * _MOST_POSITIONS + cell.position_as_built) * 3 + turned
    along, across = (cast(func.round(value * _PARTS), Integer) for value in (cell.along, cell.across))
    place = func.coalesce(along * (_PARTS + 1) + across, _NOT_KNOWN)
    filled_in = func.printf if connection.dialect.name == "sqlite" else func.format
    source = filled_in(_BETWEEN.join(["%s"] * len(STRING_KEY)), *(cell[name] for name in STRING_KEY), type_=Text)
    columns = ((cast(where, Text), ","), (cast(place, Text), ","), (cell.inspection, _NEXT), (source, _NEXT))
    texts = [func.aggregate_strings(*column) for column in columns]
    chosen = select(cell.day, *texts).where(*flagged_conditions(asked, kinds, decided=decided))
    return [_unpacked(*row) for row in connection.execute(chosen.group_by(cell.day).order_by(cell.day))]


def _unpacked(day: str, wheres: str, places: str, panels: str, sources: str) -> FlagColumns:
    where, place = (np.fromstring(numbers, dtype=np.int64, sep=",") for numbers in (wheres, places))
    where, turned = np.divmod(where, 3)
    where, position_as_built = np.divmod(where, _MOST_POSITIONS)
    string, position = np.divmod(where, _MOST_POSITIONS)
    along, across = (np.where(place < 0, np.nan, part / _PARTS) for part in np.divmod(place, _PARTS + 1))
    panel, inspection = _coded(panels, len(string))
    source, names = _coded(sources, len(string))
    named = tuple(day + _BETWEEN + name for name in names)
    return FlagColumns(
        panel, string, position, position_as_built, turned - 1, along, across, source, tuple(inspection), named
    )


def _coded(texts: str, n: int) -> tuple[IntArray, list[str]]:
    """Return a number for every text, in the order in which they first come, and what each stands for."""
    codes: defaultdict[str, int] = defaultdict()
    codes.default_factory = codes.__len__
    return np.fromiter(map(codes.__getitem__, texts.split(_NEXT)), dtype=np.int64, count=n), list(codes)


def _joined(days: Sequence[FlagColumns]) -> FlagColumns:
    if not days:
        none, nowhere = np.zeros(0, dtype=np.int64), np.zeros(0)
        return FlagColumns(none, none, none, none, none, nowhere, nowhere, none, (), ())
    columns = {name: np.concatenate([getattr(day, name) for day in days]) for name in _COLUMNS}
    for name, named in (("panel", "inspections"), ("source", "sources")):
        first = np.cumsum([0, *(len(getattr(day, named)) for day in days)])
        columns[name] += np.repeat(first[:-1], [len(day) for day in days])
    pictures, sources = ([name for day in days for name in getattr(day, of)] for of in ("inspections", "sources"))
    return FlagColumns(**columns, inspections=tuple(pictures), sources=tuple(sources))


def serials_of(connection: Connection, chosen: Collection[str]) -> dict[str, str]:
    """Return the serials of pictures by their ids; an empty text where there is none."""
    seen = inspections.c
    found = connection.execute(select(seen.id, seen.serial).where(seen.id.in_(list(chosen))))
    return {row.id: row.serial or "" for row in found}
