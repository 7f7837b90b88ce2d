"""Does what is learnt on simulated cells hold on real ones? Detector variants ranked on both.

One command: ``PYTHONPATH=.:tests:tests/bench python tests/long/transfer.py [--panels N] [--seed N] [--kind KIND]
[--cells FOLDER]``; about 15 min of one core.

Variants: see transfer_variants.py beside this file. The same ranks are compared between the two halves of the real
panels: no simulation can be expected to agree with the real cells better than these agree with each other.

Real: free panels of elpv-dataset, judged panel by panel; a cell counts as having a crack, an inactive area or broken
fingers where both readers of `tests/development_set` saw one, as free of it where neither did; cells that were not read
and are labelled clean count as free of cracks and areas. Simulated: panels of 12 full cells with few busbars,
photographed by any camera, cut out as the crops of the data set are. A cell counts as having a crack or broken fingers
where the truth says they can be seen (`elinspect.synthetic.training.seen`), an inactive area where at least
`LEAST_AREA` of it lost a third of its light or more: so nearly all of the readers' areas are in the tuning half. It is
free where there is none.
Cells in which another defect or a stain looks like the kind are left out; the border of a piece cut off is a crack to
both readers.

For each kind and wafer type each variant gets the area under its curve; the ranks over real and simulated cells are
compared by Spearman's coefficient, kind by kind, over the mean of both wafer types. Beside it the recall of each
variant at 5 % false alarms, and the mean difference of that between simulated and real.

Last run, kind by kind, 20 simulated panels of each wafer type (seed 0) against the 21 real ones (in brackets one half
of the real panels against the other): Spearman cracks 0.93 (0.98), inactive areas 0.81 (0.83), fingers 0.90 (0.97);
wanted is 0.8. By wafer type, mono and multi: 0.81, 0.97; 0.54, 0.68; 0.75, 0.88. Recall at 5 % false alarms at default
settings, simulated minus real, mono and multi: cracks +0.02, -0.01; areas 0.00, -0.08; fingers -0.07, -0.02.
"""

import argparse
import pickle
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from development_set.reading import Reading, chosen_cells, readings
from drawn_cells import as_pictures
from numpy.typing import NDArray
from real_cells import FREE_PANELS, SIDE_PX, free_cells, free_labels
from real_cells_bench import panels_of
from scipy.stats import spearmanr
from transfer_variants import Score, Seen, variants

from elinspect.detectors import prepare
from elinspect.recipe import Wafer, assumed_product
from elinspect.records import Kind, Layout
from elinspect.statistics.operating import area_under_curve, recall_at
from elinspect.synthetic import DefectRates, TrainingCell, draw_cells

RATES = DefectRates(
    crack=0.3, inactive_area=0.02, finger_interruption=0.4, dark_cell=0.0, dark_string=0.0, lost_field=0.12
)
"""Cracks in a third of the cells, as in the development set, and inactive areas nearly always beside cracks."""
LEAST_AREA = 0.01
"""Share of the cell: the smallest inactive area that both readers saw in the tuning half of the real panels."""
MM_PER_PX = 156 / (SIDE_PX - 1)
EACH = 12
"""Cells of a simulated panel: many small panels, since cells of one panel are alike."""
WAFERS = ("mono", "multi")
KINDS = (Kind.CRACK, Kind.INACTIVE_AREA, Kind.FINGER_INTERRUPTION)
Variants = dict[Kind, dict[str, Score]]


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """Cells of one wafer type: for each kind whether each has it (1), has not (0) or is left out (-1)."""

    pictures: list[NDArray[np.float32]]
    layouts: list[Layout]
    truth: dict[Kind, NDArray[np.int64]]


