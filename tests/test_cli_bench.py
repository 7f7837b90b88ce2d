"""The command by which the bench logs its work, as a person runs it."""

from dataclasses import replace
from pathlib import Path

import pytest
from logged_panels import crack, make_result, recipe_for
from sqlalchemy import select
from typer.testing import CliRunner, Result

from elinspect.cli import app
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection, next_attempt
from elinspect.operations.people import Administrator, give_pin
from elinspect.operations.versions import log_recipe
from elinspect.recipe import default_criteria
from elinspect.records import AddressScheme, Answer, Disposition, Numbering, Purpose, Stage
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import open_log
from elinspect.store.people import name_of
from elinspect.store.schema import reworks


def _run(*arguments: object, typed: str = "") -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments], input=typed)


def _said(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A log in which panel 000123 was sent to rework for a crack in A-2."""
    place = tmp_path / "log.sqlite"
    recipe = replace(recipe_for(), addresses=AddressScheme(strings=Numbering.LETTERS))
    with open_log(place) as log:
        log_recipe(log, recipe, "gate 1")
        desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
        result = make_result(flags=[crack("m1", 1, 2)], criteria=default_criteria().label)
        review = desk.open(log_inspection(log, result, "gate 1"))
        desk.decide(desk.answer(review, Verdict("m1", Answer.CONFIRMED)), Disposition.REWORK)
    return place


def _logged(place: Path) -> list[tuple[str, int, int, str, str, float | None, str | None]]:
    with open_log(place) as log, log.reading() as connection:
        table = reworks.c
        chosen = (table.work, table.string, table.position, table.new_string_id, table.fate, table.minutes)
        rows = connection.execute(select(*chosen, table.person).order_by(table.event_id, table.number)).all()
        return [(*row[:-1], name_of(connection, row.person)) for row in rows]


def test_the_bench_logs_its_work_in_the_plant_s_addresses(place: Path) -> None:
    done = _run(
        *("bench", "000123", "--by", "Bo", "--log", place, "--minutes", 12, "--removed", "scrapped"),
        *("--did", "cell_replaced:a-2", "--did", "string_replaced:C", "--new-string", "C=S-77", "--did", "cleaned"),
    )
    assert done.exit_code == 0, done.output
    assert "A-2: cell replaced C: string replaced 000123: cleaned" in _said(done)
    assert _logged(place) == [
        ("cell_replaced", 1, 2, "", "scrapped", 12.0, "Bo"),
        ("string_replaced", 3, 0, "S-77", "scrapped", 12.0, "Bo"),
        ("cleaned", 0, 0, "", "", 12.0, "Bo"),
    ]
    with open_log(place) as log:
        assert next_attempt(log, "000123", Stage.BEFORE_LAMINATION, Purpose.PRODUCTION) == 2


def test_what_the_ticket_plans_is_logged_as_done(place: Path) -> None:
    done = _run("bench", "000123", "--by", "Bo", "--as-planned", "--log", place)
    assert done.exit_code == 0, done.output
    assert [row[:3] for row in _logged(place)] == [("cell_replaced", 1, 2)]


@pytest.mark.parametrize(
    ("given", "code", "said"),
    [
        (["000123", "--did", "cell_replaced:A-11"], 1, "'A-11' is no string and no cell of this panel (6x10)"),
        (["000123", "--did", "cell_replaced:C"], 1, "needs its place"),
        (["000123", "--did", "glued:A-2"], 1, "'glued' is no work at the bench"),
        (["000123", "--did", "cleaned", "--new-string", "C=S-77"], 1, "No string was replaced at C"),
        (["000124", "--did", "cleaned"], 1, "does not know the panel 000124"),
        (["000124", "--as-planned"], 1, "does not know the panel 000124"),
        (["000123"], 2, "give either --did or --as-planned"),
        (["000123", "--did", "cleaned", "--as-planned"], 2, "give either --did or --as-planned"),
        (["000123", "--did", "cleaned", "--removed", "eaten"], 2, "one of scrapped, reused, kept"),
        (["000123", "--did", "cleaned", "--new-string", "C"], 2, "PLACE=ID"),
    ],
)
def test_what_cannot_be_is_refused_in_words_and_logs_nothing(
    place: Path, given: list[str], code: int, said: str
) -> None:
    done = _run("bench", *given, "--by", "Bo", "--log", place)
    assert done.exit_code == code
    assert said in _said(done).replace("│ ", "")
    assert _logged(place) == []


def test_where_people_have_pins_nobody_logs_work_under_a_name_alone(place: Path) -> None:
    with open_log(place) as log:
        give_pin(log, "Ada", Role.ADMINISTRATOR, "4711x")
        give_pin(log, "Bo", Role.TECHNICIAN, "1234x", Administrator("Ada", "4711x"))
        give_pin(log, "Kim", Role.AUDITOR, "5678x", Administrator("Ada", "4711x"))
    command = ("bench", "000123", "--did", "cleaned", "--log", place)
    for name, pin, said in (
        ("Bo", "wrong", "Name and PIN do not belong together"),
        ("Kim", "5678x", "auditors and people without a sign-in only read"),
        ("Eve", "1234x", "Name and PIN do not belong together"),
    ):
        refused = _run(*command, "--by", name, typed=f"{pin}\n")
        assert (refused.exit_code, said in _said(refused)) == (1, True), refused.output
    assert _logged(place) == []
    assert _run(*command, "--by", "Bo", typed="1234x\n").exit_code == 0
    assert [row[-1] for row in _logged(place)] == ["Bo"]
