"""Which page of the window is in front: the gate, or one of those beside it."""

from collections.abc import Mapping, Sequence

from PySide6.QtGui import QAction
from PySide6.QtWidgets import QStackedWidget, QWidget

from elinspect_ui.jobs import Jobs
from elinspect_ui.pages import Page, PageWidget
from elinspect_ui.panes.page_bar import PageBar
from elinspect_ui.presenters.commands import COMMANDS
from elinspect_ui.theme import Theme


class Front(QStackedWidget):
    """The gate and the pages beside it, each made when it is first asked for.

    Parameters
    ----------
    gate : QWidget
        The gate, in front at first.
    pages : sequence of Page
        Those beside it.
    actions : mapping from str to QAction
        Of the window, by command.

    Attributes
    ----------
    bar : PageBar
        A way to each page.
    """

    def __init__(self, gate: QWidget, pages: Sequence[Page], actions: Mapping[str, QAction]) -> None:
        super().__init__()
        self._offered: dict[str, Page] = {page.name: page for page in pages}
        self._actions = actions
        self._jobs = Jobs(1, self)
        self._made: dict[str, PageWidget] = {}
        self._look: tuple[Theme, int] | None = None
        self.addWidget(gate)
        self.bar = PageBar(["gate", *self._offered], actions)
        self.bar.setVisible(bool(pages))
        self.bar.show_front("gate")
        for command in COMMANDS:
            name = command.name.removeprefix("page_")
            if name not in (command.name, "gate"):
                actions[command.name].setVisible(name in self._offered)

    def bring(self, name: str) -> bool:
        """Bring a page to the front; the gate's keys are off while it is not. False where there is no such page.

        The scanner's key stays on: what it writes after it must not be taken for keys of a page.
        """
        if name != "gate" and name not in self._offered:
            return False
        if name != "gate" and name not in self._made:
            self._made[name] = self._offered[name].make(self._jobs)
            if self._look is not None:
                self._made[name].use_theme(*self._look)
            self._made[name].scanned.connect(self._actions["scan"].trigger)
            self.addWidget(self._made[name])
        for command in COMMANDS:
            self._actions[command.name].setEnabled(
                name == "gate" or command.group == "window" or command.name == "scan"
            )
        if name == "gate":
            self.setCurrentIndex(0)
        else:
            self.setCurrentWidget(self._made[name])
            self._made[name].open()
            self._made[name].setFocus()
        self.bar.show_front(name)
        return True

    @property
    def page(self) -> str:
        """Name of the page in front; that of the gate while somebody signs in."""
        return next((name for name, page in self._made.items() if page is self.currentWidget()), "gate")

    def look_again(self) -> None:
        """Let the page in front read anew: somebody else is at the desk."""
        if self.page != "gate":
            self._made[self.page].open()

    def show_news(self) -> None:
        """Say on each page's button how much is new on it."""
        for name, page in self._offered.items():
            self.bar.show_news(name, page.news())

    def use_theme(self, theme: Theme, size_px: int) -> None:
        """Paint the pages in a theme, text of a size."""
        self._look = (theme, size_px)
        for page in self._made.values():
            page.use_theme(theme, size_px)

    def close_pages(self) -> None:
        """Give up what the pages are reading."""
        self._jobs.close(2_000, finish=False)
