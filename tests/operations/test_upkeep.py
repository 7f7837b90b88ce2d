"""Versions in force, messages to the line, and the retention of pictures."""

import hashlib
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from logged_panels import exposure_set, make_result, recipe_for
from sqlalchemy import select

from elinspect.errors import LogError
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.retention import remove_old_pictures
from elinspect.operations.versions import log_criteria, log_recipe
from elinspect.recipe import CellFormat, default_criteria
from elinspect.records import Disposition, ImageFacts, Layout
from elinspect.review.gate import Role
from elinspect.review.session import Review
from elinspect.store import Log
from elinspect.store.events import EventKind
from elinspect.store.outbox import mark_received, mark_sent, unreceived
from elinspect.store.schema import inspections, removed_pictures
from elinspect.store.verify import verify

_RECIPE = recipe_for()


def _desk(log: Log) -> ReviewDesk:
    return ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())


def _accepted(log: Log, serial: str = "000123") -> tuple[ReviewDesk, Review]:
    desk = _desk(log)
    return desk, desk.decide(desk.open(log_inspection(log, make_result(serial), "gate 1")), Disposition.ACCEPT)


def _kinds(log: Log) -> list[EventKind]:
    return [event.kind for event in log.events()]


def test_a_version_is_logged_with_its_content_the_first_time(log: Log) -> None:
    for _ in range(2):
        log_recipe(log, _RECIPE, "gate 1")
        log_criteria(log, default_criteria(), "gate 1")
    assert _kinds(log) == [EventKind.VERSION_CHANGE] * 2
    recipe, criteria = [event.data for event in log.events()]
    assert (recipe["what"], recipe["label"], recipe["layout"]) == ("recipe", "sunfield 60 3", "6x10")
    assert '"along_mm":156.0' in recipe["content"]
    assert '"min_area_fraction":0.05' in criteria["content"]


def test_another_content_under_the_same_version_is_refused(log: Log) -> None:
    log_recipe(log, _RECIPE, "gate 1")
    with pytest.raises(LogError, match="The recipe 'sunfield 60 3' was logged before with another content"):
        log_recipe(log, replace(_RECIPE, cell=CellFormat(158.0, 158.0)), "gate 1")
    log_recipe(log, replace(_RECIPE, version="4", cell=CellFormat(158.0, 158.0)), "gate 1")


@pytest.mark.parametrize("known", ["another layout", "no recipe"])
def test_a_panel_in_another_layout_than_its_recipe_s_is_not_released(log: Log, known: str) -> None:
    layout = Layout.parse("6x12")
    if known == "another layout":
        log_recipe(log, replace(recipe_for(layout), layout=Layout.parse("6x10")), "gate 1")
    desk = _desk(log)
    review = desk.open(log_inspection(log, make_result(layout=layout), "gate 1"))
    assert desk.missing(review, Disposition.ACCEPT) == (
        "The layout in the image is not the one in the recipe, so the panel cannot be released.",
    )


def test_a_release_waits_for_the_line_until_it_was_received(log: Log) -> None:
    _accepted(log)
    (message,) = unreceived(log)
    assert '"serial": "000123"' in message.text
    assert mark_sent(log, message.decision)
    assert unreceived(log) == (message,)  # sent, but perhaps lost on the way: it goes out again
    assert mark_sent(log, message.decision)
    mark_received(log, message.decision)
    assert unreceived(log) == ()


def test_a_decision_can_be_taken_back_until_its_release_was_sent(log: Log) -> None:
    desk, review = _accepted(log)
    (message,) = unreceived(log)
    review = desk.take_back(review, "wrong panel")
    assert unreceived(log) == ()
    assert mark_sent(log, message.decision) is False  # a sender that already had it in hand does not send it
    review = desk.decide(review, Disposition.ACCEPT)
    (again,) = unreceived(log)
    assert again.decision != message.decision
    mark_sent(log, again.decision)
    with pytest.raises(LogError, match="already sent to the line"):
        desk.take_back(review, "too late")


def _photographed(log: Log, folder: Path, serial: str, content: bytes) -> tuple[str, Path]:
    path = folder / f"{serial}.png"
    path.write_bytes(content)
    image = ImageFacts(str(path), hashlib.sha256(content).hexdigest())
    return log_inspection(log, replace(make_result(serial), image=image), "gate 1"), path


def test_old_pictures_go_and_every_fact_stays(log: Log, tmp_path: Path) -> None:
    inspection, path = _photographed(log, tmp_path, "1", b"picture of 1")
    desk = _desk(log)
    desk.decide(desk.open(inspection), Disposition.ACCEPT)
    assert remove_old_pictures(log, 30, "gate 1").removed == 0
    later = date.today() + timedelta(days=31)
    report = remove_old_pictures(log, 30, "gate 1", today=later)
    assert (report.removed, report.freed_bytes, report.kept) == (1, 12, ())
    assert not path.exists()
    assert len(desk.open(inspection).result.cells) == 60
    with log.reading() as connection:
        assert [row.path for row in connection.execute(select(removed_pictures))] == [str(path)]
        assert connection.execute(select(inspections.c.image_sha256)).scalar_one() is not None
    assert verify(log) == ()
    assert remove_old_pictures(log, 30, "gate 1", today=later).kept == ()  # it is not looked for again


