"""How well the detectors do on real cells.

One command: ``PYTHONPATH=.:tests python tests/bench/real_cells_bench.py [check|tuning|both]``; about 20 s.

Real cells come from the package elpv-dataset: laminated modules with few busbars, 8 bit, resampled to about 0.52 mm per
pixel; not this gate's pictures. Free panels only, each judged as a panel. Split by panel, fixed once: within each wafer
type the free panels are numbered in their order from 0; even numbers are the tuning half (default settings were chosen
on it), odd numbers the check half (figures to be quoted come from it). Mono: 9 free panels, 5 tuning and 4 check;
multi: 12, 6 and 6. `tests/development_set` has the same halves.

First table: against the data set's label, 1.0 'defective' and 0.0 'functional' (1/3 and 2/3 are left out). It does not
say which kind: recall of the crack score counts every defective cell, cracked or not; and functional cells do show
finger interruptions and grains: any flag on one is counted as false, whatever it shows. 'limit' counts only flags
above a limit of the shipped criteria.

Second table: against what two readers saw (`tests/development_set`); a crack or an area counts as there, or as not
there, where both agree. Thresholds for recall are set on all cells of the half that are labelled 0.0.
"""

import argparse
from dataclasses import dataclass
from itertools import chain

import numpy as np
from development_set.reading import FingerMark, Reading, chosen_cells, readings
from drawn_cells import as_pictures
from numpy.typing import NDArray
from real_cells import FREE_PANELS, SIDE_PX, free_cells, free_labels, wafer_of

from elinspect.detectors import detect_all, prepare
from elinspect.recipe import assumed_product, default_criteria
from elinspect.records import Detection, Finding, Kind, Layout, Points
from elinspect.settings import DetectorSettings
from elinspect.triage import flags_from

WAFERS = {"mono": "mono", "poly": "multi"}
ANY = "any"
NEAR_PX = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class RealCell:
    """What the detectors said about one real cell.

    Attributes
    ----------
    label : float
        Labelled probability of a defect.
    scores : mapping from kind to float
        Cell scores; 'any' is the largest over the kinds.
    findings : tuple of Finding
        At default settings.
    limits : frozenset of str
        Kinds of its flags above a limit of the shipped criteria.
    """

    label: float
    scores: dict[str, float]
    findings: tuple[Finding, ...]
    limits: frozenset[str]

    def flagged(self, kind: str) -> bool:
        """Whether the cell has a finding of the kind ('any': of any kind)."""
        return any(kind in (ANY, finding.kind.value) for finding in self.findings)

    def above_limit(self, kind: str) -> bool:
        """Whether one of its flags of the kind is above a limit."""
        return bool(self.limits) if kind == ANY else kind in self.limits


def panels_of(half: str, wafer: str) -> list[int]:
    """Return the numbers of the free panels of a half: 'tuning', 'check' or 'both'."""
    own = [panel for panel in range(len(FREE_PANELS)) if WAFERS[wafer_of(panel)] == wafer]
    return {"tuning": own[::2], "check": own[1::2], "both": own}[half]


