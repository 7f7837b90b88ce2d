"""What an inspector does beside answering flags: notes, outlines, rule, earlier pictures, holds, sign-in."""

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from memory_desk import MemoryDesk
from painted_panel import CRACK, painted_panel
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

from elinspect.catalogue import Message, words
from elinspect.imaging import read_image
from elinspect.records import Answer, Disposition, Kind, Purpose
from elinspect.review.desk import ShiftFigures, UnreadFile, WaitingPanel
from elinspect.review.gate import Role
from elinspect.review.session import Hold
from elinspect_ui.panes.unread_window import UnreadWindow
from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.queue import age_in_words, in_order_due, next_waiting, queue_lines
from elinspect_ui.presenters.shift import clock_line, shift_start, shift_words
from elinspect_ui.viewer.close_up import Place
from elinspect_ui.viewer.picture import make_picture
from elinspect_ui.viewer.rule import Rule
from elinspect_ui.viewer.typical import aligned, difference

Key = Qt.Key
CTRL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier


def _type(driver, text: str) -> None:
    QTest.keyClicks(driver.window.focusWidget(), text)


def _on_screen(driver, gate_point: np.ndarray) -> QPoint:
    x, y = driver.window._panel.view.viewport.to_screen(gate_point.reshape(1, 2))[0]
    return QPoint(round(x), round(y))


# Notes and outlines


def test_a_note_stays_beside_the_flag_whatever_the_answer(driver, desk) -> None:
    driver.key(Key.Key_T)
    _type(driver, "ask the supplier")
    driver.key(Key.Key_Return)
    assert desk.logged["a"].verdicts["m1"].answer is None
    assert driver.window.state.line.note == "ask the supplier"
    assert "ask the supplier" in driver.window._flag._note.text()
    driver.key(Key.Key_C)
    verdict = desk.logged["a"].verdicts["m1"]
    assert (verdict.answer, verdict.note) == (Answer.CONFIRMED, "ask the supplier")
    assert driver.window.state.missing_for(Disposition.ACCEPT)[0] == words("gate.unanswered", n=1)


def test_a_note_alone_answers_nothing(driver, desk) -> None:
    for _ in range(2):
        driver.key(Key.Key_T)
        _type(driver, "?")
        driver.key(Key.Key_Return)
    assert driver.window.state.unanswered == 2
    driver.key(Key.Key_U)
    assert driver.window.state.line.note == "?"


def test_the_outline_of_a_flag_is_drawn_anew(driver, desk) -> None:
    view = driver.window._panel.view
    quad = view.picture.places.quads[1]  # cell 1-2, where the area is flagged
    start, end = quad[0] * 0.7 + quad[2] * 0.3, quad[0] * 0.3 + quad[2] * 0.7
    driver.key(Key.Key_O)
    QTest.mousePress(view, Qt.MouseButton.LeftButton, pos=_on_screen(driver, start))
    QTest.mouseMove(view, _on_screen(driver, end))
    QTest.mouseRelease(view, Qt.MouseButton.LeftButton, pos=_on_screen(driver, end))
    driver.settle()
    verdict = desk.logged["a"].verdicts["m1"]
    assert verdict.answer is Answer.CHANGED
    assert verdict.changed.kind is Kind.INACTIVE_AREA
    assert verdict.changed.area_fraction == pytest.approx(0.16, abs=0.03)  # 0.4 x 0.4 of the cell, drawn in pixels
    redrawn = next(line for line in driver.window.state.lines if line.flag.id == "m1")
    assert redrawn.standing is Standing.CHANGED
    assert redrawn.standing_text.startswith(words("desktop.standing.redrawn"))
    driver.key(Key.Key_U)
    assert desk.logged["a"].verdicts.get("m1") is None


def test_an_outline_that_is_not_drawn_stays(driver, desk) -> None:
    driver.key(Key.Key_O)
    driver.key(Key.Key_Return)
    assert driver.notice == words("desktop.redraw.none")
    driver.key(Key.Key_O)
    driver.key(Key.Key_Escape)
    assert desk.logged["a"].verdicts == {}


# The rule


def test_a_rule_gives_millimetres_of_the_cell(driver, desk) -> None:
    view = driver.window._panel.view
    quad = view.picture.places.quads[0]
    driver.key(Key.Key_X)
    for corner in (quad[0], quad[1]):  # two clicks, as with a finger
        QTest.mouseClick(view, Qt.MouseButton.LeftButton, pos=_on_screen(driver, corner))
    mm_per_px = desk.results["a"].quality.mm_per_px
    expected = float(np.hypot(*(quad[1] - quad[0]))) * mm_per_px
    said = driver.window._panel._banner.text()
    assert float(said.split()[1]) == pytest.approx(expected, rel=0.03)
    driver.key(Key.Key_X)
    assert not view.measuring
    assert driver.window._panel._banner.text() == ""


