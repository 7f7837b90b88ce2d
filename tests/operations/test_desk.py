"""The inspector's desk on a real log."""

from dataclasses import replace
from pathlib import Path

import pytest
from logged_panels import crack, make_flag, make_result

import elinspect.operations.desk
from elinspect.catalogue import Message
from elinspect.errors import LogError
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, Flag, Kind, Source
from elinspect.review.gate import Role
from elinspect.review.session import Review, Verdict
from elinspect.store import Log
from elinspect.store.events import EventKind
from elinspect.store.refusals import refuse_file, take_file


def _desk(log: Log, station: str = "gate 1", role: Role = Role.INSPECTOR, name: str = "Ada") -> ReviewDesk:
    return ReviewDesk(log, station, name, role, default_criteria())


def _opened(log: Log, *flags: Flag) -> tuple[ReviewDesk, Review]:
    inspection = log_inspection(log, make_result(flags=flags), "gate 1")
    desk = _desk(log)
    return desk, desk.open(inspection)


def _same(first: Review, second: Review) -> bool:
    def facts(review: Review) -> tuple[object, ...]:
        answers = {name: (v.answer, v.note, v.changed and _flag(v.changed)) for name, v in review.verdicts.items()}
        made = review.decision
        decision = made and (made.disposition, made.inspector, made.decided_at, made.reason)
        return review.version, answers, tuple(map(_flag, review.added)), decision, review.hold

    return facts(first) == facts(second)


def _flag(flag: Flag) -> tuple[object, ...]:
    return tuple(getattr(flag, name) for name in Flag.__slots__)


def test_a_panel_waits_in_the_queue_and_opens_as_it_was_logged(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3), crack("m2", 2, 4, limit=None))
    (waiting,) = desk.queue()
    assert (waiting.inspection, waiting.serial, waiting.proposal) == (review.inspection, "000123", Disposition.REWORK)
    assert (waiting.above_limit, waiting.attempt, waiting.decision) == (1, 1, None)
    logged = make_result(flags=(crack("m1", 1, 3), crack("m2", 2, 4, limit=None)))
    assert [_flag(flag) for flag in review.result.flags] == [_flag(flag) for flag in logged.flags]
    assert review.result.image == logged.image
    assert review.result.quality == logged.quality
    assert len(review.result.cells) == 60
    assert review.verdicts == {}


def test_the_queue_holds_all_that_waits_and_the_last_that_were_decided(
    log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(elinspect.operations.desk, "DECIDED_SHOWN", 2)
    desk = _desk(log)
    ids = {serial: log_inspection(log, make_result(serial), "gate 1") for serial in "abcdefgh"}
    for serial in "hadb":
        desk.decide(desk.open(ids[serial]), Disposition.ACCEPT)
    for serial in "ec":
        desk.decide(desk.open(ids[serial]), Disposition.HOLD, "looks odd")
    assert [panel.serial for panel in desk.queue()] == ["f", "g", "c", "e", "d", "h"]


def test_verdicts_and_added_flags_are_there_when_the_panel_is_opened_again(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3), crack("m2", 2, 4))
    review = desk.answer(review, Verdict("m1", Answer.DISMISSED, note="scratch on the glass"))
    shorter = replace(crack("m2", 2, 5), length_mm=3.0, kind=Kind.FINGER_INTERRUPTION, mode=None)
    review = desk.answer(review, Verdict("m2", Answer.CHANGED, shorter))
    review = desk.add(review, make_flag("", Kind.CHIPPED_CELL, 4, 1, None, source=Source.INSPECTOR))
    assert review.verdicts["m2"].changed is not None
    assert review.verdicts["m2"].changed.limit is None
    assert [flag.id for flag in review.added] == ["a1"]
    assert _same(review, desk.open(review.inspection))


def test_an_answer_can_be_taken_back_and_an_added_flag_removed(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3))
    changed = replace(crack("m1", 1, 4), kind=Kind.DARK_CELL)
    review = desk.answer(review, Verdict("m1", Answer.CHANGED, changed))
    review = desk.answer(review, Verdict("m1", None))
    review = desk.add(review, crack("x", 5, 5))
    review = desk.remove_added(review, "x")
    again = desk.open(review.inspection)
    assert _same(review, again)
    assert (again.verdicts, again.added) == ({}, ())
    assert [(flag.kind, flag.position) for flag in again.flags] == [(Kind.CRACK, 3)]


