"""The serial of a panel: what each source says, whether they agree, whether it can be the next one. Pure rules."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from elinspect.catalogue import Message, words
from elinspect.records import Disposition
from elinspect.station.station_file import SerialRule, SerialSource

_LONGEST_SHOWN = 60
_ENDED = frozenset({Disposition.ACCEPT, Disposition.CONCESSION, Disposition.SCRAP})
_LAST_NUMBER = re.compile(r"(\d+)\D*$")


@dataclass(frozen=True, slots=True)
class SerialReading:
    """What one source says.

    Attributes
    ----------
    source : SerialSource
        Which.
    serial : str
        As read, not checked.
    """

    source: SerialSource
    serial: str


@dataclass(frozen=True, slots=True)
class AgreedSerial:
    """What comes of all sources.

    Attributes
    ----------
    serial : str or None
        None where no source gave one, or they disagree: a panel under a wrong serial is worse than one without.
    reasons : tuple of Message
        Why the panel is held; empty if nothing speaks against the serial.
    """

    serial: str | None
    reasons: tuple[Message, ...] = ()


def agreed_serial(readings: Sequence[SerialReading], rule: SerialRule) -> AgreedSerial:
    """Return the serial all sources agree on, or why there is none."""
    if not readings:
        return AgreedSerial(None, (Message("station.no_serial"),))
    if len({reading.serial for reading in readings}) > 1:
        said = ", ".join(f"{words(f'station.source.{each.source}')}: {shown(each.serial)}" for each in readings)
        return AgreedSerial(None, (Message("station.serials_differ", {"said": said}),))
    serial = readings[0].serial
    if not serial.isprintable() or not re.fullmatch(rule.pattern, serial):
        return AgreedSerial(None, (Message("station.serial_form", {"serial": shown(serial), "rule": rule.pattern}),))
    return AgreedSerial(serial)


def shown(serial: str) -> str:
    """Return a serial so that it can be shown: hostile ones are long or hold what cannot be printed."""
    plain = "".join(mark if mark.isprintable() else "?" for mark in serial)
    return plain if len(plain) <= _LONGEST_SHOWN else f"{plain[:_LONGEST_SHOWN]}…"


def repeated(serial: str, last_decision: Disposition | None) -> Message | None:
    """Return why a new picture under a serial holds: the panel had left the gate, or been scrapped."""
    if last_decision not in _ENDED:
        return None
    return Message("station.serial_repeated", {"serial": serial, "disposition": last_decision.value})


def out_of_order(serial: str, before: str | None) -> Message | None:
    """Return why a serial cannot come after the last one, where serials count up; None if it can, or cannot be told."""
    if before is None or before == serial:
        return None
    number, last = _LAST_NUMBER.search(serial), _LAST_NUMBER.search(before)
    if number is None or last is None or serial[: number.start()] != before[: last.start()]:
        return None
    if int(number[1]) > int(last[1]):
        return None
    return Message("station.serial_order", {"serial": serial, "before": before})