def test_a_rule_without_a_known_scale_counts_in_cells(driver) -> None:
    places = driver.window._panel.view.picture.places
    side = float(np.hypot(*(places.quads[:, 1] - places.quads[:, 0]).T).mean())
    rule = Rule().pressed((0.0, 0.0)).released((side / 2, 0.0), 4.0)
    assert rule.laid
    assert rule.words(places, None) == words("desktop.rule.cells", value=0.5)
    assert rule.words(places, 0.25) == words("desktop.rule.mm", value=side / 8)


# What has been on screen


def test_nothing_is_released_before_every_cell_has_been_on_screen(open_window, desk) -> None:
    driver = open_window(desk, start="b")
    driver.until_picture("b")
    driver.until(lambda: driver.window.state.unseen == 0)
    desk.arrive("z", replace(desk.results["b"], serial="9"))
    driver.window._presenter.cells_seen("b", 3)
    driver.key(Key.Key_F6)
    assert driver.notice == words("desktop.unseen", n=3)
    assert desk.logged["b"].decision is None


def test_a_zoomed_view_shows_only_some_cells_and_the_whole_panel_all(driver) -> None:
    view = driver.window._panel.view
    picture, said = view.picture, []
    view.looked.connect(said.append)
    view.set_pictures((picture,))
    view.zoom_to(picture.places.quads[0], 0.6)
    driver.until(lambda: said != [])
    assert 0 < said[-1] < 12
    view.fit()
    driver.until(lambda: said[-1] == 0)


# Earlier pictures, the typical cell


def test_an_earlier_picture_lies_on_the_same_cells(driver, desk, tmp_path: Path) -> None:
    desk.arrive("again", replace(painted_panel(tmp_path / "again.png", [(Kind.CRACK, 2, 2, CRACK)]), attempt=2))
    driver.window._presenter.line.open("again")
    driver.until_picture("again")
    view = driver.window._panel.view
    driver.key(Key.Key_E)
    driver.until(lambda: view.earlier_shown)
    assert "attempt 1" in driver.window._panel._banner.text()
    earlier, lines = view._earlier
    assert {line.flag.id for line in lines} == {"m1", "m2", "m3"}
    assert np.allclose(earlier.places.quads, view.picture.places.quads, atol=1.0)
    driver.key(Key.Key_E)
    assert not view.earlier_shown
    driver.window._presenter.line.open("b")
    driver.until_picture("b")
    driver.key(Key.Key_E)
    driver.until(lambda: driver.notice == words("desktop.earlier.none"))


def test_another_place_and_size_of_the_panel_is_laid_over_by_its_corners(tmp_path: Path) -> None:
    small = painted_panel(tmp_path / "small.png", [], cell_px=40)
    large = painted_panel(tmp_path / "large.png", [], cell_px=80)
    one, other = (make_picture(read_image(Path(r.image.path)), r).places for r in (small, large))
    over = aligned(one, other)
    assert np.abs(over.quads - other.quads).max() < 4  # gaps are as wide in both, so cells do not scale exactly


def test_a_cell_like_the_typical_one_is_grey_and_a_darker_place_is_darker(tmp_path: Path) -> None:
    found = painted_panel(tmp_path / "a.png", [], cell_px=60)
    picture = make_picture(read_image(tmp_path / "a.png"), found)
    assert picture.typical is not None
    address = found.cells[0].address
    whole = Place(0.0, 0.0, 1.0, 1.0)
    own = picture.typical.own[address]
    rows, columns = picture.typical.relative.shape
    like = np.ascontiguousarray(np.rint(picture.typical.relative * own).astype(np.uint16))
    side = min(rows, columns)
    assert np.abs(difference(like[:side, :side], picture.typical, address, whole).astype(int) - 127).max() <= 6
    darker = (like[:side, :side] * 0.85).astype(np.uint16)
    # 15 % of about the cell's median is half the span: a quarter of the way from grey to white, downwards.
    assert np.median(difference(darker, picture.typical, address, whole)) == pytest.approx(127.5 - 63.75, abs=6)


# Holds, taking back, concession


