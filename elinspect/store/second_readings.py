"""What the log knows about second readings: who may be drawn, who waits, what was seen."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, exists, func, select

from elinspect.records import Disposition
from elinspect.store.production import Period
from elinspect.store.schema import (
    exposure_files,
    flagged_cells,
    inspections,
    second_reading_cells,
    second_reading_draws,
    second_readings,
)


def passed_unflagged(connection: Connection, period: Period) -> Sequence[Any]:
    """Return the panels nobody saw anything in: `id`, `serial`, `drawn`, in the order of time.

    Accepted at the first attempt, no flag of the machine above a limit, no cell confirmed or added. `drawn` tells
    whether one was drawn for a second reading before.
    """
    table, cell = inspections.c, flagged_cells.c
    seen = exists().where(cell.inspection == table.id, cell.confirmed_kind.is_not(None))
    drawn = exists().where(second_readings.c.inspection == table.id).label("drawn")
    passed = (table.decision == Disposition.ACCEPT, table.above_limit == 0, table.attempt == 1, ~table.superseded)
    chosen = select(table.id, table.serial, drawn).where(*period.of(table), *passed, table.serial.is_not(None), ~seen)
    return connection.execute(chosen.order_by(table.event_id, table.id)).all()


def waiting_readings(connection: Connection) -> Sequence[Any]:
    """Return the panels that wait for a second reading: `draw`, `inspection`, `serial`, `decided_by`, `path`.

    What was decided or flagged is not among it: the reader must not know.
    """
    table, judged, file = second_readings.c, inspections.c, exposure_files.c
    joined = second_readings.join(inspections, judged.id == table.inspection)
    joined = joined.outerjoin(exposure_files, (file.inspection == table.inspection) & (file.number == 1))
    columns = (table.draw, table.inspection, table.serial, judged.decided_by, file.path)
    waiting = select(*columns).select_from(joined).where(table.read_at.is_(None))
    return connection.execute(waiting.order_by(table.draw, table.number)).all()


def draws_of(connection: Connection, period: Period) -> Sequence[Any]:
    """Return the draws that lie within a period, each with what its readings saw.

    Returns
    -------
    sequence of rows
        `id`, `since`, `until`, `unflagged`, `asked`, `read`, `with_cells` (panels in which cells were seen), `cells`.
    """
    draw, reading, cell = second_reading_draws.c, second_readings.c, second_reading_cells.c
    read = select(func.count()).where(reading.draw == draw.id, reading.read_at.is_not(None)).scalar_subquery()
    with_cells = select(func.count(cell.inspection.distinct())).where(cell.draw == draw.id).scalar_subquery()
    cells = select(func.count()).where(cell.draw == draw.id).scalar_subquery()
    conditions = [draw.purpose == period.purpose, draw.stage == period.stage]
    conditions += [draw.since >= period.since] if period.since is not None else []
    conditions += [draw.until <= period.until] if period.until is not None else []
    conditions += [draw.product == period.product] if period.product is not None else []
    columns = (draw.id, draw.since, draw.until, draw.unflagged, draw.asked)
    told = (read.label("read"), with_cells.label("with_cells"), cells.label("cells"))
    return connection.execute(select(*columns, *told).where(*conditions).order_by(draw.at, draw.id)).all()
