"""Second readings: which panels were drawn for one, and what the second reader saw."""

from sqlalchemy import Connection

from elinspect.store.events import StoredEvent
from elinspect.store.rows import insert_rows, update_by
from elinspect.store.schema import second_reading_cells, second_reading_draws, second_readings


def draw_id(event: StoredEvent) -> str:
    """Return the id of a draw: the chain's name and the place of its record in it."""
    return f"{event.station}:{event.number}"


def on_second_readings_asked(connection: Connection, event: StoredEvent) -> None:
    """Keep a draw and the panels that wait for their second reading, in the order drawn."""
    data, draw = event.data, draw_id(event)
    asked = {name: data[name] for name in ("purpose", "stage", "since", "until", "product", "unflagged")}
    head = {"id": draw, **asked, "asked": len(data["inspections"]), "person": event.person, "at": event.at}
    insert_rows(connection, second_reading_draws, [head])
    rows = [
        {"draw": draw, "inspection": inspection, "number": number, "serial": serial, "reader": None, "read_at": None}
        for number, (inspection, serial) in enumerate(data["inspections"], start=1)
    ]
    insert_rows(connection, second_readings, [{**row, "note": ""} for row in rows])


def on_second_reading(connection: Connection, event: StoredEvent) -> None:
    """Keep what the reader saw; a panel without any cell was read and nothing was seen."""
    key = {"draw": event.data["draw"], "inspection": event.data["inspection"]}
    read = {"reader": event.person, "read_at": event.at, "note": event.data["note"]}
    update_by(connection, second_readings, read, **key)
    cells = [
        {**key, "string": string, "position": position, "kind": kind} for string, position, kind in event.data["cells"]
    ]
    insert_rows(connection, second_reading_cells, cells)
