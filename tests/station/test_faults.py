"""Everything that can go wrong with the camera's folder: each gives words, loses nothing, inspects nothing twice."""

import os
import shutil
import sqlite3
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import select
from station_camera import Camera

from elinspect.catalogue import Message
from elinspect.criteria import default_criteria
from elinspect.errors import LogError
from elinspect.imaging.capture import CameraSet, Capture
from elinspect.operations.alert_watch import AlertWatch
from elinspect.operations.desk import ReviewDesk
from elinspect.records import ExposureRole, PanelResult
from elinspect.review.gate import Role
from elinspect.station import panel_work
from elinspect.station.journal import Journal
from elinspect.station.panel_work import Came, Outcome
from elinspect.station.running import Station, Step, run
from elinspect.store import Log
from elinspect.store.schema import inspections

FULL, LOW = ExposureRole.FULL_CURRENT, ExposureRole.LOW_CURRENT


def test_panels_are_inspected_once_and_not_again_after_a_restart(camera: Camera) -> None:
    for number in (1, 2, 3):
        camera.takes(f"00{number}.png", seed=number)
    steps = camera.look()
    assert [step.outcome.came for step in steps] == [Came.INSPECTED] * 3
    assert sorted(camera.logged()) == ["001", "002", "003"]
    camera.start()
    assert camera.look(3) == []
    assert len(camera.worker.asked) == 3


def test_a_lost_journal_costs_time_but_no_double_inspection(camera: Camera) -> None:
    camera.takes("001.png")
    camera.look()
    (camera.place / "journal").unlink()
    camera.start()
    assert [step.outcome.came for step in camera.look()] == [Came.INSPECTED]
    assert camera.logged() == ["001"]


