"""The hash chain: what was logged stays, and whatever happened to it is found."""

import hashlib
import json
import zlib
from collections.abc import Callable

import pytest
from log_places import SERVER
from logged_panels import crack, make_result
from sqlalchemy import Connection, delete, func, select, update

from elinspect.operations.log_inspection import log_inspection
from elinspect.store import Log
from elinspect.store.events import FIRST_LINK, EventKind, NewEvent, link
from elinspect.store.schema import chains, events
from elinspect.store.verify import ChainHead, chain_heads, verify


def _note(log: Log, station: str, number: int) -> None:
    log.append([NewEvent(EventKind.PANEL_SEEN, f"panel:{number}", {"serial": str(number)})], station)


@pytest.fixture
def filled(log: Log) -> Log:
    for number in range(8):
        _note(log, "gate 1", number)
        _note(log, "gate 2", number)
    log_inspection(log, make_result("000123", flags=(crack("m1", 1, 1),)), "gate 1")
    return log


def test_postgresql_is_tested_too() -> None:
    if not SERVER:
        pytest.skip("no PostgreSQL server is configured")
    assert SERVER.startswith("postgresql://")


def test_an_untouched_log_holds(filled: Log) -> None:
    assert verify(filled) == ()
    assert verify(filled, chain_heads(filled)) == ()


def test_the_hash_is_sha_256_over_the_hash_before_and_the_stored_bytes(filled: Log) -> None:
    with filled.reading() as connection:
        rows = connection.execute(select(events).where(events.c.station == "gate 2").order_by(events.c.number)).all()
    before = bytes(32)
    for row in rows:
        before = hashlib.sha256(before + bytes(row.body)).digest()
        assert bytes(row.hash) == before
    assert chain_heads(filled)[1] == ChainHead("gate 2", 8, before.hex())


def test_long_events_are_compressed_and_short_ones_can_be_read_as_they_are(filled: Log) -> None:
    with filled.reading() as connection:
        bodies = [bytes(body) for body in connection.execute(select(events.c.body)).scalars()]
    parts = [body.split(b"\n", 1) for body in bodies]
    assert json.loads(parts[0][0])["kind"] == "panel_seen"
    assert json.loads(parts[0][1]) == {"serial": "0"}
    compressed = [(json.loads(head), zlib.decompress(data)) for head, data in parts if not data.startswith(b"{")]
    assert [head["kind"] for head, _ in compressed] == ["inspection"]
    assert json.loads(compressed[0][1])["result"]["serial"] == "000123"


def _edit_body(connection: Connection) -> None:
    body = connection.execute(_body(4)).scalar_one()
    changed = bytes(body).replace(b'"serial":"3"', b'"serial":"9"')
    assert changed != bytes(body)
    connection.execute(update(events).where(*_at(4)).values(body=changed))


def _edit_hash(connection: Connection) -> None:
    connection.execute(update(events).where(*_at(4)).values(hash=b"\1" * 32))


def _edit_subject(connection: Connection) -> None:
    connection.execute(update(events).where(*_at(4)).values(subject="panel:other"))


def _make_unreadable(connection: Connection) -> None:
    connection.execute(update(events).where(*_at(4)).values(body=b"x" * 20))


def _remove(connection: Connection) -> None:
    connection.execute(delete(events).where(*_at(4)))


def _remove_and_close_the_gap(connection: Connection) -> None:
    _remove(connection)
    for number in range(5, 9):
        connection.execute(update(events).where(*_at(number)).values(number=number - 1))
    connection.execute(update(chains).where(chains.c.station == "gate 2").values(number=7))


def _insert(connection: Connection) -> None:
    for number in range(8, 3, -1):
        connection.execute(update(events).where(*_at(number)).values(number=number + 1))
    copied = connection.execute(select(events).where(*_at(3))).one()._asdict()
    last = connection.execute(select(func.max(events.c.id))).scalar_one()
    connection.execute(events.insert().values(copied | {"id": last + 1, "number": 4, "version": 77}))
    connection.execute(update(chains).where(chains.c.station == "gate 2").values(number=9))


