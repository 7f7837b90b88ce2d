"""What was made, flagged and decided, as rows of single strings, cells and panels, for the figures that need them.

What only needs to be counted is in `elinspect.store.counts`.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Text, cast, func, select

from elinspect.records import Stage
from elinspect.store.projections.attribution import IMPORTED
from elinspect.store.schema import (
    audit_results,
    context_rows,
    flagged_cells,
    flags,
    inspections,
    maintenance_events,
    reworks,
)


@dataclass(frozen=True, slots=True)
class Period:
    """Which inspections a figure is about.

    Attributes
    ----------
    purpose, stage : str
        Of the pictures.
    since, until : str or None
        First and last day, ``YYYY-MM-DD``; None for no bound.
    product : str or None
        Only this product.
    clock : (str, str) or None
        Only pictures taken from one moment up to before another, ``YYYY-MM-DDTHH:MM`` by the clock of the log: a shift.
        Of such a period no counts are kept; they are counted anew (`store.clocked`).
    """

    purpose: str
    stage: str
    since: str | None = None
    until: str | None = None
    product: str | None = None
    clock: tuple[str, str] | None = None

    def of(self, columns: Any) -> list[Any]:
        """Return the conditions on a table with these columns; for a part of a day it must have `seen_at`."""
        found = [columns.purpose == self.purpose, columns.stage == self.stage]
        if self.since is not None:
            found.append(columns.day >= self.since)
        if self.until is not None:
            found.append(columns.day <= self.until)
        if self.product is not None:
            found.append(columns.product == self.product)
        if self.clock is not None:
            minute = func.substr(columns.seen_at, 1, 16)
            found += [minute >= self.clock[0], minute < self.clock[1]]
        return found


def days_of(connection: Connection, purpose: str, stage: str) -> tuple[str, str] | None:
    """Return the first and last day with an inspection; None without any."""
    table = inspections.c
    where = (table.purpose == purpose, table.stage == stage)
    first = connection.execute(select(func.min(table.day)).where(*where)).scalar_one()
    last = connection.execute(select(func.max(table.day)).where(*where)).scalar_one()
    return (str(first), str(last)) if first is not None else None


def newest_seen(connection: Connection, purpose: str, stage: str, until: str | None = None) -> str | None:
    """Return when the newest picture was taken, as logged; of a day and those before it, if given."""
    table = inspections.c
    days = select(func.max(table.day)).where(table.purpose == purpose, table.stage == stage)
    day = connection.execute(days.where(table.day <= until) if until is not None else days).scalar_one()
    of_day = (table.purpose == purpose, table.stage == stage, table.day == day)
    newest = connection.execute(select(func.max(func.substr(table.seen_at, 1, 19))).where(*of_day)).scalar_one()
    return str(newest) if newest is not None else None


_CELL = (
    *("serial", "string", "position", "position_as_built", "turned", "day", "product", "stringer", "lane"),
    *("cell_supplier", "cell_lot", "string_id", "operator", "layup_machine", "bussing_machine", "along", "across"),
    *("event_id", "inspection", "model", "criteria", "decided_by", "station", "layout", "seen_at"),
)


def flagged_of(
    connection: Connection,
    period: Period,
    kinds: Sequence[str],
    *,
    decided: bool,
    columns: Sequence[str] = _CELL,
) -> Sequence[Any]:
    """Return the flagged cells of strings that came from a stringer, at the first attempt.

    With `decided` those an inspector confirmed in decided panels, otherwise those the machine flagged.

    Returns
    -------
    sequence of rows
        `columns` of `flagged_cells`, and `kind`; an empty text is 'not known'.
    """
    cell = flagged_cells.c
    kind = cell.confirmed_kind if decided else cell.proposed_kind
    conditions = flagged_conditions(period, kinds, decided=decided)
    chosen = select(*(cell[name] for name in columns), kind.label("kind"))
    return connection.execute(chosen.where(*conditions)).all()


def panels_by(
    connection: Connection, period: Period, by: Sequence[str], kind: str | None = None, *, confirmed: bool = True
) -> Sequence[Any]:
    """Return how many panels carry flagged cells, each once for every kind: the columns of `by`, `kind`, `panels`.

    Parameters
    ----------
    by : sequence of str
        Columns of `flagged_cells`; ``hour`` is that in which the picture was taken.
    kind : str, optional
        Only this kind.
    confirmed : bool
        Panels with confirmed cells, otherwise with proposed ones.
    """
    cell = flagged_cells.c
    columns = [func.substr(cell.seen_at, 12, 2).label(name) if name == "hour" else cell[name] for name in by]
    column, counts = (
        (cell.confirmed_kind, cell.counts_confirmed) if confirmed else (cell.proposed_kind, cell.counts_proposed)
    )
    conditions = [*period.of(cell), counts, *([column == kind] if kind is not None else [])]
    counted = select(*columns, column.label("kind"), func.count(cell.serial.distinct()).label("panels"))
    return connection.execute(counted.where(*conditions).group_by(*columns, column)).all()


def escaped_panels(connection: Connection, later: Period, gate: str) -> Mapping[str, int]:
    """Return how many panels showed, at a later stage, a confirmed cell that was not confirmed at the gate, by day."""
    cell = flagged_cells.c
    place = (cell.serial, cell.string, cell.position)
    found = connection.execute(select(cell.day, *place).where(*later.of(cell), cell.counts_confirmed)).all()
    serials = sorted({row.serial for row in found if row.serial is not None})
    known: set[tuple[Any, ...]] = set()
    for begin in range(0, len(serials), _AT_ONCE):
        among = cell.serial.in_(serials[begin : begin + _AT_ONCE])
        at_gate = (_unindexed(cell.stage) == gate, _unindexed(cell.purpose) == later.purpose)
        known.update(map(tuple, connection.execute(select(*place).where(among, *at_gate, cell.counts_confirmed))))
    escaped = {(row.day, row.serial) for row in found if tuple(row[1:]) not in known}
    return Counter(day for day, _ in escaped)


def confirmed_of_proposed(connection: Connection, period: Period) -> int:
    """Return how many cells both the machine flagged and an inspector confirmed."""
    cell = flagged_cells.c
    both = (*period.of(cell), cell.counts_confirmed, cell.proposed_kind.is_not(None))
    return int(connection.execute(select(func.count()).where(*both)).scalar_one())


def times_seen(connection: Connection, period: Period) -> Sequence[Any]:
    """Return when pictures were taken: `day`, `station`, `clocks`, the times of day as ``HH:MM:SS,HH:MM:SS...``.

    Retaken pictures are among them: they take their time too. One text for a day and station, because two million rows
    would take four seconds to read.
    """
    table = inspections.c
    clocks = func.aggregate_strings(func.substr(table.seen_at, 12, 8), ",").label("clocks")
    days = select(table.day, table.station, clocks).where(*period.of(table)).group_by(table.day, table.station)
    return connection.execute(days.order_by(table.day, table.station)).all()


def measured_of(connection: Connection, period: Period, what: str) -> Mapping[str, Sequence[float]]:
    """Return a measure of every picture (``signal_to_noise``, ``sharpness_px``) by day; pictures without it left out.

    Retaken pictures are among them: they tell about the camera as well.
    """
    table = inspections.c
    told = func.aggregate_strings(cast(table[what], Text), ",").label("told")
    days = select(table.day, told).where(*period.of(table), table[what].is_not(None)).group_by(table.day)
    found = connection.execute(days.order_by(table.day))
    return {row.day: [float(value) for value in row.told.split(",")] for row in found}


def maintenance_of(connection: Connection, machine: str | None = None) -> Sequence[Any]:
    """Return what was done to a machine, or to all of them, in the order of time."""
    chosen = select(maintenance_events).order_by(maintenance_events.c.started_at)
    if machine is not None:
        chosen = chosen.where(maintenance_events.c.machine == machine)
    return connection.execute(chosen).all()


def audits_of(connection: Connection, period: Period) -> Sequence[Any]:
    """Return audit results beside what was decided.

    Returns
    -------
    sequence of rows
        `audited`, `decision`, `above_limit`, `agrees`, `person`, `at`, `inspection`, `decided_by`.
    """
    table = audit_results.c
    joined = audit_results.join(inspections, inspections.c.id == table.inspection)
    audited, above = table.disposition.label("audited"), inspections.c.above_limit
    panel = (inspections.c.decision, inspections.c.decided_by, above)
    columns = (audited, *panel, table.agrees, table.person, table.at, table.inspection)
    return connection.execute(select(*columns).select_from(joined).where(*period.of(inspections.c))).all()


def confirmed_places(connection: Connection, period: Period) -> Sequence[Any]:
    """Return every confirmed cell of a period at any stage: `serial`, `string`, `position`, `instance`, `stage`."""
    cell = flagged_cells.c
    names = ("serial", "string", "position", "instance", "stage")
    found: list[Any] = []
    for stage in Stage:  # one after another: the index is by purpose, stage and day
        conditions = replace(period, stage=stage.value).of(cell)
        found += connection.execute(select(*(cell[name] for name in names)).where(*conditions, cell.counts_confirmed))
    return found


def flagged_conditions(period: Period, kinds: Sequence[str], *, decided: bool) -> list[Any]:
    """Return the conditions on `flagged_cells` that `flagged_of` sets."""
    cell = flagged_cells.c
    kind = cell.confirmed_kind if decided else cell.proposed_kind
    conditions = [*period.of(cell), cell.attempt == 1, ~cell.superseded, cell.origin == IMPORTED, cell.position > 0]
    conditions.append(kind.in_(kinds) if kinds else kind.is_not(None))
    return [*conditions, cell.decided] if decided else conditions


def stages_confirmed(connection: Connection, purpose: str, serials: Sequence[str]) -> Sequence[Any]:
    """Return confirmed cells of some panels at any stage: columns as `confirmed_places`."""
    cell = flagged_cells.c
    names = ("serial", "string", "position", "instance", "stage")
    found: list[Any] = []
    for begin in range(0, len(serials), _AT_ONCE):
        among = cell.serial.in_(serials[begin : begin + _AT_ONCE])
        same = (among, _unindexed(cell.purpose) == purpose, cell.counts_confirmed)
        found += connection.execute(select(*(cell[name] for name in names)).where(*same)).all()
    return found


def photographed_stages(connection: Connection, purpose: str) -> set[str]:
    """Return the stages at which a plant takes pictures at all."""
    table = inspections.c
    asked = {
        stage.value: select(table.id).where(table.purpose == purpose, table.stage == stage.value) for stage in Stage
    }
    return {stage for stage, any_picture in asked.items() if connection.execute(any_picture.limit(1)).first()}


def stages_looked_at(connection: Connection, purpose: str, serials: Sequence[str]) -> dict[str, set[str]]:
    """Return the stages at which panels were photographed, well enough to judge by."""
    table = inspections.c
    looked: dict[str, set[str]] = {}
    for begin in range(0, len(serials), _AT_ONCE):
        among = table.serial.in_(serials[begin : begin + _AT_ONCE])
        same = (among, _unindexed(table.purpose) == purpose, table.usable)
        for serial, stage in connection.execute(select(table.serial, table.stage).where(*same)):
            looked.setdefault(serial, set()).add(stage)
    return looked


_AT_ONCE = 500  # SQLite takes at most 999 values in a statement by default


def _unindexed(column: Any) -> Any:
    """Return a column so that no index on it is used.

    Without statistics SQLite takes an index on purpose and stage for better than five hundred serials, and then goes
    through everything (a week's report took 250 s instead of 2 s).
    """
    return func.coalesce(column, "")


def answers_by(connection: Connection, period: Period) -> Sequence[Any]:
    """Return how many flags each person answered which way, or added.

    Returns
    -------
    sequence of rows
        `answered_by`, `answer`, `added`, `day`, `flags`.
    """
    flag, judged = flags.c, inspections.c
    columns = (flag.answered_by, flag.answer, flag.added, judged.day)
    joined = flags.join(inspections, judged.id == flag.inspection)
    conditions = [*period.of(judged), flag.answered_by.is_not(None)]
    counted = select(*columns, func.count().label("flags")).select_from(joined)
    return connection.execute(counted.where(*conditions).group_by(*columns)).all()


def context_of(connection: Connection, serial: str) -> Sequence[Any]:
    """Return what is known of the strings of a panel, what the bench replaced included, in their order."""
    table = context_rows.c
    valid = select(context_rows).where(table.serial == serial, table.valid_to.is_(None))
    return connection.execute(valid.order_by(table.string, table.position, table.valid_from)).all()


def flags_of_inspections(connection: Connection, chosen: Sequence[str]) -> Sequence[Any]:
    """Return the flags of inspections as they stand."""
    table = flags.c
    found = select(flags).where(table.inspection.in_(chosen)).order_by(table.inspection, table.number)
    return connection.execute(found).all()


def strings_from(connection: Connection, equal: Mapping[str, str], period: Period) -> Sequence[Any]:
    """Return every string of a period with these production values, with its panel's newest decision.

    Returns
    -------
    sequence of rows
        `serial`, `string`, `string_id`, `stringer`, `lane`, `turned`, `built_at`, `cell_lot`, `inspection`, `seen_at`,
        `stage`, `attempt`, `decision`, `layout`.
    """
    judged, made = inspections.c, context_rows.c
    names = ("serial", "string", "string_id", "stringer", "lane", "turned", "built_at", "cell_supplier", "cell_lot")
    columns = [made[name] for name in names]
    of_panel: list[Any] = [judged.id.label("inspection")]
    of_panel += [judged[name] for name in ("seen_at", "stage", "attempt", "decision", "decided_at", "layout", "day")]
    joined = inspections.join(
        context_rows, (made.serial == judged.serial) & (made.origin == IMPORTED) & made.valid_to.is_(None)
    )
    conditions = [*period.of(judged), ~judged.superseded, *(made[name] == value for name, value in equal.items())]
    chosen = select(*columns, *of_panel).select_from(joined).where(*conditions)
    return connection.execute(chosen.order_by(judged.event_id, made.string)).all()


def scores_of(connection: Connection, chosen: Sequence[str]) -> dict[str, bytes]:
    """Return the packed scores of inspections by id."""
    found = connection.execute(select(inspections.c.id, inspections.c.scores).where(inspections.c.id.in_(chosen)))
    return {row.id: bytes(row.scores) for row in found}


def reworks_of(connection: Connection, serials: Sequence[str]) -> Sequence[Any]:
    """Return what the bench did to panels, in the order of time."""
    found = select(reworks).where(reworks.c.serial.in_(serials)).order_by(reworks.c.event_id, reworks.c.number)
    return connection.execute(found).all()