def test_an_added_flag_gets_its_limit_by_the_criteria(log: Log) -> None:
    desk, review = _opened(log)
    review = desk.add(review, crack("", 1, 1, limit=None))
    assert review.added[0].limit == "crack.any"
    assert review.added[0].source is Source.INSPECTOR
    with pytest.raises(LogError, match="1 flag was confirmed, changed or added and is above a limit"):
        desk.decide(review, Disposition.ACCEPT)


def test_a_doubtful_flag_needs_no_answer_but_holds_the_panel_once_it_is_confirmed(log: Log) -> None:
    doubtful = replace(crack("m1", 1, 3, limit=None), probability=0.02, doubtful=True)
    desk, review = _opened(log, doubtful)
    assert desk.missing(review, Disposition.ACCEPT) == ()
    review = desk.answer(review, Verdict("m1", Answer.CONFIRMED))
    for shown in (review, desk.open(review.inspection)):
        (flag,) = shown.flags
        assert (flag.doubtful, flag.limit) == (False, "crack.any")
    with pytest.raises(LogError, match="1 flag was confirmed, changed or added and is above a limit"):
        desk.decide(review, Disposition.ACCEPT)
    review = desk.answer(review, Verdict("m1", None))
    assert [(flag.doubtful, flag.limit) for flag in review.flags] == [(True, None)]
    assert desk.missing(review, Disposition.ACCEPT) == ()


def test_the_tenth_interrupted_finger_of_a_cell_reaches_the_limit_of_many(log: Log) -> None:
    fingers = [make_flag(f"m{i}", Kind.FINGER_INTERRUPTION, 1, 1, None) for i in range(1, 10)]
    desk, review = _opened(log, *fingers)
    tenth = make_flag("", Kind.FINGER_INTERRUPTION, 1, 1, None)
    assert desk.add(review, tenth).added[0].limit == "finger_interruption.many"
    review = desk.open(review.inspection)
    review = desk.remove_added(review, review.added[0].id)
    review = desk.answer(review, Verdict("m1", Answer.DISMISSED))
    assert desk.add(review, tenth).added[0].limit is None


def test_a_panel_is_accepted_once_everything_above_a_limit_is_dismissed(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3), crack("m2", 2, 4, limit=None))
    assert desk.missing(review, Disposition.ACCEPT) == ("1 flag above a limit still needs an answer.",)
    review = desk.answer(review, Verdict("m1", Answer.DISMISSED))
    assert desk.missing(review, Disposition.ACCEPT) == ()
    review = desk.decide(review, Disposition.ACCEPT)
    assert review.decision is not None
    assert (review.decision.disposition, review.decision.inspector) == (Disposition.ACCEPT, "Ada")
    assert [panel.decision for panel in desk.queue()] == [Disposition.ACCEPT]
    assert _same(review, desk.open(review.inspection))


def test_a_refused_decision_changes_nothing(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3))
    review = desk.answer(review, Verdict("m1", Answer.CONFIRMED))
    before = len(list(log.events()))
    with pytest.raises(LogError) as refused:
        desk.decide(review, Disposition.ACCEPT, "the customer is waiting")
    assert str(refused.value) == (
        "'accept' was not logged. 1 flag was confirmed, changed or added and is above a limit: the panel cannot be "
        "accepted."
    )
    assert len(list(log.events())) == before
    assert desk.open(review.inspection).decision is None
    assert desk.decide(desk.open(review.inspection), Disposition.REWORK).decision is not None


@pytest.mark.parametrize(
    ("result", "text"),
    [
        (make_result(usable=False), "not good enough"),
        (make_result(found=False), "was not found"),
        (make_result(serial=None), "no serial"),
    ],
)
def test_what_cannot_be_judged_is_not_released_but_can_be_held(log: Log, result: object, text: str) -> None:
    desk = _desk(log)
    review = desk.open(log_inspection(log, result, "gate 1"))  # type: ignore[arg-type]
    with pytest.raises(LogError, match=text):
        desk.decide(review, Disposition.ACCEPT)
    assert desk.decide(review, Disposition.HOLD, "retake").decision is not None


