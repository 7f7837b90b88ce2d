"""The flags of the panel in order of severity, each with its shapes."""

from collections.abc import Sequence

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QPointF, QRect, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFont, QFontMetrics, QPainter
from PySide6.QtWidgets import QListWidget, QListWidgetItem, QStyledItemDelegate, QStyleOptionViewItem, QWidget

from elinspect.catalogue import words
from elinspect_ui.presenters.flag_lines import FlagLine, Standing
from elinspect_ui.theme import DARK, Theme, standing_colour
from elinspect_ui.viewer.glyphs import draw_glyph, kind_path, standing_path

_LINE = int(Qt.ItemDataRole.UserRole)


class _Row(QStyledItemDelegate):
    """Paints one flag: standing, kind, words."""

    def __init__(self, parent: QListWidget) -> None:
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


class FlagList(QListWidget):
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
        self._shown: tuple[FlagLine, ...] = ()
        self.setItemDelegate(self._row)
        self.setSelectionMode(QListWidget.SelectionMode.NoSelection)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setAccessibleName(words("desktop.flags.name"))
        self.itemClicked.connect(self._ask)
        self.itemActivated.connect(self._ask)

    def show_lines(self, lines: Sequence[FlagLine], current: str | None) -> None:
        """Show the flags; the rows are kept where only the current one moved."""
        if tuple(lines) != self._shown:
            self._shown = tuple(lines)
            self.clear()
            for line in lines:
                item = QListWidgetItem()
                item.setData(_LINE, line)
                item.setData(
                    Qt.ItemDataRole.AccessibleTextRole,
                    f"{line.title}: {words(f'desktop.short_standing.{line.standing}')}",
                )
                self.addItem(item)
        self._row.current = current
        place = next((i for i, line in enumerate(lines) if line.flag.id == current), None)
        if place is not None:
            self.setCurrentRow(place)
            self.scrollToItem(self.item(place))
        self.viewport().update()

    def use_theme(self, theme: Theme) -> None:
        """Paint in a theme."""
        self._row.theme = theme
        self.doItemsLayout()
        self.viewport().update()

    def _ask(self, item: QListWidgetItem) -> None:
        line: FlagLine = item.data(_LINE)
        self.asked.emit(line.flag.id)
