"""Commands about the log and the people in it, as a person runs them."""

from datetime import date
from hashlib import sha256
from pathlib import Path
from unittest import mock

import pytest
from logged_panels import make_result
from typer.testing import CliRunner, Result

import elinspect.operations.retention
from elinspect.cli import app
from elinspect.errors import LogError
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.people import sign_in
from elinspect.recipe import default_criteria
from elinspect.records import Disposition, ImageFacts
from elinspect.review.gate import Role
from elinspect.store import open_log


def _run(*arguments: object, typed: str = "") -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments], input=typed)


def _said(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.mark.parametrize("command", ["list", "pin", "badge", "forget"])
def test_every_command_about_people_explains_itself(command: str) -> None:
    done = _run("people", command, "--help")
    assert done.exit_code == 0
    assert "Usage" in done.output


@pytest.mark.parametrize(
    "command",
    [["log", "verify"], ["log", "rebuild"], ["log", "backup", "copy"], ["people", "list"], ["pareto"]],
    ids=" ".join,
)
def test_a_mistyped_name_makes_no_empty_log(tmp_path: Path, command: list[str]) -> None:
    place = tmp_path / "typo.sqlite"
    done = _run(*command, "--log", place)
    assert done.exit_code == 1
    assert "There is no log at" in _said(done)
    assert list(tmp_path.iterdir()) == []


def test_verify_says_what_it_could_not_check(tmp_path: Path) -> None:
    place = tmp_path / "log.sqlite"
    open_log(place).close()
    assert "holds no records yet" in _said(_run("log", "verify", "--log", place))
    with open_log(place) as log:
        log_inspection(log, make_result(), "gate 1")
    assert "Checked against itself only" in _said(_run("log", "verify", "--log", place))
    _run("log", "backup", tmp_path / "copy.sqlite", "--log", place)
    anchored = _run("log", "verify", "--log", place, "--anchor", tmp_path / "copy.sqlite.anchor.json")
    assert anchored.exit_code == 0
    assert "Checked against itself only" not in _said(anchored)


def test_pins_are_given_by_an_administrator_and_never_shown(tmp_path: Path) -> None:
    place = ["--log", tmp_path / "log.sqlite"]
    refused = _run("people", "pin", "Ada", "--role", "inspector", *place, typed="4711\n4711\n")
    assert refused.exit_code == 1
    assert "The first PIN must be an administrator's" in _said(refused)
    first = _run("people", "pin", "Edith", "--role", "administrator", *place, typed="secret1\nsecret1\n")
    assert (first.exit_code, "secret1" in first.output) == (0, False)
    by = ["--by", "Edith", *place]
    given = _run("people", "pin", "Ada", "--role", "quality_engineer", *by, typed="secret1\n4711\n4711\n")
    assert "Ada now signs in with this PIN, as quality engineer." in _said(given)
    assert _run("people", "badge", "Ada", *by, typed="secret1\nbadge-0001\n").exit_code == 0
    wrong = _run("people", "forget", "Ada", *by, typed="guess\n")
    assert (wrong.exit_code, "do not belong together" in _said(wrong)) == (1, True)
    listed = _said(_run("people", "list", *place))
    assert "Ada" in listed
    assert "quality engineer" in listed
    with open_log(tmp_path / "log.sqlite") as log:
        sign_in(log, "gate 1", "Ada", Role.QUALITY_ENGINEER, "4711")
        with pytest.raises(LogError, match="do not belong together"):
            sign_in(log, "gate 1", "Ada", Role.QUALITY_ENGINEER, "4712")
    assert _run("people", "forget", "Ada", *by, typed="secret1\n").exit_code == 0
    assert "Ada" not in _run("people", "list", *place).output


def test_old_pictures_go_only_when_asked_and_what_stays_is_named(tmp_path: Path) -> None:
    place = tmp_path / "log.sqlite"
    with open_log(place) as log:
        desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
        for serial in ("1", "2"):
            path = tmp_path / f"{serial}.png"
            path.write_bytes(serial.encode())
            image = ImageFacts(str(path), sha256(serial.encode()).hexdigest())
            inspection = log_inspection(log, make_result(serial, image=image), "gate 1")
            if serial == "1":
                desk.decide(desk.open(inspection), Disposition.REWORK)
    command = ("log", "remove-pictures", "--older-than", 30, "--log", place)
    with mock.patch.object(elinspect.operations.retention, "date", _InTwoMonths):
        assert _run(*command, typed="n\n").exit_code == 1
        assert (tmp_path / "1.png").exists()
        done = _said(_run(*command, typed="y\n"))
    assert not (tmp_path / "1.png").exists()
    assert (tmp_path / "2.png").exists()
    assert "1 picture file removed" in done
    assert "2.png stays: the panel is not decided yet." in done


class _InTwoMonths(date):
    @classmethod
    def today(cls) -> "_InTwoMonths":
        return cls.fromordinal(date.today().toordinal() + 60)
