"""Alerts at each flag, on a real log: pictures as they are logged, answers as they are given."""

from dataclasses import replace
from pathlib import Path

import pytest
from logged_panels import crack, make_result

from elinspect.operations.alert_card import put_card
from elinspect.operations.alert_watch import AlertWatch
from elinspect.operations.alerts import WINDOW, alerts, rules_for
from elinspect.operations.context import import_context
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.log_pages import LogPages
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import Log
from elinspect.store.lanes import HIGH_SCORE, UsualFlags

PANELS = 40


@pytest.fixture
def plant(log: Log, tmp_path: Path) -> Log:
    """String 1 of every panel comes from lane A / 1, turned in every second panel; string 2 from lane A / 2."""
    lines = ["panel_serial,string,stringer,lane,turned"]
    for number in range(PANELS):
        lines += [f"p{number},1,A,1,{'true' if number % 2 else 'false'}", f"p{number},2,A,2,false"]
    (tmp_path / "context.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    import_context(log, tmp_path / "context.csv")
    return log


def _place(number: int) -> int:
    """Position in the panel of the third cell from the leading end."""
    return 8 if number % 2 else 3


def _log(log: Log, number: int, *, score: float = 0.9, flagged: bool = True) -> str:
    flags = (replace(crack("m1", 1, _place(number)), score=score),) if flagged else ()
    return log_inspection(log, make_result(f"p{number}", flags=flags), "EL 1")


def test_the_machines_sure_flags_raise_an_alert_once_as_pictures_come_in(plant: Log, tmp_path: Path) -> None:
    watch = AlertWatch(plant)
    for number in range(20):
        _log(plant, number, flagged=False)
    raised = [watch.after(_log(plant, number)) for number in range(20, 32)]
    first = next(index for index, found in enumerate(raised) if found)
    assert 1 <= first <= 8
    alert = next(alert for alert in raised[first] if alert.position)
    assert alert.position == 3
    assert (alert.stringer, alert.lane, alert.flagged, alert.strings) == ("A", "1", first + 1, WINDOW)
    assert alert.serials[0] == f"p{20 + first}"
    # The same strings raise it no second time; a lane that goes on is told as a lane, once.
    assert sum(alert.position == 3 for found in raised[first + 1 :] for alert in found) <= 1
    path = put_card(alert, tmp_path / "cards")
    assert path.read_bytes().startswith(b"%PDF")
    assert path.parent == tmp_path / "cards"


def test_flags_the_machine_is_not_sure_of_wait_for_the_inspector(plant: Log) -> None:
    pages = LogPages(plant, "gate 1")
    watch = AlertWatch(plant)
    desk = ReviewDesk(plant, "gate 1", "Ada", Role.INSPECTOR, default_criteria(), flag_stands=pages.flag_stands)
    for number in range(20):
        _log(plant, number, flagged=False)
    unsure = [_log(plant, number, score=HIGH_SCORE - 0.1) for number in range(20, 28)]
    assert not any(watch.after(inspection) for inspection in unsure)
    counts = []
    for inspection in unsure:
        desk.answer(desk.open(inspection), Verdict("m1", Answer.CONFIRMED))
        counts.append(pages.news)
    assert counts[0] == 0
    assert counts[-1] >= 1


def test_an_answer_stands_though_looking_at_its_lane_fails(plant: Log, caplog: pytest.LogCaptureFixture) -> None:
    def fails(inspection: str) -> None:
        raise ValueError(f"a fault of ours at {inspection}")

    inspection = _log(plant, 1)
    desk = ReviewDesk(plant, "gate 1", "Ada", Role.INSPECTOR, default_criteria(), flag_stands=fails)
    after = desk.answer(desk.open(inspection), Verdict("m1", Answer.CONFIRMED))
    assert desk.open(inspection).version == after.version
    assert desk.missing(after, Disposition.REWORK) == ()
    assert "a fault of ours" in caplog.text


def test_dismissed_flags_raise_nothing(plant: Log) -> None:
    watch = AlertWatch(plant)
    desk = ReviewDesk(plant, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    for number in range(20):
        _log(plant, number, flagged=False)
    for number in range(20, 32):
        inspection = _log(plant, number)
        desk.answer(desk.open(inspection), Verdict("m1", Answer.DISMISSED))
        assert watch.after(inspection) == ()


def test_where_cells_crack_anyway_more_repeats_are_needed() -> None:
    even = UsualFlags(dict.fromkeys(range(1, 11), 100), ((950, 100_000),))
    ends = UsualFlags({**dict.fromkeys(range(1, 11), 20), 1: 400, 10: 420}, ((950, 100_000),))
    assert rules_for(ends, 10).repeat.least > rules_for(even, 10).repeat.least
    assert rules_for(ends, 10).repeat.false_alarms <= 20
    crowded = rules_for(UsualFlags({1: 90}, ((95, 1000),)), 10)
    assert 0 < crowded.cusum.base_rate < crowded.cusum.bad_rate < 1


def test_a_plant_s_first_day_with_several_flags_in_every_string_can_be_watched(plant: Log) -> None:
    for number in range(PANELS):
        places = [(string, at) for string in (1, 2) for at in range(1, 11) if (at + number + string) % 3 == 0]
        flags = tuple(crack(f"m{string}-{at}", string, at) for string, at in places)
        log_inspection(plant, make_result(f"p{number}", flags=flags), "EL 1")
    # A third of all cells, more flags than strings, at every place alike: no place stands out.
    assert not [alert for alert in alerts(plant) if alert.position]


def test_days_that_differ_widen_the_rules_within_bounds() -> None:
    positions = dict.fromkeys(range(1, 11), 560)
    alike = rules_for(UsualFlags(positions, ((200, 20_000),) * 28), 10)
    apart = rules_for(UsualFlags(positions, ((150, 20_000), (250, 20_000)) * 14), 10)
    wild = rules_for(UsualFlags(positions, ((10, 20_000), (390, 20_000)) * 14), 10)
    assert alike.cusum.limit < apart.cusum.limit < wild.cusum.limit < 4 * alike.cusum.limit
    assert alike.cusum.base_rate == apart.cusum.base_rate
    assert alike.repeat.least <= apart.repeat.least
