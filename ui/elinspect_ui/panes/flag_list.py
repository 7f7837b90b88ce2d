"""The flags of the panel in order of severity, each with its shapes."""

from PySide6.QtCore import QAbstractListModel, QModelIndex, QPersistentModelIndex, QPointF, QRect, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFont, QFontMetrics, QPainter, QResizeEvent
from PySide6.QtWidgets import QListView, QStyledItemDelegate, QStyleOptionViewItem, QWidget

from elinspect.catalogue import words
from elinspect_ui.presenters.flag_lines import FlagLine, Standing
from elinspect_ui.theme import DARK, Theme, standing_colour
from elinspect_ui.viewer.glyphs import draw_glyph, kind_path, standing_path

_LINE = int(Qt.ItemDataRole.UserRole)
_ROOT = QModelIndex()


class _Row(QStyledItemDelegate):
    """Paints one flag: standing, kind, words."""

    def __init__(self, parent: QListView) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.current: str | None = None

    def sizeHint(self, option: QStyleOptionViewItem, _index: QModelIndex | QPersistentModelIndex) -> QSize:
        return QSize(100, round(QFontMetrics(option.font).height() * 1.55))

    def paint(
        self, painter: QPainter, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex
    ) -> None:
        line: FlagLine = index.data(_LINE)
        area: QRect = option.rect
        metrics = QFontMetrics(option.font)
        height = metrics.height()
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        is_current = line.flag.id == self.current
        if is_current:
            painter.fillRect(area, QColor(self.theme.raised))
            painter.fillRect(QRect(area.left(), area.top(), 4, area.height()), QColor(self.theme.current))
        colour = standing_colour(self.theme, line.standing, line.above)
        top = area.center().y() - 0.42 * height
        left = area.left() + 0.6 * height
        draw_glyph(painter, standing_path(line.standing), QPointF(left, top), 0.85 * height, colour, "")
        draw_glyph(painter, kind_path(line.flag.kind), QPointF(left + 1.3 * height, top), 0.85 * height, colour, "")
        text = area.adjusted(round(3.2 * height), 0, -6, 0)
        said = words(f"desktop.short_standing.{line.standing}")
        room = text.width() - metrics.horizontalAdvance(said) - height
        font = QFont(option.font)
        font.setStrikeOut(line.standing is Standing.DISMISSED)
        font.setBold(is_current)
        painter.setFont(font)
        painter.setPen(QColor(self.theme.soft if line.standing is Standing.DISMISSED else self.theme.ink))
        title = QFontMetrics(font).elidedText(line.title, Qt.TextElideMode.ElideRight, room)
        painter.drawText(text, int(Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft), title)
        painter.setFont(option.font)
        painter.setPen(QColor(colour))
        painter.drawText(text, int(Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight), said)
        painter.restore()


class _Flags(QAbstractListModel):
    """The flags as Qt's lists ask for them."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.lines: tuple[FlagLine, ...] = ()

    def show_lines(self, lines: tuple[FlagLine, ...]) -> None:
        self.beginResetModel()
        self.lines = lines
        self.endResetModel()

    def rowCount(self, parent: QModelIndex | QPersistentModelIndex = _ROOT) -> int:
        return 0 if parent.isValid() else len(self.lines)

    def data(self, index: QModelIndex | QPersistentModelIndex, role: int = _LINE) -> FlagLine | str | None:
        line = self.lines[index.row()]
        if role == _LINE:
            return line
        if role == Qt.ItemDataRole.AccessibleTextRole:
            return f"{line.title}: {words(f'desktop.short_standing.{line.standing}')}"
        return None


class FlagList(QListView):
    """The flags.

    Attributes
    ----------
    asked : Signal
        The inspector asks for a flag: its id.
    """

    asked = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._row = _Row(self)
        self._flags = _Flags(self)
        self.setModel(self._flags)
        self.setItemDelegate(self._row)
        self.setUniformItemSizes(True)
        self.setSelectionMode(QListView.SelectionMode.NoSelection)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setAccessibleName(words("desktop.flags.name"))
        self.clicked.connect(self._ask)
        self.activated.connect(self._ask)

    def show_lines(self, lines: tuple[FlagLine, ...], current: int | None) -> None:
        """Show the flags; the rows are kept where only the current one moved."""
        if lines is not self._flags.lines:
            self._flags.show_lines(lines)
            self._keep_rows_whole()
        self._row.current = lines[current].flag.id if current is not None else None
        if current is not None:
            index = self._flags.index(current)
            self.setCurrentIndex(index)
            self.scrollTo(index)
        self.viewport().update()

    def use_theme(self, theme: Theme) -> None:
        """Paint in a theme."""
        self._row.theme = theme
        self.doItemsLayout()
        self._keep_rows_whole()
        self.viewport().update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        self._keep_rows_whole()
        super().resizeEvent(event)

    def _keep_rows_whole(self) -> None:
        """Leave empty what is left below the last whole row."""
        row = self.sizeHintForRow(0)
        self.setViewportMargins(0, 0, 0, self.height() % row if 0 < row <= self.height() else 0)

    def _ask(self, index: QModelIndex) -> None:
        self.asked.emit(self._flags.lines[index.row()].flag.id)
