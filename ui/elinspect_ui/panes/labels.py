"""Labels that show text as it is, never as markup: serials and reasons come from outside."""

from collections.abc import Sequence
from html import escape

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QLabel, QSizePolicy, QWidget

from elinspect_ui.presenters.commands import Command


def spread(pane: QWidget, size_px: int) -> None:
    """Give a pane margins and gaps that suit its text."""
    layout = pane.layout()
    if layout is not None:
        side, gap = round(size_px * 0.6), round(size_px * 0.35)
        layout.setContentsMargins(side, round(size_px * 0.45), side, round(size_px * 0.4))
        layout.setSpacing(gap)


def plain_label(role: str = "", *, wrap: bool = False) -> QLabel:
    """Return a label of a role in the style sheet."""
    label = QLabel()
    _plain(label, role)
    label.setWordWrap(wrap)
    return label


class ElidedLabel(QLabel):
    """One line that ends in an ellipsis where it does not fit; the tool tip holds all of it.

    Parameters
    ----------
    role : str
        Role in the style sheet.
    parent : QWidget, optional
        Owner.
    """

    def __init__(self, role: str = "", parent: QWidget | None = None) -> None:
        super().__init__(parent)
        _plain(self, role)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)

    def minimumSizeHint(self) -> QSize:
        return QSize(0, super().minimumSizeHint().height())

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        text = self.fontMetrics().elidedText(self.text(), Qt.TextElideMode.ElideRight, self.width())
        painter.setPen(self.palette().windowText().color())
        painter.drawText(self.rect(), int(self.alignment()), text)


def key_line(commands: Sequence[Command]) -> QLabel:
    """Return a line that says which key does what."""
    label = QLabel()
    label.setProperty("role", "keys")
    label.setTextFormat(Qt.TextFormat.RichText)
    parts = (f"<b>{escape(command.shown_key)}</b>&nbsp;{escape(command.short)}" for command in commands)
    label.setText(" &nbsp; ".join(parts))
    return label


def _plain(label: QLabel, role: str) -> None:
    label.setTextFormat(Qt.TextFormat.PlainText)
    if role:
        label.setProperty("role", role)
