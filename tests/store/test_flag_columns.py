"""Flagged cells read as columns of numbers: the same cells, on both databases, by two readers who see one log."""

from threading import Event, Thread

import numpy as np
import pytest

from elinspect.operations.simulating import simulate_into_log
from elinspect.records import Kind
from elinspect.store import Log
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.flag_columns import STRING_KEY, flag_columns, serials_of, source_key
from elinspect.store.production import Period, flagged_of
from elinspect.synthetic.plant_records import RecordPlant

_GATE = ("demo", "before_lamination")


@pytest.fixture
def plant(log: Log) -> Log:
    """Five days of a small plant."""
    simulate_into_log(log, RecordPlant(stringers=3, panels_per_day=6, rates={Kind.CRACK: 0.03}), 5, 2)
    return log


@pytest.mark.parametrize("decided", [True, False])
def test_columns_are_the_rows(plant: Log, decided: bool) -> None:
    period = Period(*_GATE, "2031-01-01", "2031-01-04")
    names = ("day", *STRING_KEY, "inspection", "serial", "string", "position", "position_as_built", "turned", "along")
    with plant.reading() as connection:
        rows = flagged_of(connection, period, ["crack"], decided=decided, columns=names)
        days = sorted({row.day for row in rows})
        found = flag_columns(plant, period, days, ["crack"], decided=decided)
        serials = serials_of(connection, found.inspections)
    assert len(found) == len(rows) > 20
    assert len(days) > 2  # so that both readers had something to read
    told = {
        (found.sources[source], found.inspections[panel], serials[found.inspections[panel]], *where): along
        for source, panel, *where, along in zip(
            *(column.tolist() for column in (found.source, found.panel, found.string, found.position)),
            *(column.tolist() for column in (found.position_as_built, found.turned, found.along)),
            strict=True,
        )
    }
    for row in rows:
        turned = -1 if row.turned is None else int(row.turned)
        where = (row.string, row.position, row.position_as_built, turned)
        along = told[source_key(row), row.inspection, row.serial, *where]
        assert along == pytest.approx(np.nan if row.along is None else row.along, abs=5.1e-5, nan_ok=True)


def test_nothing_flagged_is_no_column(plant: Log) -> None:
    assert len(flag_columns(plant, Period(*_GATE), [], [], decided=True)) == 0
    none = flag_columns(plant, Period(*_GATE), ["2031-01-01"], ["bridged_string"], decided=True)
    assert (len(none), none.sources) == (0, ())
    assert len(none.chosen(np.zeros(0, dtype=np.bool_))) == 0


def test_readers_together_see_one_state(plant: Log) -> None:
    stop, ends = Event(), []

    def write() -> None:
        row = {"machine": "B", "lane": "2", "started_at": "2031-01-05T02:00:00+00:00", "what": "cleaned"}
        data = {"file_sha256": "", "columns": list(row), "rows": [list(row.values())]}
        while not stop.is_set():
            plant.append([NewEvent(EventKind.MAINTENANCE, "maintenance", data)], "desk")

    writer = Thread(target=write)
    writer.start()
    try:
        for _ in range(60):
            with plant.reading_together(3) as connections:
                asked = "SELECT max(id) FROM events"
                ends.append({connection.exec_driver_sql(asked).scalar() for connection in connections})
    finally:
        stop.set()
        writer.join()
    assert all(len(end) == 1 for end in ends)
