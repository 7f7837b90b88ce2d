"""Second readings: panels in which nobody saw anything, drawn at random and read again by somebody else.

Every panel is looked at once; what the machine and the inspector both miss shows in no count. A draw is logged before
anybody reads, so that nobody can choose; the reader sees the picture alone, not what was flagged or decided.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from elinspect.errors import LogError
from elinspect.records import Kind, Layout, Purpose, Stage
from elinspect.statistics.second_readings import Drawn, Recall, recall_by_second_readings
from elinspect.store.counts import cell_counts, pictures_by
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.log import Log
from elinspect.store.production import Period, confirmed_of_proposed, days_of
from elinspect.store.rules import inspection_row
from elinspect.store.second_readings import draws_of, passed_unflagged, waiting_readings

_SUBJECT = "second readings"


@dataclass(frozen=True, slots=True)
class SeenCell:
    """A cell the second reader holds for defective.

    Attributes
    ----------
    string, position : int
        Number of the string through the panel, and of the cell in it.
    kind : Kind
        What it is.
    """

    string: int
    position: int
    kind: Kind


@dataclass(frozen=True, slots=True)
class WaitingReading:
    """A panel that waits for its second reading.

    Attributes
    ----------
    draw, inspection, serial : str
        Which.
    path : str or None
        Its picture; None for a panel that was simulated as a record.
    """

    draw: str
    inspection: str
    serial: str
    path: str | None


def ask_second_readings(
    log: Log,
    station: str,
    person: str,
    n: int,
    purpose: Purpose = Purpose.PRODUCTION,
    *,
    since: str | None = None,
    until: str | None = None,
    product: str | None = None,
    seed: int | None = None,
) -> int:
    """Draw panels for a second reading: accepted at the first attempt, nothing flagged above a limit, nothing added.

    Parameters
    ----------
    station, person : str
        Where, and the id of the quality engineer or auditor who asks.
    n : int
        How many; all of them where there are fewer.
    since, until, product : str, optional
        Which panels; by default those of the newest day.
    seed : int, optional
        Of the draw, logged with it; by default one nobody knows beforehand.

    Returns
    -------
    int
        How many were drawn.

    Raises
    ------
    LogError
        If there is no such panel, or the person's role does not ask for readings.
    """
    with log.reading() as connection:
        days = days_of(connection, purpose.value, Stage.BEFORE_LAMINATION.value)
        last = until or (days[1] if days else "")
        first = since or last
        period = Period(purpose.value, Stage.BEFORE_LAMINATION.value, first, last, product)
        passed = passed_unflagged(connection, period)
    free = [(row.id, row.serial) for row in passed if not row.drawn]
    if not free:
        raise LogError("readings.none", since=first or "…", until=last or "…")
    entropy = seed if seed is not None else int(np.random.SeedSequence().generate_state(1, np.uint64)[0] >> 1)
    drawn = np.random.default_rng(entropy).permutation(len(free))[:n]
    data = {
        "purpose": purpose.value,
        "stage": Stage.BEFORE_LAMINATION.value,
        "since": first,
        "until": last,
        "product": product or "",
        "unflagged": len(passed),
        "seed": entropy,
        "inspections": [list(free[index]) for index in drawn.tolist()],
    }
    log.append([NewEvent(EventKind.SECOND_READINGS_ASKED, _SUBJECT, data, person)], station)
    return len(drawn)


def readings_waiting(log: Log, reader: str | None = None) -> tuple[WaitingReading, ...]:
    """Return the panels that wait for a second reading, without those the reader decided."""
    with log.reading() as connection:
        rows = waiting_readings(connection)
    mine = (row for row in rows if reader is None or row.decided_by != reader)
    return tuple(WaitingReading(row.draw, row.inspection, row.serial, row.path) for row in mine)


def log_second_reading(
    log: Log, station: str, reader: str, waiting: WaitingReading, cells: Sequence[SeenCell], note: str = ""
) -> None:
    """Log what a second reader saw in a panel; without cells: read, and nothing seen.

    Raises
    ------
    LogError
        If a cell lies outside the panel; if the panel was read already, or the reader decided it.
    """
    with log.reading() as connection:
        layout = Layout.parse(inspection_row(connection, waiting.inspection).layout)
    for cell in cells:
        if not (1 <= cell.string <= layout.n_strings and 1 <= cell.position <= layout.cells_per_string):
            raise LogError("readings.place", string=cell.string, position=cell.position, layout=str(layout))
    seen = sorted({(cell.string, cell.position): cell.kind.value for cell in cells}.items())
    data = {
        "draw": waiting.draw,
        "inspection": waiting.inspection,
        "cells": [[*place, kind] for place, kind in seen],
        "note": note,
    }
    log.append([NewEvent(EventKind.SECOND_READING, f"second reading:{waiting.inspection}", data, reader)], station)


def machine_recall(log: Log, period: Period) -> Recall | None:
    """Return the machine's recall in a period; None where no second reading of it was made.

    Counted are draws that lie within the period. Cells are confirmed ones of all panels in the days of these draws.
    """
    with log.reading() as connection:
        draws = [draw for draw in draws_of(connection, period) if draw.read]
        if not draws:
            return None
        first, last = min(draw.since for draw in draws), max(draw.until for draw in draws)
        days = Period(period.purpose, period.stage, first, last, period.product)
        confirmed = sum(int(row.confirmed) for row in cell_counts(connection, days, ()))
        found = confirmed_of_proposed(connection, days)
        judged = pictures_by(connection, days, ("attempt",))
    told = [Drawn(int(draw.unflagged), int(draw.read), int(draw.with_cells), int(draw.cells)) for draw in draws]
    panels = sum(int(row.pictures) for row in judged if row.attempt == 1)
    return recall_by_second_readings(found, confirmed - found, told, panels)