def real_cells(half: str, wafer: str) -> Judged:
    """Return the free panels of a half, with what the readers saw."""
    first, second = readings(1), readings(2)
    read = {chosen.cell for chosen in chosen_cells()}
    pictures, layouts, truth = [], [], {kind: [] for kind in KINDS}
    for panel in panels_of(half, wafer):
        start, last = FREE_PANELS[panel]
        n = last - start + 1
        pictures.append(free_cells(range(start, last + 1)).astype(np.float32))
        layouts.append(Layout(1, 6, n // 6) if n % 6 == 0 else Layout(1, 1, n))
        labels, _ = free_labels(range(start, last + 1))
        for number, label in zip(range(start, last + 1), labels, strict=True):
            for kind in truth:
                if number in read:
                    both = [_seen(kind, reader[number]) for reader in (first, second)]
                else:  # the label says nothing about fingers
                    both = [False] if label < 0.1 and kind is not Kind.FINGER_INTERRUPTION else [True, False]
                truth[kind].append(1 if all(both) else -1 if any(both) else 0)
    return Judged(pictures, layouts, {kind: np.array(of_kind) for kind, of_kind in truth.items()})


def _seen(kind: Kind, reading: Reading) -> bool:
    if kind is Kind.CRACK:
        return reading.crack != "none"
    return reading.inactive_area if kind is Kind.INACTIVE_AREA else bool(reading.finger_marks)


def simulated_cells(wafer: str, panels: int, seed: int) -> Judged:
    """Return simulated panels, with the truth."""
    rng = np.random.default_rng([seed, WAFERS.index(wafer)])
    drawn = draw_cells(rng, panels * EACH, SIDE_PX, Wafer(wafer), RATES, few_busbars=True, per_panel=EACH, rim_mm=0.9)
    pictures, truth, row = [], {kind: [] for kind in KINDS}, []
    for cell in drawn:
        row.append((np.clip(cell.picture, 0, 1.6) * 150).astype(np.float32))
        for kind in truth:
            truth[kind].append(_true(kind, cell))
        if len(row) == EACH:
            pictures.append(np.stack(row))
            row = []
    layouts = [Layout(1, 2, EACH // 2)] * len(pictures)
    return Judged(pictures, layouts, {kind: np.array(of_kind) for kind, of_kind in truth.items()})


def kept_cells(folder: Path | None, wafer: str, panels: int, seed: int) -> Judged:
    """Return simulated panels as they were kept, or draw and keep them."""
    if folder is None:
        return simulated_cells(wafer, panels, seed)
    kept = folder / f"{wafer}_{panels}_{seed}.pickle"
    if not kept.exists():
        folder.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(simulated_cells(wafer, panels, seed)))
    judged: Judged = pickle.loads(kept.read_bytes())
    return judged


def _true(kind: Kind, cell: TrainingCell) -> int:
    if kind is Kind.INACTIVE_AREA:
        dim = _dim_fraction(cell)
        return 1 if dim >= LEAST_AREA else -1 if dim >= LEAST_AREA / 5 or _dark_spot(cell) else 0
    if kind in cell.kinds:
        return 1 if kind in cell.visible else -1
    if kind is Kind.CRACK:  # the border of a piece cut off is a crack to both readers
        return -1 if Kind.INACTIVE_AREA in cell.kinds else 0
    # Fingers that a crack has broken are broken fingers.
    return -1 if any(d.step for d in cell.defects) or Kind.INACTIVE_AREA in cell.kinds else 0


def _dim_fraction(cell: TrainingCell) -> float:
    """Return the share of the cell that lost a third of its light or more to cracks and pieces cut off."""
    pieces = [d for d in cell.defects if d.kind is Kind.INACTIVE_AREA and d.caused_by is None and d.contrast > 0.4]
    return sum(d.dim_fraction or 0 for d in cell.defects) + sum(d.area_fraction or 0 for d in pieces)


def _dark_spot(cell: TrainingCell) -> bool:
    """Whether a bundle of fingers that lost all current, or a black stain, looks like an area to any reader."""
    return any(d.contrast > 0.4 and (d.area_fraction or 0) > 0.002 for d in (*cell.defects, *cell.patterns))


def scores(judged: Judged, all_of: Variants) -> dict[Kind, dict[str, NDArray[np.float64]]]:
    """Return the scores of all cells by kind and variant."""
    found: dict[Kind, dict[str, list[NDArray[np.float64]]]] = {
        kind: {name: [] for name in of_kind} for kind, of_kind in all_of.items()
    }
    for pictures, layout in zip(judged.pictures, judged.layouts, strict=True):
        view = prepare(as_pictures(pictures, layout, MM_PER_PX, saturation=255.0), assumed_product(layout))
        seen = Seen(pictures)
        for kind, of_kind in all_of.items():
            for name, score in of_kind.items():
                found[kind][name].append(score(view, seen))
    return {kind: {name: np.concatenate(parts) for name, parts in of_kind.items()} for kind, of_kind in found.items()}


@dataclass(frozen=True, slots=True, eq=False)
class Scored:
    """Truth and scores of the cells of one wafer type."""

    truth: dict[Kind, NDArray[np.int64]]
    scores: dict[Kind, dict[str, NDArray[np.float64]]]

    def __add__(self, other: "Scored") -> "Scored":
        return Scored(
            {kind: np.concatenate([own, other.truth[kind]]) for kind, own in self.truth.items()},
            {
                kind: {name: np.concatenate([own, other.scores[kind][name]]) for name, own in of_kind.items()}
                for kind, of_kind in self.scores.items()
            },
        )

    def figures(self, kind: Kind) -> NDArray[np.float64]:
        """Return area under the curve and recall at 5 % false alarms of each variant, shape (variants, 2)."""
        there, free = self.truth[kind] == 1, self.truth[kind] == 0
        return np.array(
            [
                (area_under_curve(score[there], score[free]), recall_at(score[there], score[free], 0.05))
                for score in self.scores[kind].values()
            ]
        )

    def counts(self) -> dict[str, tuple[int, int]]:
        """Return how many cells have each kind, and how many are free of it."""
        return {kind.value: (int((t == 1).sum()), int((t == 0).sum())) for kind, t in self.truth.items()}


def scored(judged: Judged, all_of: Variants) -> Scored:
    """Run all variants."""
    return Scored({kind: judged.truth[kind] for kind in all_of}, scores(judged, all_of))


def rank_correlation(one: list[NDArray[np.float64]], other: list[NDArray[np.float64]]) -> str:
    """Return Spearman's coefficient of the areas of each wafer type's mean, and of each type."""
    areas = [[figures[:, 0] for figures in side] for side in (one, other)]
    pairs = [(np.mean(areas[0], axis=0), np.mean(areas[1], axis=0)), *zip(*areas, strict=True)]
    mean, mono, multi = (float(spearmanr(*pair).statistic) for pair in pairs)
    return f"{mean:.3f} (mono {mono:.3f}, multi {multi:.3f})"


def main() -> None:
    """Print the ranks of each kind."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--panels", type=int, default=20, help="simulated panels of each wafer type")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--cells", type=Path, help="folder in which simulated cells are kept for the next run")
    parser.add_argument("--kind", choices=[kind.value for kind in KINDS], help="one kind only")
    given = parser.parse_args()
    all_of = {kind: of_kind for kind, of_kind in variants().items() if given.kind in (None, kind.value)}
    sides: dict[str, list[Scored]] = {"tuning": [], "check": [], "real": [], "simulated": []}
    for wafer in WAFERS:
        halves = [scored(real_cells(half, wafer), all_of) for half in ("tuning", "check")]
        drawn = kept_cells(given.cells, wafer, given.panels, given.seed)
        whole = [*halves, halves[0] + halves[1], scored(drawn, all_of)]
        for (name, kept), one in zip(sides.items(), whole, strict=True):
            kept.append(one)
            print(f"{wafer}, {name}: there and not there {one.counts()}", flush=True)
    for kind, of_kind in all_of.items():
        figures = {name: [one.figures(kind) for one in both] for name, both in sides.items()}
        real, made = figures["real"], figures["simulated"]
        print(f"\n{kind.value:<28} {'AUC real':>17} {'AUC simulated':>17} {'recall real':>17} {'recall simulated':>17}")
        for number, name in enumerate(of_kind):
            pairs = [[one[number, column] for one in side] for column in (0, 1) for side in (real, made)]
            print(f"{name:<28} " + "  ".join(f"{mono:8.3f} {multi:8.3f}" for mono, multi in pairs))
        more = [there[:, 1] - here[:, 1] for there, here in zip(made, real, strict=True)]
        print(f"Spearman, real against simulated: {rank_correlation(real, made)}")
        print(
            f"Spearman, one half of the real panels against the other: {rank_correlation(*list(figures.values())[:2])}"
        )
        print(
            "recall at 5 % false alarms, simulated minus real, mean over variants: "
            f"mono {more[0].mean():+.3f}, multi {more[1].mean():+.3f}; at default settings "
            f"mono {more[0][0]:+.3f}, multi {more[1][0]:+.3f}"
        )


if __name__ == "__main__":
    main()
