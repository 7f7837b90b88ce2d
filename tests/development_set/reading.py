"""What two readers saw in real cells, and how far they agree.

The cells are free cells of elpv-dataset; see README.md beside this file for how they were chosen and read.
"""

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).parent
Mark = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class FingerMark:
    """A finger streak: column, first and last row, width, in pixels of the 300 px crop."""

    x: float
    top: float
    bottom: float
    width: float


@dataclass(frozen=True, slots=True)
class Reading:
    """What one reader saw in one cell; places are (x, y) in pixels of the 300 px crop."""

    cell: int
    crack: str
    crack_marks: tuple[Mark, ...]
    chip: bool
    inactive_area: bool
    inactive_share: float
    finger_marks: tuple[FingerMark, ...]
    texture: str
    confidence: str


@dataclass(frozen=True, slots=True)
class Chosen:
    """One chosen cell: number (from 1), index of its free panel, wafer, and the half its panel belongs to."""

    cell: int
    panel: int
    wafer: str
    half: str


def chosen_cells() -> tuple[Chosen, ...]:
    """Return the chosen cells in the order of their numbers."""
    with (FOLDER / "cells.csv").open(newline="") as file:
        rows = csv.DictReader(file)
        return tuple(Chosen(int(row["cell"]), int(row["panel"]), row["wafer"], row["half"]) for row in rows)


def readings(reader: int) -> dict[int, Reading]:
    """Return what reader 1 or 2 saw, by cell."""
    with (FOLDER / f"reader_{reader}.csv").open(newline="") as file:
        return {int(row["cell"]): _reading(row) for row in csv.DictReader(file)}


def read_later() -> dict[int, list[dict[str, str]]]:
    """Return by cell what both readers saw in cells read because the program flagged them, or as some that it did not.

    Rows of ``read_later.csv``, by column.
    """
    found: dict[int, list[dict[str, str]]] = {}
    with (FOLDER / "read_later.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            found.setdefault(int(row["cell"]), []).append(row)
    return found


def _reading(row: dict[str, str]) -> Reading:
    return Reading(
        cell=int(row["cell"]),
        crack=row["crack"],
        crack_marks=tuple(_line(text) for text in row["crack_marks"].split(";") if text.strip()),
        chip=row["chip"] == "yes",
        inactive_area=row["inactive_area"] == "yes",
        inactive_share=float(row["inactive_share"] or 0) / 100,
        finger_marks=tuple(_finger(text) for text in row["finger_marks"].split(";") if text.strip()),
        texture=row["texture"],
        confidence=row["confidence"],
    )


def _line(text: str) -> Mark:
    return tuple((float(x), float(y)) for x, y in (point.split(":") for point in text.split()))


def _finger(text: str) -> FingerMark:
    place, _, width = text.strip().partition("*")
    x, _, rows = place.partition(":")
    top, _, bottom = rows.partition("-")
    return FingerMark(float(x), float(top), float(bottom), float(width or 4))


def sees_crack(reading: Reading) -> bool:
    """Whether a reader sees a crack, as line or step."""
    return reading.crack != "none"


def sees_area(reading: Reading) -> bool:
    """Whether a reader sees an inactive area."""
    return reading.inactive_area


def sees_chip(reading: Reading) -> bool:
    """Whether a reader sees a piece missing."""
    return reading.chip


def sees_fingers(reading: Reading) -> bool:
    """Whether a reader sees an interrupted finger."""
    return bool(reading.finger_marks)


def cohen_kappa(first: Sequence[object], second: Sequence[object]) -> float:
    """Return Cohen's kappa of two readers (Cohen 1960, Educ. Psychol. Meas. 20:37-46)."""
    total = len(first)
    agreed = sum(a == b for a, b in zip(first, second, strict=True)) / total
    by_chance = sum(first.count(value) * second.count(value) for value in {*first, *second}) / total**2
    return (agreed - by_chance) / (1 - by_chance)


def finger_f1(first: dict[int, Reading], second: dict[int, Reading], near_px: float = 8) -> float:
    """Return F1 of the finger marks of two readers; marks pair off if columns lie near and rows overlap."""
    paired = total = 0
    for cell, reading in first.items():
        left = list(second[cell].finger_marks)
        total += len(reading.finger_marks) + len(left)
        for mark in reading.finger_marks:
            partner = next((other for other in left if _same_finger(mark, other, near_px)), None)
            if partner is not None:
                left.remove(partner)
                paired += 1
    return 2 * paired / total


def _same_finger(one: FingerMark, other: FingerMark, near_px: float) -> bool:
    near = abs(one.x - other.x) <= max(near_px, (one.width + other.width) / 2)
    return near and min(one.bottom, other.bottom) > max(one.top, other.top)


def agreement(wafer: str) -> dict[str, float]:
    """Return the readers' agreement on the cells of one wafer type: kappas, and F1 of the finger marks."""
    cells = [chosen.cell for chosen in chosen_cells() if chosen.wafer == wafer]
    first, second = ({cell: all_of[cell] for cell in cells} for all_of in (readings(1), readings(2)))

    def kappa(value: Callable[[Reading], object]) -> float:
        return cohen_kappa([value(first[cell]) for cell in cells], [value(second[cell]) for cell in cells])

    return {
        "cells": len(cells),
        "crack seen": kappa(sees_crack),
        "crack as line, step, both, none": kappa(lambda reading: reading.crack),
        "chip": kappa(sees_chip),
        "inactive area": kappa(sees_area),
        "any finger mark": kappa(sees_fingers),
        "finger marks F1": finger_f1(first, second),
    }
