"""What the gate shows at one moment, as a value."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from elinspect.catalogue import words
from elinspect.recipe import AddressScheme
from elinspect.records import Disposition
from elinspect.review.desk import ShiftFigures, UnreadFile, WaitingPanel
from elinspect.review.session import Review
from elinspect_ui.presenters.flag_lines import FlagLine, Standing, scheme_of

DISPOSITIONS = tuple(Disposition)
"""Dispositions the window offers."""
REASONED = (Disposition.HOLD, Disposition.CONCESSION, Disposition.SCRAP)
"""Dispositions that always need a reason; any other only against the proposal."""
_RELEASING = (Disposition.ACCEPT, Disposition.CONCESSION)


class Tone(StrEnum):
    """How a notice is meant."""

    DONE = "done"
    REFUSED = "refused"
    FAILED = "failed"
    HINT = "hint"


@dataclass(frozen=True, slots=True)
class Notice:
    """A line for the inspector.

    Attributes
    ----------
    text : str
        In words.
    tone : Tone
        How it is meant.
    """

    text: str
    tone: Tone


class Busy(StrEnum):
    """What is under way."""

    OPENING = "opening"
    WRITING = "writing"


class PictureState(StrEnum):
    """Whether the picture of the panel is on screen."""

    LOADING = "loading"
    SHOWN = "shown"
    FAILED = "failed"


class Asked(StrEnum):
    """What the inspector is asked to write, beside the reason of a decision."""

    NOTE = "note"
    TAKE_BACK = "take_back"
    SERIAL = "serial"


@dataclass(frozen=True, slots=True, eq=False)
class GateState:
    """Everything the gate shows at one moment.

    Attributes
    ----------
    panels : tuple of WaitingPanel
        The queue as last read.
    review : Review or None
        The panel on screen; None while there is none.
    lines : tuple of FlagLine
        Its flags in words.
    current : int or None
        Place of the current flag in `lines`; None without flags.
    missing : mapping from Disposition to tuple of str
        What stands in the way of each disposition, in words; empty if it may be decided.
    plan : tuple of str
        What the bench would have to do about the flags as they stand, step by step.
    picture : PictureState
        Whether the picture is on screen.
    unseen : int
        Cells of the panel that have not been on screen whole.
    busy : Busy or None
        What is under way.
    asking : Disposition, Asked or None
        The disposition whose reason is being asked, or what else is to be written.
    suggestion : str
        The text put forward.
    owner : str
        Who is put forward as owner of a hold.
    notice : Notice or None
        The last thing said.
    queue_problem : str or None
        Why the queue could not be read; None if it could.
    can_undo, can_redo : bool
        Whether there is something to undo or redo.
    shift : ShiftFigures or None
        What was done at this seat in this shift, as last read.
    unread : tuple of UnreadFile
        Files that could not be inspected, as last read.
    """

    panels: tuple[WaitingPanel, ...] = ()
    review: Review | None = None
    lines: tuple[FlagLine, ...] = ()
    current: int | None = None
    missing: Mapping[Disposition, tuple[str, ...]] = field(default_factory=dict)
    plan: tuple[str, ...] = ()
    picture: PictureState = PictureState.LOADING
    unseen: int = 0
    busy: Busy | None = None
    asking: Disposition | Asked | None = None
    suggestion: str = ""
    owner: str = ""
    notice: Notice | None = None
    queue_problem: str | None = None
    can_undo: bool = False
    can_redo: bool = False
    shift: ShiftFigures | None = None
    unread: tuple[UnreadFile, ...] = ()

    @property
    def scheme(self) -> AddressScheme:
        """How addresses of this panel are written."""
        return scheme_of(self.review)

    @property
    def line(self) -> FlagLine | None:
        """The current flag."""
        return self.lines[self.current] if self.current is not None else None

    @property
    def unanswered(self) -> int:
        """Flags above a limit that still need an answer."""
        return sum(line.standing is Standing.NEEDS_ANSWER for line in self.lines)

    def missing_for(self, disposition: Disposition) -> tuple[str, ...]:
        """Return in words what stands in the way of a disposition, what only the window knows first."""
        if self.review is None:
            return (words("desktop.no_panel"),)
        if self.closed:
            return (words("desktop.already_decided"),)
        own: tuple[str, ...] = ()
        if disposition in _RELEASING and self.picture is not PictureState.SHOWN:
            own = (picture_words(self.picture),)
        elif disposition in _RELEASING and self.unseen:
            several = bool(self.review.result.image.tiles)
            own = (words("desktop.unseen_of_several" if several else "desktop.unseen", n=self.unseen),)
        return (*own, *self.missing.get(disposition, (words("desktop.not_known"),)))

    @property
    def closed(self) -> bool:
        """Whether the panel is decided for good; a held panel can still be decided."""
        decision = self.review.decision if self.review is not None else None
        return decision is not None and decision.disposition is not Disposition.HOLD


def picture_words(picture: PictureState) -> str:
    """Return why nothing can be answered while the picture is not on screen."""
    return words("desktop.picture_failed" if picture is PictureState.FAILED else "desktop.picture_loading")
