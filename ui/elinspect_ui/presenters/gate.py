"""The review at the gate as the window drives it: its parts put together, and the picture on screen."""

from collections.abc import Callable, Mapping

from elinspect.review.desk import Desk
from elinspect_ui.presenters.decisions import Decisions
from elinspect_ui.presenters.desk_work import Courier
from elinspect_ui.presenters.flag_answers import FlagAnswers
from elinspect_ui.presenters.label_serial import LabelSerial
from elinspect_ui.presenters.panel_line import PanelLine
from elinspect_ui.presenters.shown import Shown
from elinspect_ui.presenters.state import Asked, GateState, PictureState, Tone


class GatePresenter:
    """Drives the review of one panel after the other.

    Parameters
    ----------
    desk : Desk
        The place to review panels.
    courier : Courier
        Runs whatever touches the desk.
    on_change : callable
        Called with the new state after every change.
    takts : mapping from str to float, optional
        Takt of each station in seconds; panels are opened in the order they are due.

    Attributes
    ----------
    line : PanelLine
        The queue, opening panels.
    flags : FlagAnswers
        Answers to flags.
    decisions : Decisions
        The decision, and taking it back.
    serial : LabelSerial
        The serial on the label.
    """

    def __init__(
        self,
        desk: Desk,
        courier: Courier,
        on_change: Callable[[GateState], None],
        takts: Mapping[str, float] | None = None,
    ) -> None:
        self._shown = Shown(desk, courier, on_change, takts or {})
        self.line = PanelLine(self._shown)
        self.flags = FlagAnswers(self._shown)
        self.decisions = Decisions(self._shown, self.line)
        self.serial = LabelSerial(self._shown, self.line)

    @property
    def state(self) -> GateState:
        """What is shown."""
        return self._shown.state

    # The picture

    def picture_shown(self, inspection: str) -> None:
        """Note that the picture of the panel has been painted: from now on flags can be answered."""
        if self._shown.is_on_screen(inspection) and self._shown.state.picture is not PictureState.SHOWN:
            self._shown.show(picture=PictureState.SHOWN)

    def picture_failed(self, inspection: str) -> None:
        """Note that the picture cannot be shown: nothing can be answered or released without it."""
        if self._shown.is_on_screen(inspection):
            self._shown.show(picture=PictureState.FAILED)

    def cells_seen(self, inspection: str, unseen: int) -> None:
        """Note how many cells have not been on screen whole yet: nothing is released before all have been."""
        if self._shown.is_on_screen(inspection) and unseen != self._shown.state.unseen:
            self._shown.show(unseen=unseen)

    # What was asked

    def leave_reason(self) -> None:
        """Leave the question for a reason, or a note, without writing anything."""
        if self._shown.state.asking is not None:
            self._shown.show(asking=None, suggestion="")

    def written(self, text: str, owner: str = "") -> None:
        """Take what the inspector wrote for what was asked; `owner` is that of a hold."""
        asked = self._shown.state.asking
        if asked is Asked.SERIAL:
            self._shown.show(asking=None, suggestion="")
            self.serial.read(text)
        elif asked is Asked.NOTE:
            self._shown.show(asking=None, suggestion="")
            self.flags.write_note(text)
        elif asked is Asked.TAKE_BACK:
            self.decisions.take_back(text)
        elif asked is not None:
            self.decisions.decide(asked, text, owner)

    def say_hint(self, text: str) -> None:
        """Say something that helps."""
        self._shown.say(text, Tone.HINT)

    def say_refused(self, text: str) -> None:
        """Say in words why something asked for is not done."""
        self._shown.say(text, Tone.REFUSED)
