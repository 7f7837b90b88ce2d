"""A simulated plant written into a log, with its truth beside it."""

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from elinspect.errors import LogError, told_as
from elinspect.operations.simulated_names import FIRST_DAY, STATION, serial_of
from elinspect.operations.simulated_readers import WEEK_DAYS, read_again, shows_at_gate
from elinspect.records import Kind, Stage
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.log import Log
from elinspect.store.people import person_named
from elinspect.synthetic.plant_records import FALSE_FLAG, CauseOf, Day, RecordPlant, kinds_of, simulate_days

_PANELS_AT_ONCE = 400  # in one event; its transaction takes about a twentieth of a second
_SUPPLIERS = ("Ostervane", "Kelmarrow", "Tindrell")
_REWORK_TAKES, _UNTIL_LAMINATED = timedelta(minutes=25), timedelta(minutes=50)
_SCORES = {True: (8.0, 2.0), False: (4.0, 3.0)}  # beta distributions of true and false flags; invented


def simulate_into_log(
    log: Log,
    plant: RecordPlant,
    days: int,
    seed: int,
    truth: Path | None = None,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Let a plant run and log its panels, strings, flags and decisions with the purpose `demo`.

    Parameters
    ----------
    log : Log
        Where to; every panel is new in it.
    plant : RecordPlant
        The plant.
    days : int
        How long it runs.
    seed : int
        The same seed gives the same plant.
    truth : Path, optional
        File for what really happened (JSON).
    progress : callable, optional
        Told how much is done, 0..1.

    Returns
    -------
    int
        Panels logged.

    Raises
    ------
    LogError
        If the log knows such panels already, or cannot be written; days before stay.
    """
    with log.writing() as connection:
        people = {code: person_named(connection, f"simulated inspector {code + 1}") for code in range(3 * plant.lines)}
    by_cause = np.zeros(len(plant.causes) + 3, dtype=np.int64)
    panels, defects, flagged = 0, 0, 0
    week: list[Day] = []
    readers = np.random.default_rng([seed, 2])
    for day in simulate_days(plant, days, seed):
        for block in _blocks(plant, day, seed, people):
            log.append([NewEvent(EventKind.SIMULATED_PANELS, "simulated", block)], STATION, bulk=True)
        by_cause += np.bincount(day.flag_cause + 3, minlength=len(by_cause))
        at_gate = shows_at_gate(plant, day)
        defects, flagged = defects + int(at_gate.sum()), flagged + int((at_gate & day.flag_proposed).sum())
        panels += plant.panels_per_day
        week.append(day)
        if len(week) == WEEK_DAYS or day.number == days - 1:
            read_again(log, plant, week, readers)
            week = []
        if progress is not None:
            progress((day.number + 1) / days)
    if truth is not None:
        _write_truth(truth, plant, days, seed, by_cause, (defects, flagged))
    return panels


def _write_truth(path: Path, plant: RecordPlant, days: int, seed: int, by_cause: Any, defects: tuple[int, int]) -> None:
    causes = [
        {
            **asdict(cause),
            "end_day": min(cause.end_day, days),
            "machine": _machine(plant, cause.of, cause.number),
            "flags": int(by_cause[index + 3]),
        }
        for index, cause in enumerate(plant.causes)
    ]
    told = {
        "seed": seed,
        "days": days,
        "first_day": FIRST_DAY.date().isoformat(),
        "panels": plant.panels_per_day * days,
        "flags_without_cause": int(by_cause[2]),
        "flags_of_sister_wafers": int(by_cause[1]),
        "false_flags": int(by_cause[0]),
        "defects_at_gate": defects[0],
        "flagged_by_machine": defects[1],
        "causes": causes,
        "model_changes": [asdict(change) for change in plant.model_changes],
        "criteria_changes": [asdict(change) for change in plant.criteria_changes],
        "inspector_drift": [asdict(change) for change in plant.inspector_drift],
    }
    with told_as("command.not_written", LogError, file=str(path)):
        path.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


def _machine(plant: RecordPlant, of: CauseOf, number: int) -> str:
    if of in (CauseOf.LANE, CauseOf.SOLDER_HEAD):
        return " / ".join(_lane_names(plant)[number])
    return {CauseOf.LOT: _lot, CauseOf.LAYUP: "layup {}".format, CauseOf.LAMINATOR: "laminator {}".format}[of](number)


def _lane_names(plant: RecordPlant) -> list[tuple[str, str]]:
    per = plant.lanes_per_stringer
    return [(chr(ord("A") + lane // per), str(lane % per + 1)) for lane in range(plant.n_lanes)]


def _lot(number: int) -> str:
    return f"L{number:05d}"


def _blocks(plant: RecordPlant, day: Day, seed: int, people: dict[int, str]) -> Iterator[dict[str, Any]]:
    """Yield the events of a day, each with some of its panels."""
    first_panel = day.number * plant.panels_per_day
    by_panel = np.argsort((day.panel - first_panel) * 1000 + day.number_in_panel, kind="stable")
    per_panel = plant.layout.n_strings
    flags_of: dict[int, list[int]] = {}
    for index, string in enumerate(day.flag_string.tolist()):
        flags_of.setdefault(int(day.panel[string]), []).append(index)
    chance = np.random.default_rng([seed, day.number, 1])
    writer = _Writer(plant, day, people, chance)
    for begin in range(0, plant.panels_per_day, _PANELS_AT_ONCE):
        block: dict[str, Any] = {"layout": str(plant.layout), "panels": [], "strings": [], "flags": []}
        for panel in range(begin, min(begin + _PANELS_AT_ONCE, plant.panels_per_day)):
            strings = by_panel[panel * per_panel : (panel + 1) * per_panel]
            writer.write(block, first_panel + panel, strings, flags_of.get(first_panel + panel, []))
        yield block


class _Writer:
    """Puts one panel after another into the rows of an event."""

    def __init__(self, plant: RecordPlant, day: Day, people: dict[int, str], chance: np.random.Generator) -> None:
        self._plant, self._day, self._people, self._chance = plant, day, people, chance
        self._lanes = _lane_names(plant)
        self._kinds = [kind.value for kind in kinds_of(plant)]
        after = np.array([cause.of is CauseOf.LAMINATOR for cause in plant.causes] + [False])
        self._shows_after = after[np.maximum(day.flag_cause, -1)].tolist()
        self._false = (day.flag_cause == FALSE_FLAG).tolist()
        self._proposed, self._confirmed = day.flag_proposed.tolist(), day.flag_confirmed.tolist()
        turned = day.turned[day.flag_string]
        self._along = np.round(np.where(turned, 1 - day.flag_along, day.flag_along), 4).tolist()
        self._across = np.round(np.where(turned, 1 - day.flag_across, day.flag_across), 4).tolist()
        drawn = {true: chance.beta(*shape, len(turned)) for true, shape in _SCORES.items()}
        self._scores = np.round(np.where(day.flag_cause == FALSE_FLAG, drawn[False], drawn[True]), 4).tolist()
        milliseconds = (day.built * 86_400_000).astype(np.int64)
        start = np.datetime64(FIRST_DAY.replace(tzinfo=None), "ms")
        self._built = [f"{text}+00:00" for text in np.datetime_as_string(start + milliseconds, unit="s").tolist()]
        self._columns = {
            name: getattr(day, name).tolist()
            for name in (
                *("lane", "lot", "turned", "line", "model", "criteria", "inspector"),
                *("flag_string", "flag_position", "flag_kind"),
            )
        }

    def write(self, block: dict[str, Any], panel: int, strings: Any, flags: list[int]) -> None:
        """Add a panel: at the gate, again where it was reworked, and after lamination where it was looked at."""
        columns, number = self._columns, len(block["panels"])
        first = int(strings[0])
        seen_at = max(self._built[index] for index in strings)
        line = columns["line"][first]
        of_panel = (
            f"EL {line + 1}",
            self._plant.products[self._day.product],
            f"plant criteria {columns['criteria'][first] + 1}",
            f"model {columns['model'][first] + 1}",
            self._people[columns["inspector"][first]],
        )
        serial = serial_of(panel)
        place_of = {}
        for string, index in enumerate(strings.tolist(), start=1):
            place_of[index] = string
            block["strings"].append(self._string(number, string, index, panel))

        def look(stage: Stage, attempt: int, at: str, found: list[list[Any]]) -> None:
            block["panels"].append([serial, at, stage.value, attempt, *of_panel, number])
            block["flags"] += found

        gate = [flag for flag in flags if not self._shows_after[flag]]
        found = [self._flag(number, place_of, flag) for flag in gate if self._seen(flag)]
        look(Stage.BEFORE_LAMINATION, 1, seen_at, found)
        if any(self._confirmed[flag] for flag in gate) and self._chance.random() < self._plant.reworked:
            spoilt = self._spoilt(len(block["panels"]), found)
            look(Stage.BEFORE_LAMINATION, 2, _later(seen_at, _REWORK_TAKES), spoilt)
            if spoilt:
                look(Stage.BEFORE_LAMINATION, 3, _later(seen_at, 2 * _REWORK_TAKES), [])
        if self._chance.random() < self._plant.later_seen:
            later, hidden = len(block["panels"]), [flag for flag in flags if self._shows_after[flag] or self.lost(flag)]
            shown = [self._flag(later, place_of, flag, late=True) for flag in hidden]
            look(Stage.AFTER_LAMINATION, 1, _later(seen_at, 3 * _UNTIL_LAMINATED), shown)

    def _spoilt(self, number: int, found: list[list[Any]]) -> list[list[Any]]:
        """Return the flag of a cell that cracked beside the one that was replaced; mostly none."""
        if not found or self._chance.random() >= self._plant.rework_spoils:
            return []
        string, position = found[0][1:3]
        beside = position + 1 if position < self._plant.layout.cells_per_string else position - 1
        if any(flag[1:3] == [string, beside] for flag in found):
            return []
        along, across, score = (round(value, 4) for value in self._chance.random(3).tolist())
        return [[number, string, beside, Kind.CRACK.value, Kind.CRACK.value, along, across, score]]

    def lost(self, flag: int) -> bool:
        """Whether a flag is a defect that neither the machine nor the inspector saw."""
        return not self._seen(flag) and not self._false[flag]

    def _seen(self, flag: int) -> bool:
        return bool(self._proposed[flag] or self._confirmed[flag])

    def _string(self, number: int, string: int, index: int, panel: int) -> list[Any]:
        columns = self._columns
        stringer, lane = self._lanes[columns["lane"][index]]
        lot = columns["lot"][index]
        supplier = _SUPPLIERS[lot % len(_SUPPLIERS)]
        return [
            *(number, string, f"{stringer}{lane}-{panel:08d}-{string}", stringer, lane, self._built[index], _lot(lot)),
            *(supplier, "22.2", f"R{self._day.number // 3:04d}", f"shift {int(self._day.built[index] * 3) % 3 + 1}"),
            *(f"layup {panel % 2}", f"bussing {columns['line'][index] + 1}", f"EL {columns['line'][index] + 1}"),
            columns["turned"][index],
        ]

    def _flag(self, number: int, place_of: dict[int, int], flag: int, *, late: bool = False) -> list[Any]:
        index = self._columns["flag_string"][flag]
        turned = self._columns["turned"][index]
        as_built, kind = self._columns["flag_position"][flag], self._kinds[self._columns["flag_kind"][flag]]
        return [
            number,
            place_of[index],
            self._plant.layout.cells_per_string + 1 - as_built if turned else as_built,
            kind if late or self._proposed[flag] else None,
            kind if late or self._confirmed[flag] else None,
            self._along[flag],
            self._across[flag],
            self._scores[flag],
        ]


def _later(at: str, by: timedelta) -> str:
    """Return a later time of the same day: what a day makes is looked at on that day."""
    begun = datetime.fromisoformat(at)
    return min(begun + by, begun.replace(hour=23, minute=59, second=59)).isoformat()