def test_tiles_go_together_and_a_dark_exposure_with_the_last_it_serves(log: Log, tmp_path: Path) -> None:
    desk = _desk(log)
    for serial in ("1", "2"):
        image = exposure_set(f"{serial} left", f"{serial} right", dark="dark", folder=f"{tmp_path}/")
        for file in image.files:
            Path(file.path).write_bytes(Path(file.path).stem.encode())
        desk.decide(
            desk.open(log_inspection(log, replace(make_result(serial), image=image), "gate 1")), Disposition.ACCEPT
        )
    later = date.today() + timedelta(days=31)
    changed = tmp_path / "2 right.png"
    changed.write_bytes(b"a later picture under the same name")
    first = remove_old_pictures(log, 30, "gate 1", today=later)
    assert [(kept.path, kept.reason.code) for kept in first.kept] == [(str(changed), "retention.another")]
    assert {path.name for path in tmp_path.glob("*.png")} == {"2 left.png", "2 right.png", "dark.png"}
    changed.write_bytes(b"2 right")
    assert remove_old_pictures(log, 30, "gate 1", today=later).removed == 3
    assert list(tmp_path.glob("*.png")) == []


def test_a_picture_that_an_open_inspection_needs_too_stays(log: Log, tmp_path: Path) -> None:
    desk = _desk(log)
    decided, path = _photographed(log, tmp_path, "1", b"picture of 1")
    desk.decide(desk.open(decided), Disposition.ACCEPT)
    image = ImageFacts(str(path), hashlib.sha256(b"picture of 1").hexdigest())
    mixed_up = log_inspection(log, replace(make_result("2"), image=image), "gate 1")  # held: the same picture
    later = date.today() + timedelta(days=31)
    assert remove_old_pictures(log, 30, "gate 1", today=later).removed == 0
    assert path.exists()
    engineer = ReviewDesk(log, "gate 1", "Edith", Role.QUALITY_ENGINEER, default_criteria())
    engineer.decide(engineer.open(mixed_up), Disposition.SCRAP, "cannot be told apart")
    assert remove_old_pictures(log, 30, "gate 1", today=later).removed == 1
    assert not path.exists()


def test_a_picture_the_system_does_not_remove_stays_and_the_others_go(
    log: Log, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = _desk(log)
    for serial in ("1", "2", "3"):
        inspection, _ = _photographed(log, tmp_path, serial, f"picture of {serial}".encode())
        desk.decide(desk.open(inspection), Disposition.ACCEPT)
    unlink = Path.unlink

    def refuse_the_second(path: Path) -> None:
        if path.name == "2.png":
            raise PermissionError(13, "Permission denied", str(path))
        unlink(path)

    monkeypatch.setattr(Path, "unlink", refuse_the_second)
    report = remove_old_pictures(log, 30, "gate 1", today=date.today() + timedelta(days=31))
    assert report.removed == 2
    assert [(Path(kept.path).name, kept.reason.text) for kept in report.kept] == [
        ("2.png", "the system does not remove it: Permission denied")
    ]
    with log.reading() as connection:
        noted = {Path(row.path).name for row in connection.execute(select(removed_pictures))}
    assert noted == {"1.png", "3.png"}


def test_a_picture_stays_as_long_as_the_log_does_not_have_everything_about_it(log: Log, tmp_path: Path) -> None:
    desk = _desk(log)
    _, undecided = _photographed(log, tmp_path, "1", b"picture of 1")
    replaced_id, replaced = _photographed(log, tmp_path, "2", b"picture of 2")
    gone_id, gone = _photographed(log, tmp_path, "3", b"picture of 3")
    for inspection in (replaced_id, gone_id):
        desk.decide(desk.open(inspection), Disposition.REWORK)
    replaced.write_bytes(b"a later picture under the same name")
    gone.unlink()
    unknown = tmp_path / "never logged.png"
    unknown.write_bytes(b"x")
    report = remove_old_pictures(log, 0, "gate 1", today=date.today() + timedelta(days=2))
    assert report.removed == 0
    assert {(Path(kept.path).name, kept.reason.text) for kept in report.kept} == {
        ("1.png", "the panel is not decided yet"),
        ("2.png", "the file is not the one that was logged"),
        ("3.png", "the file is not there"),
    }
    assert undecided.exists()
    assert replaced.exists()
    assert unknown.exists()
