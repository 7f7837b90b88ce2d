"""The window's actions: one for every command, and the menus they are found in."""

from collections.abc import Callable, Mapping

from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QMainWindow, QMenu

from elinspect.catalogue import words
from elinspect_ui.presenters.commands import COMMANDS, GROUPS


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
