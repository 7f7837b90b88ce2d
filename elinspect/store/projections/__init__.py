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
from elinspect.store.projections.context import on_context, on_import_done
from elinspect.store.projections.inspected import on_inspection, on_re_evaluation
from elinspect.store.projections.sessions import on_sign_in

_ON: dict[EventKind, Callable[[Connection, StoredEvent], None]] = {
    EventKind.INSPECTION: on_inspection,
    EventKind.RE_EVALUATION: on_re_evaluation,
    EventKind.VERDICT: on_verdict,
    EventKind.FLAG_ADDED: on_flag_added,
    EventKind.FLAG_REMOVED: on_flag_removed,
    EventKind.NOT_ANSWERED_SINGLY: on_not_answered_singly,
    EventKind.DISPOSITION: on_disposition,
    EventKind.TAKE_BACK: on_take_back,
    EventKind.CONTEXT: on_context,
    EventKind.IMPORT_DONE: on_import_done,
    EventKind.SIGN_IN: on_sign_in,
}


def apply(connection: Connection, event: StoredEvent) -> None:
    """Bring every projection up to an event; kinds without a projection stand in the events alone."""
    on = _ON.get(event.kind)
    if on is not None:
        on(connection, event)
