"""The review of one inspection as a value: verdicts, added flags, what still needs an answer."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from elinspect.records import AddressScheme, Answer, Disposition, Flag, PanelResult
from elinspect.review.gate import FlagStanding


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """The inspector's answer to one flag.

    Attributes
    ----------
    flag_id : str
        The flag.
    answer : Answer or None
        None takes an earlier answer back.
    changed : Flag or None
        The flag as it stands after the answer, its limit evaluated again: for ``changed``, and for a doubtful flag that
        was ``confirmed``.
    note : str
        Free text; stays beside a flag that has no answer, too, and is all there is of one the inspector added.
    """

    flag_id: str
    answer: Answer | None
    changed: Flag | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if self.answer is Answer.CHANGED and self.changed is None:
            raise ValueError("a changed verdict carries the changed flag")
        if self.answer not in (Answer.CHANGED, Answer.CONFIRMED) and self.changed is not None:
            raise ValueError("only what was changed or confirmed carries another flag")


@dataclass(frozen=True, slots=True, eq=False)
class Decision:
    """A logged disposition."""

    disposition: Disposition
    inspector: str
    decided_at: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Hold:
    """A panel on hold.

    Attributes
    ----------
    owner : str
        Who has to settle it.
    since : str
        ISO 8601 with offset.
    """

    owner: str
    since: str


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """One inspection under review.

    Attributes
    ----------
    inspection : str
        Id of the inspection in the log.
    result : PanelResult
        What the pipeline said.
    version : int
        Version of the panel in the log; every logged event raises it.
    verdicts : mapping from flag id to Verdict
        The latest answer to each flag.
    added : tuple of Flag
        Flags the inspector added, in order.
    decision : Decision or None
        The disposition, once logged.
    hold : Hold or None
        Owner and beginning while the panel is on hold.
    """

    inspection: str
    result: PanelResult
    version: int = 0
    verdicts: Mapping[str, Verdict] = field(default_factory=dict)
    added: tuple[Flag, ...] = ()
    decision: Decision | None = None
    hold: Hold | None = None

    @property
    def addresses(self) -> AddressScheme | None:
        """How the plant writes addresses of this product; None if no panel was found."""
        return self.result.panel.addresses

    @property
    def flags(self) -> tuple[Flag, ...]:
        """All flags as they stand now, changed ones in their changed form, added ones last."""
        shown = [self.standing_flag(flag) for flag in self.result.flags]
        return (*shown, *self.added)

    def standing_flag(self, flag: Flag) -> Flag:
        """Return a flag in the form the inspector gave it."""
        verdict = self.verdicts.get(flag.id)
        return verdict.changed if verdict is not None and verdict.changed is not None else flag

    @property
    def standings(self) -> tuple[FlagStanding, ...]:
        """What the gate rule needs to know of every flag."""
        machine = tuple(
            FlagStanding(
                flag.id,
                flag.limit,
                self.standing_flag(flag).limit,
                self.verdicts[flag.id].answer if flag.id in self.verdicts else None,
            )
            for flag in self.result.flags
        )
        added = tuple(FlagStanding(flag.id, flag.limit, flag.limit, None, added=True) for flag in self.added)
        return machine + added


def answered(review: Review, verdict: Verdict) -> Review:
    """Return the review after a verdict; one without an answer takes the earlier one back, and may leave a note."""
    verdicts = dict(review.verdicts)
    if verdict.answer is None and not verdict.note:
        verdicts.pop(verdict.flag_id, None)
    else:
        verdicts[verdict.flag_id] = verdict
    return replace(review, verdicts=verdicts, version=review.version + 1)