def _append(connection: Connection) -> None:
    copied = connection.execute(select(events).where(*_at(8))).one()._asdict()
    last = connection.execute(select(func.max(events.c.id))).scalar_one()
    connection.execute(events.insert().values(copied | {"id": last + 1, "number": 9, "version": 77}))


def _cut_tail(connection: Connection) -> None:
    connection.execute(delete(events).where(events.c.station == "gate 2", events.c.number >= 7))


def _at(number: int) -> tuple[object, object]:
    return events.c.station == "gate 2", events.c.number == number


def _body(number: int) -> object:
    return select(events.c.body).where(*_at(number))


@pytest.mark.parametrize(
    ("tamper", "found"),
    [
        (_edit_body, "record 4: edited"),
        (_edit_hash, "record 4: edited"),
        (_edit_subject, "record 4: edited"),
        (_make_unreadable, "record 4: edited"),
        (_remove, "records 4 to 4 were removed"),
        (_remove_and_close_the_gap, "record 4: was not logged here but inserted"),
        (_insert, "record 4: was not logged here but inserted"),
        (_append, "record 9: was not logged here but inserted"),
        (_cut_tail, "the end is cut off, records 7 to 8 are missing"),
    ],
)
def test_tampering_is_found(filled: Log, tamper: Callable[[Connection], None], found: str) -> None:
    with filled.writing() as connection:
        tamper(connection)
    faults = [fault.text for fault in verify(filled)]
    assert any(found in fault for fault in faults), faults
    assert all(fault.startswith("Station gate 2") for fault in faults)


def _cut_tail_and_move_the_head(connection: Connection) -> None:
    _cut_tail(connection)
    hashed = connection.execute(select(events.c.hash).where(*_at(6))).scalar_one()
    connection.execute(update(chains).where(chains.c.station == "gate 2").values(number=6, hash=hashed))


def _rewrite_from_4(connection: Connection) -> None:
    _edit_body(connection)
    before = bytes(connection.execute(select(events.c.hash).where(*_at(3))).scalar_one())
    for number in range(4, 9):
        before = link(before, bytes(connection.execute(_body(number)).scalar_one()))
        connection.execute(update(events).where(*_at(number)).values(hash=before))
    connection.execute(update(chains).where(chains.c.station == "gate 2").values(hash=before))


def _remove_the_whole_station(connection: Connection) -> None:
    connection.execute(delete(events).where(events.c.station == "gate 2"))
    connection.execute(delete(chains).where(chains.c.station == "gate 2"))


@pytest.mark.parametrize(
    ("tamper", "found"),
    [
        (_cut_tail_and_move_the_head, "the end is cut off, records 7 to 8 are missing"),
        (_rewrite_from_4, "record 8: is not the one that was anchored"),
        (_remove_the_whole_station, "the end is cut off, records 1 to 8 are missing"),
    ],
)
def test_what_a_careful_hand_did_is_found_by_an_anchored_head(
    filled: Log, tamper: Callable[[Connection], None], found: str
) -> None:
    anchored = chain_heads(filled)
    with filled.writing() as connection:
        tamper(connection)
    assert verify(filled) == ()  # the database alone cannot know
    assert any(found in fault.text for fault in verify(filled, anchored))


def test_an_anchor_in_the_middle_of_the_chain_holds_as_it_grows(filled: Log) -> None:
    anchored = chain_heads(filled)
    for number in range(3):
        _note(filled, "gate 2", 100 + number)
    assert verify(filled, anchored) == ()


def test_the_first_link_stands_before_every_chain(filled: Log) -> None:
    with filled.reading() as connection:
        first = connection.execute(select(events).where(*_at(1))).one()
    assert bytes(first.hash) == link(FIRST_LINK, bytes(first.body))
