"""The gate rule: what must hold before a disposition may be logged. A pure function, checked by whoever calls.

A reason never replaces the gate rule, and the default is *not released*: a condition that is not known to hold is
missing.
"""

from dataclasses import dataclass
from enum import StrEnum

from elinspect.catalogue import Message
from elinspect.records import Answer, Disposition


class Role(StrEnum):
    """What a signed-in person may do."""

    INSPECTOR = "inspector"
    TECHNICIAN = "technician"
    QUALITY_ENGINEER = "quality_engineer"
    AUDITOR = "auditor"
    ADMINISTRATOR = "administrator"


@dataclass(frozen=True, slots=True)
class FlagStanding:
    """How one flag stands at the moment of the decision.

    Attributes
    ----------
    flag_id : str
        The flag.
    machine_limit : str or None
        Limit the flag reached as the machine (or the inspector who added it) made it.
    standing_limit : str or None
        Limit it reaches now, after a change by the inspector; the machine's limit if it was not changed.
    answer : Answer or None
        The latest verdict; None if there is none.
    added : bool
        Whether the inspector added it; an added flag needs no further verdict.
    """

    flag_id: str
    machine_limit: str | None
    standing_limit: str | None
    answer: Answer | None
    added: bool = False

    @property
    def unanswered_above_limit(self) -> bool:
        """Whether the flag still needs an answer one by one."""
        return not self.added and self.answer is None and self.machine_limit is not None

    @property
    def stands_above_limit(self) -> bool:
        """Whether the inspector agrees that something above a limit is there."""
        agreed = self.added or self.answer in (Answer.CONFIRMED, Answer.CHANGED)
        return agreed and self.standing_limit is not None


@dataclass(frozen=True, slots=True)
class GateFacts:
    """Everything the gate rule asks for; each default is the safe side.

    Attributes
    ----------
    flags : tuple of FlagStanding
        All flags of the inspection.
    usable, panel_found, layout_agrees : bool
        The image is good enough, the panel was found, in the layout of the recipe.
    serial : str or None
        The panel's serial.
    lock_held, version_unchanged : bool
        The station holds the panel and nobody else has written to it since it was shown.
    role : Role or None
        Role of the person who decides.
    """

    flags: tuple[FlagStanding, ...]
    usable: bool = False
    panel_found: bool = False
    layout_agrees: bool = False
    serial: str | None = None
    lock_held: bool = False
    version_unchanged: bool = False
    role: Role | None = None


ANSWERING = frozenset({Role.INSPECTOR, Role.QUALITY_ENGINEER})
"""Roles that answer flags and decide; all others read."""


def missing_conditions(facts: GateFacts, disposition: Disposition) -> tuple[Message, ...]:
    """Return what stands in the way of a disposition.

    Parameters
    ----------
    facts : GateFacts
        The state at the moment of the decision.
    disposition : Disposition
        What is to be decided.

    Returns
    -------
    tuple of Message
        Empty if the disposition may be logged.
    """
    missing: list[Message] = []
    if facts.role not in ANSWERING:
        missing.append(Message("gate.role_decide"))
    if not facts.lock_held:
        missing.append(Message("gate.lock"))
    if not facts.version_unchanged:
        missing.append(Message("gate.version"))
    if disposition in (Disposition.CONCESSION, Disposition.SCRAP) and facts.role is not Role.QUALITY_ENGINEER:
        missing.append(Message("gate.role_quality", {"disposition": disposition.value}))
    if disposition in (Disposition.ACCEPT, Disposition.CONCESSION):
        missing.extend(_missing_for_release(facts))
    if disposition is Disposition.ACCEPT:
        standing = sum(flag.stands_above_limit for flag in facts.flags)
        if standing:
            missing.append(Message("gate.standing", {"n": standing}))
    return tuple(missing)


def _missing_for_release(facts: GateFacts) -> list[Message]:
    missing = []
    if not facts.panel_found:
        missing.append(Message("gate.not_found"))
    if not facts.usable:
        missing.append(Message("gate.not_usable"))
    if not facts.layout_agrees:
        missing.append(Message("gate.layout"))
    if not facts.serial:
        missing.append(Message("gate.serial"))
    unanswered = sum(flag.unanswered_above_limit for flag in facts.flags)
    if unanswered:
        missing.append(Message("gate.unanswered", {"n": unanswered}))
    return missing
