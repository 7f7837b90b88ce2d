"""What lanes made and what was flagged in it, in the order of time: rows for alerts."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, func, select

from elinspect.records import Layout
from elinspect.store.production import Period
from elinspect.store.projections.attribution import IMPORTED
from elinspect.store.schema import context_rows, flagged_cells, flags, inspected_counts, inspections

HIGH_SCORE = 0.7
"""Score from which a flag of the machine counts before anybody has answered it. Plant's choice."""


@dataclass(frozen=True, slots=True)
class UsualFlags:
    """What was flagged in a period.

    Attributes
    ----------
    by_position : dict of int to int
        Flagged cells by position from the leading end.
    by_day : tuple of (int, int)
        Strings with a flag, and cells inspected, of each day.
    """

    by_position: dict[int, int]
    by_day: tuple[tuple[int, int], ...]

    @property
    def cells(self) -> int:
        """Cells from stringers that were inspected."""
        return sum(cells for _, cells in self.by_day)

    @property
    def strings(self) -> int:
        """Strings with a flag."""
        return sum(flagged for flagged, _ in self.by_day)


def usual_flags(connection: Connection, period: Period) -> UsualFlags:
    """Return what was flagged in a period by machine or inspector: at least as much as counts for an alert."""
    cell = flagged_cells.c
    conditions = [*period.of(cell), cell.attempt == 1, ~cell.superseded, cell.origin == IMPORTED, cell.stringer != ""]
    by_position = select(cell.position_as_built, func.count()).where(*conditions).group_by(cell.position_as_built)
    strings = select(cell.day, cell.serial, cell.string).where(*conditions).distinct().subquery()
    flagged = select(strings.c.day, func.count()).group_by(strings.c.day)
    made = inspected_counts.c
    cells = select(made.day, func.sum(made.cells)).where(*period.of(made), made.stringer != "").group_by(made.day)
    of_day = {str(day): int(n) for day, n in connection.execute(flagged)}
    return UsualFlags(
        {int(position): int(n) for position, n in connection.execute(by_position)},
        tuple((of_day.get(str(day), 0), int(n)) for day, n in connection.execute(cells.order_by(made.day)) if n),
    )


def strings_of_lanes(connection: Connection, period: Period) -> Sequence[Any]:
    """Return strings with a stringer, at their panel's first attempt, in the order of inspection and string.

    Returns
    -------
    sequence of rows
        `serial`, `string`, `stringer`, `lane`, `seen_at`, `layout`.
    """
    judged, made = inspections.c, context_rows.c
    joined = inspections.join(
        context_rows, (made.serial == judged.serial) & (made.origin == IMPORTED) & made.valid_to.is_(None)
    )
    conditions = [*period.of(judged), judged.attempt == 1, ~judged.superseded, judged.usable, made.stringer != ""]
    columns = (made.serial, made.string, made.stringer, made.lane, judged.seen_at, judged.layout)
    chosen = select(*columns).select_from(joined).where(*conditions)
    return connection.execute(chosen.order_by(judged.event_id, judged.seen_at, made.serial, made.string)).all()


@dataclass(frozen=True, slots=True)
class MadeString:
    """A string of the newest panels; fields as the columns of `strings_of_lanes`, and the picture's id."""

    serial: str
    string: int
    stringer: str
    lane: str
    seen_at: str
    layout: str
    inspection: str


def newest_strings(connection: Connection, purpose: str, stage: str, pictures: int) -> list[MadeString]:
    """Return the strings of the newest pictures of the log, as `strings_of_lanes` would: a matter of milliseconds.

    Parameters
    ----------
    pictures : int
        So many of all purposes and stages are looked at.
    """
    judged, made = inspections.c, context_rows.c
    names = ("id", "serial", "purpose", "stage", "attempt", "superseded", "usable", "seen_at", "layout", "event_id")
    # Backwards through one index; with the purpose among the conditions SQLite would sort all panels of it.
    newest = select(*(judged[name] for name in names)).order_by(judged.event_id.desc()).limit(pictures)
    of_serial = {
        row.serial: row
        for row in connection.execute(newest)
        if (row.purpose, row.stage, row.attempt) == (purpose, stage, 1) and not row.superseded and row.usable
    }
    serials, rows = [serial for serial in of_serial if serial is not None], []
    for begin in range(0, len(serials), _AT_ONCE):
        columns = (made.serial, made.string, made.stringer, made.lane, made.origin, made.valid_to)
        chosen = select(*columns).where(made.serial.in_(serials[begin : begin + _AT_ONCE]))
        rows += [row for row in connection.execute(chosen) if row.origin == IMPORTED and row.valid_to is None]
    rows = [row for row in rows if row.stringer]
    rows.sort(key=lambda row: (of_serial[row.serial].event_id, of_serial[row.serial].seen_at, row.serial, row.string))
    return [
        MadeString(*row[:4], of_serial[row.serial].seen_at, of_serial[row.serial].layout, of_serial[row.serial].id)
        for row in rows
    ]


