"""Decisions at the gate without any window: what must be there before one, and what follows."""

from dataclasses import replace

import pytest
from couriers import at_once
from results import result

from elinspect.catalogue import words
from elinspect.records import Disposition, Kind, Purpose
from elinspect.review.gate import Role
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.presenters.state import PictureState, Tone


def test_before_the_picture_is_on_screen_nothing_is_answered_or_released(desk) -> None:
    gate = GatePresenter(desk, at_once, lambda _state: None)
    gate.line.poll()
    gate.flags.confirm()
    assert desk.answers("a") == {}
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


def test_nothing_but_the_result_is_read_from_a_demo_panel(desk) -> None:
    desk.arrive("d", result(serial="7", purpose=Purpose.DEMO))
    gate = GatePresenter(desk, at_once, lambda _state: None)
    gate.line.open("d")
    gate.picture_shown("d")
    gate.cells_seen("d", 0)
    gate.decisions.ask(Disposition.ACCEPT)
    assert desk.logged["d"].decision.disposition is Disposition.ACCEPT
