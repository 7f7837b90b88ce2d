"""Answers in the log become a new version of the model; what must not teach is left out."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from logged_panels import crack, make_result

from elinspect.classifier import load_model, read_card, shipped_model
from elinspect.classifier.scoring import FINDING_EVIDENCE, pack
from elinspect.errors import ElinspectError, SettingsFileError
from elinspect.operations.adapting import adapt, answered_flags, told
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.site_models import installed
from elinspect.operations.versions import log_model
from elinspect.operations.working_points import read_costs, set_working_point, working_points
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Kind, Purpose
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


def logged(log: Log, n: int, seed: int = 0, purpose: Purpose = Purpose.PRODUCTION) -> None:
    """Log panels with three cracks each; the inspector confirms those whose last feature is high."""
    log_model(log, load_model(shipped_model()), "gate 1")
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
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
            answer = Answer.CONFIRMED if row[-1] + 0.3 * rng.normal() > 0 else Answer.DISMISSED
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
    assert "too few answers" in " ".join(message.text for message in told(done))


def test_flags_closed_with_their_panel_teach_nothing(log: Log) -> None:
    log_model(log, load_model(shipped_model()), "gate 1")
    row = pack(np.zeros(len(FINDING_EVIDENCE) + FEATURES))
    below = replace(crack("m1", 1, 1, limit=None), evidence=row)
    result = make_result("closed", flags=[below])
    result = replace(result, versions=replace(result.versions, model=CARD.label))
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    from elinspect.records import Disposition

    desk.decide(desk.open(log_inspection(log, result, "gate 1")), Disposition.REWORK, "a reason")
    desk.close()
    assert list(answered_flags(log, CARD)) == []


def test_working_points_by_the_plant_s_costs(taught: Log, tmp_path: Path) -> None:
    sheet = tmp_path / "costs.toml"
    sheet.write_text(COSTS)
    points = working_points(taught, tmp_path, read_costs(sheet), Kind.CRACK)
    assert points.flags == 270
    zero = points.points[0]
    assert (zero.threshold, zero.escaped) == (0.0, 0)
    costs = read_costs(sheet).flag_costs()
    # 0.6 x 90 + 0.3 x 130 + 0.1 x 400; 12 x 0.8 + 3 + 0.02 x 90; 4 s of 0.8 a minute.
    assert (costs.escape, costs.false_rework, costs.answer) == pytest.approx((133.0, 14.4, 0.8 * 4 / 60))
    assert zero.cost == pytest.approx(270 * costs.answer + 0.05 * 14.4 * zero.kept_false)
    chart = tmp_path / "chart.png"
    write_cost_chart(chart, points.points, points.in_force, points.cheapest, "cost")
    assert chart.read_bytes().startswith(b"\x89PNG")
    card = read_card(set_working_point(tmp_path, Kind.CRACK, 0.25))
    assert card.doubtful_below == {**CARD.doubtful_below, Kind.CRACK: 0.25}
    with pytest.raises(ElinspectError, match="dark cell: the model"):
        set_working_point(tmp_path, Kind.DARK_CELL, 0.25)


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
