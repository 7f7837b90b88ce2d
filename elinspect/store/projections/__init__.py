"""Rows for reading, made from the events one by one, in the transaction that logs them."""

from collections.abc import Callable

from sqlalchemy import Connection

from elinspect.store.events import EventKind, StoredEvent
from elinspect.store.projections.answers import (
    on_disposition,
    on_flag_added,
    on_flag_removed,
    on_not_answered_singly,
    on_take_back,
    on_verdict,
)
from elinspect.store.projections.context import on_context, on_rework_done
from elinspect.store.projections.imported import on_import_done, on_imported_rows
from elinspect.store.projections.inspected import on_inspection, on_re_evaluation, on_serial_given
from elinspect.store.projections.records import on_audit_result, on_pictures_removed, on_version_change
from elinspect.store.projections.second_readings import on_second_reading, on_second_readings_asked
from elinspect.store.projections.sessions import on_sign_in
from elinspect.store.projections.simulated import on_simulated_panels

_ON: dict[EventKind, Callable[[Connection, StoredEvent], None]] = {
    EventKind.INSPECTION: on_inspection,
    EventKind.RE_EVALUATION: on_re_evaluation,
    EventKind.SERIAL_GIVEN: on_serial_given,
    EventKind.VERDICT: on_verdict,
    EventKind.FLAG_ADDED: on_flag_added,
    EventKind.FLAG_REMOVED: on_flag_removed,
    EventKind.NOT_ANSWERED_SINGLY: on_not_answered_singly,
    EventKind.DISPOSITION: on_disposition,
    EventKind.TAKE_BACK: on_take_back,
    EventKind.CONTEXT: on_context,
    EventKind.IMPORT_DONE: on_import_done,
    EventKind.SIGN_IN: on_sign_in,
    EventKind.REWORK_DONE: on_rework_done,
    EventKind.MAINTENANCE: on_imported_rows,
    EventKind.FLASH_RESULT: on_imported_rows,
    EventKind.VERSION_CHANGE: on_version_change,
    EventKind.AUDIT_RESULT: on_audit_result,
    EventKind.SECOND_READINGS_ASKED: on_second_readings_asked,
    EventKind.SECOND_READING: on_second_reading,
    EventKind.PICTURES_REMOVED: on_pictures_removed,
    EventKind.SIMULATED_PANELS: on_simulated_panels,
}


def apply(connection: Connection, event: StoredEvent) -> None:
    """Bring every projection up to an event; kinds without a projection stand in the events alone."""
    on = _ON.get(event.kind)
    if on is not None:
        on(connection, event)
