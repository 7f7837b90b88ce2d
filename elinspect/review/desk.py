"""What the reviewer's window needs from the log, as a protocol: the window knows no store."""

from dataclasses import dataclass
from typing import Protocol

from elinspect.records import Disposition, Flag, PanelResult, Purpose
from elinspect.review.session import Review, Verdict


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
    """

    inspection: str
    serial: str | None
    seen_at: str
    purpose: Purpose
    attempt: int
    proposal: Disposition
    above_limit: int
    decision: Disposition | None


class Desk(Protocol):
    """A place to review panels: bound to a log, a station and a signed-in inspector.

    Every method that writes returns only after the fact is on disk, and raises `elinspect.errors.LogError` in words if
    it could not be written; nothing is then changed.
    """

    def queue(self) -> tuple[WaitingPanel, ...]:
        """Return all panels, undecided ones first, each group in the order they were seen."""

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

    def decide(self, review: Review, disposition: Disposition, reason: str = "") -> Review:
        """Log the disposition, the gate rule checked again inside the transaction.

        Raises
        ------
        elinspect.errors.LogError
            If a gate condition is missing; the text names it.
        """

    def missing(self, review: Review, disposition: Disposition) -> tuple[str, ...]:
        """Return in words what stands in the way of a disposition now; empty if it may be decided."""
