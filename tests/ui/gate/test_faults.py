"""The gate without any window while the log is busy or fails, panels change elsewhere, labels are scanned."""

from dataclasses import replace
from pathlib import Path

import pytest
from couriers import Later, at_once
from memory_desk import MemoryDesk
from results import flag, result

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.records import Answer, Disposition, Kind
from elinspect_ui.presenters.drawing import with_new_id
from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.presenters.state import Asked, Busy


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
    assert desk.answers("a") == {"m1": Answer.CONFIRMED}
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
    assert desk.answers("a") == {"m1": Answer.CONFIRMED}


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
    assert desk.answers("a") == {"m1": Answer.CONFIRMED}
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


def test_an_error_of_the_world_keeps_its_own_words(gate, desk, monkeypatch, tmp_path: Path) -> None:
    def broken(*_arguments: object) -> None:
        raise ElinspectError("settings.missing", what="log", file=str(tmp_path))

    monkeypatch.setattr(desk, "answer", broken)
    gate.flags.confirm()
    assert gate.state.notice.text == words("settings.missing", what="log", file=str(tmp_path))


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
