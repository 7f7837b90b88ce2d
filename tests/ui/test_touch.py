"""Fingers do what the mouse does; the touch events are Qt's own."""

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QPointingDevice
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from elinspect.records import Address, Answer, Disposition, Kind
from elinspect_ui.panes.panel_pane import PanelPane

Key = Qt.Key


@pytest.fixture(scope="module")
def screen() -> QPointingDevice:
    return QTest.createTouchDevice()


def _tap(widget, screen: QPointingDevice, place: QPoint | None = None) -> None:
    place = place if place is not None else widget.rect().center()
    # The screen of Qt's offscreen platform is smaller than the window: nobody can touch what lies beside it.
    widget.window().move(QPoint(400, 400) - widget.mapTo(widget.window(), place))
    QApplication.processEvents()
    QTest.touchEvent(widget, screen).press(0, place, widget).commit()
    QTest.touchEvent(widget, screen).release(0, place, widget).commit()
    QApplication.processEvents()


def _middle(driver, address: Address) -> QPoint:
    view = driver.window._panel.view
    quad = view.picture.places.quads[view.picture.places.index_of(address)]
    x, y = view.viewport.to_screen(quad.mean(axis=0, keepdims=True))[0]
    return QPoint(round(x), round(y))


def test_a_tap_on_a_cell_goes_to_its_flag_and_taps_answer_and_decide(driver, desk, screen) -> None:
    _tap(driver.window._panel.view, screen, _middle(driver, Address(2, 3)))
    assert driver.window.state.line.flag.id == "m2"
    _tap(driver.window._flag.buttons["confirm"], screen)
    driver.settle()
    _tap(driver.window._flag.buttons["dismiss"], screen)
    driver.settle()
    assert {name: verdict.answer for name, verdict in desk.logged["a"].verdicts.items()} == {
        "m2": Answer.CONFIRMED,
        "m1": Answer.DISMISSED,
    }
    _tap(driver.window._flag.buttons["undo"], screen)
    driver.settle()
    _tap(driver.window._flag.buttons["confirm"], screen)
    driver.settle()
    _tap(driver.window._decision.buttons[Disposition.REWORK], screen)
    driver.settle()
    assert desk.logged["a"].decision.disposition is Disposition.REWORK


def test_a_tap_in_the_line_opens_a_panel(driver, screen) -> None:
    line = driver.window._queue._list
    place = line.visualItemRect(line.item(2)).center()
    _tap(line.viewport(), screen, place)
    driver.until_picture("c")


def test_two_quick_taps_at_two_places_are_no_double_tap(driver, screen) -> None:
    view = driver.window._panel.view
    before = view.viewport
    for address in (Address(2, 1), Address(2, 3)):
        _tap(view, screen, _middle(driver, address))
    assert view.viewport == before
    assert view.selected == Address(2, 3)
    QTest.qWait(QApplication.doubleClickInterval() + 50)
    for _ in range(2):
        _tap(view, screen, _middle(driver, Address(2, 3)))
    assert view.viewport.scale > before.scale


def _pinch(view, screen: QPointingDevice, apart: list[int], shift: int = 0) -> None:
    """Two fingers about the middle of the view, so far apart one after the other."""
    middle = view.rect().center()

    def fingers(step: int, wide: int) -> list[QPoint]:
        here = middle + QPoint(step * shift, 0)
        return [here - QPoint(wide, 0), here + QPoint(wide, 0)]

    one, two = fingers(0, apart[0])
    QTest.touchEvent(view, screen).press(0, one, view).commit()
    QTest.touchEvent(view, screen).move(0, one, view).press(1, two, view).commit()
    for step, wide in enumerate(apart[1:], start=1):
        one, two = fingers(step, wide)
        QTest.touchEvent(view, screen).move(0, one, view).move(1, two, view).commit()
    QTest.touchEvent(view, screen).release(0, one, view).release(1, two, view).commit()
    QApplication.processEvents()


def test_two_fingers_enlarge_about_their_middle_and_choose_nothing(driver, screen) -> None:
    view = driver.window._panel.view
    before, chosen = view.viewport, driver.window.state.line.flag.id
    middle = np.array(before.to_gate(view.width() / 2, view.height() / 2))
    _pinch(view, screen, [40, 60, 80, 120])
    assert view.viewport.scale / before.scale == pytest.approx(3.0, rel=0.35)
    after = np.array(view.viewport.to_gate(view.width() / 2, view.height() / 2))
    assert np.hypot(*(after - middle)) < 12
    assert driver.window.state.line.flag.id == chosen
    _pinch(view, screen, [120, 80, 60, 40])
    assert view.viewport.scale < 1.5 * before.scale


def test_two_fingers_move_the_picture(driver, screen) -> None:
    view = driver.window._panel.view
    view.zoom(3.0)
    before = view.viewport
    _pinch(view, screen, [60, 61, 60, 61], shift=20)
    moved = (before.centre_x - view.viewport.centre_x) * before.scale
    assert moved == pytest.approx(60, abs=25)


def test_a_line_is_drawn_by_taps_and_ended_by_its_button(driver, desk, screen) -> None:
    panel: PanelPane = driver.window._panel
    driver.window._kinds._begin(Kind.CRACK)
    QApplication.processEvents()
    take, leave = panel._drawing_ends
    assert take.isVisible()
    for address in (Address(2, 1), Address(2, 2)):
        _tap(panel.view, screen, _middle(driver, address))
    _tap(take, screen)
    driver.settle()
    (added,) = desk.logged["a"].added
    assert (added.kind, len(added.outline_px)) == (Kind.CRACK, 2)
    assert not take.isVisible()
    driver.window._kinds._begin(Kind.CRACK)
    QApplication.processEvents()
    _tap(leave, screen)
    assert panel.view.drawing is None
    assert len(desk.logged["a"].added) == 1
