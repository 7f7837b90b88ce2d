"""Other criteria over the log: what changes side, by the inspectors' answers, and what the flash tester says."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from results import flag, result
from typer.testing import CliRunner

from elinspect.catalogue import Message
from elinspect.cli import app
from elinspect.criteria import AcceptanceCriteria, KindCriteria, Limit, ReworkRules, StepCost, default_criteria
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.flash_comparison import compare_flash
from elinspect.operations.flash_results import import_flash_results
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.versions import log_criteria, log_recipe
from elinspect.operations.what_if import what_if
from elinspect.records import (
    Answer,
    Disposition,
    Flag,
    ImageFacts,
    ImageQuality,
    Kind,
    PanelResult,
    Proposal,
    ReworkAction,
    Versions,
)
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store.log import Log, open_log
from elinspect.synthetic.products import product_recipe

RECIPE = product_recipe("mono_6x10")
COSTS = ReworkRules(costs={ReworkAction.REPLACE_CELL: StepCost(7.0), ReworkAction.SWAP_STRING: StepCost(15.0)})


def _looser(kind: Kind, **conditions: object) -> AcceptanceCriteria:
    criteria = default_criteria()
    limit = Limit("looser", "contract", **conditions)  # type: ignore[arg-type]
    kinds = {**criteria.kinds, kind: KindCriteria(limits=(limit,))}
    return replace(criteria, version="other", kinds=kinds, rework=COSTS)


def _area(flag_id: str, position: int, share: float) -> Flag:
    message = Message("flag.area", {"kind": "inactive_area", "address": f"A-{position}", "percent": 100 * share})
    limit = "inactive_area.share" if share > 0.054 else None
    return flag(
        flag_id, Kind.INACTIVE_AREA, position=position, area_fraction=share, limit=limit, mode=None, message=message
    )


def _crack(flag_id: str, position: int) -> Flag:
    message = Message("flag.plain", {"kind": "crack", "address": f"A-{position}"})
    return flag(flag_id, Kind.CRACK, position=position, length_mm=12.0, message=message)


def _panel(serial: str, *flags: Flag, **changes: object) -> PanelResult:
    above = any(item.limit for item in flags)
    return result(
        *flags,
        serial=serial,
        layout="6x10",
        image=ImageFacts(f"{serial}.png", serial[:1] * 64, 1000, 700, 12),
        versions=Versions("0.1.0", RECIPE.label, default_criteria().label),
        proposal=Proposal(Disposition.REWORK if above else Disposition.ACCEPT, (Message("proposal.no_flags"),)),
        **changes,
    )


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "log.sqlite"


@pytest.fixture
def log(place: Path) -> Iterator[Log]:
    with open_log(str(place)) as opened:
        log_recipe(opened, RECIPE, "gate")
        log_criteria(opened, default_criteria(), "gate")
        yield opened


def test_panels_cells_minutes_and_watts_change_side(log: Log) -> None:
    for panel in (
        _panel("a1"),
        _panel("b2", _area("m1", 2, 0.07)),
        _panel("c3", _area("m1", 2, 0.07), _area("m2", 5, 0.3)),
        _panel("d4", _crack("m1", 3)),
    ):
        log_inspection(log, panel, "gate")
    found = what_if(log, _looser(Kind.INACTIVE_AREA, min_area_fraction=0.1))
    accept, rework = Disposition.ACCEPT, Disposition.REWORK
    assert found.moves == {(accept, accept): 1, (rework, accept): 1, (rework, rework): 2}
    assert [panel.serial for panel in found.newly_accepted] == ["b2"]
    assert found.no_longer_accepted == ()
    assert (found.cells_freed, found.cells_caught) == (2, 0)
    # b2 one cell, c3 two, d4 one, 7 min each; then c3 one and d4 one.
    assert (found.rework_minutes(after=False), found.rework_minutes(after=True)) == (28.0, 14.0)
    assert found.shipped_watts(after=False) == 0.0
    assert 0.1 < found.shipped_watts(after=True) < 3.0
    assert found.newly_accepted[0].loss_w == pytest.approx(found.shipped_watts(after=True))


def test_stricter_criteria_catch_more_and_hold_a_worse_picture(log: Log) -> None:
    log_inspection(log, _panel("a1", _area("m1", 2, 0.03)), "gate")
    log_inspection(log, _panel("b2", quality=ImageQuality(True, 8.0, 1.2, 0.0, 0.5)), "gate")
    log_inspection(log, _panel("c3", quality=ImageQuality(True, 80.0, 1.2, 0.0, 0.5, grey_steps=25.0)), "gate")
    stricter = _looser(Kind.INACTIVE_AREA, min_area_fraction=0.02)
    stricter = replace(stricter, quality=replace(stricter.quality, min_signal_to_noise=10.0, min_grey_steps=30.0))
    found = what_if(log, stricter)
    dispositions = {panel.serial: panel.after.disposition for panel in found.panels}
    assert dispositions == {"a1": Disposition.REWORK, "b2": Disposition.HOLD, "c3": Disposition.HOLD}
    assert len(found.no_longer_accepted) == 3
    assert found.cells_caught == 1


def test_dismissed_flags_do_not_count_and_added_ones_do(log: Log) -> None:
    dismissed = log_inspection(log, _panel("a1", _crack("m1", 3)), "gate")
    added = log_inspection(log, _panel("b2"), "gate")
    desk = ReviewDesk(log, "gate", "Ada", Role.INSPECTOR, default_criteria())
    desk.answer(desk.open(dismissed), Verdict("m1", Answer.DISMISSED))
    desk.add(desk.open(added), _crack("", 4))
    desk.close()
    found = what_if(log, default_criteria())
    assert [panel.before.disposition for panel in found.panels] == [Disposition.ACCEPT, Disposition.REWORK]
    assert not any(panel.changes_side for panel in found.panels)
    assert found.rework_minutes(after=True) is None, "nobody gave minutes"


def test_what_the_log_does_not_have_is_counted(log: Log) -> None:
    log_inspection(log, replace(_panel("a1"), versions=Versions("0.1.0", "lost 1", "lost 1")), "gate")
    found = what_if(log, default_criteria())
    assert (found.panels, found.not_replayed) == ((), 1)


def _laminated(log: Log, loss_by_serial: dict[str, float]) -> None:
    desk = ReviewDesk(log, "gate", "Quin", Role.QUALITY_ENGINEER, default_criteria())
    for serial, share in loss_by_serial.items():
        flags = (_area("m1", 2, share),) if share else ()
        inspection = log_inspection(log, _panel(serial, *flags), "gate")
        review = desk.open(inspection)
        if share:
            review = desk.answer(review, Verdict("m1", Answer.CONFIRMED))
        desk.decide(review, Disposition.CONCESSION if share else Disposition.ACCEPT, "agreed with the customer")
    desk.close()


def test_flash_results_are_compared_with_what_was_predicted(log: Log, place: Path, tmp_path: Path) -> None:
    shares = {**dict.fromkeys("abcdef", 0.0), **dict.fromkeys("ghij", 0.12)}
    _laminated(log, shares)
    predicted = next(p.loss_w for p in what_if(log, default_criteria()).panels if p.serial == "g")
    assert predicted is not None
    lines = ["panel_serial,measured_at,power_w,tester"]
    for number, (serial, share) in enumerate(shares.items()):
        power = 320.0 + (0.4 if number % 2 else -0.4) - (predicted if share else 0.0)
        lines.append(f"{serial},2031-03-02T09:{number:02d}:00+01:00,{power:.3f},flash 1")
    lines.append("z,2031-03-02T09:59:00+01:00,100.0,flash 1")
    table = tmp_path / "flash.csv"
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    import_flash_results(log, table)
    ((product, found),) = compare_flash(log)
    assert product == RECIPE.label
    (group,) = found.groups
    assert group.group == (RECIPE.label, "", "flash 1", "early")
    assert (group.without, group.with_loss) == (6, 4)
    assert group.measured_w == pytest.approx(predicted, abs=0.01)
    assert found.range_w == (pytest.approx(predicted), pytest.approx(predicted))
    assert not found.differs
    options = ["--criteria", str(_file(tmp_path)), "--log", str(place)]
    done = CliRunner().invoke(app, ["what-if", *options])
    assert done.exit_code == 0, done.output
    assert "10 inspections judged again under 'other 1'" in done.output
    assert "smallest detectable difference" in done.output.lower()
    assert "which were laminated" in " ".join(done.output.split())


def _file(folder: Path) -> Path:
    path = folder / "other.toml"
    path.write_text(
        "name = 'other'\nversion = '1'\n[kinds.inactive_area]\n"
        "limits = [{ name = 'share', origin = 'contract', min_area_fraction = 0.2 }]\n",
        encoding="utf-8",
    )
    return path


def test_a_wrong_criteria_file_judges_nothing(place: Path, log: Log, tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["what-if", "--criteria", str(tmp_path / "none.toml"), "--log", str(place)])
    assert done.exit_code == 1
    assert "does not exist" in done.output
