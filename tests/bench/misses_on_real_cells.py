"""Pictures of what the detectors miss on real cells, and of what they flag that no reader saw.

``PYTHONPATH=.:tests python tests/bench/misses_on_real_cells.py FOLDER [check|tuning|both]``; about ten seconds. Writes
one sheet per wafer type and group of at most 12 cells: cracks and areas that both readers see and that are not
flagged, flags where neither sees one, and the cells where most finger streaks are missed or false. Each cell is shown
twice, stretched, the second time with the marks of reader 1 (blue) and 2 (green) and our outlines (red).

The crops are those of the package elpv-dataset (CC BY-NC-SA 4.0): the sheets are to be looked at, not passed on.
"""

import argparse
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from development_set.reading import Reading, chosen_cells, readings, sees_area, sees_chip, sees_crack
from numpy.typing import NDArray
from real_cells import SIDE_PX, free_cells
from real_cells_bench import WAFERS, RealCell, finger_hits, judge_panel, panels_of

from elinspect.records import Kind, Points
from elinspect.vision import cv2

ENLARGED = 1.4
COLUMNS, CELLS = 2, 12
FIRST, SECOND, OURS, TEXT = (255, 150, 60), (80, 210, 80), (60, 60, 255), (240, 240, 240)
SEEN_BY = {Kind.CRACK: sees_crack, Kind.INACTIVE_AREA: sees_area, Kind.CHIPPED_CELL: sees_chip}


@dataclass(frozen=True, slots=True, eq=False)
class ReadCell:
    """One cell that was read and judged."""

    number: int
    judged: RealCell
    first: Reading
    second: Reading

    def title(self, kind: Kind) -> str:
        """Return what stands above the cell."""
        return f"{self.number}: {self.judged.scores[kind.value]:.2f}"


def read_cells(half: str, wafer: str) -> list[ReadCell]:
    """Return the judged cells of a half that were read."""
    first, second = readings(1), readings(2)
    chosen = {one.cell for one in chosen_cells()}
    judged = {number: cell for panel in panels_of(half, wafer) for number, cell in judge_panel(panel).items()}
    return [ReadCell(n, cell, first[n], second[n]) for n, cell in judged.items() if n in chosen]


def groups(cells: list[ReadCell]) -> Iterator[tuple[str, Kind, list[ReadCell]]]:
    """Return name, kind and cells of each group, the most telling cell first."""
    for kind, seen in SEEN_BY.items():
        flagged = [one for one in cells if one.judged.flagged(kind)]
        missed = [one for one in cells if seen(one.first) and seen(one.second) and one not in flagged]
        false = [one for one in flagged if not seen(one.first) and not seen(one.second)]
        yield f"{kind.value}_missed", kind, sorted(missed, key=lambda one: one.judged.scores[kind.value])
        yield f"{kind.value}_false", kind, sorted(false, key=lambda one: -one.judged.scores[kind.value])
    counts = {one.number: finger_hits(one.judged, one.first, one.second, "both") for one in cells}
    for at, name in ((1, "missed"), (2, "false")):
        worst = sorted(cells, key=lambda one: -counts[one.number][at])
        own = [one for one in worst if counts[one.number][at]]
        yield f"finger_interruption_{name}", Kind.FINGER_INTERRUPTION, own


def sheet(cells: list[ReadCell], kind: Kind) -> NDArray[np.uint8]:
    """Return a colour picture of the cells, each plain and marked."""
    tiles = [np.hstack([_picture(one.number), _marked(one, kind)]) for one in cells[:CELLS]]
    tiles += [np.zeros_like(tiles[0])] * (-len(tiles) % COLUMNS)
    rows = [np.hstack(tiles[at : at + COLUMNS]) for at in range(0, len(tiles), COLUMNS)]
    return np.asarray(np.vstack(rows), np.uint8)


def _picture(number: int) -> NDArray[np.uint8]:
    crop = free_cells([number])[0].astype(np.float32)
    low, high = np.quantile(crop, (0.005, 0.995))
    grey = (np.clip((crop - low) / max(high - low, 1), 0, 1) * 255).astype(np.uint8)
    size = round(SIDE_PX * ENLARGED)
    return np.asarray(cv2.cvtColor(cv2.resize(grey, (size, size), interpolation=cv2.INTER_CUBIC), cv2.COLOR_GRAY2BGR))


def _marked(one: ReadCell, kind: Kind) -> NDArray[np.uint8]:
    picture = _picture(one.number)
    for reading, colour in ((one.first, FIRST), (one.second, SECOND)):
        for line in _marks(reading, kind):
            _draw(picture, line, colour)
    for finding in one.judged.findings:
        if finding.kind is kind:
            _draw(picture, finding.outline[:, ::-1], OURS)
    cv2.putText(picture, one.title(kind), (6, 18), cv2.FONT_HERSHEY_SIMPLEX, 0.55, TEXT, 1, cv2.LINE_AA)
    return picture


def _marks(reading: Reading, kind: Kind) -> Iterable[Points]:
    """Return the reader's lines (x, y); of areas and chips no place was marked."""
    if kind is Kind.CRACK:
        return [np.asarray(mark) for mark in reading.crack_marks]
    if kind is Kind.FINGER_INTERRUPTION:
        return [np.array([(mark.x, mark.top), (mark.x, mark.bottom)]) for mark in reading.finger_marks]
    return []


def _draw(picture: NDArray[np.uint8], line: Points, colour: tuple[int, int, int]) -> None:
    points = np.round(np.asarray(line) * ENLARGED).astype(np.int32)
    cv2.polylines(picture, [points.reshape(-1, 1, 2)], False, colour, 1, cv2.LINE_AA)


def main() -> None:
    """Write the sheets and say what is on each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("half", nargs="?", choices=["tuning", "check", "both"], default="check")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    for wafer in WAFERS.values():
        for name, kind, cells in groups(read_cells(asked.half, wafer)):
            print(f"{wafer} {name}: {len(cells)} cells{' ' if cells else ''}{', '.join(str(c.number) for c in cells)}")
            if cells:
                cv2.imwrite(str(asked.folder / f"{wafer}_{name}.png"), sheet(cells, kind))


if __name__ == "__main__":
    main()
