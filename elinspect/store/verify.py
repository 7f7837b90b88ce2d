"""Is the log what it was? Checks of the hash chains, against themselves and against anchored heads."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from elinspect.catalogue import Message
from elinspect.store.events import FIRST_LINK, from_bytes, link
from elinspect.store.log import Log
from elinspect.store.schema import chains, events


@dataclass(frozen=True, slots=True)
class ChainHead:
    """The end of a chain at some moment; written down elsewhere, it anchors everything before it.

    Attributes
    ----------
    station : str
        Whose chain.
    number : int
        Records it then had.
    hash : str
        Hash of the last one, hexadecimal.
    """

    station: str
    number: int
    hash: str


def chain_heads(log: Log) -> tuple[ChainHead, ...]:
    """Return the present end of every chain."""
    with log.reading() as connection:
        found = connection.execute(select(chains).order_by(chains.c.station)).all()
    return tuple(ChainHead(row.station, row.number, bytes(row.hash).hex()) for row in found)


def verify(log: Log, anchors: Collection[ChainHead] = ()) -> tuple[Message, ...]:
    """Check every record of every chain.

    Parameters
    ----------
    log : Log
        The log.
    anchors : collection of ChainHead
        Heads that were written down outside this database, in an export or a report. Without them, a chain whose end
        was cut off or written anew by somebody who also corrected the database's own head looks like a good one.

    Returns
    -------
    tuple of Message
        One for each record that was edited, removed, inserted or cut off; empty if everything holds.
    """
    faults: list[Message] = []
    with log.reading() as connection:
        heads = {row.station: row for row in connection.execute(select(chains))}
        written = connection.execute(select(events.c.station).distinct()).scalars()
        for station in sorted({*heads, *written, *(anchor.station for anchor in anchors)}):
            expected = {anchor.number: anchor.hash for anchor in anchors if anchor.station == station}
            faults.extend(_faults_of(connection, station, heads.get(station), expected))
    return tuple(faults)


def _faults_of(connection: Connection, station: str, head: Any, anchored: dict[int, str]) -> Iterator[Message]:
    before: bytes | None = FIRST_LINK
    number = 0
    for row in _records(connection, station):
        if row.number != number + 1:
            yield Message("log.removed", {"station": station, "first": number + 1, "last": row.number - 1})
            before = None
        number = row.number
        yield from _faults_of_record(row, before)
        if number in anchored and bytes(row.hash).hex() != anchored.pop(number):
            yield Message("log.not_anchored", {"station": station, "number": number})
        before = bytes(row.hash)
    last = max([*anchored, head.number if head is not None else 0])
    if last > number:
        yield Message("log.cut_off", {"station": station, "first": number + 1, "last": last})
    elif head is None or head.number < number:
        yield Message("log.inserted", {"station": station, "number": number})
    elif before is not None and bytes(head.hash) != before:
        yield Message("log.edited", {"station": station, "number": number})


def _records(connection: Connection, station: str) -> Iterator[Any]:
    after = -(2**62)
    while True:
        mine = (events.c.station == station, events.c.number > after)
        found = connection.execute(select(events).where(*mine).order_by(events.c.number).limit(500)).all()
        if not found:
            return
        yield from found
        after = found[-1].number


def _faults_of_record(row: Any, before: bytes | None) -> Iterator[Message]:
    named = {"station": row.station, "number": row.number}
    body, stored_hash = bytes(row.body), bytes(row.hash)
    try:
        event = from_bytes(row.id, body)
    except ValueError:
        yield Message("log.edited", named)
        return
    if event.number != row.number or event.station != row.station:
        yield Message("log.inserted", named)
        return
    linked = before is None or link(before, body) == stored_hash
    if not linked or (event.subject, event.version, event.kind.value) != (row.subject, row.version, row.kind):
        yield Message("log.edited", named)
