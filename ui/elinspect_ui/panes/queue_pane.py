"""The line of panels across the top of the window, in the order they came."""

from collections.abc import Mapping, Sequence

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QPointF, QRect, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QAction, QColor, QFont, QFontMetrics, QPainter
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QScroller,
    QSizePolicy,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QWidget,
)

from elinspect.catalogue import words
from elinspect.records import Disposition
from elinspect_ui.panes.clock import TaktClock
from elinspect_ui.presenters.commands import BY_NAME
from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.queue import QueueLine
from elinspect_ui.theme import DARK, Theme
from elinspect_ui.viewer.glyphs import draw_glyph, standing_path

_LINE = int(Qt.ItemDataRole.UserRole)


class _Chip(QStyledItemDelegate):
    """Paints one panel: serial, and beneath it what was decided or is proposed."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK

    def sizeHint(self, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex) -> QSize:
        line: QueueLine = index.data(_LINE)
        metrics = QFontMetrics(option.font)
        bold = QFont(option.font)
        bold.setBold(True)
        wide = max(QFontMetrics(bold).horizontalAdvance(line.serial), metrics.horizontalAdvance(line.status))
        return QSize(wide + 3 * metrics.height(), round(metrics.height() * 2.5))

    def paint(
        self, painter: QPainter, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex
    ) -> None:
        line: QueueLine = index.data(_LINE)
        area: QRect = option.rect.adjusted(2, 2, -2, -2)
        height = QFontMetrics(option.font).height()
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QColor(self.theme.current if line.current else self.theme.line))
        painter.setBrush(QColor(self.theme.raised if line.decided is None else self.theme.ground))
        painter.drawRoundedRect(QRectF(area).adjusted(0.5, 0.5, -0.5, -0.5), 4, 4)
        if line.current:
            painter.fillRect(QRect(area.left() + 4, area.bottom() - 2, area.width() - 8, 3), QColor(self.theme.current))
        standing, colour = self._shape(line)
        place = QPointF(area.left() + 0.35 * height, area.center().y() - 0.45 * height)
        draw_glyph(painter, standing_path(standing), place, 0.9 * height, colour, "")
        text = area.adjusted(round(1.7 * height), 0, -4, 0)
        bold = QFont(option.font)
        bold.setBold(True)
        painter.setFont(bold)
        painter.setPen(QColor(self.theme.ink if line.decided is None or line.current else self.theme.soft))
        half = text.height() // 2
        painter.drawText(text.adjusted(0, 1, 0, -half), int(Qt.AlignmentFlag.AlignVCenter), line.serial)
        painter.setFont(option.font)
        painter.setPen(QColor(self.theme.soft))
        painter.drawText(text.adjusted(0, half - 2, 0, -2), int(Qt.AlignmentFlag.AlignVCenter), line.status)
        if option.state & QStyle.StateFlag.State_HasFocus:
            painter.setPen(QColor(self.theme.current))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(QRectF(area), 4, 4)
        painter.restore()

    def _shape(self, line: QueueLine) -> tuple[Standing, str]:
        if line.decided is Disposition.HOLD:
            return Standing.NOT_ANSWERED, self.theme.warning
        if line.decided is not None:
            return Standing.CONFIRMED, self.theme.done
        if line.above_limit:
            return Standing.NEEDS_ANSWER, self.theme.above
        return Standing.BELOW_LIMITS, self.theme.below


class QueuePane(QWidget):
    """The line of panels, files that could not be inspected, the clock of the panel on screen.

    Parameters
    ----------
    actions : mapping from str to QAction
        Of the window, by command.

    Attributes
    ----------
    opened : Signal
        The inspector asks for a panel: its inspection.
    """

    opened = Signal(str)

    def __init__(self, actions: Mapping[str, QAction], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.unread = QPushButton()
        self.unread.setProperty("role", "rare")
        self.unread.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.unread.clicked.connect(actions["unread"].trigger)
        self.unread.hide()
        self._shown: tuple[QueueLine, ...] = ()
        self._counts = QLabel()
        self._counts.setProperty("role", "soft")
        self._list = QListWidget()
        self._list.setFlow(QListWidget.Flow.LeftToRight)
        self._list.setHorizontalScrollMode(QListWidget.ScrollMode.ScrollPerPixel)
        self._list.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._list.setSelectionMode(QListWidget.SelectionMode.NoSelection)
        self._list.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self._list.setAccessibleName(words("desktop.queue.name"))
        QScroller.grabGesture(self._list.viewport(), QScroller.ScrollerGestureType.TouchGesture)
        self._chip = _Chip(self._list)
        self._list.setItemDelegate(self._chip)
        self._list.itemClicked.connect(self._ask)
        self._list.itemActivated.connect(self._ask)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(6, 0, 6, 0)
        layout.setSpacing(8)
        layout.addWidget(self._counts)
        layout.addWidget(self._list, 1)
        layout.addWidget(self.unread)
        self.clock = TaktClock()
        layout.addWidget(self.clock)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def show_lines(self, lines: Sequence[QueueLine], waiting: int, done: int, problem: str | None) -> None:
        """Show the panels; nothing is touched where nothing changed."""
        text = words("desktop.queue.counts", waiting=waiting, done=done) if problem is None else problem
        role = "soft" if problem is None else "problem"
        if self._counts.property("role") != role:
            self._counts.setProperty("role", role)
            self._counts.style().polish(self._counts)
        self._counts.setText(text)
        if tuple(lines) == self._shown:
            return
        self._shown = tuple(lines)
        self._list.clear()
        current = None
        for line in lines:
            item = QListWidgetItem()
            item.setData(_LINE, line)
            item.setData(Qt.ItemDataRole.AccessibleTextRole, line.detail)
            item.setToolTip(line.detail)
            self._list.addItem(item)
            current = item if line.current else current
        if current is not None:
            self._list.scrollToItem(current, QListWidget.ScrollHint.PositionAtCenter)

    def show_unread(self, number: int) -> None:
        """Say how many files could not be inspected; nothing where there is none."""
        self.unread.setVisible(number > 0)
        self.unread.setText(words("desktop.queue.unread", n=number, key=BY_NAME["unread"].shown_key))

    def use_theme(self, theme: Theme, size_px: int) -> None:
        """Paint in a theme, text of a size."""
        self._chip.theme = self.clock.theme = theme
        self.clock.updateGeometry()
        self._list.setFixedHeight(round(size_px * 3.3))
        self._list.doItemsLayout()
        self._list.viewport().update()

    def _ask(self, item: QListWidgetItem) -> None:
        line: QueueLine = item.data(_LINE)
        self.opened.emit(line.inspection)
