"""Locks: database time, fencing numbers, one station at a time."""

import time

import pytest

from elinspect.errors import LogError
from elinspect.store import Log
from elinspect.store.locks import Lock, database_time, holds, release, renew, take


def _take(log: Log, station: str, lasting_s: float = 300.0) -> Lock:
    with log.writing() as connection:
        return take(connection, "panel:1", station, lasting_s)


def _holds(log: Log, lock: Lock, station: str) -> bool:
    with log.reading() as connection:
        return holds(connection, "panel:1", lock, station)


def test_another_station_waits_until_the_lock_expires(log: Log) -> None:
    first = _take(log, "gate 1", 0.3)
    with pytest.raises(LogError, match="Station gate 1 is working on this panel"):
        _take(log, "gate 2")
    time.sleep(0.35)
    # Nobody took it yet, so the first may still go on: the number, not the clock, decides.
    assert _holds(log, first, "gate 1")
    second = _take(log, "gate 2")
    assert second.fence > first.fence
    assert not _holds(log, first, "gate 1")
    assert _holds(log, second, "gate 2")


def test_a_renewed_lock_lasts_longer(log: Log) -> None:
    lock = _take(log, "gate 1", 0.3)
    with log.writing() as connection:
        renew(connection, lock)
    time.sleep(0.35)
    with pytest.raises(LogError, match="is working on this panel"):
        _take(log, "gate 2")


def test_a_lock_given_back_is_free_and_no_longer_held(log: Log) -> None:
    lock = _take(log, "gate 1")
    with log.writing() as connection:
        release(connection, lock)
    assert not _holds(log, lock, "gate 1")
    assert _take(log, "gate 2").fence == lock.fence + 1


def test_a_lost_lock_cannot_be_renewed_or_given_back(log: Log) -> None:
    old = _take(log, "gate 1")
    new = _take(log, "gate 1")
    with log.writing() as connection:
        release(connection, old)
        renew(connection, old)
    assert _holds(log, new, "gate 1")


def test_a_lock_is_for_one_panel_and_one_station(log: Log) -> None:
    lock = _take(log, "gate 1")
    assert not _holds(log, lock, "gate 2")
    with log.reading() as connection:
        assert not holds(connection, "panel:2", lock, "gate 1")
        assert not holds(connection, "panel:1", None, "gate 1")


def test_the_time_is_the_database_s(log: Log) -> None:
    with log.reading() as connection:
        assert database_time(connection) == pytest.approx(time.time(), abs=5.0)
