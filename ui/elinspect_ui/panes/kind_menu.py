"""The choice of a kind, by key or mouse."""

from collections.abc import Callable, Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QMenu, QWidget

from elinspect.catalogue import words
from elinspect.records import Kind
from elinspect_ui.presenters.flag_lines import kind_choices
from elinspect_ui.theme import Theme
from elinspect_ui.viewer.glyphs import glyph_icon, kind_path


class KindMenu(QMenu):
    """A menu that leaves the scanner's key to the window: no letter of a label may choose a kind.

    Attributes
    ----------
    scanned : Signal
        The scanner has begun.
    """

    scanned = Signal()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_F2:
            self.close()
            self.scanned.emit()
        else:
            super().keyPressEvent(event)


def kind_menu(
    parent: QWidget,
    title: str,
    chosen: Callable[[Kind], None],
    theme: Theme,
    kinds: Sequence[tuple[str, Kind]] | None = None,
) -> KindMenu:
    """Return a menu of kinds; each has a key, its drawing and its words.

    Parameters
    ----------
    parent : QWidget
        Owner.
    title : str
        What the choice is for.
    chosen : callable
        Called with the kind.
    theme : Theme
        For the drawings.
    kinds : sequence of (str, Kind), optional
        Which, each with its key; all by default.
    """
    menu = KindMenu(parent)
    menu.setAccessibleName(title)
    heading = menu.addAction(title)
    heading.setEnabled(False)
    size = parent.fontMetrics().height()
    for key, kind in kinds if kinds is not None else kind_choices():
        icon = glyph_icon(kind_path(kind), size, theme.ink, parent.devicePixelRatioF())
        action = menu.addAction(icon, f"&{key}   {words(f'kind.{kind}')}")
        action.setData(kind)
        action.triggered.connect(lambda _checked=False, kind=kind: chosen(kind))
    menu.aboutToHide.connect(menu.deleteLater)
    return menu
