"""What was made, flagged and decided, as rows for figures: grouped by the database, small enough to work on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, case, func, select

from elinspect.records import Disposition, Stage
from elinspect.store.projections.attribution import IMPORTED
from elinspect.store.schema import (
    audit_results,
    context_rows,
    flagged_cells,
    flags,
    inspected_counts,
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
    """

    purpose: str
    stage: str
    since: str | None = None
    until: str | None = None
    product: str | None = None

    def of(self, columns: Any) -> list[Any]:
        """Return the conditions on a table with these columns."""
        found = [columns.purpose == self.purpose, columns.stage == self.stage]
        if self.since is not None:
            found.append(columns.day >= self.since)
        if self.until is not None:
            found.append(columns.day <= self.until)
        if self.product is not None:
            found.append(columns.product == self.product)
        return found


def days_of(connection: Connection, purpose: str, stage: str) -> tuple[str, str] | None:
    """Return the first and last day with an inspection; None without any."""
    table = inspections.c
    where = (table.purpose == purpose, table.stage == stage)
    first = connection.execute(select(func.min(table.day)).where(*where)).scalar_one()
    last = connection.execute(select(func.max(table.day)).where(*where)).scalar_one()
    return (str(first), str(last)) if first is not None else None


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
        Columns of inspections and context to group by.

    Returns
    -------
    sequence of rows
        The columns of `by`, and `strings`. Strings without context are not among them.
    """
    judged, made = inspections.c, context_rows.c
    conditions = [*period.of(judged), judged.attempt == 1, ~judged.superseded, judged.usable, judged.panel_found]
    if decided:
        conditions.append(judged.decision.is_not(None))
    columns = [judged[name] if name in judged else made[name] for name in by]
    joined = inspections.join(
        context_rows, (made.serial == judged.serial) & (made.origin == IMPORTED) & made.valid_to.is_(None)
    )
    counted = select(*columns, func.count().label("strings")).select_from(joined)
    return connection.execute(counted.where(*conditions).group_by(*columns)).all()


_CELL = (
    *("serial", "string", "position", "position_as_built", "turned", "day", "product", "stringer", "lane"),
    *("cell_supplier", "cell_lot", "string_id", "operator", "along", "across", "event_id", "inspection"),
)


def flagged_of(connection: Connection, period: Period, kinds: Sequence[str], *, decided: bool) -> Sequence[Any]:
    """Return the flagged cells of strings that came from a stringer, at the first attempt, in the order of time.

    With `decided` those an inspector confirmed in decided panels, otherwise those the machine flagged.

    Returns
    -------
    sequence of rows
        Columns of `flagged_cells`, `kind`, and `model`, `criteria`, `decided_by`, `station`, `layout`, `seen_at` of the
        inspection.
    """
    cell, judged = flagged_cells.c, inspections.c
    kind = cell.confirmed_kind if decided else cell.proposed_kind
    conditions = [*period.of(cell), cell.attempt == 1, ~cell.superseded, cell.origin == IMPORTED, cell.position > 0]
    conditions.append(kind.in_(kinds) if kinds else kind.is_not(None))
    if decided:
        conditions.append(judged.decision.is_not(None))
    columns = [cell[name] for name in _CELL]
    of_inspection = [judged[name] for name in ("model", "criteria", "decided_by", "station", "layout", "seen_at")]
    chosen = select(*columns, kind.label("kind"), *of_inspection)
    joined = chosen.join_from(flagged_cells, inspections, judged.id == cell.inspection)
    return connection.execute(joined.where(*conditions)).all()


def flagged_by(
    connection: Connection,
    period: Period,
    by: Sequence[str],
    kind: str | None = None,
    *,
    panels: bool = False,
    confirmed: bool = True,
) -> Sequence[Any]:
    """Return counts of flagged cells by kind and columns that the kept counts do not have, such as the position.

    Parameters
    ----------
    by : sequence of str
        Columns of `flagged_cells`; ``hour`` is that in which the picture was logged.
    kind : str, optional
        Only this kind.
    panels : bool
        Count panels instead; each once for every kind it carries.
    confirmed : bool
        Of panels: with confirmed cells, otherwise with proposed ones.

    Returns
    -------
    sequence of rows
        The columns of `by`, `kind`, and `proposed`, `confirmed` or `panels`.
    """
    cell = flagged_cells.c
    columns = [_hour() if name == "hour" else cell[name] for name in by]
    chosen = flagged_cells.join(inspections, inspections.c.id == cell.inspection) if "hour" in by else flagged_cells
    sides = []
    for name, column, counts in (
        ("proposed", cell.proposed_kind, cell.counts_proposed),
        ("confirmed", cell.confirmed_kind, cell.counts_confirmed),
    ):
        if panels and (name == "confirmed") is not confirmed:
            continue
        what = func.count(cell.serial.distinct()).label("panels") if panels else func.count().label("n")
        conditions = [*period.of(cell), counts, *([column == kind] if kind is not None else [])]
        keys = [*columns, column.label("kind")]
        sides.append((name, connection.execute(
            select(*keys, what).select_from(chosen).where(*conditions).group_by(*columns, column)
        ).all()))  # fmt: skip
    return sides[0][1] if panels else _side_by_side(len(by), sides)


class Counted(tuple[Any, ...]):
    """Values of a group, with `kind`, `proposed` and `confirmed`."""

    kind: str
    proposed: int
    confirmed: int


def _side_by_side(n_keys: int, sides: list[tuple[str, Sequence[Any]]]) -> list[Counted]:
    rows: dict[tuple[Any, ...], Counted] = {}
    for name, found in sides:
        for row in found:
            key = tuple(row[: n_keys + 1])
            if key not in rows:
                rows[key] = Counted(key[:-1])
                rows[key].kind, rows[key].proposed, rows[key].confirmed = key[-1], 0, 0
            setattr(rows[key], name, int(row.n))
    return list(rows.values())


def _hour() -> Any:
    return func.substr(inspections.c.seen_at, 12, 2)


def flags_by(
    connection: Connection, period: Period, by: Sequence[str], kind: str | None = None, *, confirmed: bool = True
) -> Sequence[Any]:
    """Return how many flags there are, several of a cell counted each: the columns of `by`, `kind`, `flags`.

    Confirmed, changed or added ones, otherwise those of the machine; retaken pictures and later attempts are left out.
    """
    cell, judged, flag = flagged_cells.c, inspections.c, flags.c
    columns = [_hour() if name == "hour" else cell[name] for name in by]
    joined = flags.join(inspections, judged.id == flag.inspection).join(
        flagged_cells,
        (cell.inspection == flag.inspection) & (cell.string == flag.string) & (cell.position == flag.position),
    )
    agreed = flag.added | flag.answer.in_(("confirmed", "changed"))
    conditions = [*period.of(judged), ~judged.superseded, judged.attempt == 1, agreed if confirmed else ~flag.added]
    if kind is not None:
        conditions.append(flag.kind == kind)
    counted = select(*columns, flag.kind, func.count().label("flags")).select_from(joined)
    return connection.execute(counted.where(*conditions).group_by(*columns, flag.kind)).all()


def reasons_by(connection: Connection, period: Period, kind: str | None = None) -> Sequence[Any]:
    """Return counts of flagged cells by the limit that stood against their gravest flag: `reason`, `kind`, counts."""
    cell, flag = flagged_cells.c, flags.c
    same = (flag.inspection == cell.inspection) & (flag.string == cell.string) & (flag.position == cell.position)
    of_kind = flag.kind == func.coalesce(cell.confirmed_kind, cell.proposed_kind)
    limit = func.coalesce(func.max(flag.standing_limit), "")
    per_cell = (
        select(
            limit.label("reason"),
            func.coalesce(cell.confirmed_kind, cell.proposed_kind).label("kind"),
            func.max(case((cell.counts_proposed, 1), else_=0)).label("proposed"),
            func.max(case((cell.counts_confirmed, 1), else_=0)).label("confirmed"),
        )
        .select_from(flagged_cells.outerjoin(flags, same & of_kind))
        .where(*period.of(cell), ~cell.superseded)
        .group_by(cell.inspection, cell.string, cell.position, cell.confirmed_kind, cell.proposed_kind)
        .subquery()
    )
    column = per_cell.c
    sums = (func.sum(column.proposed).label("proposed"), func.sum(column.confirmed).label("confirmed"))
    chosen = select(column.reason, column.kind, *sums).group_by(column.reason, column.kind)
    return connection.execute(chosen.where(column.kind == kind) if kind is not None else chosen).all()


def cells_by(connection: Connection, period: Period, by: Sequence[str]) -> Sequence[Any]:
    """Return cells inspected, each once, by production columns: the columns of `by`, and `cells`."""
    table = inspected_counts.c
    columns = [table[name] for name in by]
    return connection.execute(
        select(*columns, func.sum(table.cells).label("cells")).where(*period.of(table)).group_by(*columns)
    ).all()


def decisions_by(connection: Connection, period: Period, by: Sequence[str]) -> Sequence[Any]:
    """Return how many panels were decided which way, by columns of the inspections, attempt and decision."""
    table = inspections.c
    columns = [table[name] for name in (*by, "attempt", "decision")]
    conditions = [*period.of(table), ~table.superseded, table.decision.is_not(None)]
    return connection.execute(
        select(*columns, func.count().label("panels")).where(*conditions).group_by(*columns)
    ).all()


def escapes_by(connection: Connection, period: Period, gate: str | None) -> Sequence[Any]:
    """Return escapes of a later stage by day: `panels` with a confirmed cell that was not confirmed at the gate.

    Without a gate stage: how many cells both the machine flagged and an inspector confirmed, as `both`.
    """
    cell = flagged_cells.c
    conditions = [*period.of(cell), cell.counts_confirmed]
    if gate is None:
        both = func.count().label("both")
        return connection.execute(select(both).where(*conditions, cell.proposed_kind.is_not(None))).all()
    earlier = flagged_cells.alias("earlier")
    same = (earlier.c.serial == cell.serial) & (earlier.c.string == cell.string)
    same &= (earlier.c.position == cell.position) & (earlier.c.stage == gate) & (earlier.c.purpose == cell.purpose)
    known = select(earlier.c.serial).where(same, earlier.c.counts_confirmed).exists()
    counted = select(cell.day, func.count(cell.serial.distinct()).label("panels"))
    return connection.execute(counted.where(*conditions, ~known).group_by(cell.day)).all()


def inspections_of(connection: Connection, period: Period, names: Sequence[str]) -> Sequence[Any]:
    """Return columns of the inspections of a period, in the order they were seen; retaken pictures are left out."""
    table = inspections.c
    conditions = [*period.of(table), ~table.superseded]
    return connection.execute(
        select(*(table[name] for name in names)).where(*conditions).order_by(table.event_id)
    ).all()


def maintenance_of(connection: Connection, machine: str | None = None) -> Sequence[Any]:
    """Return what was done to a machine, or to all of them, in the order of time."""
    chosen = select(maintenance_events).order_by(maintenance_events.c.started_at)
    if machine is not None:
        chosen = chosen.where(maintenance_events.c.machine == machine)
    return connection.execute(chosen).all()


def audits_of(connection: Connection, period: Period) -> Sequence[Any]:
    """Return audit results with what was decided at the gate: `audited`, `decision`, `agrees`, `person`, `at`."""
    table = audit_results.c
    joined = audit_results.join(inspections, inspections.c.id == table.inspection)
    columns = (table.disposition.label("audited"), inspections.c.decision, table.agrees, table.person, table.at)
    return connection.execute(select(*columns).select_from(joined).where(*period.of(inspections.c))).all()


def confirmed_places(connection: Connection, period: Period) -> Sequence[Any]:
    """Return every confirmed cell of a period at any stage: `serial`, `string`, `position`, `instance`, `stage`."""
    cell = flagged_cells.c
    names = ("serial", "string", "position", "instance", "stage")
    conditions = [condition for condition in period.of(cell) if condition.left is not cell.stage]
    chosen = select(*(cell[name] for name in names)).where(*conditions, cell.counts_confirmed)
    return connection.execute(chosen).all()


def stages_looked_at(connection: Connection, purpose: str, serials: Sequence[str]) -> dict[str, list[Stage]]:
    """Return the stages at which panels were photographed, well enough to judge by."""
    table = inspections.c
    looked: dict[str, list[Stage]] = {}
    for begin in range(0, len(serials), _AT_ONCE):
        same = (table.serial.in_(serials[begin : begin + _AT_ONCE]), table.purpose == purpose, table.usable)
        for row in connection.execute(select(table.serial, table.stage).where(*same).distinct()):
            looked.setdefault(row.serial, []).append(Stage(row.stage))
    return looked


_AT_ONCE = 500  # SQLite takes at most 999 values in a statement by default


def answers_by(connection: Connection, period: Period) -> Sequence[Any]:
    """Return how many flags each person answered which way, or added: `answered_by`, `answer`, `added`, `flags`."""
    flag, judged = flags.c, inspections.c
    columns = (flag.answered_by, flag.answer, flag.added)
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


def strings_in_order(connection: Connection, period: Period) -> Sequence[Any]:
    """Return every string with a stringer, at its panel's first attempt, in the order of inspection and string.

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