def judge_panel(panel: int) -> dict[int, RealCell]:
    """Run all detectors at default settings on one free panel; cells by their number in the data set."""
    first, last = FREE_PANELS[panel]
    n = last - first + 1
    layout = Layout(1, 6, n // 6) if n % 6 == 0 else Layout(1, 1, n)
    pictures = as_pictures(
        free_cells(range(first, last + 1)).astype(np.float32), layout, 156 / (SIDE_PX - 1), saturation=255.0
    )
    product = assumed_product(layout)
    detections = detect_all(prepare(pictures, product), DetectorSettings())
    labels, _ = free_labels(range(first, last + 1))
    limits = _kinds_above_limit(detections, layout)
    return {first + i: _real_cell(detections, i, float(labels[i]), limits[i]) for i in range(n)}


def _kinds_above_limit(detections: tuple[Detection, ...], layout: Layout) -> list[frozenset[str]]:
    def itself(_cell: int, points: Points) -> Points:
        return points

    recipe, criteria = assumed_product(layout).recipe, default_criteria()
    flags = [flag for flag in flags_from(detections, itself, recipe, criteria, scale_known=True) if flag.limit]
    places = [((flag.string or 1) - 1) * layout.cells_per_string + (flag.position or 1) - 1 for flag in flags]
    kinds = [flag.kind.value for flag in flags]
    return [
        frozenset(kind for kind, place in zip(kinds, places, strict=True) if place == cell)
        for cell in range(layout.n_cells)
    ]


def _real_cell(detections: tuple[Detection, ...], cell: int, label: float, limits: frozenset[str]) -> RealCell:
    scores = {detection.kind.value: float(detection.cell_scores[cell]) for detection in detections}
    findings = tuple(found for detection in detections for found in detection.findings if found.cell == cell)
    return RealCell(label, {**scores, ANY: max(scores.values())}, findings, limits)


def area_under_curve(positive: NDArray[np.float64], negative: NDArray[np.float64]) -> float:
    """Return the probability that a positive scores above a negative (ties count half)."""
    if not positive.size or not negative.size:
        return float("nan")
    above = (positive[:, None] > negative[None]).mean()
    return float(above + 0.5 * (positive[:, None] == negative[None]).mean())


def recall_at(positive: NDArray[np.float64], clean: NDArray[np.float64], false_alarms: float) -> float:
    """Return the share of positives above the score that so large a share of clean cells exceeds."""
    return float((positive > np.quantile(clean, 1 - false_alarms)).mean()) if positive.size else float("nan")


def _scores(cells: list[RealCell], kind: str) -> NDArray[np.float64]:
    return np.array([cell.scores[kind] for cell in cells])


def print_against_labels(panels: list[dict[int, RealCell]]) -> None:
    """Print recall and false flags against the data set's label."""
    print(
        f"{'':<20} {'defective':>9} {'clean':>6} {'AUC':>6} {'in panel':>8} {'1 %':>6} {'5 %':>6} {'flagged':>8}"
        f" {'false/60':>8} {'limit/60':>8}"
    )
    bad = [[cell for cell in panel.values() if cell.label > 0.9] for panel in panels]
    good = [[cell for cell in panel.values() if cell.label < 0.1] for panel in panels]
    all_bad, all_good = list(chain.from_iterable(bad)), list(chain.from_iterable(good))
    for kind in all_bad[0].scores:
        pairs = [(own_bad, own_good) for own_bad, own_good in zip(bad, good, strict=True) if own_bad and own_good]
        within = [area_under_curve(_scores(one, kind), _scores(other, kind)) for one, other in pairs]
        weights = [len(one) * len(other) for one, other in pairs]
        positive, clean = _scores(all_bad, kind), _scores(all_good, kind)
        false = 60 * np.mean([cell.flagged(kind) for cell in all_good])
        above = 60 * np.mean([cell.above_limit(kind) for cell in all_good])
        print(
            f"{kind:<20} {len(all_bad):>9} {len(all_good):>6} {area_under_curve(positive, clean):>6.3f}"
            f" {np.average(within, weights=weights):>8.3f} {recall_at(positive, clean, 0.01):>6.2f}"
            f" {recall_at(positive, clean, 0.05):>6.2f} {np.mean([cell.flagged(kind) for cell in all_bad]):>8.2f}"
            f" {false:>8.2f} {above:>8.2f}"
        )


def print_against_readers(cells: dict[int, RealCell], wafer: str) -> None:
    """Print recall against what both readers saw."""
    read = [chosen.cell for chosen in chosen_cells() if chosen.wafer == wafer and chosen.cell in cells]
    first, second = readings(1), readings(2)
    clean = [cell for cell in cells.values() if cell.label < 0.1]
    print(
        f"\n{'read by eye':<20} {'there':>9} {'not':>6} {'AUC':>6} {'':>8} {'1 %':>6} {'5 %':>6}"
        f" {'flagged':>8} {'false':>8}"
    )
    seen_by = {"crack": _sees_crack, "inactive_area": _sees_area}
    for kind, seen in seen_by.items():
        there = [cells[number] for number in read if seen(first[number]) and seen(second[number])]
        absent = [cells[number] for number in read if not seen(first[number]) and not seen(second[number])]
        positive, free = _scores(there, kind), _scores(clean, kind)
        print(
            f"{kind:<20} {len(there):>9} {len(absent):>6} {area_under_curve(positive, _scores(absent, kind)):>6.3f}"
            f" {'':>8} {recall_at(positive, free, 0.01):>6.2f} {recall_at(positive, free, 0.05):>6.2f}"
            f" {np.mean([cell.flagged(kind) for cell in there]):>8.2f} {sum(cell.flagged(kind) for cell in absent):>8}"
        )
    hits = np.sum([_finger_hits(cells[number], first[number], second[number]) for number in read], axis=0)
    found, missed, false = (int(count) for count in hits)
    print(
        f"finger streaks: both readers marked {found + missed}; found {found}, missed {missed}, nobody marked {false};"
        f" F1 {2 * found / max(2 * found + missed + false, 1):.3f}"
    )


def _sees_crack(reading: Reading) -> bool:
    return reading.crack != "none"


def _sees_area(reading: Reading) -> bool:
    return reading.inactive_area


def _finger_hits(cell: RealCell, first: Reading, second: Reading) -> tuple[int, int, int]:
    """Return marks of both readers found and missed, and findings that neither marked."""
    mine = [_as_mark(finding) for finding in cell.findings if finding.kind is Kind.FINGER_INTERRUPTION]
    both = [mark for mark in first.finger_marks if any(_same(mark, other) for other in second.finger_marks)]
    either = [*first.finger_marks, *second.finger_marks]
    found = sum(any(_same(mark, own) for own in mine) for mark in both)
    false = sum(not any(_same(own, mark) for mark in either) for own in mine)
    return found, len(both) - found, false


def _as_mark(finding: Finding) -> FingerMark:
    rows, columns = finding.outline[:, 0], finding.outline[:, 1]
    width_px = float(finding.measurements["bundle_mm"] or 0.0) * (SIDE_PX - 1) / 156
    return FingerMark(float(columns.mean()), float(rows.min()), float(rows.max()), max(width_px, 4.0))


def _same(one: FingerMark, other: FingerMark) -> bool:
    near = abs(one.x - other.x) <= max(NEAR_PX, (one.width + other.width) / 2)
    return near and min(one.bottom, other.bottom) > max(one.top, other.top)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("half", nargs="?", choices=["tuning", "check", "both"], default="check")
    half = parser.parse_args().half
    print(f"{half} half; recall at 1 and 5 % false alarms per cell; flagged, false and limit at default settings")
    for wafer in WAFERS.values():
        chosen = panels_of(half, wafer)
        places = ", ".join(f"{FREE_PANELS[panel][0]}-{FREE_PANELS[panel][1]}" for panel in chosen)
        print(f"\n{wafer}: cells {places}")
        panels = [judge_panel(panel) for panel in chosen]
        print_against_labels(panels)
        print_against_readers({number: cell for panel in panels for number, cell in panel.items()}, wafer)


if __name__ == "__main__":
    main()