def test_after_a_decision_there_are_no_more_verdicts_unless_it_is_taken_back(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3))
    review = desk.decide(review, Disposition.REWORK)
    with pytest.raises(LogError, match="already decided: rework"):
        desk.answer(review, Verdict("m1", Answer.DISMISSED))
    with pytest.raises(LogError, match="already decided: rework"):
        desk.decide(review, Disposition.SCRAP)
    review = desk.take_back(review, "wrong key")
    assert review.decision is None
    review = desk.answer(review, Verdict("m1", Answer.DISMISSED))
    assert desk.decide(review, Disposition.ACCEPT).decision is not None


def test_only_a_quality_engineer_concedes(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3))
    review = desk.answer(review, Verdict("m1", Answer.CONFIRMED))
    with pytest.raises(LogError, match="Only a quality engineer can decide 'concession'"):
        desk.decide(review, Disposition.CONCESSION, "agreed with the customer")
    engineer = _desk(log, role=Role.QUALITY_ENGINEER, name="Grace")
    conceded = engineer.decide(engineer.open(review.inspection), Disposition.CONCESSION, "agreed with the customer")
    assert conceded.decision is not None
    assert (conceded.decision.inspector, conceded.decision.reason) == ("Grace", "agreed with the customer")


def test_concession_and_scrap_need_a_reason(log: Log) -> None:
    _, review = _opened(log)
    engineer = _desk(log, role=Role.QUALITY_ENGINEER, name="Grace")
    review = engineer.open(review.inspection)
    for disposition in (Disposition.CONCESSION, Disposition.SCRAP):
        with pytest.raises(LogError, match=f"'{disposition}' needs a reason"):
            engineer.decide(review, disposition, "  ")
    assert engineer.decide(review, Disposition.SCRAP, "glass broken").decision is not None


def test_a_hold_has_an_owner_and_an_age_and_stays_in_the_queue(log: Log) -> None:
    desk, review = _opened(log)
    review = desk.decide(review, Disposition.HOLD, "edge looks odd", owner="Quality office")
    assert review.hold is not None
    assert (review.hold.owner, review.decision.reason) == ("Quality office", "edge looks odd")  # type: ignore[union-attr]
    (held,) = desk.queue()
    assert (held.decision, held.hold) == (Disposition.HOLD, review.hold)
    assert not [event for event in log.events() if "Quality office" in repr(event)]
    again = desk.open(review.inspection)
    assert _same(again, review)
    handed = desk.decide(again, Disposition.HOLD, "ask the supplier", owner="Ada")
    assert (handed.hold.owner, handed.hold.since) == ("Ada", review.hold.since)  # type: ignore[union-attr]


def test_a_hold_ends_by_rework_concession_or_scrap_but_not_by_accept_or_take_back(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3))
    review = desk.open(desk.decide(review, Disposition.HOLD, "look again").inspection)
    with pytest.raises(LogError, match="ends by rework, concession, scrap or a new picture"):
        desk.take_back(review, "wrong key")
    review = desk.open(review.inspection)
    review = desk.answer(review, Verdict("m1", Answer.DISMISSED))
    with pytest.raises(LogError, match="cannot simply be accepted"):
        desk.decide(review, Disposition.ACCEPT)
    reworked = desk.decide(review, Disposition.REWORK)
    assert (reworked.decision.disposition, reworked.hold) == (Disposition.REWORK, None)  # type: ignore[union-attr]


def test_taking_back_what_ended_a_hold_leads_back_to_the_hold(log: Log) -> None:
    desk, review = _opened(log)
    held = desk.decide(review, Disposition.HOLD, "look again", owner="Quality office")
    reworked = desk.decide(desk.open(held.inspection), Disposition.REWORK, "string 3")
    back = desk.take_back(reworked, "wrong key")
    assert back.decision.disposition is Disposition.HOLD  # type: ignore[union-attr]
    assert back.hold == held.hold
    with pytest.raises(LogError, match="cannot simply be accepted"):
        desk.decide(back, Disposition.ACCEPT)


