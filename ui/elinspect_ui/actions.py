"""The window's actions: one for every command, and the menus they are found in."""

from collections.abc import Callable, Mapping

from PySide6.QtCore import QEvent, QObject
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QMainWindow, QMenu, QWidget

from elinspect.catalogue import words
from elinspect_ui.presenters.commands import BY_NAME, COMMANDS, GROUPS


def make_actions(window: QMainWindow, does: Mapping[str, Callable[[], object]]) -> dict[str, QAction]:
    """Return an action for every command, in the window and in its menus.

    Parameters
    ----------
    window : QMainWindow
        Owner; its keys work wherever the focus is.
    does : mapping from str to callable
        What each command does.
    """
    actions = {}
    for command in COMMANDS:
        action = QAction(command.text, window)
        action.setShortcuts([QKeySequence(key) for key in command.keys])
        # A key held down answers one flag, not one after the other.
        action.setAutoRepeat(command.group == "view")
        action.triggered.connect(lambda _checked=False, do=does[command.name]: do())
        window.addAction(action)
        actions[command.name] = action
    for group in GROUPS:
        menu = QMenu(words(f"desktop.menu.{group}"), window)
        for command in COMMANDS:
            if command.group == group:
                menu.addAction(actions[command.name])
        window.menuBar().addMenu(menu)
    return actions


class PageKeys(QObject):
    """Actions of a page beside the gate, under the gate's own keys; on only while the page is in front.

    Keys of the whole window: those of one widget would also be taken while a menu is open over it.

    Parameters
    ----------
    page : QWidget
        The page.
    does : mapping from str to callable
        What some of the gate's commands do there.

    Attributes
    ----------
    actions : dict from str to QAction
        By command.
    """

    def __init__(self, page: QWidget, does: Mapping[str, Callable[[], object]]) -> None:
        super().__init__(page)
        self.actions: dict[str, QAction] = {}
        for name, do in does.items():
            command = BY_NAME[name]
            action = QAction(command.text, page)
            action.setShortcuts([QKeySequence(key) for key in command.keys])
            action.setAutoRepeat(command.group == "view")
            action.triggered.connect(lambda _checked=False, do=do: do())
            action.setEnabled(page.isVisible())
            page.addAction(action)
            self.actions[name] = action
        page.installEventFilter(self)

    def eventFilter(self, _watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Switch the keys on when the page comes to the front, and off when it leaves."""
        if event.type() in (QEvent.Type.Show, QEvent.Type.Hide):
            for action in self.actions.values():
                action.setEnabled(event.type() is QEvent.Type.Show)
        return False
