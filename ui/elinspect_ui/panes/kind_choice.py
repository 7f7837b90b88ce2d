"""Changing a kind and adding a flag: the choice of the kind, then the drawing."""

from collections.abc import Callable

from PySide6.QtCore import QPoint
from PySide6.QtWidgets import QWidget

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.records import Kind, Points
from elinspect_ui.panes.kind_menu import kind_menu
from elinspect_ui.panes.panel_pane import PanelPane
from elinspect_ui.presenters.drawing import LINE_KINDS, drawn_flag
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.theme import DARK, Theme


class KindChoice:
    """Asks for a kind over the picture and carries out what it is for.

    Parameters
    ----------
    window : QWidget
        Owner of the menus.
    panel : PanelPane
        Where flags are drawn.
    presenter : GatePresenter
        What changes and adds flags.
    """

    def __init__(self, window: QWidget, panel: PanelPane, presenter: GatePresenter) -> None:
        self.theme: Theme = DARK
        self._window = window
        self._panel = panel
        self._presenter = presenter
        self._kind: Kind | None = None
        self._redrawing = False
        panel.view.drawn.connect(self._drawn)
        panel.view.drawing_left.connect(lambda: panel.show_banner(""))

    def change(self) -> None:
        """Ask for the kind the current flag really is."""
        line = self._presenter.state.line
        if line is None:
            self._presenter.say_refused(words("desktop.no_flag"))
        elif self._presenter.flags.may_answer():
            self._ask(words("desktop.change.title", what=line.title), self._presenter.flags.change)

    def add(self) -> None:
        """Ask for the kind of a flag the machine missed; then it is drawn."""
        if self._panel.view.picture is None:
            self._presenter.say_refused(words("desktop.add.no_picture"))
        elif self._presenter.flags.may_answer():
            self._ask(words("desktop.add.title"), self._begin)

    def redraw(self) -> None:
        """Draw the outline of the current flag anew."""
        line = self._presenter.state.line
        if line is None:
            self._presenter.say_refused(words("desktop.no_flag"))
        elif line.flag.position is None or self._panel.view.picture is None:
            self._presenter.say_refused(words("desktop.redraw.cells_only"))
        elif self._presenter.flags.may_answer():
            self._panel.view.turn_to(line.flag.tile)
            self._panel.show_banner(
                words("desktop.redraw.line" if line.flag.kind in LINE_KINDS else "desktop.redraw.box"), drawing=True
            )
            self._panel.view.draw_flag(line.flag.kind)
            # After draw_flag: what was being drawn before is left first.
            self._kind, self._redrawing = line.flag.kind, True

    def _ask(self, title: str, chosen: Callable[[Kind], None]) -> None:
        menu = kind_menu(self._window, title, chosen, self.theme)
        menu.scanned.connect(self._presenter.serial.ask)
        menu.popup(self._panel.view.mapToGlobal(QPoint(8, 8)))

    def _begin(self, kind: Kind) -> None:
        how = "desktop.add.line" if kind in LINE_KINDS else "desktop.add.box"
        self._panel.show_banner(words(how, kind=kind.value), drawing=True)
        self._kind, self._redrawing = kind, False
        self._panel.view.draw_flag(kind)

    def _redrawn(self, outline: Points | None) -> None:
        picture = self._panel.view.picture
        if outline is None or picture is None:
            self._presenter.say_refused(words("desktop.redraw.none"))
            return
        try:
            self._presenter.flags.redraw(picture.places, outline)
        except ElinspectError as error:
            self._presenter.say_refused(str(error))

    def _drawn(self, outline: Points | None) -> None:
        self._panel.show_banner("")
        view, review, kind = self._panel.view, self._presenter.state.review, self._kind
        redrawing, self._redrawing, self._kind = self._redrawing, False, None
        if redrawing:
            self._redrawn(outline)
            return
        if view.picture is None or review is None or kind is None:
            return
        mm_per_px = review.result.quality.mm_per_px
        try:
            flag = drawn_flag(
                view.picture.places, kind, outline, view.selected, self._presenter.state.scheme, mm_per_px
            )
        except ElinspectError as error:
            self._presenter.say_refused(str(error))
        else:
            self._presenter.flags.add(flag)