def test_a_new_picture_ends_a_hold(log: Log) -> None:
    desk, review = _opened(log)
    desk.decide(review, Disposition.HOLD, "contact")
    log_inspection(log, make_result(picture="retake"), "gate 1")
    (waiting,) = desk.queue()
    assert (waiting.decision, waiting.hold) == (None, None)


def test_notes_stay_beside_flags_with_and_without_an_answer(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3), crack("m2", 2, 4))
    review = desk.answer(review, Verdict("m1", None, note="ask the supplier"))
    review = desk.answer(review, Verdict("m2", Answer.CONFIRMED, note="runs into the busbar"))
    review = desk.add(review, crack("", 5, 5))
    review = desk.answer(review, Verdict(review.added[0].id, None, note="seen by eye"))
    again = desk.open(review.inspection)
    assert _same(again, review)
    assert {name: verdict.note for name, verdict in again.verdicts.items()} == {
        "m1": "ask the supplier",
        "m2": "runs into the busbar",
        again.added[0].id: "seen by eye",
    }
    assert desk.missing(again, Disposition.ACCEPT)[0] == "1 flag above a limit still needs an answer."


def test_the_figures_of_the_shift_count_what_stands(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3), crack("m2", 2, 4, limit=None))
    start = review_start = "2026-01-01T00:00:00+00:00"
    review = desk.answer(review, Verdict("m1", Answer.DISMISSED))
    desk.decide(review, Disposition.ACCEPT, "dust")  # proposed was rework
    other = desk.open(log_inspection(log, make_result("2"), "gate 1"))
    desk.take_back(desk.decide(other, Disposition.REWORK), "wrong key")
    elsewhere = _desk(log, station="gate 2")
    elsewhere.decide(elsewhere.open(log_inspection(log, make_result("3"), "gate 2")), Disposition.ACCEPT)
    figures = desk.shift(start)
    assert (figures.since, figures.decided, figures.against) == (review_start, {Disposition.ACCEPT: 1}, 1)
    assert figures.answers == {"dismissed": 1, "closed": 1}
    assert desk.shift("2199-01-01T00:00:00+00:00").panels == 0


def test_earlier_pictures_of_a_panel_are_named_newest_first(log: Log) -> None:
    desk, first = _opened(log, crack("m1", 1, 3))
    desk.decide(first, Disposition.REWORK)
    second = desk.open(log_inspection(log, make_result(picture="second"), "gate 1"))
    assert [(old.inspection, old.attempt, old.decision) for old in desk.earlier(second)] == [
        (first.inspection, 1, Disposition.REWORK)
    ]
    assert desk.earlier(desk.open(first.inspection)) == ()


def test_files_that_could_not_be_inspected_are_listed_until_they_are(log: Log) -> None:
    desk, _ = _opened(log)
    reason = Message("imaging.truncated", {"file": "a.png"})
    refuse_file(log, "EL 1", "a.png", reason)
    refuse_file(log, "EL 1", "a.png", reason)
    refuse_file(log, "EL 2", "b.png", reason)
    assert sorted((unread.station, unread.file, unread.reason.code) for unread in desk.unread()) == [
        ("EL 1", "a.png", reason.code),
        ("EL 2", "b.png", reason.code),
    ]
    assert sum(event.kind is EventKind.FILE_REFUSED for event in log.events()) == 2
    take_file(log, "EL 1", "a.png")
    take_file(log, "EL 1", "never refused.png")
    assert [unread.file for unread in desk.unread()] == ["b.png"]


def test_an_auditor_decides_nothing(log: Log) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    desk = _desk(log, role=Role.AUDITOR)
    assert desk.missing(desk.open(inspection), Disposition.ACCEPT) == (
        "Sign in as inspector or quality engineer to decide.",
    )


def test_two_stations_cannot_both_work_on_a_panel(log: Log) -> None:
    first, review = _opened(log)
    second = _desk(log, station="gate 2")
    seen = second.open(review.inspection)
    with pytest.raises(LogError, match="not locked by this station"):
        second.decide(seen, Disposition.ACCEPT)
    assert first.decide(review, Disposition.ACCEPT).decision is not None


