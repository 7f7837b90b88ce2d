"""Answers in the log become a new version of the model; what must not teach is left out."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from logged_panels import crack, make_result

from elinspect.classifier import load_model, read_card, shipped_model
from elinspect.classifier.scoring import FINDING_EVIDENCE, pack
from elinspect.errors import ElinspectError, SettingsFileError
from elinspect.operations.adapting import _left_out, adapt, answered_flags, told
from elinspect.operations.bench import BenchWork, WorkDone, log_rework_done
from elinspect.operations.bench_figures import BenchFigures, bench_figures
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.site_models import installed
from elinspect.operations.versions import log_model
from elinspect.operations.working_points import read_costs, set_working_point, told_costs, working_points
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, Kind, Purpose
from elinspect.reports.working_point_chart import write_cost_chart
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import Log

CARD = read_card(shipped_model())
FEATURES = 118
COSTS = """
schema = "elinspect.flag-costs/1"
currency = "credits"
answer_seconds = 4.0
[rework]
minutes = 12.0
minute_cost = 0.8
material = 3.0
new_crack = 0.02
falsely = 0.05
[escapes]
after_lamination_share = 0.6
after_lamination_cost = 90.0
final_share = 0.3
final_cost = 130.0
customer_share = 0.1
customer_cost = 400.0
"""


def logged(
    log: Log,
    n: int,
    seed: int = 0,
    purpose: Purpose = Purpose.PRODUCTION,
    inspector: str = "Ada",
    honest: bool = True,
) -> None:
    """Log panels with three cracks each; an honest inspector confirms those whose last feature is high."""
    log_model(log, load_model(shipped_model()), "gate 1")
    desk = ReviewDesk(log, "gate 1", inspector, Role.INSPECTOR, default_criteria())
    rng = np.random.default_rng(seed)
    for number in range(n):
        rows = rng.normal(0, 1, (3, len(FINDING_EVIDENCE) + FEATURES))
        flags = [
            replace(crack(f"m{i}", 1, i), evidence=pack(row), probability=0.5) for i, row in enumerate(rows, start=1)
        ]
        result = make_result(f"{purpose.value}-{seed}-{number}", flags=flags)
        result = replace(result, purpose=purpose, versions=replace(result.versions, model=CARD.label))
        review = desk.open(log_inspection(log, result, "gate 1"))
        for flag, row in zip(flags, rows, strict=True):
            there = row[-1] + 0.3 * rng.normal() > 0
            answer = Answer.CONFIRMED if there and honest else Answer.DISMISSED
            review = desk.answer(review, Verdict(flag.id, answer))
    desk.close()


@pytest.fixture
def taught(log: Log) -> Log:
    logged(log, 90)
    return log


def test_a_better_head_is_installed_and_the_old_one_kept(taught: Log, tmp_path: Path) -> None:
    done = adapt(taught, tmp_path)
    assert done.answers == 270
    assert done.card is not None
    new = read_card(done.card)
    assert new.version == f"{CARD.version}+site.1"
    assert new.finding_heads != CARD.finding_heads
    assert new.sha256 == CARD.sha256
    assert [each.in_force for each in installed(tmp_path)] == [False, True]
    texts = [message.text for message in told(done)]
    assert any("better on" in text for text in texts)
    # What it knows now gains nothing from the same answers again.
    again = adapt(taught, tmp_path)
    assert again.card is None
    assert "Nothing was installed" in [message.text for message in told(again)][-1]


def test_only_production_answers_to_this_network_s_flags_teach(log: Log, tmp_path: Path) -> None:
    logged(log, 4, 1, Purpose.AUDIT)
    logged(log, 4, 2, Purpose.DEMO)
    logged(log, 2, 3)
    assert len(list(answered_flags(log, CARD))) == 6
    assert list(answered_flags(log, replace(CARD, sha256="1" * 64))) == []
    done = adapt(log, tmp_path)
    assert done.card is None
    texts = [message.text for message in told(done)]
    assert "too few answers" in " ".join(texts)
    # Three flags of four panels each.
    assert "Left out: 24 answered flags of panels that were no production" in texts[1]
    other = replace(CARD, sha256="1" * 64)
    assert [(note.code, note.values["n"]) for note in _left_out(log, other)] == [
        ("adapt.left_elsewhere", 24), ("adapt.left_network", 6)
    ]  # fmt: skip


def test_flags_closed_with_their_panel_teach_nothing(log: Log) -> None:
    log_model(log, load_model(shipped_model()), "gate 1")
    row = pack(np.zeros(len(FINDING_EVIDENCE) + FEATURES))
    below = replace(crack("m1", 1, 1, limit=None), evidence=row)
    result = make_result("closed", flags=[below])
    result = replace(result, versions=replace(result.versions, model=CARD.label))
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    desk.decide(desk.open(log_inspection(log, result, "gate 1")), Disposition.ACCEPT)
    desk.close()
    assert list(answered_flags(log, CARD)) == []
    assert [(note.code, note.values["n"]) for note in _left_out(log, CARD)] == [("adapt.left_closed", 1)]


def test_working_points_by_the_plant_s_costs(taught: Log, tmp_path: Path) -> None:
    sheet = tmp_path / "costs.toml"
    sheet.write_text(COSTS)
    points = working_points(taught, tmp_path, read_costs(sheet), Kind.CRACK)
    assert points.flags == 270
    zero = points.points[0]
    assert (zero.threshold, zero.escaped) == (0.0, 0)
    costs = read_costs(sheet).flag_costs(BenchFigures(0, None, 0))
    assert points.costs == costs
    # 0.6 x 90 + 0.3 x 130 + 0.1 x 400; 12 x 0.8 + 3 + 0.02 x 90; 4 s of 0.8 a minute.
    assert (costs.escape, costs.false_rework, costs.answer) == pytest.approx((133.0, 14.4, 0.8 * 4 / 60))
    assert zero.cost == pytest.approx(270 * costs.answer + 0.05 * 14.4 * zero.kept_false)
    last = points.points[-1]
    assert last.escapes == pytest.approx(133.0 * last.escaped)
    assert last.looking == pytest.approx((last.kept_true + last.kept_false) * costs.answer)
    chart = tmp_path / "chart.png"
    write_cost_chart(chart, points.points, points.in_force, points.cheapest, "cost")
    assert chart.read_bytes().startswith(b"\x89PNG")
    card = read_card(set_working_point(tmp_path, Kind.CRACK, 0.25))
    assert card.doubtful_below == {**CARD.doubtful_below, Kind.CRACK: 0.25}
    with pytest.raises(ElinspectError, match="dark cell: the model"):
        set_working_point(tmp_path, Kind.DARK_CELL, 0.25)


def test_the_cost_sheet_shown_to_people_is_one(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "models" / "README.md").read_text(encoding="utf-8")
    sheet = tmp_path / "costs.toml"
    sheet.write_text(page.split("```toml\n")[1].split("```")[0])
    assert read_costs(sheet).escapes.mean == pytest.approx(133)


def test_bench_time_and_new_cracks_come_from_the_log_where_the_sheet_has_none(tmp_path: Path) -> None:
    sheet = tmp_path / "costs.toml"
    sheet.write_text(COSTS.replace("minutes = 12.0\n", "").replace("new_crack = 0.02\n", ""))
    costs = read_costs(sheet)
    # 25 x 0.8 + 3 + 4 in 40 x 90.
    assert costs.flag_costs(BenchFigures(40, 25.0, 4)).false_rework == pytest.approx(20 + 3 + 9)
    with pytest.raises(ElinspectError, match=r"leaves out rework\.minutes, and the log has 29 reworks where 30"):
        costs.flag_costs(BenchFigures(29, 25.0, 4))
    with pytest.raises(ElinspectError, match=r"rework\.minutes"):
        costs.flag_costs(BenchFigures(40, None, 4))


def test_an_inspector_who_dismisses_everything_makes_no_working_point(taught: Log, tmp_path: Path) -> None:
    sheet = tmp_path / "costs.toml"
    sheet.write_text(COSTS)
    before = working_points(taught, tmp_path, read_costs(sheet), Kind.CRACK)
    logged(taught, 20, 7, inspector="Cy", honest=False)
    after = working_points(taught, tmp_path, read_costs(sheet), Kind.CRACK)
    assert after.points == before.points
    assert [note.text for note in after.notes] == [
        "Answers of Cy were left out: 100 % of 60 flags dismissed, unlike the others."
    ]
    told_of = " ".join(message.text for message in told_costs(after))
    assert (
        "A look costs 0.05 credits, a false rework 14.40 (5 % of the false flags lead to one), an escape 133.00"
        in told_of
    )
    assert "The log knows of no rework" in told_of
    taught_again = adapt(taught, tmp_path)
    assert any("Answers of Cy" in message.text for message in told(taught_again))


def test_a_new_version_says_what_else_is_other_in_it(taught: Log, tmp_path: Path) -> None:
    done = adapt(taught, tmp_path)
    assert done.card is not None
    limit = read_card(done.card).doubtful_below[Kind.CRACK]
    texts = [message.text for message in done.changes]
    assert (limit != CARD.doubtful_below[Kind.CRACK]) == any("crack: flags below" in text for text in texts)
    assert any("of cells defective, as confirmed here (before: 29 %)" in text for text in texts)


def test_what_the_bench_took_and_broke(log: Log) -> None:
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())

    def looked_at(attempt: int, *cracked: int) -> None:
        flags = [crack(f"m{attempt}{position}", 1, position) for position in cracked]
        result = replace(make_result("P1", flags=flags, picture=f"P1-{attempt}"), attempt=attempt)
        review = desk.open(log_inspection(log, result, "gate 1"))
        for flag in flags:
            review = desk.answer(review, Verdict(flag.id, Answer.CONFIRMED))
        desk.decide(review, Disposition.REWORK, "cracked")

    looked_at(1, 3, 4)
    assert bench_figures(log) == BenchFigures(0, None, 0)
    replaced = [WorkDone(BenchWork.CELL_REPLACED, 1, 3), WorkDone(BenchWork.CELL_REPLACED, 1, 5)]
    log_rework_done(log, "bench", "Bo", "P1", replaced, minutes=20.0)
    log_rework_done(log, "bench", "Bo", "P1", [WorkDone(BenchWork.NOTHING_DONE)], minutes=90.0)
    # Cell 4 was cracked before; cell 7 was whole, and cell 3 is another one now.
    looked_at(2, 3, 4, 7)
    assert bench_figures(log) == BenchFigures(1, 20.0, 2)
    log_rework_done(log, "bench", "Bo", "P1", [WorkDone(BenchWork.CELL_REPLACED, 1, 7)], minutes=10.0)
    found = bench_figures(log)
    assert found == BenchFigures(2, 15.0, 2)
    assert found.new_crack == 1.0
    desk.close()


def test_wrong_cost_sheets_name_their_key(tmp_path: Path) -> None:
    sheet = tmp_path / "costs.toml"
    for old, new, text in (
        ("falsely = 0.05", "falsely = 2", "rework.falsely"),
        ("final_share = 0.3", "final_share = 0.5", "sum to 1"),
        ("minutes = 12.0", "minuets = 12.0", "minuets|minutes"),
        ('currency = "credits"', "currency = ", "not a TOML|TOML"),
    ):
        sheet.write_text(COSTS.replace(old, new))
        with pytest.raises(SettingsFileError, match=text):
            read_costs(sheet)
    with pytest.raises(SettingsFileError, match=r"missing\.toml"):
        read_costs(tmp_path / "missing.toml")


def test_too_few_answers_give_no_working_point(log: Log, tmp_path: Path) -> None:
    sheet = tmp_path / "costs.toml"
    sheet.write_text(COSTS)
    with pytest.raises(ElinspectError, match="at least 50"):
        working_points(log, tmp_path, read_costs(sheet), Kind.CRACK)
