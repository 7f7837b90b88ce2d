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


Deed = AnswerDeed | AddDeed | RemoveDeed


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

    def after(self, inverse: Deed, *, undone: bool = False, redone: bool = False) -> "History":
        """Return the history after a deed whose inverse is given.

        Parameters
        ----------
        inverse : Deed
            What would undo the deed just done.
        undone, redone : bool
            Whether the deed was itself the last one of `undo` or of `redo`.
        """
        if undone:
            moved = History(self.undo[:-1], (*self.redo, inverse))
            return moved._renamed(self.undo[-1], inverse)
        if redone:
            moved = History((*self.undo, inverse), self.redo[:-1])
            return moved._renamed(self.redo[-1], inverse)
        return History((*self.undo, inverse), ())

    def _renamed(self, deed: Deed, inverse: Deed) -> "History":
        """Follow a flag that came back under a new id: older deeds still name the old one."""
        if not isinstance(deed, AddDeed) or not isinstance(inverse, RemoveDeed):
            return self
        old, new = deed.flag.id, inverse.flag

        def renamed(stack: tuple[Deed, ...]) -> tuple[Deed, ...]:
            return tuple(
                replace(item, flag=new) if not isinstance(item, AnswerDeed) and item.flag.id == old else item
                for item in stack
            )

        return History(renamed(self.undo), renamed(self.redo))


def performed(desk: Desk, review: Review, deed: Deed) -> tuple[Review, Deed]:
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
    review : Review
        After it, on disk.
    inverse : Deed
        What would undo it.

    Raises
    ------
    LogError
        If it could not be logged; nothing is changed then.
    """
    if isinstance(deed, AnswerDeed):
        before = review.verdicts.get(deed.flag_id, Verdict(deed.flag_id, None))
        return desk.answer(review, deed.verdict), AnswerDeed(before)
    if isinstance(deed, RemoveDeed):
        return desk.remove_added(review, deed.flag.id), AddDeed(deed.flag)
    known = {flag.id for flag in review.added}
    after = desk.add(review, with_new_id(deed.flag))
    added = next(flag for flag in after.added if flag.id not in known)
    return after, RemoveDeed(added)
