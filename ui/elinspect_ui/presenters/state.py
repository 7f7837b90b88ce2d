"""What the gate shows at one moment, as a value."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from elinspect.catalogue import words
from elinspect.recipe import AddressScheme
from elinspect.records import Disposition
from elinspect.review.desk import WaitingPanel
from elinspect.review.session import Review
from elinspect_ui.presenters.flag_lines import FlagLine, Standing, scheme_of

DISPOSITIONS = (Disposition.ACCEPT, Disposition.REWORK, Disposition.HOLD)
"""Dispositions the window offers."""
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
    picture : PictureState
        Whether the picture is on screen.
    busy : Busy or None
        What is under way.
    asking : Disposition or None
        The disposition whose reason is being asked.
    suggestion : str
        The reason put forward.
    notice : Notice or None
        The last thing said.
    queue_problem : str or None
        Why the queue could not be read; None if it could.
    can_undo, can_redo : bool
        Whether there is something to undo or redo.
    """

    panels: tuple[WaitingPanel, ...] = ()
    review: Review | None = None
    lines: tuple[FlagLine, ...] = ()
    current: int | None = None
    missing: Mapping[Disposition, tuple[str, ...]] = field(default_factory=dict)
    picture: PictureState = PictureState.LOADING
    busy: Busy | None = None
    asking: Disposition | None = None
    suggestion: str = ""
    notice: Notice | None = None
    queue_problem: str | None = None
    can_undo: bool = False
    can_redo: bool = False

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
        decision = self.review.decision
        if self.closed or (decision is not None and decision.disposition is disposition):
            return (words("desktop.already_decided"),)
        unseen = disposition in _RELEASING and self.picture is not PictureState.SHOWN
        own = (picture_words(self.picture),) if unseen else ()
        return (*own, *self.missing.get(disposition, (words("desktop.not_known"),)))

    @property
    def closed(self) -> bool:
        """Whether the panel is decided for good; a held panel can still be decided."""
        decision = self.review.decision if self.review is not None else None
        return decision is not None and decision.disposition is not Disposition.HOLD


def picture_words(picture: PictureState) -> str:
    """Return why nothing can be answered while the picture is not on screen."""
    return words("desktop.picture_failed" if picture is PictureState.FAILED else "desktop.picture_loading")
