"""Messages to the line: written with the decision, known by the decision's id.

A sender first marks a message as sent, which ends the time in which the decision can be taken back, then sends it, then
notes that the line has it. A message whose receipt was not noted is sent again; the line knows it by its id.
"""

from dataclasses import dataclass

from sqlalchemy import Connection, select, update

from elinspect.store.events import now
from elinspect.store.log import Log
from elinspect.store.schema import outbox


@dataclass(frozen=True, slots=True)
class OutgoingMessage:
    """A message that waits.

    Attributes
    ----------
    decision : str
        Id of the decision; the line takes a message with a known id for the one it already has.
    text : str
        The message, JSON.
    """

    decision: str
    text: str


def unreceived(log: Log) -> tuple[OutgoingMessage, ...]:
    """Return the messages the line does not have yet, as far as is known, in the order they were written."""
    waiting = select(outbox).where(outbox.c.received_at.is_(None)).order_by(outbox.c.written_at, outbox.c.decision)
    with log.reading() as connection:
        return tuple(OutgoingMessage(row.decision, row.message) for row in connection.execute(waiting))


def mark_sent(log: Log, decision: str) -> bool:
    """Note, before sending, that a message goes out; from now on the decision cannot be taken back.

    Returns
    -------
    bool
        False if the decision was taken back: then do not send it.
    """
    with log.writing() as connection:
        found = connection.execute(select(outbox.c.sent_at).where(outbox.c.decision == decision)).one_or_none()
        if found is not None and found.sent_at is None:
            _note(connection, decision, "sent_at")
        return found is not None


def mark_received(log: Log, decision: str) -> None:
    """Note that the line has a message."""
    with log.writing() as connection:
        _note(connection, decision, "received_at")


def _note(connection: Connection, decision: str, column: str) -> None:
    connection.execute(update(outbox).where(outbox.c.decision == decision).values({column: now()}))
