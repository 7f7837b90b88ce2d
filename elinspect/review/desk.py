"""What the reviewer's window needs from the log, as a protocol: the window knows no store."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from elinspect.catalogue import Message
from elinspect.records import Disposition, Flag, PanelResult, Purpose, Stage
from elinspect.review.gate import Role
from elinspect.review.session import Hold, Review, Verdict


@dataclass(frozen=True, slots=True)
class WaitingPanel:
    """One line of the queue.

    Attributes
    ----------
    inspection : str
        Id of the inspection.
    serial : str or None
        The panel.
    seen_at : str
        When it was inspected, ISO 8601 with offset.
    purpose : Purpose
        Why it was taken.
    attempt : int
        nth gate inspection.
    proposal : Disposition
        What the criteria suggest.
    above_limit : int
        Flags above a limit.
    decision : Disposition or None
        None while nothing is decided.
    station : str
        Which station took the picture.
    hold : Hold or None
        Owner and beginning of a hold that has not ended.
    """

    inspection: str
    serial: str | None
    seen_at: str
    purpose: Purpose
    attempt: int
    proposal: Disposition
    above_limit: int
    decision: Disposition | None
    station: str = ""
    hold: Hold | None = None


@dataclass(frozen=True, slots=True)
class Person:
    """Who is signed in.

    Attributes
    ----------
    name : str
        As it is shown.
    role : Role
        What the person may do.
    """

    name: str
    role: Role


@dataclass(frozen=True, slots=True)
class EarlierPicture:
    """Another picture of the same panel, logged before.

    Attributes
    ----------
    inspection : str
        Id of the inspection.
    seen_at : str
        ISO 8601 with offset.
    stage : Stage
        Where in the making.
    attempt : int
        nth gate inspection.
    decision : Disposition or None
        What was decided on it.
    """

    inspection: str
    seen_at: str
    stage: Stage
    attempt: int
    decision: Disposition | None


@dataclass(frozen=True, slots=True)
class UnreadFile:
    """A file in a station's folder that was not inspected.

    Attributes
    ----------
    station : str
        Whose folder.
    file : str
        Its name.
    reason : Message
        Why, and what to do.
    at : str
        ISO 8601 with offset.
    """

    station: str
    file: str
    reason: Message
    at: str


@dataclass(frozen=True, slots=True)
class ShiftFigures:
    """What was done at this seat since a time.

    Attributes
    ----------
    since : str
        ISO 8601 with offset.
    decided : mapping from Disposition to int
        Panels by the decision that stands.
    against : int
        Decisions of these that are not what was proposed.
    answers : mapping from str to int
        Flags of these panels by answer (``confirmed``, ``dismissed``, ``changed``), ``added``, and ``closed``: below
        every limit and closed by the release, not answered singly.
    """

    since: str
    decided: Mapping[Disposition, int] = field(default_factory=dict)
    against: int = 0
    answers: Mapping[str, int] = field(default_factory=dict)

    @property
    def panels(self) -> int:
        """Panels decided."""
        return sum(self.decided.values())


DECIDED_SHOWN = 200
"""Decided panels in the queue; the log keeps all. Common practice, no source: about a shift of one seat."""


class Desk(Protocol):
    """A place to review panels: bound to a log, a station and a signed-in inspector.

    Every method that writes returns only after the fact is on disk, and raises `elinspect.errors.LogError` in words if
    it could not be written; nothing is then changed.
    """

    def queue(self) -> tuple[WaitingPanel, ...]:
        """Return every undecided panel, then every one on hold, then the `DECIDED_SHOWN` seen last of those decided.

        Each group is in the order the panels were seen.
        """

    def look(self, inspection: str) -> PanelResult:
        """Return what the pipeline said about a panel without taking it: its picture is read ahead."""

    def open(self, inspection: str) -> Review:
        """Return a review with every verdict and added flag the log has."""

    def answer(self, review: Review, verdict: Verdict) -> Review:
        """Log a verdict (or its taking back) and return the review after it."""

    def add(self, review: Review, flag: Flag) -> Review:
        """Log a flag the inspector added; its limit is evaluated by the criteria in force."""

    def remove_added(self, review: Review, flag_id: str) -> Review:
        """Log that a flag the inspector added is taken back."""

    def decide(self, review: Review, disposition: Disposition, reason: str = "", owner: str = "") -> Review:
        """Log the disposition, the gate rule checked again inside the transaction.

        Parameters
        ----------
        review : Review
            The panel.
        disposition : Disposition
            What is decided.
        reason : str
            In the inspector's words.
        owner : str
            Of a hold: who has to settle it; the signed-in person if left out.

        Raises
        ------
        elinspect.errors.LogError
            If a gate condition is missing; the text names it.
        """

    def missing(self, review: Review, disposition: Disposition) -> tuple[str, ...]:
        """Return in words what stands in the way of a disposition now; empty if it may be decided."""

    def take_back(self, review: Review, reason: str) -> Review:
        """Log that the decision is taken back; possible until its release was sent to the line.

        Raises
        ------
        elinspect.errors.LogError
            If it can no longer be taken back; the text says why.
        """

    def earlier(self, review: Review) -> tuple[EarlierPicture, ...]:
        """Return the other pictures of the same serial that were logged before this one, the newest first."""

    def unread(self) -> tuple[UnreadFile, ...]:
        """Return the files that could not be inspected, the newest first."""

    def shift(self, since: str) -> ShiftFigures:
        """Return what was done at this seat since a time, ISO 8601 with offset."""

    def plan(self, review: Review) -> tuple[Message, ...]:
        """Return what the bench would have to do about the flags as they stand, step by step; empty for nothing."""

    def give_serial(self, review: Review, serial: str) -> Review:
        """Log the panel under a serial its picture came without; answers to flags are asked anew.

        Raises
        ------
        elinspect.errors.LogError
            If the panel has a serial, or the serial's own panel was decided already.
        """

    def recall(self, inspection: str) -> Review:
        """Return a review as the log has it without taking the panel: it is only looked at."""

    @property
    def person(self) -> Person | None:
        """Who is signed in; None before anybody has."""

    def asks_pin(self) -> bool:
        """Return whether people here sign in with a PIN or badge; names are taken on trust until somebody has one."""

    def sign_in(self, name: str, pin: str) -> Person:
        """Sign another person in; locks on panels stay with the seat.

        Parameters
        ----------
        name : str
            Empty to find the person by the badge.
        pin : str
            PIN, or what the badge reader typed.

        Raises
        ------
        elinspect.errors.LogError
            If name and PIN do not belong together, or nobody has this badge.
        """
