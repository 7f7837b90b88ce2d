"""How well the detectors do on real cells.

One command: ``PYTHONPATH=.:tests python tests/bench/real_cells_bench.py [check|tuning|both] [--no-sato]``; about 20 s,
and two minutes more for the ridge filter it is compared with.

Real cells come from the package elpv-dataset: laminated modules with few busbars, 8 bit, resampled to about 0.52 mm per
pixel; not this gate's pictures. Free panels only, each judged as a panel. Split by panel, fixed once: within each wafer
type the free panels are numbered in their order from 0; even numbers are the tuning half (default settings were chosen
on it), odd numbers the check half (figures to be quoted come from it). Mono: 9 free panels, 5 tuning and 4 check;
multi: 12, 6 and 6. `tests/development_set` has the same halves.

First table: against the data set's label, 1.0 'defective' and 0.0 'functional' (1/3 and 2/3 are left out). It does not
say which kind: recall of the crack score counts every defective cell, cracked or not; and functional cells do show
finger interruptions and grains: any flag on one is counted as false, whatever it shows. 'limit' counts only flags
above a limit of the shipped criteria.

So cracks are also compared with scikit-image's ridge filter where both readers see a crack, the cells the figure is
about. The filter runs on the same cells in two forms: 'plain' on the crop as it is, and 'helped' on our logarithm of
it, scored by the best of eight ways on the tuning half. Both leave busbars and rim out as our maps know them, without
which the filter answers to busbars alone (recall 0.33 at most on the tuning half).

Second table: against what two readers saw (`tests/development_set`); a crack or an area counts as there, or as not
there, where both agree. Thresholds for recall are set on all cells of the half that are labelled 0.0.

Last: flags on clean cells as a user meets them, through the whole program with the shipped model (`flags_as_shown`).

In brackets: 95 % intervals over panels drawn again. 'worst panel': of the panels with at least 20 clean cells, the
largest share of clean cells above the pooled 5 % threshold.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from development_set.reading import (
    FingerMark,
    Mark,
    Reading,
    chosen_cells,
    readings,
    sees_area,
    sees_chip,
    sees_crack,
)
from drawn_cells import as_pictures
from flags_as_shown import print_flags_as_shown
from numpy.typing import NDArray
from ranking import (
    Figure,
    Ranked,
    area_under_curve,
    area_within,
    interval,
    paired_difference,
    pooled_area,
    pooled_recall,
    worst_panel,
)
from real_cells import FREE_PANELS, SIDE_PX, free_cells, free_labels, wafer_of
from skimage.filters import sato

from elinspect.detectors import detect_all, kind_scores, prepare
from elinspect.recipe import assumed_product, default_criteria
from elinspect.records import Detection, Finding, Kind, Layout, PanelView, Points
from elinspect.settings import DetectorSettings
from elinspect.triage import flags_from, judged

WAFERS = {"mono": "mono", "poly": "multi"}
ANY = "any"
RIDGE, PLAIN = "ridge filter (sato), helped", "ridge filter (sato), plain"
FALSE_ALARMS = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
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


JudgedPanel = dict[int, RealCell]
"""Cells of a panel by their number in the data set."""


def panels_of(half: str, wafer: str) -> list[int]:
    """Return the numbers of the free panels of a half: 'tuning', 'check' or 'both'."""
    own = [panel for panel in range(len(FREE_PANELS)) if WAFERS[wafer_of(panel)] == wafer]
    return {"tuning": own[::2], "check": own[1::2], "both": own}[half]


def view_of(panel: int) -> PanelView:
    """Prepare one free panel as a panel."""
    first, last = FREE_PANELS[panel]
    layout = layout_of(panel)
    pictures = as_pictures(
        free_cells(range(first, last + 1)).astype(np.float32), layout, 156 / (SIDE_PX - 1), saturation=255.0
    )
    return prepare(pictures, assumed_product(layout))


def layout_of(panel: int) -> Layout:
    """Return a layout that holds the panel's cells."""
    n = FREE_PANELS[panel][1] - FREE_PANELS[panel][0] + 1
    return Layout(1, 6, n // 6) if n % 6 == 0 else Layout(1, 1, n)


def judge_panel(panel: int, with_sato: bool = False) -> JudgedPanel:
    """Run all detectors at default settings on one free panel."""
    first, last = FREE_PANELS[panel]
    view = view_of(panel)
    settings = DetectorSettings()
    detections = detect_all(view, settings)
    reported = {item.kind.value: kind_scores(item, settings.threshold_of(item.kind)) for item in detections}
    labels, _ = free_labels(range(first, last + 1))
    limits = _kinds_above_limit(detections, layout_of(panel))
    ridges = _ridge_scores(view, WAFERS[wafer_of(panel)]) if with_sato else {}
    cells = {}
    for i in range(last - first + 1):
        scores = {kind: float(of_cells[i]) for kind, of_cells in reported.items()}
        scores[ANY] = max(scores.values())
        scores |= {name: float(own[i]) for name, own in ridges.items()}
        found = tuple(found for detection in detections for found in detection.findings if found.cell == i)
        cells[first + i] = RealCell(float(labels[i]), scores, found, limits[i])
    return cells


def _ridge_scores(view: PanelView, wafer: str) -> dict[str, NDArray[np.float64]]:
    """Scores of a ridge filter on the same cells, plain and helped, busbars and rim left out.

    Plain: 99.5 % quantile on the crop's counts. Helped: of the scores tried on logarithms (largest, 99.9, 99.5 and
    99 % quantile, with and without dividing by the median) the one with the best recall at 5 % on the tuning half:
    99.5 % over the median for mono, 99.9 % for multi.
    """
    seen = view.inside & ~view.busbar_rows[:, None]
    counts = (cell / 255 for cell in view.pictures.full_current)
    plain, helped = (
        [sato(cell, sigmas=[1, 2, 3], black_ridges=True)[seen] for cell in cells] for cells in (counts, view.log_cells)
    )
    best = (
        [np.quantile(own, 0.995) / max(float(np.median(own)), 1e-6) for own in helped]
        if wafer == "mono"
        else [np.quantile(own, 0.999) for own in helped]
    )
    return {RIDGE: np.array(best), PLAIN: np.array([np.quantile(own, 0.995) for own in plain])}


def _kinds_above_limit(detections: tuple[Detection, ...], layout: Layout) -> list[frozenset[str]]:
    def itself(_cell: int, points: Points) -> Points:
        return points

    recipe, criteria = assumed_product(layout).recipe, default_criteria()
    flags = judged(flags_from(detections, itself, recipe, criteria, scale_known=True), criteria)
    kinds: list[set[str]] = [set() for _ in range(layout.n_cells)]
    for flag in flags:
        if flag.limit and flag.string is not None and flag.position is not None:
            kinds[(flag.string - 1) * layout.cells_per_string + flag.position - 1].add(flag.kind.value)
    return [frozenset(own) for own in kinds]


def ranked(panels: list[JudgedPanel], kind: str, there: Callable[[int, RealCell], bool]) -> list[Ranked]:
    """Scores of a kind by panel: of the cells where it is there, and of the cells labelled 0."""
    return [
        Ranked(
            np.array([cell.scores[kind] for number, cell in panel.items() if there(number, cell)]),
            np.array([cell.scores[kind] for cell in panel.values() if cell.label < 0.1]),
        )
        for panel in panels
    ]


def _defective(_number: int, cell: RealCell) -> bool:
    return cell.label > 0.9


def _with_interval(figure: Figure, panels: list[Ranked]) -> str:
    low, high = interval(figure, panels)
    return f"{figure(panels):.3f} [{low:.2f} {high:.2f}]"


def print_against_labels(panels: list[JudgedPanel]) -> None:
    """Print recall and false flags against the data set's label."""
    cells = [cell for panel in panels for cell in panel.values()]
    bad, good = ([cell for cell in cells if abs(cell.label - label) < 0.1] for label in (1, 0))
    print(f"{len(bad)} cells labelled defective, {len(good)} labelled clean (these set the thresholds)")
    columns = ("AUC", "AUC within panel", "recall at 1 %", "recall at 5 %")
    print(f"{'':<34}" + "".join(f"{name:>20}" for name in columns) + f"{'flagged':>9}{'false/60':>9}{'limit/60':>9}")
    for kind in cells[0].scores:
        own = ranked(panels, kind, _defective)
        figures = (pooled_area, area_within, pooled_recall(0.01), pooled_recall(0.05))
        false, above = (60 * np.mean([test(cell, kind) for cell in good]) for test in (RealCell.flagged, _above))
        flagged = np.mean([cell.flagged(kind) for cell in bad])
        print(
            f"{kind:<34}"
            + "".join(f"{_with_interval(figure, own):>20}" for figure in figures)
            + f"{flagged:>9.2f}{false:>9.2f}{above:>9.2f}"
        )


def _above(cell: RealCell, kind: str) -> bool:
    return cell.above_limit(kind)


def print_false_flags(panels: list[JudgedPanel]) -> None:
    """Print how many cells labelled clean are flagged as cracked, and what the readers saw in those they read."""
    first, second = readings(1), readings(2)
    flagged = [
        number for panel in panels for number, cell in panel.items() if cell.label < 0.1 and cell.flagged(Kind.CRACK)
    ]
    read = [number for number in flagged if number in first]
    seen = [sees_crack(first[number]) + sees_crack(second[number]) for number in read]
    print(
        f"\ncells labelled clean with a crack flag: {len(flagged)}; of {len(read)} that were read, "
        f"{seen.count(2)} with a crack for both readers, {seen.count(1)} for one, {seen.count(0)} for none"
    )


def print_curve(panels: list[JudgedPanel], numbers: list[int]) -> None:
    """Print the operating curve and the worst panel of the crack score, and the difference to the ridge filter."""
    own = ranked(panels, Kind.CRACK, _defective)
    curve = ", ".join(f"{100 * share:g} %: {pooled_recall(share)(own):.2f}" for share in FALSE_ALARMS)
    print(f"crack, recall by share of clean cells above: {curve}")
    share, worst = worst_panel(own, 0.05)
    if worst >= 0:
        first, last = FREE_PANELS[numbers[worst]]
        print(f"crack, worst panel: cells {first}-{last}, {100 * share:.0f} % of its clean cells above the pooled 5 %")
    if RIDGE in next(iter(panels[0].values())).scores:
        print_differences(panels)


def print_differences(panels: list[JudgedPanel]) -> None:
    """Print how much more of the cells the crack score recalls than the ridge filter, and where they lie."""
    first, second = readings(1), readings(2)

    def cracked(number: int, _cell: RealCell) -> bool:
        return number in first and sees_crack(first[number]) and sees_crack(second[number])

    for name, there in (("labelled defective", _defective), ("both readers see a crack", cracked)):
        own = ranked(panels, Kind.CRACK, there)
        print(f"{name}: cells per panel {', '.join(str(len(panel.there)) for panel in own)}")
        for whose in (RIDGE, PLAIN):
            theirs = ranked(panels, whose, there)
            for share in (0.01, 0.05):
                recall = pooled_recall(share)
                difference, (low, high) = paired_difference(recall, own, theirs)
                print(
                    f"  crack {recall(own):.2f}, {whose} {recall(theirs):.2f}, at {100 * share:g} %: "
                    f"{difference:+.2f} [{low:+.2f} {high:+.2f}]"
                )


def print_against_readers(panels: list[JudgedPanel], wafer: str) -> None:
    """Print recall and marks against what both readers saw."""
    cells = {number: cell for panel in panels for number, cell in panel.items()}
    read = [chosen.cell for chosen in chosen_cells() if chosen.wafer == wafer and chosen.cell in cells]
    first, second = readings(1), readings(2)
    print(f"\n{'read by eye':<24}{'there':>6}{'not':>6}{'AUC':>8}{'1 %':>20}{'5 %':>20}{'flagged':>9}{'false':>7}")
    seen_by = {"crack": sees_crack, "inactive_area": sees_area, "chipped_cell": sees_chip}
    for kind, seen in seen_by.items():
        if kind not in cells[read[0]].scores:
            continue
        there = {number for number in read if seen(first[number]) and seen(second[number])}
        absent = [cells[number] for number in read if not seen(first[number]) and not seen(second[number])]
        own = ranked(panels, kind, lambda number, _, there=there: number in there)
        positive = np.concatenate([panel.there for panel in own])
        area = area_under_curve(positive, np.array([cell.scores[kind] for cell in absent]))
        recalls = "".join(f"{_with_interval(pooled_recall(share), own):>20}" for share in (0.01, 0.05))
        flagged = np.mean([cells[number].flagged(kind) for number in there])
        false = sum(cell.flagged(kind) for cell in absent)
        print(f"{kind:<24}{len(there):>6}{len(absent):>6}{area:>8.3f}{recalls}{flagged:>9.2f}{false:>7}")
    for name, hits in (("finger streaks", finger_hits), ("crack lines", _crack_hits)):
        for whose in ("both", "either"):
            counts = [hits(cells[number], first[number], second[number], whose) for number in read]
            print(
                f"{name}, marks of {whose} reader{'s' if whose == 'both' else ''}: {_as_text(np.sum(counts, axis=0))}"
            )


def _as_text(counts: NDArray[np.int_]) -> str:
    found, missed, false = (int(count) for count in counts)
    precision, recall = found / max(found + false, 1), found / max(found + missed, 1)
    f1 = 2 * found / max(2 * found + missed + false, 1)
    return f"found {found}, missed {missed}, false {false}: precision {precision:.3f}, recall {recall:.3f}, F1 {f1:.3f}"


def finger_hits(cell: RealCell, first: Reading, second: Reading, whose: str) -> tuple[int, int, int]:
    """Return marks found and missed, and findings that neither reader marked."""
    mine = [_as_mark(finding) for finding in cell.findings if finding.kind is Kind.FINGER_INTERRUPTION]
    both = [mark for mark in first.finger_marks if any(_same(mark, other) for other in second.finger_marks)]
    further = [mark for mark in second.finger_marks if not any(_same(mark, other) for other in first.finger_marks)]
    asked = both if whose == "both" else [*first.finger_marks, *further]
    either = [*first.finger_marks, *second.finger_marks]
    found = sum(any(_same(mark, own) for own in mine) for mark in asked)
    false = sum(not any(_same(own, mark) for mark in either) for own in mine)
    return found, len(asked) - found, false


def _as_mark(finding: Finding) -> FingerMark:
    rows, columns = finding.outline[:, 0], finding.outline[:, 1]
    width_px = float(finding.measurements["bundle_mm"] or 0.0) * (SIDE_PX - 1) / 156
    return FingerMark(float(columns.mean()), float(rows.min()), float(rows.max()), max(width_px, 4.0))


def _same(one: FingerMark, other: FingerMark) -> bool:
    near = abs(one.x - other.x) <= max(NEAR_PX, (one.width + other.width) / 2)
    return near and min(one.bottom, other.bottom) > max(one.top, other.top)


def _crack_hits(cell: RealCell, first: Reading, second: Reading, whose: str) -> tuple[int, int, int]:
    """Return crack marks found and missed, and cracks that neither reader marked, by distance."""
    mine = [finding.outline[:, ::-1] for finding in cell.findings if finding.kind is Kind.CRACK]
    marks = [[_along(mark) for mark in reading.crack_marks if len(mark) > 1] for reading in (first, second)]
    both = [mark for mark in marks[0] if any(_near(mark, other) for other in marks[1])]
    further = [mark for mark in marks[1] if not any(_near(mark, other) for other in marks[0])]
    asked = both if whose == "both" else [*marks[0], *further]
    found = sum(any(_near(mark, _along(own)) for own in mine) for mark in asked)
    false = sum(not any(_near(_along(own), mark) for mark in [*marks[0], *marks[1]]) for own in mine)
    return found, len(asked) - found, false


def _along(line: Mark | Points) -> Points:
    """Points every pixel or so along a polyline."""
    corners = np.asarray(line, np.float64)
    pieces = [np.linspace(a, b, int(np.linalg.norm(b - a)) + 2) for a, b in pairwise(corners)]
    return np.concatenate(pieces)


def _near(one: Points, other: Points) -> bool:
    """Whether at least 40 % of one line lie near the other, or the other way round."""
    distance = np.linalg.norm(one[:, None] - other[None], axis=2)
    return bool(max((distance.min(axis=side) <= NEAR_PX).mean() for side in (0, 1)) >= 0.4)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("half", nargs="?", choices=["tuning", "check", "both"], default="check")
    parser.add_argument("--no-sato", action="store_true", help="leave the ridge filter out")
    asked = parser.parse_args()
    print(f"{asked.half} half; recall at 1 and 5 % false alarms per cell; flagged, false and limit at default settings")
    for wafer in WAFERS.values():
        chosen = panels_of(asked.half, wafer)
        places = ", ".join(f"{FREE_PANELS[panel][0]}-{FREE_PANELS[panel][1]}" for panel in chosen)
        print(f"\n{wafer}: cells {places}")
        panels = [judge_panel(panel, not asked.no_sato) for panel in chosen]
        print_against_labels(panels)
        print_false_flags(panels)
        print_curve(panels, chosen)
        print_against_readers(panels, wafer)
        print_flags_as_shown(chosen)


if __name__ == "__main__":
    main()
