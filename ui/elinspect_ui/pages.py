"""Further pages of the window beside the gate: what one must be, and how the window makes it.

A page is made when it is first opened. Whatever takes time runs in the background through the `Jobs` it is given and
comes back to the Qt thread.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QWidget

from elinspect_ui.jobs import Jobs
from elinspect_ui.theme import Theme

PageName = Literal["technician", "figures", "readings"]


class PageWidget(QWidget):
    """A page of the window.

    The keys of the gate are off while a page is in front; a page's own shortcuts need the context
    ``Qt.ShortcutContext.WidgetWithChildrenShortcut``, or to be off while the page is not in front.

    Attributes
    ----------
    scanned : Signal
        A label is being scanned over a menu of the page: the gate asks for the serial.
    """

    scanned = Signal()

    def open(self) -> None:
        """The page comes to the front, for the first time or again: read anew what may have changed."""

    def use_theme(self, theme: Theme, size_px: int) -> None:
        """Paint in a theme, text of a size; called before the page is first shown and after every change."""


@dataclass(frozen=True, slots=True)
class Page:
    """One page of the window.

    Attributes
    ----------
    name : str
        Its command is ``page_<name>``, its words ``desktop.short.page_<name>``.
    make : callable
        Makes the page; called once, on the Qt thread.
    news : callable
        Says how much on it is new and not looked at; asked now and then, on the Qt thread.
    """

    name: PageName
    make: Callable[[Jobs], PageWidget]
    news: Callable[[], int] = lambda: 0
