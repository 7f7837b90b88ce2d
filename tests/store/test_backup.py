"""Backup while the log is written to, and back; into another database too."""

import threading
from pathlib import Path
from typing import Any

import pytest
from filled_log import dump, fill
from log_places import BACKENDS, fresh_place
from sqlalchemy import select, update

from elinspect.errors import LogError
from elinspect.operations.upkeep import backup_log, rebuild_log, restore_log, verify_log
from elinspect.store import Log, open_log
from elinspect.store.anchor import anchor_path, read_anchor, write_anchor
from elinspect.store.backup import backup, restore
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.schema import chains, events, people
from elinspect.store.verify import ChainHead, verify


def _all(log: Log) -> list[Any]:
    with log.reading() as connection:
        return [
            sorted(map(tuple, connection.execute(select(table))), key=repr) for table in (events, chains, people)
        ] + [dump(log)]


@pytest.mark.parametrize("backend", BACKENDS)
def test_a_backup_restored_is_the_log_that_was(log: Log, backend: str, tmp_path: Path) -> None:
    fill(log, tmp_path)
    heads = backup(log, tmp_path / "backup.sqlite")
    (tmp_path / "other").mkdir()
    with fresh_place(backend, tmp_path / "other", empty=True) as place:
        assert restore(tmp_path / "backup.sqlite", place) == heads
        with open_log(place) as restored:
            assert _all(restored) == _all(log)
            assert verify(restored, heads) == ()
            event = NewEvent(EventKind.PANEL_SEEN, "panel:new", {"serial": "new"})
            assert restored.append([event], "gate 1").events[0].id > max(event.id for event in log.events())
    assert list(tmp_path.rglob("*.part")) == []


def test_stations_go_on_while_a_backup_is_written(log: Log, tmp_path: Path) -> None:
    stop = threading.Event()
    written = []

    def write() -> None:
        while not stop.is_set():
            event = NewEvent(EventKind.PANEL_SEEN, f"panel:{len(written)}", {"serial": str(len(written))})
            written.append(log.append([event], "gate 1").version)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        while not written:
            pass
        heads = [backup(log, tmp_path / f"{number}.sqlite") for number in range(4)]
    finally:
        stop.set()
        writer.join()
    numbers = [head.number for (head,) in heads]
    assert numbers == sorted(numbers)
    assert numbers[-1] > numbers[0]
    for number, (head,) in enumerate(heads):
        with open_log(tmp_path / f"{number}.sqlite") as copied:
            assert len(list(copied.events())) == head.number
            assert verify(copied, [head]) == ()


def test_nothing_is_written_over(log: Log, place: str, tmp_path: Path) -> None:
    target = tmp_path / "backup.sqlite"
    backup(log, target)
    with pytest.raises(LogError, match="already holds a log"):
        backup(log, target)
    event = NewEvent(EventKind.PANEL_SEEN, "panel:1", {"serial": "1"})
    log.append([event], "gate 1")
    with pytest.raises(LogError, match="already holds a log"):
        restore(target, place)
    assert len(list(log.events())) == 1


def test_a_backup_that_was_tampered_with_is_not_restored(log: Log, tmp_path: Path) -> None:
    fill(log, tmp_path)
    backup(log, tmp_path / "backup.sqlite")
    with open_log(tmp_path / "backup.sqlite") as copied, copied.writing() as connection:
        connection.execute(update(events).where(events.c.number == 3).values(body=b'{"station": "gate 1"}'))
    with pytest.raises(LogError, match="was not restored: Station gate 1, record 3: edited"):
        restore(tmp_path / "backup.sqlite", tmp_path / "new.sqlite")
    assert not (tmp_path / "new.sqlite").exists()


def test_a_backup_that_is_not_there_or_no_backup(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="there is no such file"):
        restore(tmp_path / "none.sqlite", tmp_path / "new.sqlite")
    (tmp_path / "text").write_text("not a log " * 500)
    with pytest.raises(LogError, match=r"not restored|is not a log"):
        restore(tmp_path / "text", tmp_path / "new.sqlite")
    assert not (tmp_path / "new.sqlite").exists()


def test_an_anchor_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    heads = (ChainHead("gate 1", 7, "ab" * 32), ChainHead("Straße", 1, "cd" * 32))
    write_anchor(tmp_path / "a.json", heads)
    assert read_anchor(tmp_path / "a.json") == heads


@pytest.mark.parametrize("content", ["", "{}", '{"schema": "other", "heads": []}', "[1]"])
def test_what_is_no_anchor(tmp_path: Path, content: str) -> None:
    (tmp_path / "a.json").write_text(content)
    with pytest.raises(LogError, match="is no anchor"):
        read_anchor(tmp_path / "a.json")


def test_verify_rebuild_backup_and_restore_by_place(log: Log, place: str, tmp_path: Path) -> None:
    fill(log, tmp_path)
    heads = backup_log(place, tmp_path / "backup.sqlite")
    anchor = anchor_path(tmp_path / "backup.sqlite")
    assert verify_log(place, [anchor]) == ((), heads)
    assert rebuild_log(place) == len(list(log.events()))
    assert restore_log(tmp_path / "backup.sqlite", tmp_path / "new.sqlite") == heads
    with log.writing() as connection:
        connection.execute(events.delete().where(events.c.station == "bench"))
        connection.execute(chains.delete().where(chains.c.station == "bench"))
    faults, _ = verify_log(place, [anchor])
    assert [fault.text for fault in faults] == ["Station bench: the end is cut off, records 1 to 1 are missing."]