_AT_ONCE = 500  # SQLite takes at most 999 values in a statement by default


def flags_of_lanes(connection: Connection, period: Period) -> Sequence[Any]:
    """Return flagged cells from stringers that count for an alert, in the order of inspection.

    Those are what inspectors confirmed, and in panels nobody has decided yet what the machine is sure of and nobody has
    dismissed.

    Returns
    -------
    sequence of rows
        `serial`, `string`, `position_as_built`, `turned`, `stringer`, `lane`, `along`, `across`, `kind`, `seen_at`,
        `inspection`.
    """
    return connection.execute(_counting().where(*period.of(flagged_cells.c))).all()


def flags_of_pictures(connection: Connection, chosen: Sequence[str]) -> Sequence[Any]:
    """Return the same of some inspections."""
    found: list[Any] = []
    for begin in range(0, len(chosen), _AT_ONCE):
        some = _counting().where(flagged_cells.c.inspection.in_(chosen[begin : begin + _AT_ONCE]))
        found += connection.execute(some).all()
    return found


_FLAG = (
    *("serial", "string", "position_as_built", "turned", "stringer", "lane", "along", "across", "seen_at"),
    "inspection",
)


def _counting() -> Select[Any]:
    cell, flag = flagged_cells.c, flags.c
    kind = func.coalesce(cell.confirmed_kind, cell.proposed_kind).label("kind")
    same = (flag.inspection == cell.inspection) & (flag.string == cell.string) & (flag.position == cell.position)
    sure = select(flag.flag).where(same, ~flag.added, flag.answer.is_(None), flag.score >= HIGH_SCORE).exists()
    counts = cell.confirmed_kind.is_not(None) | (~cell.decided & sure)
    chosen = select(*(cell[name] for name in _FLAG), kind)
    conditions = (cell.attempt == 1, ~cell.superseded, cell.origin == IMPORTED, cell.stringer != "", counts)
    return chosen.where(*conditions).order_by(cell.event_id, cell.seen_at, cell.serial, cell.string)


def counts_since(
    connection: Connection, period: Period, lane: tuple[str, str], position: int, after: str
) -> tuple[int, int]:
    """Return flagged cells and cells that a lane made after a time, as far as they were photographed.

    Parameters
    ----------
    period : Period
        Which pictures.
    lane : (str, str)
        Stringer and lane.
    position : int
        Only this one from the leading end; 0 for all cells.
    after : str
        Strings built later count; where that is not known, pictures taken later.
    """
    judged, made, cell = inspections.c, context_rows.c, flagged_cells.c
    here = (made.origin == IMPORTED) & made.valid_to.is_(None) & (made.stringer == lane[0]) & (made.lane == lane[1])

    def later(seen_at: Any) -> Any:
        built = func.coalesce(func.nullif(made.built_at, ""), seen_at)
        return here & (func.substr(built, 1, 19) > after[:19])

    seen = (*period.of(judged), judged.attempt == 1, ~judged.superseded, judged.usable)
    joined = inspections.join(context_rows, made.serial == judged.serial)
    by_layout = (
        select(judged.layout, func.count())
        .select_from(joined)
        .where(*seen, later(judged.seen_at))
        .group_by(judged.layout)
    )
    sizes = connection.execute(by_layout).all()
    cells = sum(int(n) * (1 if position else Layout.parse(layout).cells_per_string) for layout, n in sizes)
    at_place = [cell.position_as_built == position] if position else []
    same = (made.serial == cell.serial, made.string == cell.string, later(cell.seen_at))
    of_string = select(made.serial).where(*same).exists()
    flagged = _counting().where(*period.of(cell), *at_place, cell.stringer == lane[0], cell.lane == lane[1], of_string)
    counted = select(func.count()).select_from(flagged.order_by(None).subquery())
    return int(connection.execute(counted).scalar_one()), cells
