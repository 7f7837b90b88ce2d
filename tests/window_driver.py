"""A person at the window, for tests."""

from collections.abc import Callable

from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from elinspect_ui.presenters.state import PictureState
from elinspect_ui.window import GateWindow


class Driver:
    """A person at the window: presses keys and waits until the window has done what they ask."""

    def __init__(self, window: GateWindow, qtbot: QtBot) -> None:
        self.window = window
        self._qtbot = qtbot

    def key(self, key: Qt.Key, modifier: Qt.KeyboardModifier = Qt.KeyboardModifier.NoModifier) -> None:
        self._qtbot.keyClick(self.window.focusWidget() or self.window, key, modifier)
        self.settle()

    def settle(self) -> None:
        self._qtbot.wait_until(lambda: self.window.state.busy is None)

    def until(self, condition: Callable[[], bool]) -> None:
        self._qtbot.wait_until(condition)

    def until_picture(self, inspection: str) -> None:
        self._qtbot.wait_until(lambda: self.on_screen == inspection)
        self._qtbot.wait_until(lambda: self.window.state.picture is PictureState.SHOWN)

    @property
    def on_screen(self) -> str | None:
        review = self.window.state.review
        return review.inspection if review is not None else None

    @property
    def notice(self) -> str:
        return self.window.state.notice.text if self.window.state.notice else ""
