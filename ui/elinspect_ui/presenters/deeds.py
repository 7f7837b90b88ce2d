"""What the inspector does to the log, each deed with the one that undoes it."""

from dataclasses import dataclass, replace

from elinspect.records import Flag
from elinspect.review.desk import Desk
from elinspect.review.session import Review, Verdict
from elinspect_ui.presenters.drawing import with_new_id


@dataclass(frozen=True, slots=True, eq=False)
class AnswerDeed:
    """Answer a flag, or take the answer back."""

    verdict: Verdict

    @property
    def flag_id(self) -> str:
        """The flag."""
        return self.verdict.flag_id


@dataclass(frozen=True, slots=True, eq=False)
class AddDeed:
    """Add a flag."""

    flag: Flag

    @property
    def flag_id(self) -> str:
        """The flag."""
        return self.flag.id


@dataclass(frozen=True, slots=True, eq=False)
class RemoveDeed:
    """Take back a flag the inspector added."""

    flag: Flag

    @property
    def flag_id(self) -> str:
        """The flag."""
        return self.flag.id


@dataclass(frozen=True, slots=True, eq=False)
class ReplaceDeed:
    """Take back a flag the inspector added and add it with another outline."""

    flag: Flag
    by: Flag

    @property
    def flag_id(self) -> str:
        """The flag taken back."""
        return self.flag.id


@dataclass(frozen=True, slots=True, eq=False)
class ManyDeed:
    """Answer several flags, one after the other; undone together."""

    answers: tuple[AnswerDeed, ...]

    @property
    def flag_id(self) -> str:
        """The first flag."""
        return self.answers[0].flag_id


Deed = AnswerDeed | AddDeed | RemoveDeed | ReplaceDeed | ManyDeed


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What came of a deed.

    Attributes
    ----------
    review : Review
        The review after what was logged.
    inverse : Deed
        What would undo what was logged.
    rest : ManyDeed or None
        What could not be logged of several answers.
    error : Exception or None
        Why.
    """

    review: Review
    inverse: Deed
    rest: ManyDeed | None = None
    error: Exception | None = None


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """What can be undone and redone in this visit to a panel; the last deed last.

    Attributes
    ----------
    undo, redo : tuple of Deed
        Deeds that would undo or redo.
    """

    undo: tuple[Deed, ...] = ()
    redo: tuple[Deed, ...] = ()

    def after(self, outcome: Outcome, *, undone: bool = False, redone: bool = False) -> "History":
        """Return the history after a deed.

        Parameters
        ----------
        outcome : Outcome
            What came of it.
        undone, redone : bool
            Whether the deed was itself the last one of `undo` or of `redo`; what could not be logged of it stays there.
        """
        inverse = outcome.inverse
        rest = (outcome.rest,) if outcome.rest is not None else ()
        if undone:
            return History((*self.undo[:-1], *rest), (*self.redo, inverse))._renamed(self.undo[-1], inverse)
        if redone:
            return History((*self.undo, inverse), (*self.redo[:-1], *rest))._renamed(self.redo[-1], inverse)
        return History((*self.undo, inverse), ())

    def _renamed(self, deed: Deed, inverse: Deed) -> "History":
        """Follow a flag that came back under a new id: older deeds still name the old one."""
        if isinstance(deed, AddDeed) and isinstance(inverse, RemoveDeed):
            old, new = deed.flag.id, inverse.flag
        elif isinstance(deed, ReplaceDeed) and isinstance(inverse, ReplaceDeed):
            old, new = deed.by.id, inverse.flag
        else:
            return self

        def renamed(stack: tuple[Deed, ...]) -> tuple[Deed, ...]:
            return tuple(
                replace(item, flag=new)
                if isinstance(item, AddDeed | RemoveDeed | ReplaceDeed) and item.flag.id == old
                else item
                for item in stack
            )

        return History(renamed(self.undo), renamed(self.redo))


def performed(desk: Desk, review: Review, deed: Deed) -> Outcome:
    """Do a deed at the desk.

    Parameters
    ----------
    desk : Desk
        Where it is logged.
    review : Review
        The review before.
    deed : Deed
        What to do.

    Returns
    -------
    Outcome
        On disk. Of several answers the first ones may have been logged and the rest not; it says so.

    Raises
    ------
    LogError
        If nothing could be logged; nothing is changed then.
    """
    if isinstance(deed, ManyDeed):
        return _performed_many(desk, review, deed)
    if isinstance(deed, AnswerDeed):
        before = review.verdicts.get(deed.flag_id, Verdict(deed.flag_id, None))
        return Outcome(desk.answer(review, deed.verdict), AnswerDeed(before))
    if isinstance(deed, ReplaceDeed):
        return _replaced(desk, review, deed)
    if isinstance(deed, RemoveDeed):
        return Outcome(desk.remove_added(review, deed.flag.id), AddDeed(deed.flag))
    known = {flag.id for flag in review.added}
    after = desk.add(review, with_new_id(deed.flag))
    added = next(flag for flag in after.added if flag.id not in known)
    return Outcome(after, RemoveDeed(added))


def _replaced(desk: Desk, review: Review, deed: ReplaceDeed) -> Outcome:
    added = performed(desk, review, AddDeed(deed.by))
    assert isinstance(added.inverse, RemoveDeed)
    try:
        after = desk.remove_added(added.review, deed.flag.id)
    except Exception as error:  # the new one stands beside the old one: said, and undone as an addition
        return Outcome(added.review, added.inverse, None, error)
    return Outcome(after, ReplaceDeed(added.inverse.flag, deed.flag))


def _performed_many(desk: Desk, review: Review, deed: ManyDeed) -> Outcome:
    inverses: list[AnswerDeed] = []
    for place, answer in enumerate(deed.answers):
        before = review.verdicts.get(answer.flag_id, Verdict(answer.flag_id, None))
        try:
            review = desk.answer(review, answer.verdict)
        except Exception as error:
            if not inverses:
                raise
            return Outcome(review, ManyDeed(tuple(inverses[::-1])), ManyDeed(deed.answers[place:]), error)
        inverses.append(AnswerDeed(before))
    return Outcome(review, ManyDeed(tuple(inverses[::-1])))
