"""The panel on screen: its pictures as they come, its cells and flags, the rule, an earlier picture laid over it."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
from PySide6.QtCore import QObject, Signal

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.records import Address, ElImage
from elinspect.review.desk import EarlierPicture
from elinspect.review.session import Review
from elinspect_ui.jobs import Jobs
from elinspect_ui.panes.earlier import Earlier
from elinspect_ui.panes.flag_pane import FlagPane
from elinspect_ui.panes.panel_pane import PanelPane
from elinspect_ui.pictures import Pictures
from elinspect_ui.presenters.commands import BY_NAME
from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.presenters.state import Busy, GateState, PictureState
from elinspect_ui.viewer.picture import Contrast, Picture


class PanelOnScreen(QObject):
    """Keeps the panel pane and the flag pane at the panel of the state.

    Parameters
    ----------
    panel : PanelPane
        Shows the whole panel.
    flag : FlagPane
        Shows the current flag.
    presenter : GatePresenter
        Whose state is shown.
    read : callable
        Reads an exposure from its file; called in the background.

    Attributes
    ----------
    painted : Signal
        A picture of the panel has been painted.
    changed : Signal
        Another panel, or none, is on screen.
    """

    painted = Signal()
    changed = Signal()

    def __init__(
        self, panel: PanelPane, flag: FlagPane, presenter: GatePresenter, read: Callable[[Path], ElImage]
    ) -> None:
        super().__init__(panel)
        self._panel, self._flag, self._presenter = panel, flag, presenter
        self._pictures = Pictures(Jobs(2, self), read, self._ready, self._failed)
        self._earlier: Earlier | None = None
        self._whole = False
        self.inspection: str | None = None
        view = panel.view
        panel.again.connect(self.read_again)
        panel.contrast_changed.connect(self._contrast_changed)
        view.shown.connect(self._painted)
        view.chosen.connect(self._cell_chosen)
        view.looked.connect(self._looked)
        view.turned.connect(self._turned)
        view.measured.connect(self._measured)

    def close(self) -> None:
        """Read nothing any more."""
        self._pictures.close()

    # Which panel, and its pictures

    def show_state(self, state: GateState) -> None:
        """Follow the state to its panel."""
        here = state.review.inspection if state.review is not None else None
        if here != self.inspection:
            self._change(here)
        elif here is None:
            self._show_empty(state)

    def _change(self, inspection: str | None) -> None:
        self.inspection = inspection
        self.changed.emit()
        self._drop_earlier()
        self._flag.show_pictures(())
        review = self._presenter.state.review
        if inspection is None or review is None:
            self._show_empty(self._presenter.state)
            return
        ready = self._pictures.want(inspection, review.result)
        if ready is None:
            self._panel.show_message(words("desktop.picture.loading"), review.result.image.path, working=True)
        else:
            self._ready(inspection, ready)

    def _show_empty(self, state: GateState) -> None:
        if state.busy is Busy.OPENING:
            self._panel.show_message(words("desktop.opening"), working=True)
        elif state.queue_problem is not None:
            self._panel.show_message(words("desktop.empty.log"), state.queue_problem)
        else:
            done = bool(state.panels)
            self._panel.show_message(
                words("desktop.empty.done" if done else "desktop.empty.first"), words("desktop.empty.hint")
            )

    def _ready(self, inspection: str, pictures: tuple[Picture, ...]) -> None:
        if inspection == self.inspection:
            state = self._presenter.state
            mm_per_px = state.review.result.quality.mm_per_px if state.review is not None else None
            self._panel.show_pictures(pictures, state.scheme, inspection, mm_per_px)
            self._flag.show_pictures(pictures)
            self.show_flags(state)
        elif self._earlier is not None and inspection == self._earlier.review.inspection:
            self._earlier.show(self._panel, pictures)

    def _failed(self, inspection: str, error: Exception) -> None:
        if inspection == self.inspection:
            text = str(error) if isinstance(error, ElinspectError) else words("desktop.unexpected", cause=str(error))
            self._panel.show_message(words("desktop.picture.failed"), text, again=True)
            self._presenter.picture_failed(inspection)
        elif self._earlier is not None and inspection == self._earlier.review.inspection:
            self._drop_earlier()
            self._presenter.say_refused(str(error))

    def _painted(self) -> None:
        if self.inspection is not None:
            self._presenter.picture_shown(self.inspection)
            self.painted.emit()
            self.look_ahead()

    def look_ahead(self) -> None:
        """Read the pictures of the panel that comes next."""
        self._presenter.line.look_ahead(self._pictures.prefetch)

    def read_again(self) -> None:
        """Try once more to read a picture that could not be read."""
        review = self._presenter.state.review
        if review is not None:
            self._panel.show_message(words("desktop.picture.loading"), review.result.image.path, working=True)
            self._pictures.want(review.inspection, review.result)

    def open_again(self) -> None:
        """Read the panel from the log again, and its picture where that failed."""
        self._presenter.line.open_again()
        if self._presenter.state.picture is PictureState.FAILED:
            self.read_again()

    # Several pictures of one panel

    def turn_picture(self) -> None:
        """Bring the panel's next picture to the front, and with it the first of its flags that needs an answer."""
        view = self._panel.view
        if view.count > 1:
            view.turn_to((view.number + 1) % view.count)
            self._bring_flag(view.number)
        elif view.count:
            self._presenter.say_hint(words("desktop.picture.only_one"))

    def _bring_flag(self, number: int) -> None:
        """Make a flag of a picture the current one: what is answered should be what is seen."""
        state = self._presenter.state
        if state.line is None or state.line.flag.tile == number:
            return
        here = [place for place, line in enumerate(state.lines) if line.flag.tile == number]
        if here:
            wanting = (place for place in here if state.lines[place].standing is Standing.NEEDS_ANSWER)
            self._presenter.flags.go_to(state.lines[next(wanting, here[0])].flag.id)
        else:
            key = BY_NAME["zoom_flag"].shown_key
            self._presenter.say_hint(
                words(
                    "desktop.picture.flag_elsewhere",
                    place=state.line.flag.tile + 1,
                    total=self._panel.view.count,
                    key=key,
                )
            )

    def _turned(self) -> None:
        if self._earlier is not None:
            ready = self._pictures.kept(self._earlier.review.inspection)
            if ready is not None:
                self._earlier.show(self._panel, ready)
            else:  # the words above the picture must not outlive it
                self._drop_earlier()

    # Flags and cells

    def show_flags(self, state: GateState) -> None:
        """Mark the flags of the state over the picture."""
        self._panel.view.set_lines(state.lines, state.line.flag.id if state.line is not None else None)
        self._flag.show_selected(self._panel.view.selected)

    def _cell_chosen(self, address: Address) -> None:
        """Go to the first flag of a cell that was clicked; a cell without flags is only selected."""
        lines = self._presenter.state.lines
        found = next((line for line in lines if _is_on(line.flag.string, line.flag.position, address)), None)
        if found is not None:
            self._presenter.flags.go_to(found.flag.id)
        self._flag.show_selected(address)

    def step_cell(self, right: int, down: int) -> None:
        """Select the next cell in a direction."""
        self._panel.view.step_selection(right, down)
        if self._panel.view.selected is not None:
            self._cell_chosen(self._panel.view.selected)

    def zoom_flag(self) -> None:
        """Enlarge the current flag, or the selected cell."""
        view, line = self._panel.view, self._presenter.state.line
        on_flag = line is not None and _is_on(line.flag.string, line.flag.position, view.selected)
        if line is not None and on_flag:
            view.turn_to(line.flag.tile)
        picture = view.picture
        if picture is None:
            return
        index = picture.places.index_of(view.selected) if view.selected is not None else None
        if line is not None and on_flag and line.flag.outline_px:
            view.zoom_to(picture.places.to_gate(np.array(line.flag.outline_px, dtype=np.float64)))
        elif index is not None:
            view.zoom_to(picture.places.quads[index], 0.8)

    def toggle_marks(self) -> None:
        """Draw the marks over the picture, or only the picture."""
        shown = not self._panel.view.marks_shown
        self._panel.view.show_marks(shown)
        self._flag.show_marks(shown)

    def toggle_whole_cell(self) -> None:
        """Show the whole cell in the close-ups, or only the place of the flag."""
        self._whole = not self._whole
        self._flag.show_whole_cell(self._whole)

    def _looked(self, unseen: int) -> None:
        if self.inspection is not None:
            self._presenter.cells_seen(self.inspection, unseen)

    def _contrast_changed(self, contrast: Contrast) -> None:
        self._flag.show_contrast(contrast)

    # The rule

    def toggle_rule(self) -> None:
        """Lay the rule on the picture, or take it off."""
        view = self._panel.view
        if view.measuring:
            view.leave_rule()
        elif view.picture is not None:
            view.begin_rule()
            self._panel.show_banner(words("desktop.rule.begin"))

    def _measured(self, length: str) -> None:
        self._panel.show_banner(words("desktop.rule.length", length=length) if length else "")

    # The earlier picture

    def toggle_earlier(self) -> None:
        """Lay the newest earlier picture of the panel over this one, or take it off."""
        if self._earlier is not None:
            self._drop_earlier()
        else:
            self._presenter.line.look_at_earlier(self._earlier_found)

    def _earlier_found(self, found: EarlierPicture, review: Review) -> None:
        self._earlier = Earlier(found, review)
        self._panel.show_banner(words("desktop.earlier.loading"))
        ready = self._pictures.kept(review.inspection)
        if ready is not None:
            self._earlier.show(self._panel, ready)
        else:
            self._pictures.prefetch(review.inspection, review.result)

    def _drop_earlier(self) -> None:
        if self._earlier is not None:
            self._earlier = None
            self._panel.view.show_earlier(None)
            self._panel.show_banner("")


def _is_on(string: int | None, position: int | None, address: Address | None) -> bool:
    return address is not None and (string, position) == (address.string, address.position)
