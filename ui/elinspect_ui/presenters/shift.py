"""The clock of the panel on screen and the figures of the shift, in words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from elinspect.catalogue import words
from elinspect.records import Disposition
from elinspect.review.desk import ShiftFigures, UnreadFile
from elinspect_ui.presenters.queue import local_time


@dataclass(frozen=True, slots=True)
class ClockLine:
    """How long the panel has been on screen.

    Attributes
    ----------
    text : str
        In words.
    share : float or None
        Of the takt, above 1 when it is over; None without a takt.
    """

    text: str
    share: float | None

    @property
    def over(self) -> bool:
        """Whether the takt is over."""
        return self.share is not None and self.share > 1


def clock_line(elapsed_s: float, takt_s: float | None) -> ClockLine:
    """Return the clock of the panel on screen.

    Parameters
    ----------
    elapsed_s : float
        Since its picture was on screen.
    takt_s : float or None
        Takt of its station; None where none is set.
    """
    if takt_s is None:
        return ClockLine(words("desktop.clock.plain", time=_minutes(elapsed_s)), None)
    share = elapsed_s / takt_s
    code = "desktop.clock.over" if share > 1 else "desktop.clock.takt"
    over = _minutes(max(elapsed_s - takt_s, 0.0))
    return ClockLine(words(code, time=_minutes(elapsed_s), takt=_minutes(takt_s), over=over), share)


def _minutes(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def shift_start(starts: Sequence[str], now: datetime) -> datetime:
    """Return when the shift of a moment began.

    Parameters
    ----------
    starts : sequence of str
        When shifts begin, ``06:00``; without any, the moment itself (the window was opened).
    now : datetime
        With time zone.
    """
    begun = [
        now.replace(hour=int(start[:2]), minute=int(start[3:5]), second=0, microsecond=0) - timedelta(days=back)
        for start in starts
        for back in (0, 1)
    ]
    return max((moment for moment in begun if moment <= now), default=now)


def shift_words(figures: ShiftFigures, seconds: Sequence[float]) -> tuple[str, str]:
    """Put the figures of the shift into words: a short line, and all of them.

    Parameters
    ----------
    figures : ShiftFigures
        From the log.
    seconds : sequence of float
        How long each panel decided at this window was on screen.
    """
    counts = _counts(figures.decided)
    short = words("desktop.shift.short", n=figures.panels, counts=counts)
    lines = [words("desktop.shift.since", since=local_time(figures.since)[:16]), short]
    lines.append(words("desktop.shift.against", n=figures.against))
    answers = {name: figures.answers.get(name, 0) for name in ("confirmed", "dismissed", "changed", "added", "closed")}
    lines.append(words("desktop.shift.answers", **answers))
    if seconds:
        ordered = sorted(seconds)
        middle = ordered[len(ordered) // 2]
        lines.append(words("desktop.shift.seconds", n=len(ordered), median=middle, longest=ordered[-1]))
    return short, "\n".join(lines)


def _counts(decided: Mapping[Disposition, int]) -> str:
    made = [(disposition, decided.get(disposition, 0)) for disposition in Disposition]
    always = (Disposition.ACCEPT, Disposition.REWORK, Disposition.HOLD)
    parts = [
        words("desktop.shift.count", number=number, disposition=disposition.value)
        for disposition, number in made
        if number or disposition in always
    ]
    return " · ".join(parts)


def unread_words(files: Sequence[UnreadFile]) -> tuple[tuple[str, str], ...]:
    """Put files that could not be inspected into words: which file where and when, and why."""
    return tuple(
        (
            words("desktop.unread.file", file=unread.file, station=unread.station, at=local_time(unread.at)),
            unread.reason.text,
        )
        for unread in files
    )
