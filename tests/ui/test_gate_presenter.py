"""The review at the gate without any window: answers, undo, gate conditions, decision, errors."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from memory_desk import MemoryDesk
from results import flag, result

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.recipe import AddressScheme, Numbering
from elinspect.records import Answer, CrackMode, Disposition, Kind, PanelResult, Purpose, Source
from elinspect.review.gate import Role
from elinspect_ui.presenters.drawing import with_new_id
from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.presenters.state import Asked, Busy, GateState, PictureState, Tone


def at_once(work: Callable, done: Callable, failed: Callable) -> None:
    """A courier that runs the work on the spot."""
    try:
        value = work()
    except Exception as error:
        failed(error)
    else:
        done(value)


class Later:
    """A courier that keeps the work until it is told to run it."""

    def __init__(self) -> None:
        self.kept: list[tuple[Callable, Callable, Callable]] = []

    def __call__(self, *job: Callable) -> None:
        self.kept.append(job)

    def run(self) -> None:
        jobs, self.kept = self.kept, []
        for job in jobs:
            at_once(*job)


def _flags():
    return (
        flag("m1", Kind.INACTIVE_AREA, "inactive_area.share", area_fraction=0.2, mode=None),
        flag("m2", Kind.CRACK, "crack.any", position=1),
        flag("m3", Kind.FINGER_INTERRUPTION, None, position=3, mode=None),
    )


@pytest.fixture
def desk() -> MemoryDesk:
    desk = MemoryDesk()
    desk.arrive("a", result(*_flags()))
    desk.arrive("b", result(serial="000124"))
    return desk


@pytest.fixture
def states() -> list[GateState]:
    return []


@pytest.fixture
def gate(desk: MemoryDesk, states: list[GateState]) -> GatePresenter:
    presenter = GatePresenter(desk, at_once, states.append)
    presenter.line.poll()
    presenter.picture_shown("a")
    presenter.cells_seen("a", 0)
    return presenter


def _with_scheme(panel: PanelResult, scheme: AddressScheme) -> PanelResult:
    return replace(panel, panel=replace(panel.panel, addresses=scheme))


def _answers(desk: MemoryDesk, inspection: str = "a") -> dict[str, Answer]:
    return {name: verdict.answer for name, verdict in desk.logged[inspection].verdicts.items()}


def test_the_first_waiting_panel_opens_at_its_first_unanswered_flag(gate) -> None:
    assert gate.state.review.inspection == "a"
    assert gate.state.current == 0
    assert [line.standing for line in gate.state.lines] == [
        Standing.NEEDS_ANSWER,
        Standing.NEEDS_ANSWER,
        Standing.BELOW_LIMITS,
    ]
    assert gate.state.unanswered == 2


def test_opened_again_a_panel_shows_the_answers_of_the_log(gate, desk) -> None:
    gate.flags.confirm()
    again = GatePresenter(desk, at_once, lambda _state: None)
    again.line.poll()
    assert again.state.lines[0].standing is Standing.CONFIRMED
    assert again.state.current == 1


def test_an_answer_moves_on_to_the_next_flag_that_needs_one(gate, desk) -> None:
    gate.flags.confirm()
    assert (gate.state.current, _answers(desk)) == (1, {"m1": Answer.CONFIRMED})
    gate.flags.dismiss()
    assert gate.state.current == 1
    assert gate.state.notice.text == words("desktop.all_answered", proposal="rework")


def test_the_search_for_the_next_unanswered_flag_goes_around_the_end(gate, desk) -> None:
    gate.flags.go_to("m2")
    gate.flags.confirm()
    assert gate.state.line.flag.id == "m1"


def test_before_the_picture_is_on_screen_nothing_is_answered_or_released(desk) -> None:
    gate = GatePresenter(desk, at_once, lambda _state: None)
    gate.line.poll()
    gate.flags.confirm()
    assert _answers(desk) == {}
    assert gate.state.notice.text == words("desktop.picture_loading")
    gate.line.open("b")
    assert gate.state.missing_for(Disposition.ACCEPT) == (words("desktop.picture_loading"),)
    gate.decisions.ask(Disposition.ACCEPT)
    assert desk.logged["b"].decision is None
    gate.picture_shown("a")  # the picture of another panel changes nothing
    assert gate.state.picture is PictureState.LOADING
    gate.picture_shown("b")
    gate.cells_seen("b", 0)
    gate.decisions.ask(Disposition.ACCEPT)
    assert desk.logged["b"].decision.disposition is Disposition.ACCEPT


def test_accept_names_every_missing_condition(gate) -> None:
    assert gate.state.missing_for(Disposition.ACCEPT) == (words("gate.unanswered", n=2),)
    gate.flags.confirm()
    assert gate.state.missing_for(Disposition.ACCEPT) == (words("gate.unanswered", n=1), words("gate.standing", n=1))
    gate.flags.confirm()
    gate.decisions.ask(Disposition.ACCEPT)
    assert gate.state.notice.text == words("gate.standing", n=2)
    assert gate.state.notice.tone is Tone.REFUSED


def test_a_changed_flag_still_above_a_limit_refuses_accept_and_one_below_does_not(gate, desk) -> None:
    gate.flags.change(Kind.DARK_CELL)
    gate.flags.go_to("m2")
    gate.flags.dismiss()
    assert gate.state.missing_for(Disposition.ACCEPT) == (words("gate.standing", n=1),)
    gate.flags.go_to("m1")
    gate.flags.change(Kind.MATERIAL_PATTERN)  # not judged by the shipped criteria
    assert gate.state.line.flag.limit is None
    assert gate.state.missing_for(Disposition.ACCEPT) == ()


def test_changing_to_the_kind_it_is_confirms(gate, desk) -> None:
    gate.flags.change(Kind.INACTIVE_AREA)
    assert _answers(desk) == {"m1": Answer.CONFIRMED}


def test_a_flag_changed_from_a_crack_has_no_crack_mode_and_the_machine_s_flag_is_kept(gate, desk) -> None:
    gate.flags.go_to("m2")
    gate.flags.change(Kind.FINGER_INTERRUPTION)
    changed = desk.logged["a"].verdicts["m2"].changed
    assert (changed.mode, changed.source, changed.id) == (None, Source.INSPECTOR, "m2")
    assert desk.logged["a"].result.flags[1].mode is CrackMode.B
    gate.flags.go_to("m2")
    gate.flags.take_back()
    assert desk.logged["a"].flags[1].kind is Kind.CRACK


def test_a_string_flag_cannot_become_one_of_a_cell(desk) -> None:
    desk.arrive("s", result(flag("m1", Kind.DARK_STRING, None, position=None)))
    gate = GatePresenter(desk, at_once, lambda _state: None)
    gate.line.open("s")
    gate.picture_shown("s")
    gate.cells_seen("s", 0)
    gate.flags.change(Kind.CRACK)
    assert gate.state.notice.text == words("desktop.change.needs_cell", kind="crack")
    assert _answers(desk, "s") == {}


def test_undo_takes_answers_back_one_by_one_and_redo_gives_them_again(gate, desk) -> None:
    gate.flags.confirm()
    gate.flags.dismiss()
    gate.flags.go_to("m1")
    gate.flags.dismiss()
    assert _answers(desk) == {"m1": Answer.DISMISSED, "m2": Answer.DISMISSED}
    gate.flags.undo()
    assert _answers(desk) == {"m1": Answer.CONFIRMED, "m2": Answer.DISMISSED}
    gate.flags.undo()
    gate.flags.undo()
    assert _answers(desk) == {}
    assert not gate.state.can_undo
    gate.flags.undo()
    assert gate.state.notice.text == words("desktop.nothing_to_undo")
    for _ in range(3):
        gate.flags.redo()
    assert _answers(desk) == {"m1": Answer.DISMISSED, "m2": Answer.DISMISSED}
    assert not gate.state.can_redo


def test_a_new_answer_forgets_what_could_be_redone(gate) -> None:
    gate.flags.confirm()
    gate.flags.undo()
    gate.flags.dismiss()
    assert not gate.state.can_redo


def test_an_added_flag_blocks_accept_until_it_is_taken_back(gate, desk) -> None:
    gate.flags.dismiss()
    gate.flags.dismiss()
    assert gate.state.missing_for(Disposition.ACCEPT) == ()
    gate.flags.add(with_new_id(flag("", Kind.CRACK, None, position=3, source=Source.INSPECTOR)))
    assert gate.state.line.standing is Standing.ADDED
    assert gate.state.missing_for(Disposition.ACCEPT) == (words("gate.standing", n=1),)
    gate.flags.confirm()
    assert gate.state.notice.text == words("desktop.added_counts")
    gate.flags.dismiss()
    assert desk.logged["a"].added == ()
    assert gate.state.missing_for(Disposition.ACCEPT) == ()


def test_an_added_flag_survives_undo_and_redo_in_any_order(gate, desk) -> None:
    gate.flags.add(with_new_id(flag("", Kind.CRACK, None, position=3)))
    gate.flags.dismiss()  # takes it back
    gate.flags.undo()  # adds it again, under a new id
    gate.flags.undo()  # undoes the first addition: must find it under that id
    assert desk.logged["a"].added == ()
    gate.flags.redo()
    gate.flags.redo()
    assert desk.logged["a"].added == ()
    gate.flags.undo()
    assert [added.kind for added in desk.logged["a"].added] == [Kind.CRACK]


def test_a_decision_by_the_proposal_needs_no_reason(gate, desk) -> None:
    gate.decisions.ask(Disposition.REWORK)
    assert desk.logged["a"].decision.disposition is Disposition.REWORK
    assert gate.state.review.inspection == "b"
    assert gate.state.notice.text == words("desktop.decided", serial="000123", decision="rework")


@pytest.mark.parametrize("reason", ["", "   "])
def test_a_decision_against_the_proposal_needs_words(gate, desk, reason) -> None:
    gate.decisions.ask(Disposition.HOLD)
    assert gate.state.asking is Disposition.HOLD
    gate.decisions.decide(Disposition.HOLD, reason)
    assert desk.logged["a"].decision is None
    assert gate.state.asking is Disposition.HOLD
    gate.decisions.decide(Disposition.HOLD, " waiting for the process engineer ")
    assert desk.logged["a"].decision.reason == "waiting for the process engineer"


def test_a_reason_never_replaces_the_gate_rule(gate, desk) -> None:
    gate.decisions.decide(Disposition.ACCEPT, "the customer wants it")
    assert desk.logged["a"].decision is None
    assert not [call for call in desk.calls if call[0] == "decide"]


def test_accept_after_all_was_dismissed_puts_that_reason_forward(gate) -> None:
    gate.flags.dismiss()
    gate.flags.dismiss()
    gate.decisions.ask(Disposition.ACCEPT)
    assert gate.state.suggestion == words("desktop.suggest_dismissed", n=2)


def test_a_panel_of_several_pictures_is_released_only_after_all_of_them_were_on_screen(desk) -> None:
    whole = result(serial="000125")
    first, *others = whole.cells
    image = replace(whole.image, tiles=("further.png",))
    desk.arrive("tiles", replace(whole, image=image, cells=(first, *(replace(cell, tile=1) for cell in others))))
    presenter = GatePresenter(desk, at_once, lambda _state: None)
    presenter.line.poll()
    presenter.line.open("tiles")
    presenter.picture_shown("tiles")
    presenter.cells_seen("tiles", len(others))
    assert words("desktop.unseen_of_several", n=len(others)) in presenter.state.missing_for(Disposition.ACCEPT)
    presenter.decisions.ask(Disposition.ACCEPT)
    assert desk.logged["tiles"].decision is None
    presenter.cells_seen("tiles", 0)
    presenter.decisions.ask(Disposition.ACCEPT)
    assert desk.logged["tiles"].decision.disposition is Disposition.ACCEPT


def test_a_decided_panel_is_closed_and_a_held_one_can_still_be_reworked(gate, desk) -> None:
    gate.decisions.decide(Disposition.HOLD, "ask")
    gate.line.open("a")
    gate.picture_shown("a")
    gate.cells_seen("a", 0)
    assert gate.state.missing_for(Disposition.ACCEPT) == (words("gate.held"), words("gate.unanswered", n=2))
    gate.decisions.ask(Disposition.REWORK)
    assert desk.logged["a"].decision.disposition is Disposition.REWORK
    gate.line.open("a")
    gate.picture_shown("a")
    gate.cells_seen("a", 0)
    gate.flags.confirm()
    assert gate.state.notice.text == words("desktop.already_decided")
    assert gate.state.missing_for(Disposition.REWORK) == (words("desktop.already_decided"),)


def test_after_the_last_decision_no_panel_is_on_screen_until_one_arrives(gate, desk) -> None:
    gate.decisions.ask(Disposition.REWORK)
    gate.picture_shown("b")
    gate.cells_seen("b", 0)
    gate.decisions.ask(Disposition.ACCEPT)
    assert gate.state.review is None
    gate.flags.confirm()
    gate.decisions.ask(Disposition.ACCEPT)
    assert desk.logged["a"].decision.disposition is Disposition.REWORK
    desk.arrive("c", result(serial="000125"))
    gate.line.poll()
    assert gate.state.review.inspection == "c"


def test_whoever_may_not_decide_is_told_so(desk) -> None:
    desk.role = Role.AUDITOR
    gate = GatePresenter(desk, at_once, lambda _state: None)
    gate.line.poll()
    gate.decisions.ask(Disposition.REWORK)
    assert gate.state.notice.text == words("gate.role_decide")
    assert desk.logged["a"].decision is None


@pytest.mark.parametrize(
    ("call", "deed"),
    [
        ("answer", lambda gate: gate.flags.confirm()),
        ("add", lambda gate: gate.flags.add(with_new_id(flag("", Kind.CRACK)))),
        ("decide", lambda gate: gate.decisions.ask(Disposition.REWORK)),
        ("open", lambda gate: gate.line.open("b")),
    ],
)
def test_a_failed_log_changes_nothing_and_can_be_tried_again(gate, desk, call, deed) -> None:
    before = gate.state
    desk.broken.add(call)
    deed(gate)
    assert gate.state.review is before.review
    assert [line.standing for line in gate.state.lines] == [line.standing for line in before.lines]
    assert gate.state.current == before.current
    assert gate.state.busy is None
    assert "disk full" in gate.state.notice.text
    assert not gate.state.can_undo
    desk.broken.clear()
    deed(gate)
    assert gate.state.review is not before.review


def test_what_is_missing_cannot_be_read_then_nothing_may_be_decided(gate, desk) -> None:
    desk.broken.add("missing")
    gate.flags.confirm()
    assert _answers(desk) == {"m1": Answer.CONFIRMED}
    assert gate.state.lines[0].standing is Standing.CONFIRMED
    for disposition in (Disposition.ACCEPT, Disposition.REWORK, Disposition.HOLD):
        assert "disk full" in gate.state.missing_for(disposition)[0]


def test_a_decision_stands_even_if_the_queue_cannot_be_read_after_it(gate, desk) -> None:
    desk.broken.add("queue")
    gate.decisions.ask(Disposition.REWORK)
    assert desk.logged["a"].decision.disposition is Disposition.REWORK
    assert gate.state.review.inspection == "b"


def test_a_panel_changed_elsewhere_is_refused_until_it_is_opened_again(gate, desk) -> None:
    desk.logged["a"] = replace(desk.logged["a"], version=7)
    gate.flags.confirm()
    assert gate.state.notice.text == words("gate.version")
    gate.line.open_again()
    gate.flags.confirm()
    assert _answers(desk) == {"m1": Answer.CONFIRMED}


def test_a_panel_that_cannot_be_opened_is_not_tried_again_and_again(desk) -> None:
    desk.broken.add("open")
    gate = GatePresenter(desk, at_once, lambda _state: None)
    for _ in range(5):
        gate.line.poll()
    assert sum(call == ("open", "a") for call in desk.calls) == 1


def test_while_an_answer_is_being_written_nothing_else_is_taken(desk) -> None:
    later = Later()
    gate = GatePresenter(desk, later, lambda _state: None)
    gate.line.poll()
    later.run()
    later.run()
    gate.picture_shown("a")
    gate.cells_seen("a", 0)
    gate.flags.confirm()
    assert gate.state.busy is Busy.WRITING
    assert gate.state.line.flag.id == "m1"
    gate.flags.dismiss()
    gate.flags.undo()
    gate.decisions.ask(Disposition.HOLD)
    gate.flags.step(1)
    gate.line.open("b")
    assert len(later.kept) == 1
    later.run()
    assert _answers(desk) == {"m1": Answer.CONFIRMED}
    assert gate.state.line.flag.id == "m2"


def test_an_unexpected_exception_is_said_in_words_and_kept_for_the_log(gate, desk, caplog, monkeypatch) -> None:
    def broken(*_arguments: object) -> None:
        raise RuntimeError("boom")

    monkeypatch.setattr(desk, "answer", broken)
    gate.flags.confirm()
    assert "boom" in gate.state.notice.text
    assert "RuntimeError: boom" in caplog.text
    assert gate.state.lines[0].standing is Standing.NEEDS_ANSWER


def test_stepping_along_the_line_ends_at_its_ends(gate) -> None:
    gate.line.step_panel(1)
    assert gate.state.review.inspection == "b"
    gate.line.step_panel(1)
    assert gate.state.notice.text == words("desktop.no_further_panel")
    gate.line.step_panel(-1)
    assert gate.state.review.inspection == "a"


def test_without_flags_the_keys_for_answers_say_so(gate) -> None:
    gate.line.open("b")
    gate.picture_shown("b")
    gate.cells_seen("b", 0)
    gate.flags.confirm()
    assert gate.state.notice.text == words("desktop.no_flag")
    gate.flags.step(1)
    assert gate.state.current is None


def test_nothing_but_the_result_is_read_from_a_demo_panel(desk) -> None:
    desk.arrive("d", result(serial="7", purpose=Purpose.DEMO))
    gate = GatePresenter(desk, at_once, lambda _state: None)
    gate.line.open("d")
    gate.picture_shown("d")
    gate.cells_seen("d", 0)
    gate.decisions.ask(Disposition.ACCEPT)
    assert desk.logged["d"].decision.disposition is Disposition.ACCEPT


def test_an_error_of_the_world_keeps_its_own_words(gate, desk, monkeypatch, tmp_path: Path) -> None:
    def broken(*_arguments: object) -> None:
        raise ElinspectError("settings.missing", what="log", file=str(tmp_path))

    monkeypatch.setattr(desk, "answer", broken)
    gate.flags.confirm()
    assert gate.state.notice.text == words("settings.missing", what="log", file=str(tmp_path))


def test_addresses_are_written_as_the_log_knows_the_product(gate, desk) -> None:
    assert gate.state.lines[0].title == "inactive area, cell 1-2"
    logged = desk.logged["a"]
    panel = replace(logged.result.panel, addresses=AddressScheme(strings=Numbering.LETTERS))
    desk.logged["a"] = replace(logged, result=replace(logged.result, panel=panel))
    gate.line.open_again()
    assert gate.state.lines[0].title == "inactive area, cell A-2"
    gate.flags.change(Kind.DARK_CELL)
    assert desk.logged["a"].verdicts["m1"].changed.message.values["address"] == "A-2"


def _many() -> PanelResult:
    fingers = [flag(f"f{n}", Kind.FINGER_INTERRUPTION, "finger_interruption.many", mode=None) for n in range(3)]
    elsewhere = flag("f3", Kind.FINGER_INTERRUPTION, "finger_interruption.many", mode=None, position=3)
    other_string = flag("f4", Kind.FINGER_INTERRUPTION, "finger_interruption.many", mode=None, string=2)
    below = flag("f5", Kind.FINGER_INTERRUPTION, None, mode=None)
    return result(flag("m1", Kind.CRACK), *fingers, elsewhere, other_string, below)


@pytest.fixture
def many(desk: MemoryDesk) -> GatePresenter:
    desk.arrive("many", _many())
    presenter = GatePresenter(desk, at_once, lambda _state: None)
    presenter.line.open("many")
    presenter.picture_shown("many")
    presenter.cells_seen("many", 0)
    presenter.flags.go_to("f1")
    return presenter


def test_all_of_a_kind_in_a_cell_are_answered_together_and_undone_together(many, desk) -> None:
    many.flags.answer_alike(Answer.DISMISSED, whole_string=False)
    assert _answers(desk, "many") == dict.fromkeys(("f0", "f1", "f2"), Answer.DISMISSED)
    assert many.state.line.flag.id == "f3"
    many.flags.undo()
    assert _answers(desk, "many") == {}
    many.flags.redo()
    assert _answers(desk, "many") == dict.fromkeys(("f0", "f1", "f2"), Answer.DISMISSED)
    many.flags.go_to("f1")
    many.flags.answer_alike(Answer.CONFIRMED, whole_string=False)
    assert many.state.notice.text == words("desktop.none_alike")


def test_all_of_a_kind_in_a_string_leave_other_strings_other_kinds_and_what_is_below_limits_alone(many, desk) -> None:
    many.flags.answer_alike(Answer.CONFIRMED, whole_string=True)
    assert _answers(desk, "many") == dict.fromkeys(("f0", "f1", "f2", "f3"), Answer.CONFIRMED)


def test_when_the_log_fails_half_way_what_was_logged_stands_and_can_be_undone(many, desk, monkeypatch) -> None:
    logged, calls = desk.answer, []

    def breaks_at_third(review, verdict):
        calls.append(verdict.flag_id)
        if len(calls) == 3:
            desk.broken.add("answer")
        return logged(review, verdict)

    monkeypatch.setattr(desk, "answer", breaks_at_third)
    many.flags.answer_alike(Answer.CONFIRMED, whole_string=False)
    assert _answers(desk, "many") == dict.fromkeys(("f1", "f0"), Answer.CONFIRMED)
    assert "disk full" in many.state.notice.text
    assert sum(line.standing is Standing.CONFIRMED for line in many.state.lines) == 2
    desk.broken.clear()
    many.flags.undo()
    assert _answers(desk, "many") == {}


def test_a_label_scanned_while_the_log_is_busy_is_read_once_it_is_free(desk: MemoryDesk) -> None:
    desk.arrive("c", result(serial="000125"))
    later = Later()
    gate = GatePresenter(desk, later, lambda _state: None)
    gate.line.poll()
    for _ in range(2):
        later.run()
    gate.picture_shown("a")
    gate.cells_seen("a", 0)
    gate.decisions.decide(Disposition.REWORK, "")
    assert gate.state.busy is Busy.WRITING
    gate.serial.ask()  # the scanner's F2
    assert gate.state.asking is Asked.SERIAL
    later.run()  # the decision is on disk, the next panel is being opened: the scanner is still writing
    assert gate.state.busy is Busy.OPENING
    assert gate.state.asking is Asked.SERIAL
    gate.written("000125")
    for _ in range(6):
        later.run()
    assert gate.state.review.inspection == "c"
    assert gate.state.notice.text == words("desktop.serial.found", serial="000125")
    assert gate.state.asking is None


def test_a_panel_that_comes_while_a_label_is_scanned_does_not_end_the_scan(desk: MemoryDesk) -> None:
    empty = MemoryDesk()
    gate = GatePresenter(empty, at_once, lambda _state: None)
    gate.line.poll()
    gate.serial.ask()
    empty.arrive("a", desk.results["a"])
    gate.line.poll()
    assert gate.state.review.inspection == "a"
    assert gate.state.asking is Asked.SERIAL


def test_a_slip_is_taken_back_though_the_key_came_while_the_next_panel_was_being_opened(desk: MemoryDesk) -> None:
    later = Later()
    gate = GatePresenter(desk, later, lambda _state: None)
    gate.line.poll()
    for _ in range(2):
        later.run()
    gate.decisions.decide(Disposition.REWORK, "")
    later.run()
    assert gate.state.busy is Busy.OPENING
    gate.decisions.ask_take_back()
    for _ in range(6):
        later.run()
    assert gate.state.review.inspection == "a"
    assert gate.state.asking is Asked.TAKE_BACK
