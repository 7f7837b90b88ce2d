"""Second readings: drawn at random before anybody reads, read by somebody else, and what they say about the machine."""

import json
from pathlib import Path

import pytest
from filled_log import dump
from logged_panels import crack, make_result, recipe_for
from typer.testing import CliRunner

from elinspect.cli import app
from elinspect.errors import LogError
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.people import sign_in
from elinspect.operations.people_figures import flagged_of_audited
from elinspect.operations.people_words import recall_words
from elinspect.operations.reports import ReportOf, period_report
from elinspect.operations.second_readings import (
    SeenCell,
    ask_second_readings,
    log_second_reading,
    machine_recall,
    readings_waiting,
)
from elinspect.operations.simulating import simulate_into_log
from elinspect.operations.versions import log_recipe
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, Kind, Purpose
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import Log, open_log
from elinspect.store.production import Period
from elinspect.store.rebuild import rebuild
from elinspect.store.verify import verify
from elinspect.synthetic.plant_records import RecordPlant

PRODUCTION = Purpose.PRODUCTION
GATE = Period("production", "before_lamination")
SEEN = SeenCell(2, 3, Kind.CRACK)


@pytest.fixture
def read_log(log: Log) -> Log:
    """Panels 1 to 4 accepted without a flag by Ada, panel 5 with a confirmed crack."""
    log_recipe(log, recipe_for(), "engineering")
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    for serial in "1234":
        desk.decide(desk.open(log_inspection(log, make_result(serial), "gate 1")), Disposition.ACCEPT)
    bad = desk.open(log_inspection(log, make_result("5", [crack("m1", 1, 1)]), "gate 1"))
    desk.decide(desk.answer(bad, Verdict("m1", Answer.CONFIRMED)), Disposition.REWORK)
    return log


def _asked(log: Log, n: int, seed: int = 1) -> int:
    engineer = sign_in(log, "quality", "Grace", Role.QUALITY_ENGINEER)
    return ask_second_readings(log, "quality", engineer, n, PRODUCTION, seed=seed)


def test_what_passed_is_drawn_once_and_read_by_somebody_else(read_log: Log) -> None:
    assert _asked(read_log, 3) == 3
    assert _asked(read_log, 3, seed=2) == 1  # the fourth; the fifth had a flag
    with pytest.raises(LogError, match="no panel to draw"):
        _asked(read_log, 3)
    waiting = readings_waiting(read_log)
    assert sorted(panel.serial for panel in waiting) == ["1", "2", "3", "4"]
    ada = sign_in(read_log, "quality", "Ada", Role.INSPECTOR)
    assert readings_waiting(read_log, ada) == ()
    with pytest.raises(LogError, match="decided this panel yourself"):
        log_second_reading(read_log, "quality", ada, waiting[0], [])
    linus = sign_in(read_log, "quality", "Linus", Role.TECHNICIAN)
    with pytest.raises(LogError, match="Sign in as inspector"):
        log_second_reading(read_log, "quality", linus, waiting[0], [])
    edsger = sign_in(read_log, "quality", "Edsger", Role.INSPECTOR)
    with pytest.raises(LogError, match="outside the panel"):
        log_second_reading(read_log, "quality", edsger, waiting[0], [SeenCell(7, 1, Kind.CRACK)])
    log_second_reading(read_log, "quality", edsger, waiting[0], [SEEN])
    with pytest.raises(LogError, match="was read already"):
        log_second_reading(read_log, "quality", edsger, waiting[0], [])
    assert len(readings_waiting(read_log)) == 3
    assert verify(read_log) == ()
    before = dump(read_log)
    rebuild(read_log)
    assert dump(read_log) == before


def test_only_quality_and_auditors_ask(read_log: Log) -> None:
    ada = sign_in(read_log, "quality", "Ada", Role.INSPECTOR)
    with pytest.raises(LogError, match="Sign in as quality engineer"):
        ask_second_readings(read_log, "quality", ada, 2, PRODUCTION)


