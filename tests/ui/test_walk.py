"""The first walk through the gate, and the help that fits what is being done."""

from dataclasses import replace

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from elinspect.catalogue import words
from elinspect.records import Purpose
from elinspect_ui.presenters.walk import STEPS, Walk

Key = Qt.Key


@pytest.fixture
def practice(open_window, desk):
    desk.arrive("a", replace(desk.results["a"], purpose=Purpose.DEMO))
    driver = open_window(desk)
    driver.until_picture("a")
    return driver


def test_the_walk_leads_through_a_panel_and_ends(practice) -> None:
    practice.key(Key.Key_F1, Qt.KeyboardModifier.ControlModifier)
    strip = practice.window._guidance.strip
    seen = [strip.text.text()]
    for key in (Key.Key_N, Key.Key_C, Key.Key_D, Key.Key_U, Key.Key_T):
        practice.key(key)
        if key is Key.Key_T:
            QTest.keyClicks(practice.window.focusWidget(), "odd")
            practice.key(Key.Key_Return)
        seen.append(strip.text.text())
    practice.key(Key.Key_F6)
    seen.append(strip.text.text())
    assert len(set(seen)) == len(seen) == len(STEPS)
    practice.key(Key.Key_D)
    practice.key(Key.Key_F7)
    practice.until(lambda: strip.text.text() == words("desktop.walk.over"))
    strip.left.emit()
    assert not strip.isVisible()


def test_the_walk_waits_until_the_thing_is_tried(practice) -> None:
    walk, state = Walk(), practice.window.state
    assert walk.after(state, state) == walk
    assert walk.after(state, replace(state, current=1)) == Walk(1)
    assert Walk(len(STEPS)).over


def test_nobody_practises_on_a_real_panel(driver) -> None:
    driver.key(Key.Key_F1, Qt.KeyboardModifier.ControlModifier)
    assert not driver.window._guidance.strip.isVisible()
    assert driver.notice == words("desktop.walk.production")


@pytest.mark.parametrize(("keys", "topic"), [((), "gate"), ((Key.Key_F8,), "decision"), ((Key.Key_F2,), "people")])
def test_help_opens_at_what_is_being_done(driver, keys, topic) -> None:
    for key in keys:
        driver.key(key)
    driver.window._actions["help"].trigger()
    shown = driver.window._guidance.help
    assert shown.toPlainText().startswith(words(f"desktop.help.{topic}").split(" and ")[0])
    shown.close()