def test_a_half_written_file_is_listed_and_inspected_when_it_is_finished(camera: Camera) -> None:
    whole = camera.takes("001.png").read_bytes()
    (camera.folder / "001.png").write_bytes(whole[: len(whole) // 2])
    (step,) = camera.look()
    assert step.outcome.came is Came.REFUSED
    assert "001.png" in camera.unread()
    assert camera.logged() == []
    (camera.folder / "001.png").write_bytes(whole)
    (step,) = camera.look()
    assert step.outcome.came is Came.INSPECTED
    assert camera.unread() == {}
    assert camera.logged() == ["001"]


def test_a_file_replaced_while_it_is_read_is_inspected_again(camera: Camera) -> None:
    camera.takes("001.png", seed=1)

    def replaced() -> None:
        camera.during.clear()
        camera.takes("001.png", seed=2)

    camera.during.append(replaced)
    camera.look(4)
    assert camera.logged() == ["001", "001"]
    with camera.log.reading() as connection:
        rows = connection.execute(select(inspections.c.superseded).order_by(inspections.c.event_id)).scalars().all()
    assert list(rows) == [True, False]  # the later picture is the one that counts


def test_a_file_deleted_while_it_is_read_stays_what_was_read(camera: Camera) -> None:
    path = camera.takes("001.png")
    camera.during.append(path.unlink)
    (step,) = camera.look()
    assert step.outcome.came is Came.INSPECTED
    assert camera.look() == []
    assert camera.unread() == {}


def test_a_file_deleted_before_it_is_read_is_listed_no_longer_than_it_is_there(camera: Camera) -> None:
    path = camera.takes("001.png")
    list(camera.station.look())
    camera.now += 1.1
    asked = camera.worker.inspect

    def gone_first(folder: Path, names: tuple[str, ...]) -> Outcome:
        path.unlink(missing_ok=True)
        return asked(folder, names)

    camera.worker.inspect = gone_first  # type: ignore[method-assign]
    (step,) = camera.station.look()
    assert step.outcome.came is Came.REFUSED
    camera.look()
    assert camera.unread() == {}


def test_an_empty_file_a_huge_sparse_one_and_a_link_are_listed_with_their_reasons(camera: Camera) -> None:
    (camera.folder / "empty.png").write_bytes(b"")
    with (camera.folder / "huge.png").open("wb") as stream:
        stream.truncate(4 * 2**30)
    outside = camera.place / "outside.png"
    shutil.copy(camera.place / "painted.png", outside)
    (camera.folder / "link.png").symlink_to(outside)
    camera.look()
    unread = camera.unread()
    assert set(unread) == {"empty.png", "huge.png", "link.png"}
    assert "out of the folder" in unread["link.png"]
    assert camera.logged() == []
    for name in unread:
        (camera.folder / name).unlink()
    camera.look()
    assert camera.unread() == {}


def test_permission_lost_is_said_and_when_it_is_back_the_panel_is_inspected(camera: Camera, monkeypatch) -> None:
    path = camera.takes("001.png")
    opened = Path.open

    def refused(self: Path, *arguments: object, **options: object) -> object:
        if self.name == "001.png":
            raise PermissionError(13, "Permission denied")
        return opened(self, *arguments, **options)  # type: ignore[call-overload]

    with monkeypatch.context() as patched:
        patched.setattr(Path, "open", refused)
        (step,) = camera.look()
    assert step.outcome.came is Came.REFUSED
    assert "001.png" in camera.unread()
    path.chmod(0o640)  # what giving the permission back does to a file
    assert [step.outcome.came for step in camera.look()] == [Came.INSPECTED]
    assert camera.unread() == {}


def test_a_folder_that_is_lost_and_comes_back_loses_no_panel(camera: Camera) -> None:
    camera.takes("001.png")
    away = camera.place / "away"
    camera.folder.rename(away)
    (step,) = camera.look()
    assert "cannot be looked into" in step.outcome.reason.text  # type: ignore[union-attr]
    (said,) = camera.unread().values()  # the inspector sees it too, not only who started the station
    assert said == step.outcome.reason.text  # type: ignore[union-attr]
    away.rename(camera.folder)
    assert [step.outcome.came for step in camera.look()] == [Came.INSPECTED]
    assert camera.unread() == {}


def test_while_a_file_of_settings_is_broken_panels_wait_and_the_inspector_sees_why(camera: Camera) -> None:
    camera.takes("001.png")
    inspect = camera.worker.inspect
    broken = Message("station.no_folder", {"file": "station.toml", "folder": "in"})
    camera.worker.inspect = lambda *_: Outcome(Came.LATER, reason=broken)  # type: ignore[method-assign]
    (step,) = camera.look()
    assert step.outcome.came is Came.LATER
    assert camera.unread() == {"001.png": broken.text}
    camera.worker.inspect = inspect  # type: ignore[method-assign]
    camera.now += 5
    assert [step.outcome.came for step in camera.look()] == [Came.INSPECTED]
    assert camera.unread() == {}


def test_a_log_that_is_really_locked_makes_panels_wait(camera: Camera, monkeypatch: pytest.MonkeyPatch) -> None:
    camera.takes("001.png")
    monkeypatch.setattr("elinspect.store.connection.WAIT_S", 0.05)
    with sqlite3.connect(camera.place / "log.sqlite") as other:
        other.execute("BEGIN IMMEDIATE")
        (step,) = camera.look()
        other.rollback()
    other.close()
    assert step.outcome.came is Came.LATER
    assert "another program has been writing to it for too long" in step.outcome.reason.text  # type: ignore[union-attr]
    camera.now += 5
    camera.look()
    assert camera.logged() == ["001"]


def test_a_log_with_no_room_left_makes_panels_wait(camera: Camera) -> None:
    """Room is taken away by SQLite's own bound; `tests/long/disk_full.py` does it with a disk."""
    serials = [f"{number:03d}" for number in range(20)]
    for number, serial in enumerate(serials):
        camera.takes(f"{serial}.png", seed=number)

    def room(pages: int) -> None:
        with camera.log._engine.connect() as connection:
            connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")

    room(1)  # SQLite takes it for the size the log has already: a few panels still fit into its pages
    *inspected, last = camera.look()
    assert {step.outcome.came for step in inspected} <= {Came.INSPECTED}
    assert (last.outcome.came, len(inspected) < 20) == (Came.LATER, True)
    assert "is full. Nothing was logged." in last.outcome.reason.text  # type: ignore[union-attr]
    assert len(camera.logged()) == len(inspected)
    room(2**30)
    camera.now += 5
    camera.look()
    assert sorted(camera.logged()) == serials  # type: ignore[type-var]
    assert camera.unread() == {}


def test_a_link_among_the_companions_is_not_followed(camera: Camera) -> None:
    """The companion is found by its name beside the picture, not in the folder's list."""
    capture = Capture("gate", files="{serial}_{exposure}", exposures={FULL: "full", LOW: "low"})
    camera.worker.bench = replace(camera.worker.bench, cameras=CameraSet(capture))
    camera.takes("001_full.png")
    (camera.folder / "001_low.png").symlink_to(camera.place / "painted.png")
    camera.look()
    assert "out of the folder" in camera.unread()["001_full.png"]
    assert camera.logged() == []


def test_a_wall_clock_that_jumps_back_changes_nothing(camera: Camera, monkeypatch: pytest.MonkeyPatch) -> None:
    camera.takes("001.png", seed=1)
    camera.look()
    later = camera.takes("002.png", seed=2)
    os.utime(later, (1.0, 1.0))  # written, by the camera's clock, in 1970
    monkeypatch.setattr("elinspect.store.log.now", lambda: "1970-01-01T00:00:09.000+00:00")  # and logged then, too
    assert [step.key for step in camera.look()] == ["002.png"]
    assert camera.logged() == ["001", "002"]
    desk = ReviewDesk(camera.log, "desk", "Ada", Role.INSPECTOR, default_criteria())
    assert [panel.serial for panel in desk.queue()] == ["001", "002"]


@pytest.mark.parametrize("code", ["log.locked", "log.disk_full"])
def test_while_the_log_cannot_be_written_panels_wait(camera: Camera, monkeypatch, code: str) -> None:
    camera.takes("001.png", seed=1)
    camera.takes("002.png", seed=2)

    def refused(*_arguments: object) -> str:
        raise LogError(code, file="log.sqlite")

    with monkeypatch.context() as patched:
        patched.setattr(panel_work, "log_inspection", refused)
        (step,) = camera.look()
    assert step.outcome.came is Came.LATER
    assert "Nothing was logged" in step.outcome.reason.text  # type: ignore[union-attr]
    assert camera.look(2) == []  # it is not tried again at once
    camera.now += 5
    camera.look()
    assert sorted(camera.logged()) == ["001", "002"]
    assert camera.unread() == {}


def test_a_panel_that_alone_cannot_be_logged_does_not_stop_the_line(camera: Camera, monkeypatch) -> None:
    camera.takes("001.png", seed=1)
    os.utime(camera.folder / "001.png", (1.0, 1.0))  # the first in turn
    camera.takes("002.png", seed=2)
    logged = panel_work.log_inspection

    def refused(log: Log, result: PanelResult, station: str) -> str:
        if result.serial == "001":
            raise LogError("log.failed", file="log.sqlite", cause="odd")
        return logged(log, result, station)

    with monkeypatch.context() as patched:
        patched.setattr(panel_work, "log_inspection", refused)
        camera.look()
        assert camera.logged() == []
        for _ in range(3):
            camera.now += 5
            camera.look()
    assert camera.logged() == ["002"]
    assert "cannot be used: odd" in camera.unread()["001.png"]
    camera.now += 5
    camera.look()
    assert camera.logged() == ["002", "001"]
    assert camera.unread() == {}


def test_a_fault_of_ours_in_the_alerts_is_told_and_the_panel_stays_logged(camera: Camera, monkeypatch) -> None:
    def fails(self: AlertWatch, inspection: str) -> None:
        raise ValueError("no such rate")

    monkeypatch.setattr(AlertWatch, "after", fails)
    camera.takes("001.png", seed=1)
    (step,) = camera.look()
    assert (step.outcome.came, camera.logged(), camera.unread()) == (Came.INSPECTED, ["001"], {})
    assert [message.code for message in step.outcome.alerts] == ["alert.failed"]


def test_a_name_that_is_no_text_is_told_and_stops_nothing(camera: Camera) -> None:
    """A file system takes any bytes for a name; Python gives those that are no UTF-8 as lone surrogates."""
    camera.takes("001.png", seed=1)
    (camera.folder / "001.png").rename(camera.folder / os.fsdecode(b"odd\xff.png"))
    camera.takes("002.png", seed=2)
    camera.look()
    assert sorted(map(str, camera.logged())) == ["002"]
    assert camera.unread() == {
        "odd\ufffd.png": "The name of odd\ufffd.png holds bytes that are no text. Have the camera give it another name."
    }


def test_a_picture_the_memory_is_too_small_for_is_listed_and_the_next_inspected(camera: Camera) -> None:
    camera.takes("001.png", seed=1)
    os.utime(camera.folder / "001.png", (1.0, 1.0))
    camera.takes("002.png", seed=2)

    def too_large() -> None:
        camera.during.clear()
        raise MemoryError

    camera.during.append(too_large)
    assert [step.outcome.came for step in camera.look()] == [Came.REFUSED, Came.INSPECTED]
    assert list(camera.unread()) == ["001.png"]


def test_reasons_are_known_in_words() -> None:
    assert "broke off twice" in Message("station.worker_lost", {"file": "a.png"}).text


@pytest.mark.parametrize("polling", [False, True])
def test_a_running_station_finds_what_comes_until_it_is_told_to_stop(camera: Camera, polling: bool) -> None:
    camera.use(settle_s=0.2, polling=polling)
    camera.station = Station(camera.settings, camera.log, camera.worker, Journal(camera.place / "journal"))  # type: ignore[arg-type]
    camera.takes("before.png", seed=1)
    stop, came = threading.Event(), []

    def said(step: Step) -> None:
        came.append(step.key)
        if len(came) == 1:
            camera.takes("during.png", seed=2)
        else:
            stop.set()

    run(camera.station, camera.settings, stop, said)
    assert came == ["before.png", "during.png"]