def test_a_hold_asks_for_owner_and_reason_and_is_not_accepted(driver, desk) -> None:
    driver.key(Key.Key_F8)
    decision = driver.window._decision
    assert decision.owner.isVisible()
    driver.key(Key.Key_Return)
    assert driver.notice == words("desktop.reason_needed")
    _type(driver, "odd edge")
    decision.owner.setFocus()
    decision.owner.selectAll()
    _type(driver, "Quality office")
    driver.key(Key.Key_Return)
    assert desk.logged["a"].hold.owner == "Quality office"
    driver.window._presenter.line.open("a")
    driver.until_picture("a")
    assert "Quality office" in decision.condition.text()
    driver.key(Key.Key_F6)
    assert words("gate.held") in driver.notice


def test_the_last_decision_is_taken_back_from_the_next_panel(driver, desk) -> None:
    driver.key(Key.Key_F7)
    driver.until_picture("b")
    driver.key(Key.Key_Backspace, CTRL)
    driver.until(lambda: driver.on_screen == "a" and driver.window.state.asking is not None)
    driver.key(Key.Key_Return)
    assert driver.notice == words("desktop.take_back_needs_reason")
    _type(driver, "wrong key")
    driver.key(Key.Key_Return)
    assert desk.logged["a"].decision is None
    assert driver.notice == words("desktop.decision_taken_back")


def test_a_release_that_was_sent_is_not_taken_back(driver, desk) -> None:
    driver.key(Key.Key_F7)
    driver.until_picture("b")
    desk.sent.add("a")
    driver.key(Key.Key_Backspace, CTRL)
    driver.until(lambda: driver.window.state.asking is not None)
    _type(driver, "too late")
    driver.key(Key.Key_Return)
    assert "already sent" in driver.notice
    assert desk.logged["a"].decision is not None


def test_concession_is_the_quality_engineers_with_a_reason(driver, desk) -> None:
    driver.key(Key.Key_C)
    driver.key(Key.Key_C)
    driver.key(Key.Key_F9)
    assert driver.notice == words("gate.role_quality", disposition="concession")
    desk.role = Role.QUALITY_ENGINEER
    driver.key(Key.Key_F5)
    driver.key(Key.Key_F9)
    driver.key(Key.Key_Return)
    assert driver.notice == words("desktop.reason_needed")
    _type(driver, "customer agrees")
    driver.key(Key.Key_Return)
    assert desk.logged["a"].decision.disposition is Disposition.CONCESSION


def test_flags_below_limits_are_shown_as_closed_by_the_release(driver, desk) -> None:
    driver.key(Key.Key_D)
    driver.key(Key.Key_D)
    driver.key(Key.Key_F6)
    driver.key(Key.Key_Return)
    driver.until_picture("b")
    driver.window._presenter.line.open("a")
    driver.until_picture("a")
    standings = {line.flag.id: line.standing for line in driver.window.state.lines}
    assert standings["m3"] is Standing.NOT_ANSWERED


# The clock, the shift, files that were not inspected


def test_the_clock_says_how_much_of_the_takt_is_over() -> None:
    assert clock_line(12.4, None).text == words("desktop.clock.plain", time="0:12")
    assert clock_line(12.4, 30.0).share == pytest.approx(0.413, abs=0.001)
    over = clock_line(75.0, 30.0)
    assert over.over
    assert over.text == words("desktop.clock.over", time="1:15", over="0:45", takt="0:30")


@pytest.mark.parametrize(
    ("now", "start"),
    [("14:30", "2026-03-02T14:00"), ("05:59", "2026-03-01T22:00"), ("22:00", "2026-03-02T22:00")],
)
def test_a_shift_began_at_the_last_of_its_times(now: str, start: str) -> None:
    moment = datetime.fromisoformat(f"2026-03-02T{now}:00+01:00")
    begun = shift_start(["06:00", "14:00", "22:00"], moment)
    assert begun == datetime.fromisoformat(f"{start}:00+01:00")
    assert shift_start([], moment) == moment


def test_the_figures_of_the_shift_name_all_they_count() -> None:
    decided = {Disposition.ACCEPT: 5, Disposition.REWORK: 2, Disposition.SCRAP: 1}
    answers = {"confirmed": 3, "dismissed": 4, "closed": 9}
    short, detail = shift_words(ShiftFigures("2026-03-02T06:00:00+00:00", decided, 2, answers), [4.0, 6.0, 40.0])
    assert short == "Shift: 8 panels · 5 accept · 2 rework · 0 hold · 1 scrap"
    assert "2 decisions against the proposal" in detail
    assert "3 confirmed, 4 dismissed, 0 changed, 0 added by hand, 9 below every limit" in detail
    assert "median 6 s on screen, longest 40 s" in detail


