"""Answers at the gate without any window: one by one, all alike, changed, added, undone."""

from dataclasses import replace

import pytest
from couriers import at_once
from memory_desk import MemoryDesk
from results import flag, result

from elinspect.catalogue import words
from elinspect.recipe import AddressScheme, Numbering
from elinspect.records import Answer, CrackMode, Disposition, Kind, PanelResult, Source
from elinspect_ui.presenters.drawing import with_new_id
from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.gate import GatePresenter


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
    assert (gate.state.current, desk.answers("a")) == (1, {"m1": Answer.CONFIRMED})
    gate.flags.dismiss()
    assert gate.state.current == 1
    assert gate.state.notice.text == words("desktop.all_answered", proposal="rework")


def test_the_search_for_the_next_unanswered_flag_goes_around_the_end(gate, desk) -> None:
    gate.flags.go_to("m2")
    gate.flags.confirm()
    assert gate.state.line.flag.id == "m1"


def test_changing_to_the_kind_it_is_confirms(gate, desk) -> None:
    gate.flags.change(Kind.INACTIVE_AREA)
    assert desk.answers("a") == {"m1": Answer.CONFIRMED}


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
    assert desk.answers("s") == {}


def test_undo_takes_answers_back_one_by_one_and_redo_gives_them_again(gate, desk) -> None:
    gate.flags.confirm()
    gate.flags.dismiss()
    gate.flags.go_to("m1")
    gate.flags.dismiss()
    assert desk.answers("a") == {"m1": Answer.DISMISSED, "m2": Answer.DISMISSED}
    gate.flags.undo()
    assert desk.answers("a") == {"m1": Answer.CONFIRMED, "m2": Answer.DISMISSED}
    gate.flags.undo()
    gate.flags.undo()
    assert desk.answers("a") == {}
    assert not gate.state.can_undo
    gate.flags.undo()
    assert gate.state.notice.text == words("desktop.nothing_to_undo")
    for _ in range(3):
        gate.flags.redo()
    assert desk.answers("a") == {"m1": Answer.DISMISSED, "m2": Answer.DISMISSED}
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


def test_without_flags_the_keys_for_answers_say_so(gate) -> None:
    gate.line.open("b")
    gate.picture_shown("b")
    gate.cells_seen("b", 0)
    gate.flags.confirm()
    assert gate.state.notice.text == words("desktop.no_flag")
    gate.flags.step(1)
    assert gate.state.current is None


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
    assert desk.answers("many") == dict.fromkeys(("f0", "f1", "f2"), Answer.DISMISSED)
    assert many.state.line.flag.id == "f3"
    many.flags.undo()
    assert desk.answers("many") == {}
    many.flags.redo()
    assert desk.answers("many") == dict.fromkeys(("f0", "f1", "f2"), Answer.DISMISSED)
    many.flags.go_to("f1")
    many.flags.answer_alike(Answer.CONFIRMED, whole_string=False)
    assert many.state.notice.text == words("desktop.none_alike")


def test_all_of_a_kind_in_a_string_leave_other_strings_other_kinds_and_what_is_below_limits_alone(many, desk) -> None:
    many.flags.answer_alike(Answer.CONFIRMED, whole_string=True)
    assert desk.answers("many") == dict.fromkeys(("f0", "f1", "f2", "f3"), Answer.CONFIRMED)


def test_when_the_log_fails_half_way_what_was_logged_stands_and_can_be_undone(many, desk, monkeypatch) -> None:
    logged, calls = desk.answer, []

    def breaks_at_third(review, verdict):
        calls.append(verdict.flag_id)
        if len(calls) == 3:
            desk.broken.add("answer")
        return logged(review, verdict)

    monkeypatch.setattr(desk, "answer", breaks_at_third)
    many.flags.answer_alike(Answer.CONFIRMED, whole_string=False)
    assert desk.answers("many") == dict.fromkeys(("f1", "f0"), Answer.CONFIRMED)
    assert "disk full" in many.state.notice.text
    assert sum(line.standing is Standing.CONFIRMED for line in many.state.lines) == 2
    desk.broken.clear()
    many.flags.undo()
    assert desk.answers("many") == {}
