"""The pages of the window by name: which is in front, and a way to the others."""

from collections.abc import Mapping, Sequence

from PySide6.QtGui import QAction, QResizeEvent
from PySide6.QtWidgets import QButtonGroup, QHBoxLayout, QLayout, QPushButton, QSizePolicy, QWidget

from elinspect.catalogue import words
from elinspect_ui.presenters.commands import BY_NAME


class PageBar(QWidget):
    """Buttons for the pages, the one in front pressed.

    Parameters
    ----------
    names : sequence of str
        Pages in order.
    actions : mapping from str to QAction
        Of the window, by command.
    """

    def __init__(self, names: Sequence[str], actions: Mapping[str, QAction], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._buttons: dict[str, QPushButton] = {}
        group = QButtonGroup(self)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(2)
        for name in names:
            command = BY_NAME[f"page_{name}"]
            button = QPushButton(f"{command.short}  [{command.shown_key}]")
            button.setCheckable(True)
            button.setProperty("role", "page")
            button.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Preferred)
            button.setAccessibleName(command.text)
            button.setToolTip(f"{command.text} ({command.shown_key})")
            button.clicked.connect(actions[command.name].trigger)
            group.addButton(button)
            row.addWidget(button)
            self._buttons[name] = button

    def show_front(self, name: str) -> None:
        """Press the button of the page in front."""
        self._buttons[name].setChecked(True)

    def show_news(self, name: str, count: int) -> None:
        """Say on a page's button how much is new on it."""
        command = BY_NAME[f"page_{name}"]
        news = words("page.news", n=count) if count else ""
        self._buttons[name].setText(f"{command.short}{news}  [{command.shown_key}]")
        self._buttons[name].setAccessibleDescription(news.strip())


class MenuCorner(QWidget):
    """The right end of the menu bar: it keeps to its right edge as a name or news make it wider or narrower."""

    def __init__(self, parts: Sequence[QWidget]) -> None:
        super().__init__()
        row = QHBoxLayout(self)
        row.setContentsMargins(8, 2, 8, 0)
        row.setSpacing(12)
        row.setSizeConstraint(QLayout.SizeConstraint.SetFixedSize)
        for part in parts:
            row.addWidget(part)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        bar = self.parentWidget()
        if bar is not None:  # a menu bar places its corner only when it changes itself
            self.move(bar.width() - self.width(), self.y())
