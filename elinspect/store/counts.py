"""What the log keeps counts of: cells, flags, strings and pictures by day and where they came from.

Every function here reads tables of counts alone, so its time follows the days and machines of a log, not its panels;
only a part of a day (`Period.clock`) is counted anew from the rows (`store.clocked`).
"""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Table, func, select

from elinspect.store import clocked
from elinspect.store.production import Period
from elinspect.store.schema import (
    handled_counts,
    handling_counts,
    inspected_counts,
    kept_counts,
    picture_counts,
    place_counts,
    string_counts,
)

_OF_CELLS = (kept_counts, place_counts, handling_counts)


def cell_counts(
    connection: Connection, period: Period, by: Sequence[str], kind: str | None = None, **equal: str | None
) -> Sequence[Any]:
    """Return how many cells and flags were proposed and confirmed.

    Parameters
    ----------
    period : Period
        Which pictures.
    by : sequence of str
        What to group by: columns that one of the tables of counts has together.
    kind : str, optional
        Only cells (and flags) of this kind.
    **equal : str or None
        Further columns and the value each must have; None for any.

    Returns
    -------
    sequence of rows
        The columns of `by`, `kind`, `proposed`, `confirmed` (cells under their one primary kind, each once over all
        attempts), `flags_proposed`, `flags_confirmed` (flags under their own kind, of first attempts); an empty text
        is 'not known'.
    """
    asked = {name: value for name, value in equal.items() if value is not None}
    if period.clock is not None:
        return clocked.cell_counts(connection, period, by, kind, asked)
    asked |= {"kind": kind} if kind is not None else {}
    table = _table_of((*by, *asked))
    columns = [table.c[name] for name in (*by, "kind")]
    sums = [func.sum(table.c[name]).label(name) for name in _COUNTED]
    conditions = [*period.of(table.c), *(table.c[name] == value for name, value in asked.items())]
    return connection.execute(select(*columns, *sums).where(*conditions).group_by(*columns)).all()


_COUNTED = ("proposed", "confirmed", "flags_proposed", "flags_confirmed")


def _table_of(by: Sequence[str]) -> Table:
    return next(table for table in _OF_CELLS if set(by) <= set(table.c.keys()))


def cells_by(connection: Connection, period: Period, by: Sequence[str]) -> Sequence[Any]:
    """Return cells inspected, each once, by production columns: the columns of `by`, and `cells`."""
    if period.clock is not None:
        return clocked.cells_by(connection, period, by)
    table = (inspected_counts if set(by) <= set(inspected_counts.c.keys()) else handled_counts).c
    columns = [table[name] for name in by]
    return connection.execute(
        select(*columns, func.sum(table.cells).label("cells")).where(*period.of(table)).group_by(*columns)
    ).all()


MADE_BY = ("stringer", "lane", "cell_supplier", "cell_lot")
JUDGED_BY = ("day", "product", "model", "criteria", "decided_by", "station", "layout")
BESIDE = ("layup_machine", "bussing_machine", "operator")


def strings_made(
    connection: Connection, period: Period, *, decided: bool, by: Sequence[str] = (*JUDGED_BY, *MADE_BY)
) -> Sequence[Any]:
    """Return how many strings were made and inspected, each at its first attempt, by where they came from.

    Parameters
    ----------
    period : Period
        Which.
    decided : bool
        Only panels that were decided; before, nobody can have confirmed anything.
    by : sequence of str
        What to group by, of `JUDGED_BY`, `MADE_BY` and `BESIDE`.

    Returns
    -------
    sequence of rows
        The columns of `by`, and `strings`; an empty text is 'not known'. Strings without context are not among them.
    """
    table = string_counts.c
    columns = [table[name] for name in by]
    conditions = [*period.of(table), *([table.decided == 1] if decided else []), table.strings != 0]
    counted = select(*columns, func.sum(table.strings).label("strings"))
    return connection.execute(counted.where(*conditions).group_by(*columns)).all()


def decisions_by(connection: Connection, period: Period, by: Sequence[str]) -> Sequence[Any]:
    """Return how many panels were decided which way: the columns of `by`, `attempt`, `decision`, `panels`.

    Columns are those of `picture_counts`; a person who is not known is an empty text. Retaken pictures are left out.
    """
    if period.clock is not None:
        return clocked.decisions_by(connection, period, by)
    table = picture_counts.c
    columns = [table[name] for name in (*by, "attempt", "decision")]
    counted = select(*columns, func.sum(table.pictures).label("panels"))
    conditions = [*period.of(table), table.decision != "", table.pictures != 0]
    return connection.execute(counted.where(*conditions).group_by(*columns)).all()


def pictures_by(connection: Connection, period: Period, by: Sequence[str]) -> Sequence[Any]:
    """Return how many pictures count, retaken ones left out: the columns of `by`, and `pictures`.

    Columns are those of `picture_counts`; `judged` is 1 for pictures that were good enough and showed the panel.
    """
    if period.clock is not None:
        return clocked.pictures_by(connection, period, by)
    table = picture_counts.c
    columns = [table[name] for name in by]
    counted = select(*columns, func.sum(table.pictures).label("pictures"))
    return connection.execute(counted.where(*period.of(table), table.pictures != 0).group_by(*columns)).all()
