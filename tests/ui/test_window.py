"""The real window, driven by keys and mouse as an inspector does."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from threading import Event

import numpy as np
import pytest
from memory_desk import MemoryDesk
from painted_panel import CRACK, painted_panel
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QMenu
from pytestqt.qtbot import QtBot
from window_driver import Driver

from elinspect.catalogue import words
from elinspect.imaging import read_image
from elinspect.records import Address, Answer, Disposition, ElImage, Kind, Source
from elinspect_ui.panes.help_window import HelpWindow
from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.state import PictureState, Tone

Key = Qt.Key


def _answers(desk: MemoryDesk, inspection: str = "a") -> dict[str, Answer | None]:
    return {name: verdict.answer for name, verdict in desk.logged[inspection].verdicts.items()}


def test_the_panel_that_waited_longest_opens_with_its_gravest_flag(driver, desk) -> None:
    state = driver.window.state
    assert state.review is not None
    assert (state.review.inspection, state.line.flag.id) == ("a", "m1")
    assert driver.window._panel.view.selected == Address(1, 2)


def test_a_whole_panel_by_keyboard_alone(driver, desk) -> None:
    driver.key(Key.Key_C)
    assert _answers(desk) == {"m1": Answer.CONFIRMED}
    assert driver.window.state.line.flag.id == "m2"
    driver.key(Key.Key_D)
    assert _answers(desk) == {"m1": Answer.CONFIRMED, "m2": Answer.DISMISSED}
    driver.key(Key.Key_F7)
    assert desk.logged["a"].decision.disposition is Disposition.REWORK
    driver.until_picture("b")
    driver.key(Key.Key_F6)
    assert desk.logged["b"].decision.disposition is Disposition.ACCEPT
    driver.until_picture("c")


@pytest.mark.parametrize(
    ("forward", "back"), [(Key.Key_N, Key.Key_P), (Key.Key_Right, Key.Key_Left), (Key.Key_Down, Key.Key_Up)]
)
def test_keys_step_through_the_flags_and_around_the_end(driver, forward, back) -> None:
    seen = [driver.window.state.line.flag.id]
    for key in (forward, forward, forward, back, back):
        driver.key(key)
        seen.append(driver.window.state.line.flag.id)
    assert seen == ["m1", "m2", "m3", "m1", "m3", "m2"]


def test_accept_is_refused_in_the_same_words_by_key_and_beside_the_disabled_button(driver, desk) -> None:
    button = driver.window._decision.buttons[Disposition.ACCEPT]
    missing = words("gate.unanswered", n=2)
    assert not button.isEnabled()
    assert missing in driver.window._decision.condition.text()
    driver.key(Key.Key_F6)
    assert driver.notice == missing
    assert driver.window._decision.condition.text() == words("desktop.accept_missing", missing=missing)
    assert desk.logged["a"].decision is None


def test_accept_is_refused_while_a_confirmed_flag_stands_above_a_limit(driver, desk) -> None:
    driver.key(Key.Key_C)
    driver.key(Key.Key_D)
    driver.key(Key.Key_F6)
    assert driver.notice == words("gate.standing", n=1)
    assert ("decide", (Disposition.ACCEPT, "")) not in desk.calls
    assert not driver.window._decision.buttons[Disposition.ACCEPT].isEnabled()


def test_a_decision_against_the_proposal_asks_for_a_reason(driver, desk) -> None:
    driver.key(Key.Key_D)
    driver.key(Key.Key_D)
    assert driver.window._decision.buttons[Disposition.ACCEPT].isEnabled()
    driver.key(Key.Key_F6)
    assert desk.logged["a"].decision is None
    edit = driver.window._decision.reason
    assert edit.hasFocus()
    edit.clear()
    driver.key(Key.Key_Return)
    assert driver.notice == words("desktop.reason_needed")
    assert desk.logged["a"].decision is None
    for letter in (Key.Key_D, Key.Key_U, Key.Key_S, Key.Key_T):
        driver.key(letter)
    driver.key(Key.Key_Return)
    assert desk.logged["a"].decision.disposition is Disposition.ACCEPT
    assert desk.logged["a"].decision.reason == "dust"
    driver.until_picture("b")


def test_escape_leaves_the_reason_and_decides_nothing(driver, desk) -> None:
    driver.key(Key.Key_F8)
    assert driver.window.state.asking is Disposition.HOLD
    driver.key(Key.Key_Escape)
    assert driver.window.state.asking is None
    assert desk.logged["a"].decision is None
    driver.key(Key.Key_C)
    assert _answers(desk) == {"m1": Answer.CONFIRMED}


def test_undo_and_redo_are_logged_and_go_back_to_the_flag(driver, desk) -> None:
    driver.key(Key.Key_C)
    driver.key(Key.Key_D)
    driver.key(Key.Key_U)
    assert _answers(desk) == {"m1": Answer.CONFIRMED}
    assert driver.window.state.line.flag.id == "m2"
    driver.key(Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert _answers(desk) == {}
    driver.key(Key.Key_R)
    driver.key(Key.Key_Y, Qt.KeyboardModifier.ControlModifier)
    assert _answers(desk) == {"m1": Answer.CONFIRMED, "m2": Answer.DISMISSED}
    driver.key(Key.Key_R)
    assert driver.notice == words("desktop.nothing_to_redo")


def test_the_kind_is_changed_by_keys(driver, desk) -> None:
    driver.key(Key.Key_K)
    _press_in_menu(driver, Key.Key_4)
    driver.settle()
    changed = desk.logged["a"].verdicts["m1"].changed
    assert changed.kind is Kind.DARK_CELL
    assert changed.limit == "dark_cell.any"
    assert driver.window.state.lines[0].standing is Standing.CHANGED


def test_a_flag_is_added_at_the_selected_cell_by_keys_alone(driver, desk) -> None:
    driver.key(Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    driver.key(Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    assert driver.window._panel.view.selected == Address(2, 3)
    driver.key(Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    driver.key(Key.Key_A)
    _press_in_menu(driver, Key.Key_4)
    driver.key(Key.Key_Return)
    (added,) = desk.logged["a"].added
    assert (added.kind, added.string, added.position, added.source) == (Kind.DARK_CELL, 3, 3, Source.INSPECTOR)
    corners = np.array(desk.results["a"].cells[2 * 4 + 2].corners_px)
    assert np.allclose(sorted(added.outline_px), sorted(map(tuple, corners)), atol=0.05)
    assert driver.window.state.line.flag.id == added.id
    driver.key(Key.Key_U)
    assert desk.logged["a"].added == ()


def test_a_box_is_drawn_by_mouse_where_it_lies_on_the_file(driver, desk, qtbot: QtBot) -> None:
    view = driver.window._panel.view
    cell = np.array(desk.results["a"].cells[4 + 1].corners_px)
    start, end = cell[0] + 10, cell[0] + 40
    driver.key(Key.Key_A)
    _press_in_menu(driver, Key.Key_2)
    a, b = (QPoint(*np.rint(view.viewport.to_screen(np.array([point]))[0]).astype(int)) for point in (start, end))
    qtbot.mousePress(view, Qt.MouseButton.LeftButton, pos=a)
    qtbot.mouseMove(view, b)
    qtbot.mouseRelease(view, Qt.MouseButton.LeftButton, pos=b)
    driver.settle()
    (added,) = desk.logged["a"].added
    assert (added.string, added.position) == (2, 2)
    one_screen_pixel = 1 / view.viewport.scale
    assert added.box_px == pytest.approx((*start, 30, 30), abs=one_screen_pixel)
    assert added.area_fraction == pytest.approx((30 / 59) ** 2, rel=0.1)


def test_a_line_is_drawn_point_by_point(driver, desk, qtbot: QtBot) -> None:
    view = driver.window._panel.view
    cell = np.array(desk.results["a"].cells[4 + 1].corners_px)
    points = cell[0] + np.array([[5.0, 5.0], [30.0, 20.0], [50.0, 50.0]])
    driver.key(Key.Key_A)
    _press_in_menu(driver, Key.Key_1)
    for x, y in np.rint(view.viewport.to_screen(points)).astype(int):
        qtbot.mouseClick(view, Qt.MouseButton.LeftButton, pos=QPoint(x, y))
    driver.key(Key.Key_Return)
    (added,) = desk.logged["a"].added
    assert added.kind is Kind.CRACK
    assert np.allclose(added.outline_px, points, atol=1 / view.viewport.scale)
    length_px = np.hypot(25, 15) + np.hypot(20, 30)
    assert added.length_mm == pytest.approx(length_px * 156 / 60, rel=0.05)


def test_escape_leaves_the_drawing_and_adds_nothing(driver, desk) -> None:
    driver.key(Key.Key_A)
    _press_in_menu(driver, Key.Key_2)
    assert driver.window._panel.view.drawing is Kind.INACTIVE_AREA
    driver.key(Key.Key_Escape)
    assert driver.window._panel.view.drawing is None
    assert desk.logged["a"].added == ()


def test_an_error_of_the_log_is_said_in_words_and_changes_nothing_until_it_is_tried_again(driver, desk) -> None:
    desk.broken.add("answer")
    driver.key(Key.Key_C)
    assert "disk full" in driver.notice
    assert driver.window.state.notice.tone is Tone.FAILED
    assert driver.window.state.line.flag.id == "m1"
    assert driver.window.state.line.standing is Standing.NEEDS_ANSWER
    desk.broken.clear()
    driver.key(Key.Key_C)
    assert _answers(desk) == {"m1": Answer.CONFIRMED}


def test_a_queue_that_cannot_be_read_is_said_in_words(driver, desk) -> None:
    desk.broken.add("queue")
    driver.until(lambda: driver.window.state.queue_problem is not None)
    assert "disk full" in driver.window._queue._counts.text()
    desk.broken.clear()
    driver.until(lambda: driver.window.state.queue_problem is None)


def test_the_next_flag_shows_only_after_the_answer_is_on_disk(driver, desk, monkeypatch) -> None:
    written, go_on = Event(), Event()
    logged = desk.answer

    def slow(review, verdict):
        written.set()
        assert go_on.wait(10)
        return logged(review, verdict)

    monkeypatch.setattr(desk, "answer", slow)
    driver.window._presenter.flags.confirm()
    driver.until(written.is_set)
    assert driver.window.state.line.flag.id == "m1"
    driver.window._presenter.flags.dismiss()  # a key pressed meanwhile was not meant for the flag not yet shown
    go_on.set()
    driver.settle()
    assert driver.window.state.line.flag.id == "m2"
    assert _answers(desk) == {"m1": Answer.CONFIRMED}


def test_a_key_held_down_answers_one_flag(driver, desk) -> None:
    action = driver.window._actions["confirm"]
    assert not action.autoRepeat()
    assert driver.window._actions["zoom_in"].autoRepeat()


def test_a_new_panel_opens_by_itself_when_none_was_waiting(open_window: Callable, tmp_path: Path) -> None:
    desk = MemoryDesk()
    driver = open_window(desk)
    driver.until(lambda: bool(desk.calls))
    assert driver.window._panel._message.text() == words("desktop.empty.first")
    desk.arrive("late", painted_panel(tmp_path / "late.png", []))
    driver.until_picture("late")


def test_after_the_last_panel_the_window_says_that_all_are_decided(open_window: Callable, tmp_path: Path) -> None:
    desk = MemoryDesk()
    desk.arrive("only", painted_panel(tmp_path / "only.png", []))
    driver = open_window(desk)
    driver.until_picture("only")
    driver.key(Key.Key_F6)
    assert driver.window.state.review is None
    assert driver.window._panel._message.text() == words("desktop.empty.done")
    assert driver.notice == words("desktop.decided", serial="000123", decision="accept")


def test_without_its_picture_nothing_is_answered_or_released(open_window: Callable, desk, tmp_path: Path) -> None:
    (tmp_path / "b.png").unlink()
    driver = open_window(desk, start="b")
    driver.until(lambda: driver.window.state.picture is PictureState.FAILED)
    driver.key(Key.Key_F6)
    assert driver.notice == words("desktop.picture_failed")
    assert desk.logged["b"].decision is None
    assert "b.png" in driver.window._panel._detail.text()
    desk.arrive("b", painted_panel(tmp_path / "b.png", [], serial="000124"))
    driver.key(Key.Key_F5)
    driver.until(lambda: driver.window.state.picture is PictureState.SHOWN)
    driver.key(Key.Key_F6)
    assert desk.logged["b"].decision.disposition is Disposition.ACCEPT


def test_a_file_that_was_replaced_since_is_not_shown(open_window: Callable, desk, tmp_path: Path) -> None:
    (tmp_path / "b.png").write_bytes((tmp_path / "c.png").read_bytes())
    driver = open_window(desk, start="b")
    driver.until(lambda: driver.window.state.picture is PictureState.FAILED)
    assert driver.window._panel._detail.text() == words("desktop.picture.other_file", file=str(tmp_path / "b.png"))


def test_files_are_never_read_on_the_qt_thread(open_window: Callable, desk) -> None:
    from threading import get_ident

    threads: list[int] = []

    def read(path: Path) -> ElImage:
        threads.append(get_ident())
        return read_image(path)

    open_window(desk, read=read).until_picture("a")
    assert threads
    assert get_ident() not in threads


def test_the_next_picture_is_read_ahead_and_the_panel_not_taken(open_window: Callable, desk) -> None:
    read_files: list[str] = []

    def read(path: Path) -> ElImage:
        read_files.append(path.name)
        return read_image(path)

    driver = open_window(desk, read=read)
    driver.until_picture("a")
    driver.until(lambda: read_files == ["a.png", "b.png"])
    assert ("open", "b") not in desk.calls
    driver.key(Key.Key_F7)
    driver.until_picture("b")
    driver.until(lambda: read_files == ["a.png", "b.png", "c.png"])


def test_closing_the_window_waits_for_an_answer_that_is_being_written(driver, desk, monkeypatch) -> None:
    begun = Event()
    logged = desk.answer

    def slow(review, verdict):
        begun.set()
        Event().wait(0.3)
        return logged(review, verdict)

    monkeypatch.setattr(desk, "answer", slow)
    driver.window._presenter.flags.confirm()
    driver.until(begun.is_set)
    driver.window.close()
    assert _answers(desk) == {"m1": Answer.CONFIRMED}


def test_the_panel_stays_whole_when_the_window_changes_size(driver, qtbot: QtBot) -> None:
    view = driver.window._panel.view
    for width, height in ((1920, 1080), (1000, 640), (3840, 2160)):
        driver.window.resize(width, height)
        driver.until(lambda width=width: driver.window.width() == width)
        outline = view.viewport.to_screen(view.picture.places.outline)
        assert outline.min() >= 0
        assert outline[:, 0].max() <= view.width()
        assert outline[:, 1].max() <= view.height()


def test_a_click_on_a_flagged_cell_makes_its_flag_the_current_one(driver, desk, qtbot: QtBot) -> None:
    view = driver.window._panel.view
    middle = np.array(desk.results["a"].cells[4 + 2].corners_px).mean(axis=0, keepdims=True)
    x, y = np.rint(view.viewport.to_screen(middle)[0]).astype(int)
    qtbot.mouseClick(view, Qt.MouseButton.LeftButton, pos=QPoint(x, y))
    assert driver.window.state.line.flag.id == "m2"


def test_every_answer_and_decision_has_a_button_that_does_the_same(driver, desk, qtbot: QtBot) -> None:
    buttons = driver.window._flag.buttons
    qtbot.mouseClick(buttons["confirm"], Qt.MouseButton.LeftButton)
    driver.settle()
    qtbot.mouseClick(buttons["dismiss"], Qt.MouseButton.LeftButton)
    driver.settle()
    qtbot.mouseClick(buttons["undo"], Qt.MouseButton.LeftButton)
    driver.settle()
    assert _answers(desk) == {"m1": Answer.CONFIRMED}
    qtbot.mouseClick(driver.window._decision.buttons[Disposition.REWORK], Qt.MouseButton.LeftButton)
    driver.settle()
    assert desk.logged["a"].decision.disposition is Disposition.REWORK


def test_contrast_changes_what_is_seen_and_not_the_picture(driver) -> None:
    view = driver.window._panel.view
    before = [level.copy() for level in view.picture.levels]
    seen = view.grab().toImage()
    driver.key(Key.Key_BracketRight)
    assert view.grab().toImage() != seen
    for level, kept in zip(view.picture.levels, before, strict=True):
        assert np.array_equal(level, kept)
        assert not level.flags.writeable
    driver.key(Key.Key_Backslash)
    assert view.grab().toImage() == seen


def test_marks_can_be_taken_off_the_picture(driver) -> None:
    view = driver.window._panel.view
    with_marks = view.grab().toImage()
    driver.key(Key.Key_M)
    without = view.grab().toImage()
    assert with_marks != without
    driver.key(Key.Key_M)
    assert view.grab().toImage() == with_marks


def test_the_wheel_enlarges_about_the_pointer(driver, qtbot: QtBot) -> None:
    view = driver.window._panel.view
    at = QPointF(view.width() * 0.3, view.height() * 0.6)
    before = view.viewport.to_gate(at.x(), at.y())
    view.zoom(2.0, at)
    assert view.viewport.to_gate(at.x(), at.y()) == pytest.approx(before)
    driver.key(Key.Key_F)
    assert view.viewport.to_gate(at.x(), at.y()) == pytest.approx(before, abs=1e-6)


def test_help_opens_with_every_key_in_it(driver) -> None:
    driver.key(Key.Key_F1)
    help_window = driver.window.findChild(HelpWindow)
    assert help_window.isVisible()
    text = help_window.toPlainText()
    for word in ("F6", "Dismiss the flag", "Broken cells cut", "certify nothing"):
        assert word in text
    help_window.close()


def test_a_panel_that_was_not_found_is_shown_with_its_reason(open_window: Callable, desk, tmp_path: Path) -> None:
    from elinspect.catalogue import Message
    from elinspect.records import PanelFacts, Proposal

    found = painted_panel(tmp_path / "n.png", [])
    reason = Message("proposal.not_usable")
    held = replace(
        found,
        panel=PanelFacts(False, reason, found.panel.layout),
        cells=(),
        quality=replace(found.quality, usable=False),
        proposal=Proposal(Disposition.HOLD, (reason,)),
    )
    desk.arrive("n", held)
    driver = open_window(desk, start="n")
    driver.until_picture("n")
    driver.key(Key.Key_F6)
    assert words("gate.not_found") in driver.notice
    driver.key(Key.Key_F8)
    # The proposal's own reason and the person at the desk are put forward: one more key holds the panel.
    assert driver.window._decision.reason.text() == reason.text
    assert driver.window._decision.owner.text() == "tester"
    driver.key(Key.Key_Return)
    assert desk.logged["n"].decision.disposition is Disposition.HOLD
    assert desk.logged["n"].hold.owner == "tester"


def test_names_for_those_who_do_not_see_the_screen(driver) -> None:
    window = driver.window
    for widget in (*window._flag.buttons.values(), *window._decision.buttons.values(), window._flag.flags):
        assert widget.accessibleName()


def _press_in_menu(driver: Driver, key: Qt.Key) -> None:
    driver.until(lambda: QApplication.activePopupWidget() is not None)
    menu = QApplication.activePopupWidget()
    assert isinstance(menu, QMenu)
    QTest.keyClick(menu, key)
    driver.until(lambda: QApplication.activePopupWidget() is None)
    driver.window.activateWindow()  # a window system does this by itself, the offscreen one does not
    driver.until(driver.window.isActiveWindow)


def test_the_list_of_flags_shows_whole_rows_only(driver, desk, tmp_path) -> None:
    many = [(Kind.CRACK, string, position, CRACK) for string in (1, 2, 3) for position in (1, 2, 3, 4)]
    desk.arrive("many", painted_panel(tmp_path / "many.png", many, serial="000129"))
    driver.window._presenter.line.open("many")
    driver.until_picture("many")
    flags = driver.window._flag.flags
    for height in range(700, 760, 7):
        driver.window.resize(1366, height)
        QApplication.processEvents()
        row = flags.sizeHintForRow(0)
        assert flags.viewport().height() >= 2 * row
        assert flags.viewport().height() % row == 0


def test_a_scanner_closes_the_choice_of_kinds_before_its_letters_can_choose_one(driver, desk) -> None:
    driver.key(Key.Key_K)
    driver.until(lambda: QApplication.activePopupWidget() is not None)
    QTest.keyClick(QApplication.activePopupWidget(), Key.Key_F2)
    driver.until(lambda: QApplication.activePopupWidget() is None)
    QTest.keyClicks(driver.window.focusWidget(), "4711")
    assert driver.window._decision.reason.text() == "4711"
    assert not _answers(desk)
