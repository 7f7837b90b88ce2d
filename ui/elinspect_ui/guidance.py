"""Help in the window: the text that belongs to where one is, and the walk through a practice panel."""

from collections.abc import Callable

from PySide6.QtWidgets import QMainWindow

from elinspect.catalogue import words
from elinspect_ui.panes.help_window import HelpWindow
from elinspect_ui.panes.walk_strip import WalkStrip
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.presenters.state import GateState
from elinspect_ui.presenters.walk import Walk, may_practise


class Guidance:
    """Opens the help and leads through the gate.

    Parameters
    ----------
    window : QMainWindow
        Over which the help opens.
    presenter : GatePresenter
        Whose panel the walk is about.
    topic : callable
        Says which help belongs to where the inspector is.
    walk_at_once : bool
        Begin the walk on the first practice panel.

    Attributes
    ----------
    strip : WalkStrip
        Says what to try next.
    help : HelpWindow or None
        The help, once it was opened.
    """

    def __init__(
        self, window: QMainWindow, presenter: GatePresenter, topic: Callable[[], str], walk_at_once: bool
    ) -> None:
        self._window, self._presenter, self._topic = window, presenter, topic
        self._walk_at_once = walk_at_once
        self._walk: Walk | None = None
        self.help: HelpWindow | None = None
        self.strip = WalkStrip()
        self.strip.left.connect(self.leave_walk)

    def panel_painted(self) -> None:
        """Begin the walk on the first practice panel, once."""
        if self._walk_at_once and may_practise(self._presenter.state):
            self._walk_at_once = False
            self.begin_walk()

    def state_changed(self, before: GateState, state: GateState) -> None:
        """Go on with the walk where the inspector did what it asked."""
        if self._walk is not None:
            self._walk = self._walk.after(before, state)
            self.strip.show_walk(self._walk)

    def begin_walk(self) -> None:
        """Lead through the gate; only where nothing that is tried counts."""
        if may_practise(self._presenter.state):
            self._walk = Walk()
            self.strip.show_walk(self._walk)
        else:
            self._presenter.say_refused(words("desktop.walk.production"))

    def leave_walk(self) -> None:
        """End the walk."""
        self._walk = None
        self.strip.show_walk(None)

    def open_help(self) -> None:
        """Show the help that belongs to where the inspector is."""
        topic, window = self._topic(), self._window
        if self.help is None:
            self.help = HelpWindow(window)
        self.help.show_topic(topic)
        self.help.resize(round(window.width() * 0.6), round(window.height() * 0.85))
        self.help.move(window.geometry().center() - self.help.rect().center())
        self.help.show()
        self.help.raise_()
        self.help.activateWindow()
