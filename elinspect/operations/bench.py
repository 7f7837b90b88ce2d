"""What the bench really did to a panel."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy import select

from elinspect.errors import LogError
from elinspect.store.events import EventKind, NewEvent, panel_subject
from elinspect.store.log import Log
from elinspect.store.people import person_named
from elinspect.store.schema import inspections


class BenchWork(StrEnum):
    """Work at the bench; after the two replacements a place has origin `bench`."""

    CELL_REPLACED = "cell_replaced"
    STRING_REPLACED = "string_replaced"
    CELL_TURNED = "cell_turned"
    RESOLDERED = "resoldered"
    REALIGNED = "realigned"
    FOREIGN_BODY_REMOVED = "foreign_body_removed"
    CLEANED = "cleaned"
    NOTHING_DONE = "nothing_done"
    OTHER = "other"


class Fate(StrEnum):
    """What became of a removed string or cell."""

    NONE_REMOVED = ""
    SCRAPPED = "scrapped"
    REUSED = "reused"
    KEPT = "kept"


@dataclass(frozen=True, slots=True)
class WorkDone:
    """One thing done to a panel.

    Attributes
    ----------
    work : BenchWork
        What.
    string, position : int or None
        Where; position None for a whole string, both None for the panel.
    new_string_id : str
        Of a string that was put in, if it has one.
    fate : Fate
        What became of what was taken out.
    """

    work: BenchWork
    string: int | None = None
    position: int | None = None
    new_string_id: str = ""
    fate: Fate = Fate.NONE_REMOVED


def log_rework_done(
    log: Log,
    station: str,
    worker: str,
    serial: str,
    done: Sequence[WorkDone],
    *,
    minutes: float | None = None,
    note: str = "",
    inspection: str | None = None,
) -> None:
    """Log what was done to a panel at the bench.

    From now on what was replaced is no longer charged to the stringer that made it.

    Parameters
    ----------
    worker : str
        Name of who did it; the events hold an id only.
    serial : str
        The panel; the log must know it.
    done : sequence of WorkDone
        At least one.
    minutes : float, optional
        How long it took.
    inspection : str, optional
        Inspection whose decision led to it.

    Raises
    ------
    LogError
        If the log does not know the panel, a place is missing, or it cannot be written.
    """
    if not done:
        raise ValueError("rework without work; log NOTHING_DONE")
    for item in done:
        cell = item.work in (BenchWork.CELL_REPLACED, BenchWork.CELL_TURNED)
        if (cell and item.position is None) or (item.work is BenchWork.STRING_REPLACED and item.position is not None):
            raise LogError("bench.place", work=item.work.value)
        if item.string is None and (item.position is not None or item.work is BenchWork.STRING_REPLACED):
            raise LogError("bench.place", work=item.work.value)
    with log.writing() as connection:
        if connection.execute(select(inspections.c.id).where(inspections.c.serial == serial).limit(1)).first() is None:
            raise LogError("bench.unknown_panel", serial=serial)
        person = person_named(connection, worker)
    listed = [
        {
            "work": item.work.value,
            "string": item.string,
            "position": item.position,
            "new_string_id": item.new_string_id,
            "fate": item.fate.value,
        }
        for item in done
    ]
    data = {"serial": serial, "inspection": inspection, "done": listed, "minutes": minutes, "note": note}
    log.append([NewEvent(EventKind.REWORK_DONE, panel_subject(serial, ""), data, person)], station)