def flags_in_order(connection: Connection, period: Period) -> Sequence[Any]:
    """Return flagged cells from stringers in the order of inspection.

    Confirmed ones, and what the machine flagged in panels nobody has decided yet.

    Returns
    -------
    sequence of rows
        `serial`, `string`, `position_as_built`, `turned`, `stringer`, `lane`, `along`, `across`, `kind`, `seen_at`.
    """
    cell, judged = flagged_cells.c, inspections.c
    names = ("serial", "string", "position_as_built", "turned", "stringer", "lane", "along", "across")
    kind = func.coalesce(cell.confirmed_kind, cell.proposed_kind).label("kind")
    joined = flagged_cells.join(inspections, judged.id == cell.inspection)
    open_or_agreed = cell.confirmed_kind.is_not(None) | judged.decision.is_(None)
    conditions = [*period.of(cell), cell.attempt == 1, ~cell.superseded, cell.origin == IMPORTED, open_or_agreed]
    chosen = select(*(cell[name] for name in names), kind, judged.seen_at).select_from(joined).where(*conditions)
    return connection.execute(chosen.order_by(cell.event_id, judged.seen_at, cell.serial, cell.string)).all()


def scores_of(connection: Connection, chosen: Sequence[str]) -> dict[str, bytes]:
    """Return the packed scores of inspections by id."""
    found = connection.execute(select(inspections.c.id, inspections.c.scores).where(inspections.c.id.in_(chosen)))
    return {row.id: bytes(row.scores) for row in found}


def reworks_of(connection: Connection, serials: Sequence[str]) -> Sequence[Any]:
    """Return what the bench did to panels, in the order of time."""
    found = select(reworks).where(reworks.c.serial.in_(serials)).order_by(reworks.c.event_id, reworks.c.number)
    return connection.execute(found).all()


PASSED = (Disposition.ACCEPT.value,)
"""Decisions at the first attempt that make a panel one of first-pass yield: a concession is none."""