def test_held_panels_show_owner_and_age_in_the_line(desk: MemoryDesk) -> None:
    (panel,) = [panel for panel in desk.queue() if panel.inspection == "a"]
    since = (datetime.now().astimezone().replace(microsecond=0)).isoformat()
    held = replace(panel, decision=Disposition.HOLD, hold=Hold("Quality office", since))
    assert queue_lines([held], None)[0].status == words("desktop.queue.held", age="0 min", owner="Quality office")
    now = datetime.fromisoformat("2026-03-04T06:30:00+00:00")
    assert age_in_words("2026-03-04T04:15:00+00:00", now) == "2 h 15 min"
    assert age_in_words("2026-03-01T06:30:00+00:00", now) == "3 days"
    assert age_in_words("yesterday", now) == ""


def test_panels_of_stations_with_different_takts_come_in_the_order_they_are_due(desk: MemoryDesk) -> None:
    first, second, *_ = desk.queue()
    slow, fast = replace(first, station="slow"), replace(second, station="fast")
    assert [panel.station for panel in in_order_due([slow, fast], {})] == ["slow", "fast"]
    due = in_order_due([slow, fast], {"slow": 60.0, "": 20.0})
    assert [panel.station for panel in due] == ["fast", "slow"]


def test_a_panel_of_a_fast_station_that_came_meanwhile_is_next_though_it_is_due_before_the_one_on_screen() -> None:
    def panel(name: str, station: str, second: int) -> WaitingPanel:
        seen = f"2026-03-02T06:00:{second:02d}+00:00"
        return WaitingPanel(name, name, seen, Purpose.PRODUCTION, 1, Disposition.ACCEPT, 0, None, station)

    takts = {"slow": 60.0, "fast": 20.0}
    passed, here, later = panel("passed", "slow", 1), panel("here", "slow", 5), panel("later", "slow", 9)
    assert next_waiting([passed, here, later], "here", takts) == "later"
    since = panel("since", "fast", 30)  # due at 50 s, the one on screen at 65 s
    assert next_waiting([passed, here, later, since], "here", takts) == "since"
    decided = replace(here, decision=Disposition.ACCEPT)
    assert next_waiting([passed, decided, later, since], "here", takts) == "since"
    assert next_waiting([passed, decided], "here", takts) == "passed"


def test_files_that_were_not_inspected_are_one_key_away(driver, desk) -> None:
    assert not driver.window._queue.unread.isVisible()
    reason = Message("imaging.empty", {"file": "x.png"})
    desk.unread_files.append(UnreadFile("EL 1", "x.png", reason, "2026-03-02T06:00:00+00:00"))
    driver.window._presenter.line.read_figures("2026-03-02T06:00:00+00:00")
    driver.until(lambda: driver.window._queue.unread.isVisible())
    driver.key(Key.Key_F4)
    (shown,) = driver.window.findChildren(UnreadWindow)
    texts = [label.text() for label in shown.findChildren(type(driver.window._who))]
    assert reason.text in texts
    shown.close()


# Contrast


def test_the_contrast_chosen_for_a_panel_is_there_again(driver) -> None:
    driver.key(Key.Key_BracketRight)
    chosen = driver.window._panel._sliders["middle"].value()
    driver.key(Key.Key_PageDown)
    driver.until_picture("b")
    assert driver.window._panel._sliders["middle"].value() != chosen
    driver.key(Key.Key_PageUp)
    driver.until_picture("a")
    assert driver.window._panel._sliders["middle"].value() == chosen


# Who is at the desk


@pytest.fixture
def guarded(desk: MemoryDesk) -> MemoryDesk:
    desk.pins = {"Ada": ("4711", Role.INSPECTOR), "Grace": ("BADGE-0042", Role.QUALITY_ENGINEER)}
    desk.name = "Ada"
    return desk


def test_another_person_signs_in_and_the_panel_stays(open_window, guarded) -> None:
    driver = open_window(guarded)
    driver.until_picture("a")
    driver.key(Key.Key_F12)
    page = driver.window._desk_hands.page
    assert page.isVisible()
    driver.key(Key.Key_C)  # goes into the line for the badge, not to the flag
    assert guarded.logged["a"].verdicts == {}
    page.name.clear()
    page.secret.setText("BADGE-0042")
    driver.key(Key.Key_Return)
    driver.until(lambda: not driver.window._desk_hands.asking)
    driver.settle()  # the panel is read again: what may be decided depends on the role
    assert (guarded.name, driver.on_screen) == ("Grace", "a")
    assert "quality engineer" in driver.window._who.text()
    driver.key(Key.Key_C)
    assert list(guarded.logged["a"].verdicts) == ["m1"]


