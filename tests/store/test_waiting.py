"""Who waits for whom: nobody longer than needed, and what was acknowledged is on disk all the same."""

import gc
import os
import sqlite3
from pathlib import Path

import pytest
from log_places import fresh_place

import elinspect.store.connection
from elinspect.errors import LogError
from elinspect.store import Log, open_log
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.verify import verify

EVENT = NewEvent(EventKind.PANEL_SEEN, "panel:1", {"serial": "1"})


@pytest.fixture
def file(tmp_path: Path) -> Path:
    with fresh_place("sqlite", tmp_path) as place:
        return Path(place)


def _synchronous(log: Log) -> int:
    with log.reading() as connection:
        return int(connection.exec_driver_sql("PRAGMA synchronous").scalar_one())


def test_an_import_waits_for_the_disk_after_others_got_their_turn(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    other = sqlite3.connect(file, isolation_level=None, timeout=0)
    flushed = []
    flush = os.fsync

    def flush_and_look(descriptor: int) -> None:
        other.execute("BEGIN IMMEDIATE")  # another writer has its turn already, and sees what was written
        flushed.append((os.fstat(descriptor).st_ino, other.execute("SELECT count(*) FROM events").fetchone()[0]))
        other.execute("ROLLBACK")
        flush(descriptor)

    with open_log(file) as log:
        monkeypatch.setattr(elinspect.store.connection.os, "fsync", flush_and_look)
        log.append([EVENT], "import", bulk=True)
        assert flushed == [(Path(f"{file}-wal").stat().st_ino, 1)]
        assert _synchronous(log) == 2  # the same connection waits within the transaction again: FULL
        log.append([EVENT], "gate 1")
        assert len(flushed) == 1
    other.close()


def test_a_disk_that_fails_to_keep_an_import_is_not_passed_over(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_descriptor: int) -> None:
        raise OSError(5, "Input/output error")

    with open_log(file) as log:
        monkeypatch.setattr(elinspect.store.connection.os, "fsync", fail)
        with pytest.raises(LogError, match=r"failed: Input/output error\. What was imported last may not stay"):
            log.append([EVENT], "import", bulk=True)
        assert _synchronous(log) == 2


def test_nobody_waits_for_a_search_for_garbage(file: Path) -> None:
    with open_log(file) as log:
        with log.writing():
            assert not gc.isenabled()
        assert gc.isenabled()
        with pytest.raises(LookupError), log.writing():
            raise LookupError
        assert gc.isenabled()


def test_settling_empties_the_write_ahead_file_into_the_database(file: Path) -> None:
    with open_log(file) as log:
        for _ in range(50):
            log.append([EVENT], "gate 1")
        before = file.read_bytes()
        log.settle()
        assert file.read_bytes() != before
        alone = file.with_name("copied.sqlite")
        alone.write_bytes(file.read_bytes())  # without the write-ahead file
        with open_log(alone) as copied:
            assert len(list(copied.events())) == 50
            assert verify(copied) == ()
