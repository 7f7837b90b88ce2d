"""Flags in words: how each stands, what was measured, why it was raised."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from elinspect.catalogue import Value, words
from elinspect.catalogue.english import TEXTS
from elinspect.recipe import AddressScheme, write_address
from elinspect.records import Answer, Disposition, Flag, Kind, Source
from elinspect.review.session import Review


class Standing(StrEnum):
    """How a flag stands in the review."""

    NEEDS_ANSWER = "needs_answer"
    BELOW_LIMITS = "below_limits"
    CONFIRMED = "confirmed"
    CHANGED = "changed"
    DISMISSED = "dismissed"
    ADDED = "added"
    NOT_ANSWERED = "not_answered"


GRAVITY: Mapping[Standing, int] = {
    standing: rank
    for rank, standing in enumerate(
        (
            Standing.NEEDS_ANSWER,
            Standing.ADDED,
            Standing.CHANGED,
            Standing.CONFIRMED,
            Standing.BELOW_LIMITS,
            Standing.NOT_ANSWERED,
            Standing.DISMISSED,
        )
    )
}
"""Which standing a cell with several flags shows: the first of these."""


@dataclass(frozen=True, slots=True, eq=False)
class FlagLine:
    """One flag as the window shows it; its words are made when they are asked for: a panel can have hundreds.

    Attributes
    ----------
    flag : Flag
        As it stands now.
    standing : Standing
        What the inspector said about it.
    was : Kind
        What the machine (or the inspector who added it) called it.
    scheme : AddressScheme
        How its address is written.
    note : str
        What the inspector wrote beside it.
    """

    flag: Flag
    standing: Standing
    was: Kind
    scheme: AddressScheme
    note: str = ""

    @property
    def kind(self) -> str:
        """Its kind in words."""
        return words(f"kind.{self.flag.kind}")

    @property
    def title(self) -> str:
        """Kind and place in words."""
        return words("desktop.flag.title", kind=self.kind, place=place_in_words(self.flag, self.scheme))

    @property
    def above(self) -> bool:
        """Whether it reaches a limit as it stands."""
        return self.flag.limit is not None

    @property
    def reason(self) -> str:
        """Why it was raised, in words."""
        return self.flag.message.text

    @property
    def standing_text(self) -> str:
        """How it stands, in words."""
        if self.standing is Standing.BELOW_LIMITS and self.flag.doubtful:
            return words("desktop.standing.doubtful", percent=100 * (self.flag.probability or 0.0))
        if self.standing in (Standing.BELOW_LIMITS, Standing.DISMISSED, Standing.NOT_ANSWERED):
            return words(f"desktop.standing.{self.standing}")
        changed = self.standing is Standing.CHANGED and self.flag.kind is not self.was
        said = words("desktop.standing.changed", was=self.was.value) if changed else ""
        if self.standing is Standing.CHANGED and not changed:
            said = words("desktop.standing.redrawn")
        said = said or words(f"desktop.standing.{self.standing}")
        if self.flag.limit is None:
            return f"{said} {words('desktop.standing.below')}"
        return f"{said} {words('desktop.standing.above', limit=limit_in_words(self.flag.limit))}"

    @property
    def figures(self) -> tuple[tuple[str, str], ...]:
        """Measured things and their values, in words."""
        return _figures(self.flag)


def flag_lines(review: Review) -> tuple[FlagLine, ...]:
    """Return all flags of a review, in order of severity, those the inspector added last."""
    scheme = scheme_of(review)
    machine = review.result.flags
    notes = {name: verdict.note for name, verdict in review.verdicts.items()}
    shown = [
        FlagLine(review.standing_flag(flag), _machine_standing(review, flag), flag.kind, scheme, notes.get(flag.id, ""))
        for flag in machine
    ]
    added = (FlagLine(flag, Standing.ADDED, flag.kind, scheme, notes.get(flag.id, "")) for flag in review.added)
    return (*shown, *added)


def scheme_of(review: Review | None) -> AddressScheme:
    """Return how the plant writes addresses of a panel; numbers with a dash where the result does not say."""
    known = review.addresses if review is not None else None
    return known if known is not None else AddressScheme()


def _machine_standing(review: Review, flag: Flag) -> Standing:
    verdict = review.verdicts.get(flag.id)
    if verdict is None or verdict.answer is None:
        if flag.limit is not None:
            return Standing.NEEDS_ANSWER
        decision = review.decision
        released = decision is not None and decision.disposition in (Disposition.ACCEPT, Disposition.CONCESSION)
        return Standing.NOT_ANSWERED if released else Standing.BELOW_LIMITS
    return {
        Answer.CONFIRMED: Standing.CONFIRMED,
        Answer.DISMISSED: Standing.DISMISSED,
        Answer.CHANGED: Standing.CHANGED,
    }[verdict.answer]


def next_to_answer(lines: tuple[FlagLine, ...], after: int) -> int | None:
    """Return the next flag that still needs an answer, searching on from one and around; None if all have theirs."""
    order = [*range(after + 1, len(lines)), *range(after + 1)]
    return next((i for i in order if i < len(lines) and lines[i].standing is Standing.NEEDS_ANSWER), None)


def alike(lines: Sequence[FlagLine], line: FlagLine, *, whole_string: bool) -> tuple[FlagLine, ...]:
    """Return the flags of the same kind in the same cell, or string, that need an answer; the given one first."""

    def belongs(other: FlagLine) -> bool:
        same_place = whole_string or other.flag.position == line.flag.position
        same = other.flag.kind is line.flag.kind and other.flag.string == line.flag.string and same_place
        return same and other.standing is Standing.NEEDS_ANSWER

    found = [other for other in lines if belongs(other)]
    return tuple(sorted(found, key=lambda other: other.flag.id != line.flag.id))


def place_in_words(flag: Flag, scheme: AddressScheme) -> str:
    """Write where a flag is: cell, string or the whole panel."""
    if flag.string is None:
        return words("desktop.place.panel")
    address = write_address(scheme, flag.string, flag.position)
    return words("desktop.place.string" if flag.position is None else "desktop.place.cell", address=address)


def limit_in_words(limit: str) -> str:
    """Write a limit such as ``crack.any``: the kind in words, the name as the criteria file has it."""
    kind, _, name = limit.partition(".")
    return words("desktop.limit", kind=kind, name=name) if f"kind.{kind}" in TEXTS else limit


def _figures(flag: Flag) -> tuple[tuple[str, str], ...]:
    figures: list[tuple[str, str]] = []
    if flag.length_mm is not None:
        figures.append((words("desktop.figure.length"), words("desktop.value.mm", value=flag.length_mm)))
    if flag.area_fraction is not None:
        figures.append((words("desktop.figure.area"), words("desktop.value.percent", value=100 * flag.area_fraction)))
    if flag.mode is not None:
        figures.append((words("desktop.figure.mode"), words(f"desktop.mode.{flag.mode}")))
    if flag.loss_w is not None:
        figures.append((words("desktop.figure.loss"), words("desktop.value.watt", value=flag.loss_w)))
    figures += [(_name(name), _value(name, value)) for name, value in flag.measurements.items() if value is not None]
    if flag.source is Source.MACHINE:
        figures.append((words("desktop.figure.score"), f"{flag.score:.2f}"))
    return tuple(figures)


_UNITS = {"_mm2": "mm²", "_mm": "mm", "_px": "px", "_deg": "°", "_w": "W", "_v": "V", "_a": "A"}


def _name(name: str) -> str:
    """Name of a measurement; one without a text of its own is its name without the unit."""
    if f"desktop.measure.{name}" in TEXTS:
        return words(f"desktop.measure.{name}")
    suffix = next((unit for unit in (*_UNITS, "_share") if name.endswith(unit)), "")
    return name.removesuffix(suffix).replace("_", " ")


def _value(name: str, value: Value) -> str:
    unit = next((text for suffix, text in _UNITS.items() if name.endswith(suffix)), "")
    if isinstance(value, bool):
        return words("desktop.value.yes" if value else "desktop.value.no")
    if not isinstance(value, int | float):
        return str(value)
    if name.endswith("_share") or name == "relative_luminance":
        return words("desktop.value.percent", value=100 * value)
    number = str(value) if isinstance(value, int) else f"{value:.3g}"
    return f"{number} {unit}".strip()


def kind_choices() -> tuple[tuple[str, Kind], ...]:
    """Return the kinds an inspector may choose with the key of each, the frequent ones on the digits."""
    order = (
        Kind.CRACK,
        Kind.INACTIVE_AREA,
        Kind.FINGER_INTERRUPTION,
        Kind.DARK_CELL,
        Kind.SOLDER_FAULT,
        Kind.RIBBON_OFFSET,
        Kind.CHIPPED_CELL,
        Kind.FOREIGN_BODY,
        Kind.MATERIAL_PATTERN,
        Kind.OTHER,
        Kind.MISPLACED_CELL,
        Kind.REVERSED_CELL,
        Kind.DARK_STRING,
        Kind.BRIDGED_STRING,
        Kind.OPEN_CIRCUIT,
        Kind.BUSSING_JOINT_FAULT,
    )
    return tuple(zip("1234567890QWERTY", order, strict=True))
