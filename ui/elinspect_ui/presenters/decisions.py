"""Deciding about the panel on screen, and taking a decision back."""

from elinspect.catalogue import words
from elinspect.records import Disposition
from elinspect.review.desk import WaitingPanel
from elinspect_ui.presenters.deeds import History
from elinspect_ui.presenters.desk_work import Loaded, in_words, loaded_from
from elinspect_ui.presenters.flag_lines import Standing, flag_lines
from elinspect_ui.presenters.panel_line import PanelLine
from elinspect_ui.presenters.queue import next_waiting
from elinspect_ui.presenters.shown import Shown
from elinspect_ui.presenters.state import REASONED, Asked, Busy, Notice, Tone


class Decisions:
    """Asks what a decision needs, logs it, opens the next panel.

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
        self._last_decided: str | None = None
        self._owner = ""

    def ask(self, disposition: Disposition) -> None:
        """Ask for a disposition: refused in words, a reason asked, or logged at once."""
        if self._shown.state.review is None or self._shown.busy:
            return
        missing = self._shown.state.missing_for(disposition)
        if missing:
            self._shown.say(" ".join(missing), Tone.REFUSED)
        elif self._needs_reason(disposition):
            person = self._shown.desk.person
            owner = self._owner or (person.name if person is not None else "")
            self._shown.show(asking=disposition, suggestion=self._suggestion(disposition), owner=owner, notice=None)
        else:
            self.decide(disposition, "")

    def ask_take_back(self) -> None:
        """Ask why the decision on the panel on screen, or else the last one made here, is to be taken back."""
        if self._shown.busy:  # who sees a slip presses the key at once, while the next panel is being opened
            self._shown.courier(lambda: None, lambda _none: self.ask_take_back(), self._shown.failed)
            return
        review = self._shown.state.review
        if review is not None and review.decision is not None:
            self._shown.show(asking=Asked.TAKE_BACK, suggestion="", notice=None)
        elif self._last_decided is not None:
            self._line.open(self._last_decided, then=self.ask_take_back)
        else:
            self._shown.say(words("desktop.no_decision"), Tone.HINT)

    def take_back(self, reason: str) -> None:
        """Take the decision on the panel on screen back; refused in words once its release was sent."""
        review = self._shown.state.review
        if review is None or self._shown.busy:
            return
        if not reason.strip():
            self._shown.say(words("desktop.take_back_needs_reason"), Tone.REFUSED)
            return
        self._shown.show(busy=Busy.WRITING, notice=None)

        def done(loaded: Loaded) -> None:
            self._last_decided = None
            self._shown.history = History()
            notice = Notice(words("desktop.decision_taken_back"), Tone.DONE)
            lines = flag_lines(loaded.review)
            left = self._shown.question_left
            self._shown.show_review(loaded, self._shown.state.current, lines, asking=left, suggestion="", notice=notice)

        self._shown.courier(
            lambda: loaded_from(self._shown.desk, self._shown.desk.take_back(review, reason.strip())),
            done,
            self._shown.failed,
        )

    def decide(self, disposition: Disposition, reason: str, owner: str = "") -> None:
        """Log a disposition; the next panel that waits is opened once it is on disk."""
        review = self._shown.state.review
        if review is None or self._shown.busy:
            return
        missing = self._shown.state.missing_for(disposition)
        if missing:
            self._shown.say(" ".join(missing), Tone.REFUSED)
            return
        if self._needs_reason(disposition) and not reason.strip():
            self._shown.show(asking=disposition, notice=Notice(words("desktop.reason_needed"), Tone.REFUSED))
            return
        self._shown.show(busy=Busy.WRITING, notice=None)

        def work() -> tuple[Loaded, tuple[WaitingPanel, ...] | None]:
            decided = loaded_from(
                self._shown.desk, self._shown.desk.decide(review, disposition, reason.strip(), owner.strip())
            )
            try:
                return decided, self._shown.desk.queue()
            except Exception as error:  # the decision stands whatever happens now; the next poll shows the reason
                in_words(error)
                return decided, None

        self._shown.courier(work, lambda outcome: self._decided(*outcome, disposition), self._shown.failed)

    def _decided(self, loaded: Loaded, panels: tuple[WaitingPanel, ...] | None, disposition: Disposition) -> None:
        serial = loaded.review.result.serial or words("desktop.no_serial")
        notice = Notice(words("desktop.decided", serial=serial, decision=disposition.value), Tone.DONE)
        self._shown.history = History()
        self._last_decided = loaded.review.inspection
        if loaded.review.hold is not None:
            self._owner = loaded.review.hold.owner
        panels = self._shown.state.panels if panels is None else panels
        lines = flag_lines(loaded.review)
        left = self._shown.question_left
        self._shown.show_review(
            loaded, self._shown.state.current, lines, panels=panels, asking=left, suggestion="", notice=notice
        )
        if next_waiting(panels, loaded.review.inspection, self._shown.takts) is None:
            self._shown.show(review=None, lines=(), current=None, missing={}, can_undo=False, can_redo=False)
        else:
            self._line.open_next(panels, notice)

    def _needs_reason(self, disposition: Disposition) -> bool:
        review = self._shown.state.review
        proposed = review is not None and disposition is review.result.proposal.disposition
        return disposition in REASONED or not proposed

    def _suggestion(self, disposition: Disposition) -> str:
        dismissed = [line for line in self._shown.state.lines if line.standing is Standing.DISMISSED]
        if disposition is Disposition.ACCEPT and dismissed:
            return words("desktop.suggest_dismissed", n=len(dismissed))
        review = self._shown.state.review
        if review is not None and disposition is review.result.proposal.disposition:
            return review.result.proposal.reasons[0].text
        return ""
