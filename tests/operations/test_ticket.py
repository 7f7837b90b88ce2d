"""Tickets from the log: what stands is on them, what was dismissed is not, and what is missing is said."""

from pathlib import Path

import pytest
from pypdf import PdfReader
from results import flag, result
from typer.testing import CliRunner

from elinspect.catalogue import Message
from elinspect.cli import app
from elinspect.criteria import default_criteria
from elinspect.errors import LogError
from elinspect.geometry import PanelMatch
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.ticket import ticket_of
from elinspect.operations.versions import log_criteria, log_recipe
from elinspect.records import Answer, Disposition, Flag, Kind, PanelResult, Recheck, ReworkAction, Versions
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store.log import Log, open_log
from elinspect.synthetic.products import product_recipe
from elinspect.triage.recheck import with_recheck

RECIPE = product_recipe("mono_6x10")


def _crack(flag_id: str, position: int) -> Flag:
    message = Message("flag.crack", {"kind": "crack", "address": f"A-{position}", "mode": "B"})
    return flag(flag_id, Kind.CRACK, position=position, message=message)


def _inspected(*flags: Flag, recipe: str = RECIPE.label) -> PanelResult:
    criteria = default_criteria().label
    return result(*flags, layout="6x10", versions=Versions("0.1.0", recipe, criteria))


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "log.sqlite"


def _logged(log: Log, inspected: PanelResult) -> str:
    log_recipe(log, RECIPE, "gate")
    log_criteria(log, default_criteria(), "gate")
    return log_inspection(log, inspected, "gate")


def test_the_bench_gets_what_stands(place: Path, tmp_path: Path) -> None:
    with open_log(str(place)) as log:
        inspection = _logged(log, _inspected(_crack("m1", 2), _crack("m2", 5)))
        desk = ReviewDesk(log, "gate", "Ada", Role.INSPECTOR, default_criteria())
        assert "Not decided yet" in ticket_of(log, inspection).decided
        review = desk.answer(desk.open(inspection), Verdict("m1", Answer.CONFIRMED))
        review = desk.answer(review, Verdict("m2", Answer.DISMISSED))
        desk.decide(review, Disposition.REWORK)
        ticket = ticket_of(log, inspection)
        assert [(step.action, step.string, step.position) for step in ticket.plan.steps] == [
            (ReworkAction.REPLACE_CELL, 1, 2)
        ]
        assert ticket.decided.startswith("Rework decided by Ada at")
        assert ticket.counts is None
    options = ["000123", "--log", str(place), "--out", str(tmp_path / "out"), "--paper", "label"]
    done = CliRunner().invoke(app, ["ticket", *options])
    assert done.exit_code == 0, done.output
    (pdf,) = (tmp_path / "out").glob("*.pdf")
    assert "Replace cell A-2: crack." in PdfReader(pdf).pages[0].extract_text().replace("\n", " ")
    assert len(list((tmp_path / "out").glob("*.png"))) == 1


def test_a_picture_of_another_panel_marks_nothing_and_says_hold(place: Path) -> None:
    strange = Recheck(1, (), (), (), PanelMatch.NOT_THIS_PANEL, (Message("rematch.not_this_panel"),))
    with open_log(str(place)) as log:
        ticket = ticket_of(log, _logged(log, with_recheck(_inspected(_crack("m1", 2)), strange)))
    assert ticket.flags == ()
    assert [step.action for step in ticket.plan.steps] == [ReworkAction.HOLD]


def test_what_is_missing_is_said(place: Path) -> None:
    with open_log(str(place)) as log:
        good = _logged(log, _inspected())
        with pytest.raises(LogError, match="needs no rework"):
            ticket_of(log, good)
        other = log_inspection(log, result(_crack("m1", 2), serial="77", layout="6x10"), "gate")
        with pytest.raises(LogError, match="does not have the recipe"):
            ticket_of(log, other)
    runner = CliRunner()
    unknown = runner.invoke(app, ["ticket", "nobody", "--log", str(place)])
    assert unknown.exit_code == 1
    assert "no inspection of the panel nobody" in unknown.output
    assert runner.invoke(app, ["ticket", "--log", str(place)]).exit_code == 2
    assert runner.invoke(app, ["ticket", "x", "--paper", "a7", "--log", str(place)]).exit_code == 2
