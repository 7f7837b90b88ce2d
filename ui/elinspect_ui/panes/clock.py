"""The clock of the panel on screen beside the line of panels."""

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from elinspect.catalogue import words
from elinspect_ui.presenters.shift import ClockLine
from elinspect_ui.theme import DARK, Theme

_WIDEST = "00:00 · 00:00"


class TaktClock(QWidget):
    """Time on this panel, and a bar that fills with the takt; past its end the bar is hatched and words say so."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._line = ClockLine("", None)
        self.theme: Theme = DARK
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Preferred)
        self.setAccessibleName(words("desktop.clock.name"))

    @property
    def line(self) -> ClockLine:
        """What is shown."""
        return self._line

    def show_line(self, line: ClockLine) -> None:
        """Show a time."""
        if line != self._line:
            self._line = line
            self.setAccessibleDescription(line.text)
            self.update()

    def sizeHint(self) -> QSize:
        metrics = self.fontMetrics()
        widest = max(metrics.horizontalAdvance(text) for text in (_WIDEST, words("desktop.clock.widest")))
        return QSize(widest + metrics.height(), round(metrics.height() * 2.4))

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        height = self.fontMetrics().height()
        top = (self.height() - 1.75 * height) / 2
        painter.setPen(QColor(self.theme.warning if self._line.over else self.theme.ink))
        box = QRectF(0, top, self.width(), height)
        painter.drawText(box, int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter), self._line.text)
        if self._line.share is None:
            return
        bar = QRectF(0.5, top + 1.25 * height, self.width() - 1, 0.4 * height)
        painter.setPen(QColor(self.theme.line))
        painter.drawRect(bar)
        filled = QRectF(bar.left(), bar.top(), bar.width() * min(self._line.share, 1.0), bar.height())
        painter.fillRect(filled, QColor(self.theme.soft))
        if self._line.over:
            painter.fillRect(bar, QColor(self.theme.warning))
            painter.fillRect(bar, Qt.BrushStyle.BDiagPattern)
