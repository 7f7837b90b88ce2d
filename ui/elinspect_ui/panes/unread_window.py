"""The files that could not be inspected, and why."""

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QScrollArea, QVBoxLayout, QWidget

from elinspect.catalogue import words
from elinspect_ui.panes.labels import plain_label


class UnreadWindow(QDialog):
    """Lists files with their reasons; Escape closes it.

    Parameters
    ----------
    files : sequence of (str, str)
        Which file, and why, in words.
    parent : QWidget
        Owner.
    """

    def __init__(self, files: Sequence[tuple[str, str]], parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle(words("desktop.unread.title"))
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        inner = QWidget()
        lines = QVBoxLayout(inner)
        lines.setSpacing(2)
        intro = plain_label("soft", wrap=True)
        intro.setText(words("desktop.unread.intro" if files else "desktop.unread.none"))
        lines.addWidget(intro)
        for file, reason in files:
            lines.addSpacing(10)
            title = plain_label("title", wrap=True)
            title.setText(file)
            why = plain_label("", wrap=True)
            why.setText(reason)
            lines.addWidget(title)
            lines.addWidget(why)
        lines.addStretch(1)
        scrolled = QScrollArea()
        scrolled.setWidgetResizable(True)
        scrolled.setWidget(inner)
        layout = QVBoxLayout(self)
        layout.addWidget(scrolled)
