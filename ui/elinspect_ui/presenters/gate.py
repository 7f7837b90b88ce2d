"""The review at the gate as the window drives it: the current flag, answers, undo, what is missing, the decision.

No Qt: work on the log is handed to a courier, which in the window runs it on the one thread that talks to the desk and
in tests at once. Until it has come back nothing on screen moves on: a verdict is on disk before the next flag shows.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.records import Answer, Disposition, Flag, Kind, PanelResult, Points
from elinspect.review.desk import Desk, EarlierPicture, ShiftFigures, UnreadFile, WaitingPanel
from elinspect.review.session import Review, Verdict
from elinspect_ui.presenters.deeds import (
    AddDeed,
    AnswerDeed,
    Deed,
    History,
    ManyDeed,
    Outcome,
    RemoveDeed,
    ReplaceDeed,
    performed,
)
from elinspect_ui.presenters.desk_work import Courier, Loaded, in_words, loaded_from
from elinspect_ui.presenters.drawing import changed_flag, redrawn_flag
from elinspect_ui.presenters.flag_lines import FlagLine, Standing, alike, flag_lines, next_to_answer
from elinspect_ui.presenters.places import PanelPlaces
from elinspect_ui.presenters.queue import neighbour, next_waiting
from elinspect_ui.presenters.state import REASONED, Asked, Busy, GateState, Notice, PictureState, Tone, picture_words


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
    """

    def __init__(
        self,
        desk: Desk,
        courier: Courier,
        on_change: Callable[[GateState], None],
        takts: Mapping[str, float] | None = None,
    ) -> None:
        self._takts = takts or {}
        self._desk = desk
        self._courier = courier
        self._on_change = on_change
        self._history = History()
        self._reading_queue = False
        self._unopened: set[str] = set()
        self._last_decided: str | None = None
        self._owner = ""
        self._then: Callable[[], None] | None = None
        self.state = GateState()

    # The queue

    def poll(self) -> None:
        """Read the queue again; the first panel that waits is opened when none is on screen."""
        if self._reading_queue:
            return
        self._reading_queue = True
        self._courier(self._desk.queue, self._queue_read, self._queue_failed)

    def _queue_read(self, panels: Sequence[WaitingPanel]) -> None:
        self._reading_queue = False
        if tuple(panels) != self.state.panels or self.state.queue_problem is not None:
            self._show(panels=tuple(panels), queue_problem=None)
        if self.state.review is None and self.state.busy is None:
            # One that could not be opened is not tried again and again; the inspector still can.
            self._open_next([panel for panel in panels if panel.inspection not in self._unopened])

    def _queue_failed(self, error: Exception) -> None:
        self._reading_queue = False
        self._show(queue_problem=in_words(error))

    def _open_next(self, panels: Sequence[WaitingPanel], notice: Notice | None = None) -> None:
        here = self.state.review.inspection if self.state.review is not None else None
        inspection = next_waiting(panels, here, self._takts)
        if inspection is not None:
            self._open(inspection, notice)

    def read_figures(self, since: str) -> None:
        """Read the figures of the shift, and which files could not be inspected; asked for every few seconds."""

        def done(read: tuple[ShiftFigures, tuple[UnreadFile, ...]]) -> None:
            if read != (self.state.shift, self.state.unread):
                self._show(shift=read[0], unread=read[1])

        # Where the log cannot be read the queue says so.
        self._courier(lambda: (self._desk.shift(since), self._desk.unread()), done, lambda _error: None)

    def look_at_earlier(self, receive: Callable[[EarlierPicture, Review], None]) -> None:
        """Ask for the newest earlier picture of the panel on screen with what was answered on it."""
        review = self.state.review
        if review is None or self._refused_while_busy():
            return

        def work() -> tuple[EarlierPicture, Review] | None:
            found = next(iter(self._desk.earlier(review)), None)
            return (found, self._desk.recall(found.inspection)) if found is not None else None

        def done(found: tuple[EarlierPicture, Review] | None) -> None:
            if found is None:
                self._say(words("desktop.earlier.none"), Tone.HINT)
            elif self._is_on_screen(review.inspection):
                receive(*found)

        self._courier(work, done, self._failed)

    def look_ahead(self, receive: Callable[[str, PanelResult], None]) -> None:
        """Ask what the pipeline said about the panel that comes next, so that its picture can be read ahead."""
        here = self.state.review.inspection if self.state.review is not None else None
        inspection = next_waiting(self.state.panels, here, self._takts)
        if inspection is not None:
            coming = inspection
            # If it fails the panel is merely opened more slowly, and says then what is wrong.
            self._courier(lambda: self._desk.look(coming), lambda result: receive(coming, result), lambda _error: None)

    def step_panel(self, step: int) -> None:
        """Open the panel `step` places further along the line."""
        here = self.state.review.inspection if self.state.review is not None else None
        inspection = neighbour(self.state.panels, here, step)
        if inspection is None:
            self._say(words("desktop.no_further_panel"), Tone.HINT)
        else:
            self.open(inspection)

    def open(self, inspection: str) -> None:
        """Open a panel; what is on screen stays until its review has been read."""
        self._open(inspection, None)

    def _open(self, inspection: str, notice: Notice | None) -> None:
        if self._refused_while_busy():
            return
        self._show(busy=Busy.OPENING, asking=None, suggestion="", notice=notice)

        def failed(error: Exception) -> None:
            self._unopened.add(inspection)
            self._failed(error)

        self._courier(lambda: loaded_from(self._desk, self._desk.open(inspection)), self._opened, failed)

    def open_again(self) -> None:
        """Read the review on screen, or the queue, from the log again."""
        if self.state.review is None:
            self.poll()
        else:
            self.open(self.state.review.inspection)

    def _opened(self, loaded: Loaded) -> None:
        again = self.state.review is not None and self.state.review.inspection == loaded.review.inspection
        shown = self.state.picture if again and self.state.picture is PictureState.SHOWN else PictureState.LOADING
        if not again:
            self._history = History()
        lines = flag_lines(loaded.review)
        first = next_to_answer(lines, -1)
        current = (first if first is not None else 0) if lines else None
        self._unopened.discard(loaded.review.inspection)
        unseen = self.state.unseen if again else len(loaded.review.result.cells)
        self._show_review(loaded, current, lines, picture=shown, unseen=unseen)
        then, self._then = self._then, None
        if then is not None:
            then()

    # The picture

    def picture_shown(self, inspection: str) -> None:
        """Note that the picture of the panel has been painted: from now on flags can be answered."""
        if self._is_on_screen(inspection) and self.state.picture is not PictureState.SHOWN:
            self._show(picture=PictureState.SHOWN)

    def picture_failed(self, inspection: str) -> None:
        """Note that the picture cannot be shown: nothing can be answered or released without it."""
        if self._is_on_screen(inspection):
            self._show(picture=PictureState.FAILED)

    def cells_seen(self, inspection: str, unseen: int) -> None:
        """Note how many cells have not been on screen whole yet: nothing is released before all have been."""
        if self._is_on_screen(inspection) and unseen != self.state.unseen:
            self._show(unseen=unseen)

    def _is_on_screen(self, inspection: str) -> bool:
        return self.state.review is not None and self.state.review.inspection == inspection

    # The flags

    def step_flag(self, step: int) -> None:
        """Go `step` flags on, around the end."""
        if self.state.lines and self.state.current is not None and self.state.busy is None:
            self._show(current=(self.state.current + step) % len(self.state.lines), notice=None)

    def go_to(self, flag_id: str) -> None:
        """Make a flag the current one."""
        place = next((i for i, line in enumerate(self.state.lines) if line.flag.id == flag_id), None)
        if place is not None and place != self.state.current and self.state.busy is None:
            self._show(current=place, notice=None)

    def confirm(self) -> None:
        """Answer the current flag: it is there."""
        line = self._answerable()
        if line is None:
            return
        if line.standing is Standing.ADDED:
            self._say(words("desktop.added_counts"), Tone.HINT)
        elif line.standing is Standing.CONFIRMED:
            self._move_on(self.state.current or 0)
        else:
            self._perform(AnswerDeed(Verdict(line.flag.id, Answer.CONFIRMED, note=line.note)))

    def dismiss(self) -> None:
        """Answer the current flag: nothing is there. One that the inspector added is taken back."""
        line = self._answerable()
        if line is None:
            return
        if line.standing is Standing.ADDED:
            self._perform(RemoveDeed(line.flag))
        elif line.standing is Standing.DISMISSED:
            self._move_on(self.state.current or 0)
        else:
            self._perform(AnswerDeed(Verdict(line.flag.id, Answer.DISMISSED, note=line.note)))

    def answer_alike(self, answer: Answer, *, whole_string: bool) -> None:
        """Answer the current flag and all of its kind in its cell, or string, that still need an answer."""
        line = self._answerable()
        if line is None:
            return
        found = alike(self.state.lines, line, whole_string=whole_string)
        if not found:
            self._say(words("desktop.none_alike"), Tone.HINT)
            return
        self._perform(ManyDeed(tuple(AnswerDeed(Verdict(each.flag.id, answer, note=each.note)) for each in found)))

    def change(self, kind: Kind) -> None:
        """Answer the current flag: something is there, of another kind."""
        line = self._answerable()
        if line is None or self.state.review is None:
            return
        if line.standing is Standing.ADDED:
            self._say(words("desktop.change_added"), Tone.REFUSED)
            return
        machine = next(flag for flag in self.state.review.result.flags if flag.id == line.flag.id)
        if kind is machine.kind:
            self._perform(AnswerDeed(Verdict(line.flag.id, Answer.CONFIRMED, note=line.note)))
            return
        try:
            changed = changed_flag(machine, kind, self.state.scheme)
        except ElinspectError as error:
            self._say(str(error), Tone.REFUSED)
            return
        self._perform(AnswerDeed(Verdict(line.flag.id, Answer.CHANGED, changed, line.note)))

    def redraw(self, places: PanelPlaces, outline: Points) -> None:
        """Answer the current flag: it is there, with another outline, points (x, y) of the gate view."""
        line = self._answerable()
        if line is None or self.state.review is None:
            return
        mm_per_px = self.state.review.result.quality.mm_per_px
        drawn = redrawn_flag(places, line.flag, outline, self.state.scheme, mm_per_px)
        if line.standing is Standing.ADDED:
            self._perform(ReplaceDeed(line.flag, drawn))
        else:
            self._perform(AnswerDeed(Verdict(line.flag.id, Answer.CHANGED, drawn, line.note)))

    def ask_note(self) -> None:
        """Ask for a note on the current flag."""
        line = self._answerable()
        if line is not None:
            self._show(asking=Asked.NOTE, suggestion=line.note, notice=None)

    def write_note(self, note: str) -> None:
        """Log a note beside the current flag; an empty one takes it away. The answer stays as it is."""
        line = self._answerable()
        if line is None or self.state.review is None:
            return
        known = self.state.review.verdicts.get(line.flag.id, Verdict(line.flag.id, None))
        self._perform(AnswerDeed(replace(known, note=note.strip())), stay=True)

    def take_back(self) -> None:
        """Take the answer to the current flag back."""
        line = self._answerable()
        if line is None:
            return
        if line.standing is Standing.ADDED:
            self._perform(RemoveDeed(line.flag))
        elif line.standing in (Standing.NEEDS_ANSWER, Standing.BELOW_LIMITS):
            self._say(words("desktop.nothing_to_take_back"), Tone.HINT)
        else:
            self._perform(AnswerDeed(Verdict(line.flag.id, None, note=line.note)))

    def add(self, flag: Flag) -> None:
        """Add a flag the inspector drew."""
        if self.may_answer():
            self._perform(AddDeed(flag))

    def undo(self) -> None:
        """Undo the last answer or addition of this visit to the panel."""
        self._again(self._history.undo, words("desktop.nothing_to_undo"), undone=True)

    def redo(self) -> None:
        """Redo what was undone last."""
        self._again(self._history.redo, words("desktop.nothing_to_redo"), undone=False)

    def _again(self, stack: Sequence[Deed], nothing: str, undone: bool) -> None:
        if not self.may_answer():
            return
        if not stack:
            self._say(nothing, Tone.HINT)
            return
        self._perform(stack[-1], undone=undone, redone=not undone)

    def _answerable(self) -> FlagLine | None:
        if not self.may_answer():
            return None
        if self.state.line is None:
            self._say(words("desktop.no_flag"), Tone.HINT)
        return self.state.line

    def may_answer(self) -> bool:
        """Return whether a flag can be answered or added now; if not, say in words why."""
        if self.state.review is None or self._refused_while_busy():
            return False
        if self.state.closed:
            self._say(words("desktop.already_decided"), Tone.REFUSED)
            return False
        if self.state.picture is not PictureState.SHOWN:
            self._say(picture_words(self.state.picture), Tone.REFUSED)
            return False
        return True

    def _perform(self, deed: Deed, undone: bool = False, redone: bool = False, stay: bool = False) -> None:
        review = self.state.review
        assert review is not None
        place = self.state.current or 0
        self._show(busy=Busy.WRITING, asking=None, notice=None)

        def work() -> tuple[Loaded, Outcome]:
            outcome = performed(self._desk, review, deed)
            return loaded_from(self._desk, outcome.review), outcome

        def done(both: tuple[Loaded, Outcome]) -> None:
            loaded, outcome = both
            self._history = self._history.after(outcome, undone=undone, redone=redone)
            self._answered(loaded, deed, outcome, place, stay=stay or undone or redone)
            if outcome.error is not None:
                self._failed(outcome.error)

        self._courier(work, done, self._failed)

    def _answered(self, loaded: Loaded, deed: Deed, outcome: Outcome, place: int, stay: bool) -> None:
        lines = flag_lines(loaded.review)
        touched = outcome.inverse.flag_id if isinstance(deed, AddDeed | ReplaceDeed) else deed.flag_id
        here = next((i for i, line in enumerate(lines) if line.flag.id == touched), None)
        if here is None:
            here = min(place, len(lines) - 1) if lines else None
        notice = None
        answered = isinstance(deed, ManyDeed) or (isinstance(deed, AnswerDeed) and deed.verdict.answer is not None)
        if here is not None and answered and not stay:
            here, notice = self._onward(loaded.review, lines, here)
        self._show_review(loaded, here, lines, notice=notice)

    def _move_on(self, place: int) -> None:
        if self.state.review is not None:
            current, notice = self._onward(self.state.review, self.state.lines, place)
            self._show(current=current, notice=notice)

    def _onward(self, review: Review, lines: tuple[FlagLine, ...], place: int) -> tuple[int, Notice | None]:
        """Return the next flag that needs an answer; if all have theirs, the same one, and words that say so."""
        following = next_to_answer(lines, place)
        if following is not None:
            return following, None
        return place, Notice(
            words("desktop.all_answered", proposal=review.result.proposal.disposition.value), Tone.DONE
        )

    # The decision

    def ask(self, disposition: Disposition) -> None:
        """Ask for a disposition: refused in words, a reason asked, or logged at once."""
        if self.state.review is None or self._refused_while_busy():
            return
        missing = self.state.missing_for(disposition)
        if missing:
            self._say(" ".join(missing), Tone.REFUSED)
        elif self._needs_reason(disposition):
            person = self._desk.person
            owner = self._owner or (person.name if person is not None else "")
            self._show(asking=disposition, suggestion=self._suggestion(disposition), owner=owner, notice=None)
        else:
            self.decide(disposition, "")

    def leave_reason(self) -> None:
        """Leave the question for a reason, or a note, without writing anything."""
        if self.state.asking is not None:
            self._show(asking=None, suggestion="")

    def written(self, text: str, owner: str = "") -> None:
        """Take what the inspector wrote for what was asked; `owner` is that of a hold."""
        asked = self.state.asking
        if asked is Asked.SERIAL:
            self._show(asking=None, suggestion="")
            self.serial_read(text)
        elif asked is Asked.NOTE:
            self._show(asking=None, suggestion="")
            self.write_note(text)
        elif asked is Asked.TAKE_BACK:
            self.take_back_decision(text)
        elif asked is not None:
            self.decide(asked, text, owner)

    def ask_serial(self) -> None:
        """Ask for the serial on the label of the panel in front of the inspector; a scanner may write it."""
        if not self._refused_while_busy():
            self._show(asking=Asked.SERIAL, suggestion="", notice=None)

    def serial_read(self, serial: str) -> None:
        """Compare a serial with the panel on screen, go to its panel, or give it to a picture that came without one."""
        serial, review = serial.strip(), self.state.review
        if not serial or self._refused_while_busy():
            return
        waiting = next(
            (panel for panel in self.state.panels if panel.serial == serial and panel.decision is None), None
        )
        if review is not None and review.result.serial == serial:
            self._say(words("desktop.serial.same", serial=serial), Tone.DONE)
        elif waiting is not None:
            notice = Notice(words("desktop.serial.found", serial=serial), Tone.DONE)
            self._open(waiting.inspection, notice)
        elif review is not None and review.result.serial is None and not self.state.closed:
            self._give_serial(review, serial)
        else:
            here = (review.result.serial if review is not None else None) or words("desktop.no_serial")
            self._say(words("desktop.serial.unknown", serial=serial, here=here), Tone.REFUSED)

    def _give_serial(self, review: Review, serial: str) -> None:
        self._show(busy=Busy.WRITING, notice=None)

        def done(loaded: Loaded) -> None:
            self._opened(loaded)
            self._say(words("desktop.serial.given", serial=serial), Tone.DONE)
            self.poll()

        self._courier(lambda: loaded_from(self._desk, self._desk.give_serial(review, serial)), done, self._failed)

    def ask_take_back(self) -> None:
        """Ask why the decision on the panel on screen, or else the last one made here, is to be taken back."""
        if self._refused_while_busy():
            return
        review = self.state.review
        if review is not None and review.decision is not None:
            self._show(asking=Asked.TAKE_BACK, suggestion="", notice=None)
        elif self._last_decided is not None:
            self._then = self.ask_take_back
            self._open(self._last_decided, None)
        else:
            self._say(words("desktop.no_decision"), Tone.HINT)

    def take_back_decision(self, reason: str) -> None:
        """Take the decision on the panel on screen back; refused in words once its release was sent."""
        review = self.state.review
        if review is None or self._refused_while_busy():
            return
        if not reason.strip():
            self._say(words("desktop.take_back_needs_reason"), Tone.REFUSED)
            return
        self._show(busy=Busy.WRITING, notice=None)

        def done(loaded: Loaded) -> None:
            self._last_decided = None
            self._history = History()
            notice = Notice(words("desktop.decision_taken_back"), Tone.DONE)
            lines = flag_lines(loaded.review)
            self._show_review(loaded, self.state.current, lines, asking=None, suggestion="", notice=notice)

        self._courier(lambda: loaded_from(self._desk, self._desk.take_back(review, reason.strip())), done, self._failed)

    def decide(self, disposition: Disposition, reason: str, owner: str = "") -> None:
        """Log a disposition; the next panel that waits is opened once it is on disk."""
        review = self.state.review
        if review is None or self._refused_while_busy():
            return
        missing = self.state.missing_for(disposition)
        if missing:
            self._say(" ".join(missing), Tone.REFUSED)
            return
        if self._needs_reason(disposition) and not reason.strip():
            self._show(asking=disposition, notice=Notice(words("desktop.reason_needed"), Tone.REFUSED))
            return
        self._show(busy=Busy.WRITING, notice=None)

        def work() -> tuple[Loaded, tuple[WaitingPanel, ...] | None]:
            decided = loaded_from(self._desk, self._desk.decide(review, disposition, reason.strip(), owner.strip()))
            try:
                return decided, self._desk.queue()
            except Exception as error:  # the decision stands whatever happens now; the next poll shows the reason
                in_words(error)
                return decided, None

        self._courier(work, lambda outcome: self._decided(*outcome, disposition), self._failed)

    def _decided(self, loaded: Loaded, panels: tuple[WaitingPanel, ...] | None, disposition: Disposition) -> None:
        serial = loaded.review.result.serial or words("desktop.no_serial")
        notice = Notice(words("desktop.decided", serial=serial, decision=disposition.value), Tone.DONE)
        self._history = History()
        self._last_decided = loaded.review.inspection
        if loaded.review.hold is not None:
            self._owner = loaded.review.hold.owner
        panels = self.state.panels if panels is None else panels
        lines = flag_lines(loaded.review)
        self._show_review(loaded, self.state.current, lines, panels=panels, asking=None, suggestion="", notice=notice)
        if next_waiting(panels, loaded.review.inspection, self._takts) is None:
            self._show(review=None, lines=(), current=None, missing={}, can_undo=False, can_redo=False)
        else:
            self._open_next(panels, notice)

    def _needs_reason(self, disposition: Disposition) -> bool:
        review = self.state.review
        proposed = review is not None and disposition is review.result.proposal.disposition
        return disposition in REASONED or not proposed

    def _suggestion(self, disposition: Disposition) -> str:
        dismissed = [line for line in self.state.lines if line.standing is Standing.DISMISSED]
        if disposition is Disposition.ACCEPT and dismissed:
            return words("desktop.suggest_dismissed", n=len(dismissed))
        review = self.state.review
        if review is not None and disposition is review.result.proposal.disposition:
            return review.result.proposal.reasons[0].text
        return ""

    # The state

    def _show_review(self, loaded: Loaded, current: int | None, lines: tuple[FlagLine, ...], **changes: object) -> None:
        self._show(
            review=loaded.review,
            lines=lines,
            current=current,
            missing=loaded.missing,
            plan=loaded.plan,
            busy=None,
            can_undo=bool(self._history.undo),
            can_redo=bool(self._history.redo),
            **changes,
        )

    def _show(self, **changes: object) -> None:
        self.state = replace(self.state, **changes)  # type: ignore[arg-type]
        self._on_change(self.state)

    def _say(self, text: str, tone: Tone) -> None:
        self._show(notice=Notice(text, tone))

    def say_hint(self, text: str) -> None:
        """Say something that helps."""
        self._say(text, Tone.HINT)

    def say_refused(self, text: str) -> None:
        """Say in words why something asked for is not done."""
        self._say(text, Tone.REFUSED)

    def _refused_while_busy(self) -> bool:
        # A key pressed before the next flag was on screen was not meant for it.
        return self.state.busy is not None

    def _failed(self, error: Exception) -> None:
        self._show(busy=None, notice=Notice(in_words(error), Tone.FAILED))
