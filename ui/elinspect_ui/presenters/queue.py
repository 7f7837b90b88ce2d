"""The line of panels: which wait, which are done, which comes next."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from elinspect.catalogue import words
from elinspect.records import Disposition, Purpose
from elinspect.review.desk import WaitingPanel

LONGEST_LINE = 60
"""Panels shown around the current one; the line on screen holds fewer, the log has them all."""


@dataclass(frozen=True, slots=True)
class QueueLine:
    """One panel as the line shows it.

    Attributes
    ----------
    inspection : str
        Id of the inspection.
    serial : str
        The serial, or words for none.
    status : str
        The decision, or what is proposed.
    detail : str
        What a pointer resting on it shows.
    decided : Disposition or None
        None while it waits.
    above_limit : int
        Flags above a limit.
    current : bool
        Whether it is the panel on screen.
    """

    inspection: str
    serial: str
    status: str
    detail: str
    decided: Disposition | None
    above_limit: int
    current: bool


def queue_lines(
    panels: Sequence[WaitingPanel], current: str | None, longest: int = LONGEST_LINE
) -> tuple[QueueLine, ...]:
    """Return the line of panels as they stand on the line: in the order they were seen, the oldest first.

    Parameters
    ----------
    panels : sequence of WaitingPanel
        As the desk gives them.
    current : str or None
        Inspection on screen.
    longest : int
        Most lines returned; waiting panels and those around the current one are kept.
    """
    ordered = in_order_seen(panels)
    if len(ordered) > longest:
        centre = next((i for i, panel in enumerate(ordered) if panel.inspection == current), None)
        if centre is None:
            centre = next((i for i, panel in enumerate(ordered) if panel.decision is None), len(ordered) - 1)
        first = max(0, min(centre - longest // 3, len(ordered) - longest))
        ordered = ordered[first : first + longest]
    return tuple(_line(panel, panel.inspection == current) for panel in ordered)


def in_order_seen(panels: Sequence[WaitingPanel]) -> list[WaitingPanel]:
    """Return the panels by the time they were seen; equal times keep the desk's order."""
    return sorted(panels, key=lambda panel: _moment(panel.seen_at))


def waiting_count(panels: Sequence[WaitingPanel]) -> int:
    """Return how many panels wait for a decision."""
    return sum(panel.decision is None for panel in panels)


def in_order_due(panels: Sequence[WaitingPanel], takts: Mapping[str, float]) -> list[WaitingPanel]:
    """Return the panels by when their takt is over, so that one seat can serve stations of different takt.

    Parameters
    ----------
    panels : sequence of WaitingPanel
        As the desk gives them.
    takts : mapping from str to float
        Takt of a station in seconds; under ``""`` that of every other.
    """
    usual = takts.get("", 0.0)
    return sorted(panels, key=lambda panel: _moment(panel.seen_at) + takts.get(panel.station, usual))


def next_waiting(
    panels: Sequence[WaitingPanel], after: str | None, takts: Mapping[str, float] | None = None
) -> str | None:
    """Return the undecided panel that is due first; those that were passed over before the given one come last.

    Passed over are panels that were due before it and seen before it: another seat has them, or the inspector left them
    for later. One that came since from a faster station is due before it too, but could not be chosen yet.
    """
    ordered = in_order_due(panels, takts or {})
    place = next((i for i, panel in enumerate(ordered) if panel.inspection == after), -1)
    seen = _moment(ordered[place].seen_at) if place >= 0 else 0.0
    passed = [place >= i and _moment(panel.seen_at) <= seen for i, panel in enumerate(ordered)]
    turns = sorted(range(len(ordered)), key=lambda i: passed[i])
    waiting = (ordered[i] for i in turns if ordered[i].decision is None)
    return next((panel.inspection for panel in waiting if panel.inspection != after), None)


def neighbour(panels: Sequence[WaitingPanel], current: str | None, step: int) -> str | None:
    """Return the panel `step` places further along the line; None at its end."""
    ordered = in_order_seen(panels)
    if not ordered:
        return None
    place = next((i for i, panel in enumerate(ordered) if panel.inspection == current), None)
    if place is None:
        return ordered[0].inspection
    wanted = place + step
    return ordered[wanted].inspection if 0 <= wanted < len(ordered) else None


def _line(panel: WaitingPanel, current: bool) -> QueueLine:
    serial = panel.serial or words("desktop.no_serial")
    if panel.hold is not None:
        age = age_in_words(panel.hold.since, datetime.now().astimezone())
        status = words("desktop.queue.held", age=age, owner=panel.hold.owner)
    elif panel.decision is not None:
        status = words("desktop.queue.decided", decision=panel.decision.value)
    elif panel.above_limit:
        status = words("desktop.queue.above", n=panel.above_limit, proposal=panel.proposal.value)
    else:
        status = words("desktop.queue.proposed", proposal=panel.proposal.value)
    if panel.attempt > 1:
        status = words("desktop.queue.attempt", status=status, attempt=panel.attempt)
    detail = words(
        "desktop.queue.detail",
        serial=serial,
        seen_at=local_time(panel.seen_at),
        attempt=panel.attempt,
        purpose=words(f"purpose.{panel.purpose}"),
        status=status,
    )
    return QueueLine(panel.inspection, serial, status, detail, panel.decision, panel.above_limit, current)


def purpose_warning(purpose: Purpose) -> str | None:
    """Return what must be said about a purpose that releases nothing; None for production."""
    if purpose is Purpose.PRODUCTION:
        return None
    return words("desktop.purpose", purpose=words(f"purpose.{purpose}"))


def age_in_words(since: str, now: datetime) -> str:
    """Write how long something has lasted, ISO 8601 with offset; '' where that cannot be read."""
    try:
        minutes = int((now - datetime.fromisoformat(since)).total_seconds() // 60)
    except (ValueError, TypeError):
        return ""
    if minutes < 60:
        return words("desktop.age.minutes", minutes=max(minutes, 0))
    if minutes < 48 * 60:
        return words("desktop.age.hours", hours=minutes // 60, minutes=minutes % 60)
    return words("desktop.age.days", days=minutes // (24 * 60))


def local_time(text: str) -> str:
    """Write a time of the log in this station's time zone; as it stands if it is not ISO 8601."""
    moment = _parsed(text)
    return text if moment is None else f"{moment.astimezone():%Y-%m-%d %H:%M:%S}"


def _parsed(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _moment(text: str) -> float:
    moment = _parsed(text)
    return moment.timestamp() if moment is not None else float("inf")
