"""The card of an alert: one page that a technician takes to the machine."""

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from elinspect.catalogue import words
from elinspect.errors import LogError, told_as
from elinspect.operations.alerts import BETWEEN_FALSE_ALARMS, FALSE_ALARMS, Alert
from elinspect.operations.tool_map import MachinePart
from elinspect.reports.paper import Drawing, Heading, Paper, Part, Text, write_paper


def card(alert: Alert, parts: Sequence[MachinePart] = ()) -> Paper:
    """Return the card a technician takes to the machine: one page.

    Parameters
    ----------
    alert : Alert
        What it is about.
    parts : sequence of MachinePart
        The plant's map of what touches where.
    """
    from elinspect.reports.figures import place_figure

    middle = tuple(float(value) for value in np.median(alert.places, axis=0)) if len(alert.places) else None
    place = (middle[0], middle[1]) if middle is not None else None
    touching = [part.name for part in parts if part.touches(alert.stringer, alert.lane, alert.position, place)]
    facts = [
        (words("alert.where"), words("alert.lane_name", stringer=alert.stringer, lane=alert.lane)),
        (words("figure.position"), str(alert.position) if alert.position else words("alert.any_position")),
        (words("alert.kind"), words(f"kind.{alert.kind.value}") if alert.kind is not None else ""),
        (words("alert.touching"), ", ".join(touching) or words("alert.no_part")),
        (words("alert.last_work"), alert.last_work or words("common.unknown")),
    ]
    if alert.since_work is not None:
        flagged, cells = alert.since_work
        facts.append((words("alert.since_work"), words("alert.counts", flagged=flagged, n=cells)))
    told: list[Part] = [Text(alert.message.text, strong=True), Text(words("commonality.caution"))]
    together = 1e6 / (FALSE_ALARMS + 1e6 / BETWEEN_FALSE_ALARMS)
    note = words("alert.false_alarms", n=alert.false_alarms, together=together)
    told.append(
        Drawing(place_figure(alert.places, None, words("commonality.places"), note, (alert.position, alert.cells)))
    )
    told += [Heading(words("alert.panels")), Text(", ".join(alert.serials))]
    return Paper(words("alert.title", stringer=alert.stringer, lane=alert.lane), facts, told)


def write_card(alert: Alert, path: Path, parts: Sequence[MachinePart] = ()) -> None:
    """Write a card as PDF.

    Raises
    ------
    LogError
        If the file cannot be written.
    """
    write_paper(path, card(alert, parts))


def put_card(alert: Alert, folder: Path, parts: Sequence[MachinePart] = ()) -> Path:
    """Write a card into a folder under a name of its own, made if needed; returns where it lies.

    Raises
    ------
    LogError
        If it cannot be written.
    """
    with told_as("command.no_folder", LogError, folder=str(folder)):
        folder.mkdir(parents=True, exist_ok=True)
    where = (alert.stringer, alert.lane, *([str(alert.position)] if alert.position else []))
    at = alert.at[:19].replace(":", "").replace("T", "-")
    name = re.sub(r"[^\w-]+", "_", "-".join(("alert", at, *where)))
    path = folder / f"{name}.pdf"
    write_card(alert, path, parts)
    return path
