"""The serial on the label of the panel: asked for, compared, given to a picture that came without one."""

from elinspect.catalogue import words
from elinspect.review.session import Review
from elinspect_ui.presenters.desk_work import Loaded, loaded_from
from elinspect_ui.presenters.panel_line import PanelLine
from elinspect_ui.presenters.shown import Shown
from elinspect_ui.presenters.state import Asked, Busy, Notice, Tone


class LabelSerial:
    """Takes the serial a person or a scanner reads off the label.

    Parameters
    ----------
    shown : Shown
        What is on show.
    line : PanelLine
        Opens panels.
    """

    def __init__(self, shown: Shown, line: PanelLine) -> None:
        self._shown = shown
        self._line = line

    def ask(self) -> None:
        """Ask for the serial on the label of the panel in front of the inspector; a scanner may write it.

        Whatever is under way: what a scanner writes must never reach the keys of the gate.
        """
        self._shown.show(asking=Asked.SERIAL, suggestion="", notice=None)

    def read(self, serial: str) -> None:
        """Compare a serial with the panel on screen, go to its panel, or give it to a picture that came without one."""
        serial, review = serial.strip(), self._shown.state.review
        if not serial:
            return
        if self._shown.busy:  # its turn comes after what is under way; a label is not scanned twice
            self._shown.courier(lambda: None, lambda _none: self.read(serial), self._shown.failed)
            return
        waiting = next(
            (panel for panel in self._shown.state.panels if panel.serial == serial and panel.decision is None), None
        )
        if review is not None and review.result.serial == serial:
            self._shown.say(words("desktop.serial.same", serial=serial), Tone.DONE)
        elif waiting is not None:
            notice = Notice(words("desktop.serial.found", serial=serial), Tone.DONE)
            self._line.open(waiting.inspection, notice)
        elif review is not None and review.result.serial is None and not self._shown.state.closed:
            self._give_serial(review, serial)
        else:
            here = (review.result.serial if review is not None else None) or words("desktop.no_serial")
            self._shown.say(words("desktop.serial.unknown", serial=serial, here=here), Tone.REFUSED)

    def _give_serial(self, review: Review, serial: str) -> None:
        self._shown.show(busy=Busy.WRITING, notice=None)

        def done(loaded: Loaded) -> None:
            self._line.opened(loaded)
            self._shown.say(words("desktop.serial.given", serial=serial), Tone.DONE)
            self._line.poll()

        self._shown.courier(
            lambda: loaded_from(self._shown.desk, self._shown.desk.give_serial(review, serial)),
            done,
            self._shown.failed,
        )
