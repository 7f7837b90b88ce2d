"""Shifts of a plant: which one a moment belongs to, by the clock times that stand in the log."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from elinspect.errors import LogError
from elinspect.records import Purpose, Stage
from elinspect.store.log import Log
from elinspect.store.production import newest_seen

USUAL_SHIFTS = ("06:00", "14:00", "22:00")
"""When shifts begin, where the plant's station file does not say. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift.

    Attributes
    ----------
    number : int
        From 1, in the order of the times at which shifts begin; a shift over midnight is one of the day it began.
    begin, end : str
        ``YYYY-MM-DDTHH:MM``; the end is the next one's beginning.
    """

    number: int
    begin: str
    end: str

    @property
    def day(self) -> str:
        """The day it began."""
        return self.begin[:10]

    @property
    def last_day(self) -> str:
        """The day of its last minute."""
        return (datetime.fromisoformat(self.end) - timedelta(minutes=1)).date().isoformat()


def shift_number(starts: Sequence[str], clock: str) -> int:
    """Return which shift a time of day, ``HH:MM``, belongs to."""
    ordered = sorted(starts)
    begun = [number for number, start in enumerate(ordered, start=1) if start <= clock]
    return begun[-1] if begun else len(ordered)  # before the first one, the last of the day before goes on


def shift_on(starts: Sequence[str], day: str, number: int) -> Shift:
    """Return a shift by its day and number.

    Raises
    ------
    LogError
        If the plant has no such shift.
    """
    ordered = sorted(starts)
    if not 1 <= number <= len(ordered):
        raise LogError("shift.number", number=number, shifts=", ".join(ordered))
    begin = datetime.fromisoformat(f"{day}T{ordered[number - 1]}")
    follows = ordered[number % len(ordered)]
    end = datetime.fromisoformat(f"{day}T{follows}") + timedelta(days=number == len(ordered))
    return Shift(number, *(moment.isoformat(timespec="minutes") for moment in (begin, end)))


def shift_at(starts: Sequence[str], moment: str) -> Shift:
    """Return the shift of a moment, ``YYYY-MM-DDTHH:MM`` and more."""
    number = shift_number(starts, moment[11:16])
    before = moment[11:16] < min(starts)
    day = datetime.fromisoformat(moment[:10]) - timedelta(days=before)
    return shift_on(starts, day.date().isoformat(), number)


def shift_before(starts: Sequence[str], shift: Shift) -> Shift:
    """Return the one before."""
    return shift_at(starts, (datetime.fromisoformat(shift.begin) - timedelta(minutes=1)).isoformat())


def newest_shift(log: Log, purpose: Purpose, starts: Sequence[str], until: str | None = None) -> Shift | None:
    """Return the shift of the newest picture at the gate, of a day and those before if asked; None without pictures."""
    with log.reading() as connection:
        newest = newest_seen(connection, purpose.value, Stage.BEFORE_LAMINATION.value, until)
    return shift_at(starts, newest) if newest is not None else None
