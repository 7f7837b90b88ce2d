"""The strip that leads through the gate for the first time."""

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QWidget

from elinspect.catalogue import words
from elinspect_ui.panes.labels import plain_label
from elinspect_ui.presenters.walk import Walk


class WalkStrip(QWidget):
    """Says what to try next.

    Attributes
    ----------
    left : Signal
        The inspector has had enough.
    """

    left = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("strip")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.text = plain_label("strip", wrap=True)
        leave = QPushButton(words("desktop.walk.leave"))
        leave.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        leave.clicked.connect(self.left)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(8, 3, 8, 3)
        layout.addWidget(self.text, 1)
        layout.addWidget(leave)
        self.hide()

    def show_walk(self, walk: Walk | None) -> None:
        """Show how far the walk has come; nothing without one."""
        self.setVisible(walk is not None)
        if walk is not None:
            self.text.setText(walk.text)
