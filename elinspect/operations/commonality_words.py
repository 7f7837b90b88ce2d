"""A commonality analysis in words, and as JSON."""

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np

from elinspect.catalogue import Message, Value, words
from elinspect.errors import LogError, told_as
from elinspect.operations.commonality_found import TIMES_TO_FIND, Commonality, Suspect
from elinspect.statistics.lots import Finding
from elinspect.statistics.suspects import BESIDE

_BESIDE = tuple(level.value for level in BESIDE)


def as_messages(found: Commonality) -> tuple[Message, ...]:
    """Return the text to act on, line by line: what, how sure, since when, what to do."""
    if not found.cells:
        return (Message("commonality.nothing_decided"),)
    lines = [_headline(found)]
    suspect = found.suspect
    if suspect is not None:
        flagged, strings = suspect.bad_rate
        lines.append(
            Message(
                "commonality.evidence",
                {"observed": suspect.observed, "expected": suspect.expected, "p": at_most(found.p_value, 4)},
            )
        )
        values: dict[str, Value] = {
            "day": suspect.onset_day,
            "low": suspect.onset_low,
            "high": suspect.onset_high,
            "times": suspect.times,
        }
        lines.append(Message("commonality.onset", {**values, "flagged": flagged, "strings": strings}))
        if found.charged:
            counts = ", ".join(f"{words(f'charged.{who}')} {n}" for who, n in found.charged.items())
            lines.append(Message("commonality.charged", {"counts": counts}))
        if found.cluster is not None and found.cluster.p_value <= 0.01:
            at: dict[str, Value] = {
                "along": found.cluster.along,
                "across": found.cluster.across,
                "n": found.cluster.inside,
            }
            lines.append(Message("commonality.cluster", {**at, "expected": found.cluster.expected}))
        lines += [Message("commonality.nearby", {"what": what}) for what in suspect.nearby]
        lines += _repair_lines(suspect)
    if found.finding is Finding.NOTHING:
        lines += _lead_lines(found)
    if found.missing_cells:
        lines.append(Message("commonality.missing", {"n": found.missing_cells, "times": TIMES_TO_FIND}))
    if found.repeats:
        lines.append(Message("commonality.repeats", {"n": found.repeats}))
    lines.append(
        Message(
            "commonality.basis",
            {"flagged": found.flagged, "cells": found.cells, "first": found.first_day, "last": found.last_day},
        )
    )
    return tuple(lines)


def at_most(p_value: float, decimals: int) -> float:
    """Return a chance rounded up, so that it never reads as none."""
    step = 10.0**-decimals
    return float(np.ceil(p_value / step - 1e-9) * step) or step


def chance_words(p_value: float) -> str:
    """Return a chance as it stands in tables; never as none."""
    return f"{p_value:.2f}" if p_value >= 0.01 else f"{p_value:.4f}" if p_value >= 1e-4 else "<0.0001"


def _headline(found: Commonality) -> Message:
    if found.finding is Finding.LOT:
        return Message("commonality.lot", {"lot": found.lot})
    if found.suspect is None:
        return Message("commonality.not_enough" if found.missing_cells else "commonality.nothing")
    suspect = found.suspect
    where: dict[str, Value] = {
        "name": suspect.name,
        "stringer": suspect.stringer,
        "lane": suspect.lane or words("commonality.all_lanes"),
        "position": suspect.position,
        "place": words(f"place.{suspect.place}") if suspect.place >= 0 else "",
    }
    level = suspect.level.value
    if found.finding is Finding.CANNOT_BE_SEPARATED and found.rivals:
        first = words(f"lead.{level if level in _BESIDE else 'stringer'}", **where)
        others = ", ".join(f"{words(f'lead.{what}')} {name}" for what, name in found.rivals)
        return Message("commonality.rivals", {"who": f"{first} {suspect.name}", "others": others})
    if found.finding is Finding.CANNOT_BE_SEPARATED:
        return Message("commonality.cannot_be_separated", where)
    return Message(f"commonality.accused_{level}", where)


def _lead_lines(found: Commonality) -> list[Message]:
    """Return what differs between whole groups where nobody is accused; strata are not taken out of that."""
    told = [
        words("commonality.lead", what=words(f"lead.{lead.what}"), name=lead.name, times=lead.times)
        for lead in found.leads
        if lead.adjusted <= _WORTH_A_LOOK and lead.times > 1
    ]
    return [Message("commonality.look_into", {"groups": ", ".join(told[:_MOST_LEADS])})] if told else []


_WORTH_A_LOOK, _MOST_LEADS = 0.01, 3


def _repair_lines(suspect: Suspect) -> list[Message]:
    if suspect.repair is None:
        return []
    values: dict[str, Value] = {"what": suspect.repair_what, "at": suspect.repair_at[:16]}
    flagged, strings = suspect.since_repair
    counts: dict[str, Value] = {"flagged": flagged, "strings": strings, "n": suspect.missing_after_repair}
    return [Message(f"commonality.repair_{suspect.repair.value}", {**values, **counts})]


def write_json(found: Commonality, path: Path) -> None:
    """Write an analysis as JSON, with its text.

    Raises
    ------
    LogError
        If the file cannot be written.
    """
    plain = {
        name: value.tolist() if isinstance(value, np.ndarray) else value
        for name, value in ((name, getattr(found, name)) for name in found.__dataclass_fields__)
    }
    plain["text"] = [message.text for message in as_messages(found)]
    for name in ("suspect", "cluster"):
        plain[name] = asdict(plain[name]) if plain[name] is not None else None
    for name in ("lanes", "leads", "examples", "repeated"):
        plain[name] = [asdict(line) for line in plain[name]]
    plain["heads"] = [{"station": head.station, "number": head.number, "hash": head.hash} for head in found.heads]
    with told_as("command.not_written", LogError, file=str(path)):
        path.write_text(json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