def test_a_lock_given_back_goes_to_the_next_station_at_once(log: Log) -> None:
    first, review = _opened(log)
    first.close()
    second = _desk(log, station="gate 2")
    assert second.decide(second.open(review.inspection), Disposition.REWORK).decision is not None
    with pytest.raises(LogError, match="already decided"):
        first.decide(review, Disposition.ACCEPT)


def test_a_window_that_was_left_open_finds_out_that_the_panel_changed(log: Log) -> None:
    old, review = _opened(log, crack("m1", 1, 3))
    new = _desk(log)
    new.answer(new.open(review.inspection), Verdict("m1", Answer.CONFIRMED))
    assert old.missing(review, Disposition.HOLD) == (
        Message("gate.lock").text,
        Message("gate.version").text,
    )
    with pytest.raises(LogError, match="changed elsewhere"):
        old.answer(review, Verdict("m1", Answer.DISMISSED))


def test_a_verdict_on_a_flag_that_is_not_there_is_refused(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3))
    with pytest.raises(LogError, match="no flag m9"):
        desk.answer(review, Verdict("m9", Answer.CONFIRMED))
    with pytest.raises(LogError, match="no flag m1"):
        desk.remove_added(review, "m1")


def test_names_stay_out_of_the_events(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3))
    desk.answer(review, Verdict("m1", Answer.DISMISSED))
    assert not [event for event in log.events() if "Ada" in repr(event)]
    assert any(event.person for event in log.events())


def test_a_log_file_is_made_where_none_is(tmp_path: Path) -> None:
    from elinspect.store import open_log

    with open_log(tmp_path / "deep" / "folder" / "log.sqlite") as opened:
        assert list(opened.events()) == []


def test_a_picture_without_a_serial_gets_the_one_from_the_label(log: Log) -> None:
    desk = _desk(log)
    doubt = Message("station.no_serial")
    nameless = make_result(None, [crack("m1", 1, 3)])
    nameless = replace(nameless, proposal=replace(nameless.proposal, disposition=Disposition.HOLD, reasons=(doubt,)))
    review = desk.open(log_inspection(log, nameless, "gate 1"))
    named = desk.give_serial(review, "000777")
    assert (named.result.serial, named.result.proposal.disposition) == ("000777", Disposition.REWORK)
    assert [panel.serial for panel in desk.queue()] == ["000777"]
    with pytest.raises(LogError, match="has its serial already"):
        desk.give_serial(named, "000778")
    assert [panel.serial for panel in desk.queue()] == ["000777"]


def test_giving_a_serial_does_not_end_a_hold(log: Log) -> None:
    desk = _desk(log)
    review = desk.open(log_inspection(log, make_result(None, [crack("m1", 1, 3)]), "gate 1"))
    held = desk.open(desk.decide(review, Disposition.HOLD, "whose is it?").inspection)
    with pytest.raises(LogError, match="the new picture ends the hold"):
        desk.give_serial(held, "000777")
    assert [(panel.serial, panel.decision) for panel in desk.queue()] == [(None, Disposition.HOLD)]


def test_a_serial_of_a_panel_that_left_the_gate_is_not_given_again(log: Log) -> None:
    desk, review = _opened(log)
    desk.decide(review, Disposition.ACCEPT)
    other = desk.open(log_inspection(log, make_result(None, picture="other"), "gate 1"))
    with pytest.raises(LogError, match="already decided: accept"):
        desk.give_serial(other, "000123")
    assert [panel.serial for panel in desk.queue() if panel.decision is None] == [None]


def test_the_plan_of_a_rework_leaves_out_what_was_dismissed(log: Log) -> None:
    desk, review = _opened(log, crack("m1", 1, 3), crack("m2", 2, 4))
    assert [step.values["address"] for step in desk.plan(review)] == ["1-3", "2-4"]
    review = desk.answer(review, Verdict("m1", Answer.DISMISSED))
    assert [step.values["address"] for step in desk.plan(review)] == ["2-4"]
    review = desk.answer(review, Verdict("m2", Answer.DISMISSED))
    assert desk.plan(review) == ()
