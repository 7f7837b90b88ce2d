"""The pages of the window by name: which is in front, and a way to the others."""

from collections.abc import Mapping, Sequence

from PySide6.QtGui import QAction
from PySide6.QtWidgets import QButtonGroup, QHBoxLayout, QPushButton, QSizePolicy, QWidget

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