def test_a_wrong_pin_is_said_and_escape_leaves_the_desk_as_it_was(open_window, guarded) -> None:
    driver = open_window(guarded)
    driver.until_picture("a")
    driver.key(Key.Key_F12)
    page = driver.window._desk_hands.page
    page.secret.setText("0000")
    driver.key(Key.Key_Return)
    driver.until(lambda: page._said.text() == words("people.wrong_pin"))
    assert page.secret.text() == ""
    driver.key(Key.Key_Escape)
    assert not driver.window._desk_hands.asking
    assert guarded.name == "Ada"


def test_the_window_locks_itself_and_escape_does_not_open_it(open_window, guarded, qtbot) -> None:
    driver = open_window(guarded)
    driver.until_picture("a")
    driver.until(lambda: driver.window._desk_hands._with_pin)
    driver.window._desk_hands._idle.start(30)
    driver.until(lambda: driver.window._desk_hands.asking)
    driver.window._desk_hands._idle.setInterval(60_000)
    driver.key(Key.Key_Escape)
    assert driver.window._desk_hands.asking
    driver.key(Key.Key_F7)
    assert guarded.logged["a"].decision is None
    driver.window._desk_hands.page.secret.setText("4711")
    driver.key(Key.Key_Return)
    driver.until(lambda: not driver.window._desk_hands.asking)


# Serials


def _scan(driver, serial: str) -> None:
    """What a scanner that sends F2 before and Enter after a code does: no key of it reaches a command."""
    driver.key(Key.Key_F2)
    _type(driver, serial)
    driver.key(Key.Key_Return)


def test_a_scan_compares_with_the_panel_on_screen_or_goes_to_its_panel(driver, desk) -> None:
    _scan(driver, "000123")
    assert driver.notice == words("desktop.serial.same", serial="000123")
    _scan(driver, "CDCD")  # letters that are commands elsewhere
    assert driver.notice == words("desktop.serial.unknown", serial="CDCD", here="000123")
    assert desk.logged["a"].verdicts == {}
    _scan(driver, "000125")
    driver.until_picture("c")


def test_a_scan_gives_its_serial_to_a_picture_without_one(open_window, desk, tmp_path: Path) -> None:
    desk.arrive("n", painted_panel(tmp_path / "n.png", [], serial=None))
    driver = open_window(desk, start="n")
    driver.until_picture("n")
    driver.key(Key.Key_F6)
    assert words("gate.serial") in driver.notice
    _scan(driver, "000999")
    driver.until(lambda: driver.on_screen == "n+")
    assert driver.window.state.review.result.serial == "000999"
    driver.until_picture("n+")
    driver.until(lambda: driver.window.state.unseen == 0)
    driver.key(Key.Key_F6)
    assert desk.logged["n+"].decision.disposition is Disposition.ACCEPT


# The plan of a rework, and names for those who cannot see


def test_the_plan_of_the_rework_follows_the_answers(driver, desk) -> None:
    assert len(driver.window.state.plan) == 2
    driver.key(Key.Key_C)
    driver.key(Key.Key_D)
    (step,) = driver.window.state.plan
    assert "1-2" in step
    assert step in driver.window._decision.condition.text()
    assert step in driver.window._decision.buttons[Disposition.REWORK].toolTip()


def test_everything_that_takes_the_focus_has_a_name(driver) -> None:
    from PySide6.QtWidgets import QAbstractButton, QAbstractItemView, QAbstractSlider, QLineEdit

    kinds = (QAbstractButton, QAbstractItemView, QAbstractSlider, QLineEdit)
    found = [widget for kind in kinds for widget in driver.window.findChildren(kind)]
    nameless = [
        widget
        for widget in [*found, driver.window._panel.view]
        if widget.focusPolicy() is not Qt.FocusPolicy.NoFocus
        and not widget.accessibleName()
        and not (isinstance(widget, QAbstractButton) and widget.text())
        and type(widget).__name__ != "QScrollBar"
        and not widget.objectName().startswith("qt_")
    ]
    assert len(found) > 30
    assert [type(widget).__name__ for widget in nameless] == []
