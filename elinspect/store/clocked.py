"""Counts of a part of a day, such as a shift: counted anew from the rows of that day, because none are kept.

The columns are those of the functions of the same names in `store.counts`. A cell counts as inspected by the picture of
a first attempt; what the bench put in later is not among them.
"""

from collections import Counter, namedtuple
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Select, func, select

from elinspect.records import Layout
from elinspect.store.production import Period
from elinspect.store.projections.attribution import IMPORTED
from elinspect.store.schema import context_rows, flagged_cells, inspections


def cell_counts(
    connection: Connection, period: Period, by: Sequence[str], kind: str | None, equal: Mapping[str, str]
) -> Sequence[Any]:
    """Return flagged cells: the columns of `by`, `kind`, `proposed`, `confirmed`; flags are not counted apart.

    In their place stand the numbers of cells.
    """
    cell = flagged_cells.c
    columns = [func.substr(cell.seen_at, 12, 2) if name == "hour" else cell[name] for name in by]
    found: Counter[tuple[Any, ...]] = Counter()
    for which, (of_kind, counts) in enumerate(
        ((cell.proposed_kind, cell.counts_proposed), (cell.confirmed_kind, cell.counts_confirmed))
    ):
        only = [cell[name] == value for name, value in equal.items()]
        only += [of_kind == kind] if kind is not None else []
        counted = select(*columns, of_kind, func.count()).where(*period.of(cell), counts, *only)
        for *key, n in connection.execute(counted.group_by(*columns, of_kind)):
            found[*key, which] += n
    keys = dict.fromkeys(key[:-1] for key in found)
    row = _named((*by, "kind", "proposed", "confirmed", "flags_proposed", "flags_confirmed"))
    return [row(*key, *(2 * (found[*key, 0], found[*key, 1]))) for key in keys]


def cells_by(connection: Connection, period: Period, by: Sequence[str]) -> Sequence[Any]:
    """Return cells inspected: the columns of `by`, and `cells`."""
    judged, made = inspections.c, context_rows.c
    of_panel = [name for name in by if name in judged or name == "hour"]
    columns = [func.substr(judged.seen_at, 12, 2) if name == "hour" else judged[name] for name in of_panel]
    sizes: Counter[tuple[Any, ...]] = Counter()
    if len(of_panel) == len(by):
        counted = _first(select(*columns, judged.layout, func.count()).group_by(*columns, judged.layout), period)
        for *key, layout, n in connection.execute(counted):
            sizes[tuple(key)] += n * Layout.parse(layout).n_cells
    else:
        columns = [_of_string(name) for name in by]
        valid = (made.serial == judged.serial) & (made.origin == IMPORTED) & made.valid_to.is_(None)
        joined = select(*columns, judged.layout, func.count()).select_from(inspections.join(context_rows, valid))
        for *key, layout, n in connection.execute(_first(joined.group_by(*columns, judged.layout), period)):
            sizes[tuple(key)] += n * Layout.parse(layout).cells_per_string
    row = _named((*by, "cells"))
    return [row(*key, n) for key, n in sizes.items()]


def decisions_by(connection: Connection, period: Period, by: Sequence[str]) -> Sequence[Any]:
    """Return panels decided: the columns of `by`, `attempt`, `decision`, `panels`."""
    judged = inspections.c
    columns = [func.coalesce(judged[name], "").label(name) for name in by]
    counted = select(*columns, judged.attempt, judged.decision, func.count().label("panels"))
    conditions = (*period.of(judged), ~judged.superseded, judged.decision.is_not(None))
    return connection.execute(counted.where(*conditions).group_by(*columns, judged.attempt, judged.decision)).all()


def pictures_by(connection: Connection, period: Period, by: Sequence[str]) -> Sequence[Any]:
    """Return pictures that count: the columns of `by`, and `pictures`; `judged` is true or false."""
    judged = inspections.c
    good = judged.usable & judged.panel_found
    columns = [(good if name == "judged" else judged[name]).label(name) for name in by]
    counted = select(*columns, func.count().label("pictures")).where(*period.of(judged), ~judged.superseded)
    return connection.execute(counted.group_by(*columns)).all()


def _first(chosen: Select[Any], period: Period) -> Select[Any]:
    judged = inspections.c
    usable = (judged.usable, judged.panel_found, ~judged.superseded, judged.attempt == 1)
    return chosen.where(*period.of(judged), *usable)


def _of_string(name: str) -> Any:
    if name == "hour":
        return func.substr(inspections.c.seen_at, 12, 2)
    return context_rows.c[name] if name in context_rows.c else inspections.c[name]


def _named(names: Sequence[str]) -> Any:
    return namedtuple("Row", names)
