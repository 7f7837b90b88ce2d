"""Answering flags: one or many, another kind, another outline, notes, undo and redo."""

from collections.abc import Sequence
from dataclasses import replace

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.records import Answer, Flag, Kind, Points
from elinspect.review.session import Review, Verdict
from elinspect_ui.presenters.deeds import (
    AddDeed,
    AnswerDeed,
    Deed,
    ManyDeed,
    Outcome,
    RemoveDeed,
    ReplaceDeed,
    performed,
)
from elinspect_ui.presenters.desk_work import Loaded, loaded_from
from elinspect_ui.presenters.drawing import changed_flag, redrawn_flag
from elinspect_ui.presenters.flag_lines import FlagLine, Standing, alike, flag_lines, next_to_answer
from elinspect_ui.presenters.places import PanelPlaces
from elinspect_ui.presenters.shown import Shown
from elinspect_ui.presenters.state import Asked, Busy, Notice, PictureState, Tone, picture_words


class FlagAnswers:
    """Drives the answers to the flags of the panel on screen.

    Parameters
    ----------
    shown : Shown
        What is on show.
    """

    def __init__(self, shown: Shown) -> None:
        self._shown = shown

    def step(self, step: int) -> None:
        """Go `step` flags on, around the end."""
        if self._shown.state.lines and self._shown.state.current is not None and self._shown.state.busy is None:
            self._shown.show(current=(self._shown.state.current + step) % len(self._shown.state.lines), notice=None)

    def go_to(self, flag_id: str) -> None:
        """Make a flag the current one."""
        place = next((i for i, line in enumerate(self._shown.state.lines) if line.flag.id == flag_id), None)
        if place is not None and place != self._shown.state.current and self._shown.state.busy is None:
            self._shown.show(current=place, notice=None)

    def confirm(self) -> None:
        """Answer the current flag: it is there."""
        line = self._answerable()
        if line is None:
            return
        if line.standing is Standing.ADDED:
            self._shown.say(words("desktop.added_counts"), Tone.HINT)
        elif line.standing is Standing.CONFIRMED:
            self._move_on(self._shown.state.current or 0)
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
            self._move_on(self._shown.state.current or 0)
        else:
            self._perform(AnswerDeed(Verdict(line.flag.id, Answer.DISMISSED, note=line.note)))

    def answer_alike(self, answer: Answer, *, whole_string: bool) -> None:
        """Answer the current flag and all of its kind in its cell, or string, that still need an answer."""
        line = self._answerable()
        if line is None:
            return
        found = alike(self._shown.state.lines, line, whole_string=whole_string)
        if not found:
            self._shown.say(words("desktop.none_alike"), Tone.HINT)
            return
        self._perform(ManyDeed(tuple(AnswerDeed(Verdict(each.flag.id, answer, note=each.note)) for each in found)))

    def change(self, kind: Kind) -> None:
        """Answer the current flag: something is there, of another kind."""
        line = self._answerable()
        if line is None or self._shown.state.review is None:
            return
        if line.standing is Standing.ADDED:
            self._shown.say(words("desktop.change_added"), Tone.REFUSED)
            return
        machine = next(flag for flag in self._shown.state.review.result.flags if flag.id == line.flag.id)
        if kind is machine.kind:
            self._perform(AnswerDeed(Verdict(line.flag.id, Answer.CONFIRMED, note=line.note)))
            return
        try:
            changed = changed_flag(machine, kind, self._shown.state.scheme)
        except ElinspectError as error:
            self._shown.say(str(error), Tone.REFUSED)
            return
        self._perform(AnswerDeed(Verdict(line.flag.id, Answer.CHANGED, changed, line.note)))

    def redraw(self, places: PanelPlaces, outline: Points) -> None:
        """Answer the current flag: it is there, with another outline, points (x, y) of the gate view."""
        line = self._answerable()
        if line is None or self._shown.state.review is None:
            return
        mm_per_px = self._shown.state.review.result.quality.mm_per_px
        drawn = redrawn_flag(places, line.flag, outline, self._shown.state.scheme, mm_per_px)
        if line.standing is Standing.ADDED:
            self._perform(ReplaceDeed(line.flag, drawn))
        else:
            self._perform(AnswerDeed(Verdict(line.flag.id, Answer.CHANGED, drawn, line.note)))

    def ask_note(self) -> None:
        """Ask for a note on the current flag."""
        line = self._answerable()
        if line is not None:
            self._shown.show(asking=Asked.NOTE, suggestion=line.note, notice=None)

    def write_note(self, note: str) -> None:
        """Log a note beside the current flag; an empty one takes it away. The answer stays as it is."""
        line = self._answerable()
        if line is None or self._shown.state.review is None:
            return
        known = self._shown.state.review.verdicts.get(line.flag.id, Verdict(line.flag.id, None))
        self._perform(AnswerDeed(replace(known, note=note.strip())), stay=True)

    def take_back(self) -> None:
        """Take the answer to the current flag back."""
        line = self._answerable()
        if line is None:
            return
        if line.standing is Standing.ADDED:
            self._perform(RemoveDeed(line.flag))
        elif line.standing in (Standing.NEEDS_ANSWER, Standing.BELOW_LIMITS):
            self._shown.say(words("desktop.nothing_to_take_back"), Tone.HINT)
        else:
            self._perform(AnswerDeed(Verdict(line.flag.id, None, note=line.note)))

    def add(self, flag: Flag) -> None:
        """Add a flag the inspector drew."""
        if self.may_answer():
            self._perform(AddDeed(flag))

    def undo(self) -> None:
        """Undo the last answer or addition of this visit to the panel."""
        self._again(self._shown.history.undo, words("desktop.nothing_to_undo"), undone=True)

    def redo(self) -> None:
        """Redo what was undone last."""
        self._again(self._shown.history.redo, words("desktop.nothing_to_redo"), undone=False)

    def _again(self, stack: Sequence[Deed], nothing: str, undone: bool) -> None:
        if not self.may_answer():
            return
        if not stack:
            self._shown.say(nothing, Tone.HINT)
            return
        self._perform(stack[-1], undone=undone, redone=not undone)

    def _answerable(self) -> FlagLine | None:
        if not self.may_answer():
            return None
        if self._shown.state.line is None:
            self._shown.say(words("desktop.no_flag"), Tone.HINT)
        return self._shown.state.line

    def may_answer(self) -> bool:
        """Return whether a flag can be answered or added now; if not, say in words why."""
        if self._shown.state.review is None or self._shown.busy:
            return False
        if self._shown.state.closed:
            self._shown.say(words("desktop.already_decided"), Tone.REFUSED)
            return False
        if self._shown.state.picture is not PictureState.SHOWN:
            self._shown.say(picture_words(self._shown.state.picture), Tone.REFUSED)
            return False
        return True

    def _perform(self, deed: Deed, undone: bool = False, redone: bool = False, stay: bool = False) -> None:
        review = self._shown.state.review
        assert review is not None
        place = self._shown.state.current or 0
        self._shown.show(busy=Busy.WRITING, asking=None, notice=None)

        def work() -> tuple[Loaded, Outcome]:
            outcome = performed(self._shown.desk, review, deed)
            return loaded_from(self._shown.desk, outcome.review), outcome

        def done(both: tuple[Loaded, Outcome]) -> None:
            loaded, outcome = both
            self._shown.history = self._shown.history.after(outcome, undone=undone, redone=redone)
            self._answered(loaded, deed, outcome, place, stay=stay or undone or redone)
            if outcome.error is not None:
                self._shown.failed(outcome.error)

        self._shown.courier(work, done, self._shown.failed)

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
        self._shown.show_review(loaded, here, lines, notice=notice)

    def _move_on(self, place: int) -> None:
        if self._shown.state.review is not None:
            current, notice = self._onward(self._shown.state.review, self._shown.state.lines, place)
            self._shown.show(current=current, notice=notice)

    def _onward(self, review: Review, lines: tuple[FlagLine, ...], place: int) -> tuple[int, Notice | None]:
        """Return the next flag that needs an answer; if all have theirs, the same one, and words that say so."""
        following = next_to_answer(lines, place)
        if following is not None:
            return following, None
        return place, Notice(
            words("desktop.all_answered", proposal=review.result.proposal.disposition.value), Tone.DONE
        )