def test_recall_counts_what_nobody_saw(read_log: Log) -> None:
    assert machine_recall(read_log, GATE) is None
    assert "second-readings ask" in recall_words(None)
    _asked(read_log, 4)
    assert machine_recall(read_log, GATE) is None  # asked, not read
    edsger = sign_in(read_log, "quality", "Edsger", Role.INSPECTOR)
    for number, panel in enumerate(readings_waiting(read_log)):
        log_second_reading(read_log, "quality", edsger, panel, [SEEN] if number == 0 else [])
    found = machine_recall(read_log, GATE)
    assert found is not None
    # One cell found; one seen in four panels that passed, so 1.25 in five panels.
    assert (found.found, found.added, found.missed) == (1, 0, 1.25)
    assert found.value == pytest.approx(1 / 2.25)
    assert found.low < found.value < found.high
    assert "1 cells were seen" in recall_words(found)
    assert machine_recall(read_log, Period("audit", "before_lamination")) is None


def test_the_commands_ask_list_read_and_audit(tmp_path: Path) -> None:
    place = tmp_path / "log.sqlite"
    with open_log(place) as log:
        log_recipe(log, recipe_for(), "engineering")
        desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
        desk.decide(desk.open(log_inspection(log, make_result("0017"), "gate 1")), Disposition.ACCEPT)

    def run(*given: str) -> tuple[int, str]:
        made = CliRunner().invoke(app, [*given, "--log", str(place)])
        return made.exit_code, " ".join(made.output.split())

    asked = ("second-readings", "ask", "--by", "Grace")
    assert run(*asked)[1].startswith("1 panels drawn")
    assert run("second-readings", "list")[1].startswith("0017 ")
    code, said = run("second-readings", "read", "0017", "--by", "Ada", "--nothing")
    assert (code, "yourself" in said) == (1, True)
    assert run("second-readings", "read", "0017", "--by", "Edsger")[0] == 2
    assert run("second-readings", "read", "0017", "--by", "Edsger", "--cell", "2:crack")[0] == 2
    code, said = run("second-readings", "read", "0017", "--by", "Edsger", "--cell", "2-3:crack")
    assert (code, said) == (0, "Second reading of 0017 logged: 1 cells.")
    assert run("second-readings", "read", "0017", "--by", "Edsger", "--nothing")[0] == 2
    assert "No panel waits" in run("second-readings", "list")[1]
    assert "differs" in run("audit", "0017", "rework", "--by", "Barbara")[1]
    assert "agrees" in run("audit", "0017", "accept", "--by", "Barbara")[1]


def test_a_simulated_plant_is_read_again_and_tells_its_recall(tmp_path: Path) -> None:
    plant = RecordPlant(
        panels_per_day=60, missed=0.1, seen_by_reader=1.0, rates={Kind.CRACK: 0.01}, read_again=60, later_seen=0.0
    )
    with open_log(tmp_path / "log.sqlite") as log:
        simulate_into_log(log, plant, 14, 6, tmp_path / "truth.json")
        found = machine_recall(log, Period("demo", "before_lamination"))
        audited = flagged_of_audited(log, Period("demo", "before_lamination"))
        report = period_report(log, ReportOf.WEEK, Purpose.DEMO)
        assert verify(log) == ()
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert found is not None
    assert found.read == 120
    assert found.low <= truth["flagged_by_machine"] / truth["defects_at_gate"] <= found.high
    assert truth["flagged_by_machine"] / truth["defects_at_gate"] == pytest.approx(0.9, abs=0.03)
    assert 0.7 < audited[0] / audited[1] < 1
    assert any("Second readings" in getattr(part, "text", "") for part in report.paper.parts)


def test_a_plant_that_flags_every_panel_has_none_to_read_again(tmp_path: Path) -> None:
    plant = RecordPlant(panels_per_day=2, rates={Kind.CRACK: 0.5}, read_again=5)
    with open_log(tmp_path / "log.sqlite") as log:
        assert simulate_into_log(log, plant, 2, 1) == 4
        assert readings_waiting(log) == ()
        assert machine_recall(log, Period("demo", "before_lamination")) is None
