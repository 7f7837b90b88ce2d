"""What reworks at the bench took and what they broke, as the log has it."""

from dataclasses import dataclass

from sqlalchemy import func, select

from elinspect.operations.bench import BenchWork
from elinspect.records import Kind, Purpose, Stage
from elinspect.store.log import Log
from elinspect.store.schema import flagged_cells, reworks


@dataclass(frozen=True, slots=True)
class BenchFigures:
    """What the log knows of reworks.

    Attributes
    ----------
    reworks : int
        Visits to the bench at which something was done.
    minutes : float or None
        Their mean length, where it was written down; None where it never was.
    new_cracks : int
        Cells of production panels in which a crack was confirmed after a rework and none before; those a replaced cell
        brought with it count.
    """

    reworks: int
    minutes: float | None
    new_cracks: int

    @property
    def new_crack(self) -> float:
        """New cracks per rework, 0..1; nan without any rework."""
        return min(self.new_cracks / self.reworks, 1.0) if self.reworks else float("nan")


def bench_figures(log: Log) -> BenchFigures:
    """Count reworks and what was found after them."""
    visits = (
        select(func.max(reworks.c.minutes).label("minutes"))
        .where(reworks.c.work != BenchWork.NOTHING_DONE)
        .group_by(reworks.c.event_id)
        .subquery()
    )
    cell = flagged_cells.c
    cracked = select(cell.serial, cell.string, cell.position, cell.instance, cell.attempt).where(
        cell.purpose == Purpose.PRODUCTION,
        cell.stage == Stage.BEFORE_LAMINATION,
        cell.confirmed_kind == Kind.CRACK,
        cell.serial.in_(select(reworks.c.serial)),
    )
    with log.reading() as connection:
        count, minutes = connection.execute(select(func.count(), func.avg(visits.c.minutes))).one()
        first: dict[tuple[object, ...], int] = {}
        for *place, attempt in connection.execute(cracked):
            first[tuple(place)] = min(attempt, first.get(tuple(place), attempt))
    found_after = sum(attempt > 1 for attempt in first.values())
    return BenchFigures(int(count), float(minutes) if minutes is not None else None, found_after)
