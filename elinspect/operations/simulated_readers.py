"""Second readings and audits of a simulated plant: what readers see follows from the truth."""

from collections.abc import Mapping, Sequence
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from elinspect.errors import LogError
from elinspect.operations.audits import audit_panel
from elinspect.operations.second_readings import (
    SeenCell,
    ask_second_readings,
    log_second_reading,
    readings_waiting,
)
from elinspect.operations.simulated_names import FIRST_DAY, STATION, serial_of
from elinspect.records import Disposition, Purpose
from elinspect.review.gate import Role
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.log import Log
from elinspect.store.people import person_named
from elinspect.synthetic.plant_records import FALSE_FLAG, CauseOf, Day, RecordPlant, kinds_of

WEEK_DAYS = 7
"""Days after which panels are drawn."""
_READER = "simulated auditor"


def shows_at_gate(plant: RecordPlant, day: Day) -> NDArray[np.bool_]:
    """Return which flags of a day are defects that are there at the gate."""
    later = np.array([cause.of is CauseOf.LAMINATOR for cause in plant.causes] + [False])
    at_gate: NDArray[np.bool_] = ~later[np.maximum(day.flag_cause, -1)] & (day.flag_cause != FALSE_FLAG)
    return at_gate


def read_again(log: Log, plant: RecordPlant, days: Sequence[Day], chance: np.random.Generator) -> None:
    """Let an auditor read a random sample of what passed in these days, and audit as many panels of all sorts.

    Raises
    ------
    LogError
        If the log cannot be written.
    """
    if not plant.read_again:
        return
    with log.writing() as connection:
        reader = person_named(connection, _READER, Role.AUDITOR)
    signed = NewEvent(EventKind.SIGN_IN, f"person:{reader}", {"role": Role.AUDITOR.value}, reader)
    log.append([signed], STATION)
    defects = _defects(plant, days)
    first, last = ((FIRST_DAY + timedelta(days=day.number)).date().isoformat() for day in (days[0], days[-1]))
    seed = int(chance.integers(2**62))
    n = plant.read_again
    try:
        ask_second_readings(log, STATION, reader, n, Purpose.DEMO, since=first, until=last, seed=seed)
    except LogError as error:
        if error.message.code != "readings.none":  # something was seen in every panel
            raise
    for waiting in readings_waiting(log):
        log_second_reading(log, STATION, reader, waiting, _seen(plant, defects.get(waiting.serial, ()), chance))
    panels = np.unique(np.concatenate([day.panel for day in days]))
    for panel in chance.choice(panels, min(n, len(panels)), replace=False).tolist():
        bad = _seen(plant, defects.get(serial_of(panel), ()), chance)
        audited = Disposition.REWORK if bad else Disposition.ACCEPT
        audit_panel(log, STATION, reader, serial_of(panel), audited)


def _seen(plant: RecordPlant, defects: Sequence[SeenCell], chance: np.random.Generator) -> list[SeenCell]:
    return [cell for cell in defects if chance.random() < plant.seen_by_reader]


def _defects(plant: RecordPlant, days: Sequence[Day]) -> Mapping[str, list[SeenCell]]:
    """Return what is really defective at the gate, by serial."""
    kinds, per_string = kinds_of(plant), plant.layout.cells_per_string
    found: dict[str, list[SeenCell]] = {}
    for day in days:
        true = np.flatnonzero(shows_at_gate(plant, day))
        string = day.flag_string[true]
        as_built = day.flag_position[true]
        position = np.where(day.turned[string], per_string + 1 - as_built, as_built)
        columns = (day.panel[string], day.number_in_panel[string], position, day.flag_kind[true])
        for panel, number, place, kind in zip(*(values.tolist() for values in columns), strict=True):
            found.setdefault(serial_of(panel), []).append(SeenCell(number, place, kinds[kind]))
    return found
