"""Serials that are odd, out of order, or left the gate before: the panel holds, and nothing is harmed."""

import json
from dataclasses import replace

import pytest
from sqlalchemy import select
from station_camera import Camera

from elinspect.criteria import default_criteria
from elinspect.errors import LogError
from elinspect.imaging.capture import CameraSet, Capture
from elinspect.operations.desk import ReviewDesk
from elinspect.records import Disposition, Purpose
from elinspect.review.gate import Role
from elinspect.station.station_file import SerialRule, SerialSource
from elinspect.store.schema import inspections


def _held(camera: Camera, number: int = -1) -> tuple[str | None, Disposition, list[str]]:
    desk = ReviewDesk(camera.log, "desk", "Ada", Role.INSPECTOR, default_criteria())
    review = desk.open(list(desk.queue())[number].inspection)
    with pytest.raises(LogError):
        desk.decide(review, Disposition.ACCEPT)
    desk.close()
    reasons = [reason.code for reason in review.result.proposal.reasons]
    return review.result.serial, review.result.proposal.disposition, reasons


def test_a_serial_that_had_left_the_gate_holds(camera: Camera) -> None:
    camera.takes("001.png", seed=1)
    camera.look()
    desk = ReviewDesk(camera.log, "desk", "Ada", Role.INSPECTOR, default_criteria())
    with camera.log.reading() as connection:
        row = connection.execute(select(inspections)).one()
    with camera.log.writing() as connection:  # accepted at another time; the recipe is not logged in this test
        connection.execute(inspections.update().values(decision="accept", decided_at=row.seen_at))
    desk.close()
    camera.takes("001.png", seed=2)
    camera.look()
    assert camera.logged() == ["001", "001"]
    desk = ReviewDesk(camera.log, "desk", "Ada", Role.INSPECTOR, default_criteria())
    waiting = next(panel for panel in desk.queue() if panel.decision is None)
    review = desk.open(waiting.inspection)
    assert review.result.proposal.disposition is Disposition.HOLD
    assert "already decided: accept" in review.result.proposal.reasons[0].text
    assert desk.missing(review, Disposition.ACCEPT) != ()


def test_serials_that_count_up_hold_when_they_go_back(camera: Camera) -> None:
    camera.use(serial=SerialRule(counts_up=True))
    camera.takes("0124.png", seed=1)
    camera.look()
    camera.takes("0123.png", seed=2)
    camera.look()
    serial, disposition, reasons = _held(camera)
    assert (serial, disposition, reasons[0]) == ("0123", Disposition.HOLD, "station.serial_order")


@pytest.mark.parametrize(
    ("serial", "logged"),
    [
        ("../../../etc/passwd", "../../../etc/passwd"),
        ("'; DROP TABLE events; --", "'; DROP TABLE events; --"),
        ('x" onload="y', 'x" onload="y'),
        ("panel 🔥", "panel 🔥"),
        ("9" * 300, None),
        ("12\n34\x00", None),
    ],
)
def test_odd_serials_go_through_camera_log_and_window_unharmed(camera: Camera, serial: str, logged: str | None) -> None:
    camera.use(serial=SerialRule(sources=(SerialSource.SIDE_FILE,)))
    camera.worker.bench = replace(camera.worker.bench, cameras=CameraSet(Capture("gate", side_file="{serial}.json")))
    before = {path for path in camera.place.rglob("*") if "log.sqlite" not in path.name}
    camera.takes("a.png")
    (camera.folder / "a.json").write_text(json.dumps({"serial": serial}))
    camera.look(3)
    assert camera.logged() == [logged]
    desk = ReviewDesk(camera.log, "desk", "Ada", Role.INSPECTOR, default_criteria())
    review = desk.open(desk.queue()[0].inspection)
    desk.close()
    assert review.result.serial == logged
    if logged is None:
        assert review.result.proposal.reasons[0].code == "station.serial_form"
    after = {path for path in camera.place.rglob("*") if "log.sqlite" not in path.name}
    assert {path.name for path in after - before} == {"a.png", "a.json", "journal"}


def test_a_name_that_is_no_serial_of_the_plant_holds_without_a_serial(camera: Camera) -> None:
    camera.use(serial=SerialRule(sources=(SerialSource.FILE_NAME,), pattern=r"\d{12}"))
    camera.takes("IMG 🔥 'or' 1=1.png")
    camera.look()
    serial, disposition, reasons = _held(camera)
    assert (serial, disposition, reasons[0]) == (None, Disposition.HOLD, "station.serial_form")


def test_rehearsals_hold_no_serial_and_release_nothing(camera: Camera) -> None:
    camera.use(purpose=Purpose.REHEARSAL, serial=SerialRule(counts_up=True))
    camera.takes("2.png", seed=1)
    camera.look()
    camera.takes("1.png", seed=2)
    camera.look()
    with camera.log.reading() as connection:
        rows = connection.execute(select(inspections.c.purpose, inspections.c.usable)).all()
    assert [tuple(row) for row in rows] == [("rehearsal", True)] * 2
