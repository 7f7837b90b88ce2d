"""Buttons that say their key."""

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QPushButton, QSizePolicy, QWidget

from elinspect_ui.presenters.commands import BY_NAME


class CommandButton(QPushButton):
    """Does what an action does; shows its words and its key.

    Parameters
    ----------
    name : str
        Name of the command.
    action : QAction
        What it triggers and whose state it follows.
    parent : QWidget, optional
        Owner.
    """

    def __init__(self, name: str, action: QAction, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        command = BY_NAME[name]
        self.setText(f"{command.short}  [{command.shown_key}]")
        self.setToolTip(f"{command.text} ({command.shown_key})")
        self.setAccessibleName(command.text)
        self.setObjectName(f"button_{name}")
        # The keys of the window work wherever the focus is; Space and Enter must not press a button left in focus.
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Minimum, QSizePolicy.Policy.Fixed)
        self.clicked.connect(action.trigger)
        action.enabledChanged.connect(self.setEnabled)
        self.setEnabled(action.isEnabled())
