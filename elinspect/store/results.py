"""Results as the pipeline wrote them: read back from the events, never copied."""

from typing import Any

from sqlalchemy import Connection, bindparam, select

from elinspect.errors import LogError
from elinspect.store.events import StoredEvent, from_bytes
from elinspect.store.rows import row_by
from elinspect.store.schema import events, inspections

_BODY = select(events.c.body).where(events.c.id == bindparam("record"))


def event_at(connection: Connection, record: int) -> StoredEvent:
    """Return one event by its record number."""
    body = connection.execute(_BODY, {"record": record}).scalar_one()
    return from_bytes(record, bytes(body))


def result_of(connection: Connection, inspection: str) -> dict[str, Any]:
    """Return the result that stands for an inspection, as in the result file.

    Raises
    ------
    LogError
        If there is no such inspection, or it was simulated without a picture.
    """
    row = row_by(connection, inspections, id=inspection)
    if row is None:
        raise LogError("log.no_inspection", inspection=inspection)
    result = event_at(connection, row.result_event_id).data.get("result")
    if result is None:
        raise LogError("log.only_a_record", serial=row.serial)
    return dict(result)
