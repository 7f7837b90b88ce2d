"""Does what is learnt on simulated cells hold on real ones? Detector variants ranked on both.

One command: ``PYTHONPATH=.:tests:tests/bench python tests/long/transfer.py [--panels N] [--seed N]``; about 15 min.

Variants: the crack, inactive-area and finger detectors with settings changed one at a time, from near their defaults to
uselessly far, and for each kind plain methods of a few lines. Variants that differ by less than chance between a few
dozen cells say nothing about transfer, so they are spread wide, and the same ranks are compared between the two halves
of the real panels: no simulation can agree with the real cells better than these agree with each other.

Real: free panels of elpv-dataset, judged panel by panel; a cell counts as having a crack, an inactive area or broken
fingers where both readers of `tests/development_set` saw one, as free of it where neither did. Simulated: panels of 24
full cells with few busbars, photographed by any camera, cut out as the crops of the data set are; a cell counts as
having the kind where the truth says it can be seen (`elinspect.synthetic.training.seen`; area 0.3 % of the cell or
more), as free of it where there is none. Cells in which another defect or a stain looks like the kind are left out.

For each kind and wafer type each variant gets the area under its curve; the ranks over real and simulated cells are
compared by Spearman's coefficient, kind by kind, over the mean of both wafer types. Beside it the recall of each
variant at 5 % false alarms, and the mean difference of that between simulated and real.

Last run, 10 simulated panels of each wafer type against the 21 real ones (in brackets one half of these against the
other): Spearman cracks 0.83 (0.99), inactive areas 0.50 (0.65), fingers 0.99 (0.97); wanted is 0.8. Recall at 5 % false
alarms, simulated minus real, mean over variants, mono and multi: cracks -0.09, -0.05; areas +0.02, -0.09; fingers
-0.02, -0.01; at default settings cracks -0.20, -0.22; areas 0.00, +0.02; fingers -0.13, -0.13. Areas: the real ones, 11
and 28, are large and black, and nearly every variant finds all of them on multi cells.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from development_set.reading import Reading, chosen_cells, readings
from drawn_cells import as_pictures
from numpy.typing import NDArray
from real_cells import FREE_PANELS, SIDE_PX, free_cells
from real_cells_bench import panels_of
from scipy.stats import spearmanr

from elinspect.detectors import prepare
from elinspect.detectors.crack import detect as detect_cracks
from elinspect.detectors.finger_interruption import detect as detect_fingers
from elinspect.detectors.inactive_area import detect as detect_areas
from elinspect.recipe import Wafer, assumed_product
from elinspect.records import Kind, Layout, PanelView
from elinspect.settings import CrackSettings, FingerInterruptionSettings, InactiveAreaSettings
from elinspect.statistics.operating import area_under_curve, recall_at
from elinspect.synthetic import DefectRates, TrainingCell, draw_cells
from elinspect.vision import cv2

RATES = DefectRates(crack=0.35, inactive_area=0.06, finger_interruption=0.4, dark_cell=0.0, dark_string=0.0)
"""Of every kind about a third, as in the development set."""
MM_PER_PX = 156 / (SIDE_PX - 1)
EACH = 24
WAFERS = ("mono", "multi")
Score = Callable[[PanelView, NDArray[np.float32]], NDArray[np.float64]]


def _with(detect: Callable, settings: object) -> Score:
    return lambda view, _pictures: np.asarray(detect(view, settings).cell_scores, np.float64)


def _flat(pictures: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the logarithm of each picture over its slow background, busbar rows taken out."""
    flat = []
    for picture in pictures:
        height = np.log(np.maximum(picture / max(float(np.median(picture)), 1e-6), 0.02)).astype(np.float32)
        height = height - cv2.medianBlur((height * 40 + 128).clip(0, 255).astype(np.uint8), 41).astype(np.float32) / 40
        flat.append((height - np.median(height, axis=1, keepdims=True))[20:-20, 20:-20])
    return np.stack(flat)


def _of_each(score: Callable[[NDArray[np.float32]], float], flat: bool = True) -> Score:
    """Return the score that takes one number from each picture, flattened or as it is over its median."""

    def of(_view: PanelView, pictures: NDArray[np.float32]) -> NDArray[np.float64]:
        if flat:
            return np.array([score(one) for one in _flat(pictures)])
        return np.array([score(one[20:-20, 20:-20] / max(float(np.median(one)), 1e-6)) for one in pictures])

    return of


def _hat(size: int) -> Callable[[NDArray[np.float32]], float]:
    kernel = np.ones((size, size), np.uint8)
    return lambda flat: float(np.quantile(cv2.morphologyEx(flat, cv2.MORPH_BLACKHAT, kernel), 0.995))


def _gradient(flat: NDArray[np.float32]) -> float:
    soft = cv2.GaussianBlur(flat, (0, 0), 1.5)
    return float(np.quantile(np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)), 0.99))


def _blocks(picture: NDArray[np.float32], size: int = 20) -> NDArray[np.float32]:
    return cv2.resize(picture, None, fx=1 / size, fy=1 / size, interpolation=cv2.INTER_AREA)


def _column_lines(flat: NDArray[np.float32]) -> float:
    """Return how far the darkest short upright line stands out of its neighbours."""
    upright = cv2.blur(flat, (1, 41))
    beside = (np.roll(upright, 6, 1) + np.roll(upright, -6, 1)) / 2
    return float(np.quantile(beside - upright, 0.998) / max(float(np.std(beside - upright)), 1e-6))


DARKEST = {"plain: darkest percentile": _of_each(lambda flat: -float(np.percentile(flat, 1)))}
SPREAD = {"plain: spread": _of_each(lambda flat: float(flat.std()))}
PLAIN_CRACKS: dict[str, Score] = {
    "plain: black hat 7 px": _of_each(_hat(7)),
    "plain: black hat 15 px": _of_each(_hat(15)),
    "plain: gradient": _of_each(_gradient),
    "plain: skewness": _of_each(lambda flat: -float(((flat - flat.mean()) ** 3).mean() / flat.std() ** 3)),
}
PLAIN_AREAS: dict[str, Score] = {
    "plain: share below 0.4": _of_each(lambda one: float((one < 0.4).mean()), flat=False),
    "plain: share below 0.7": _of_each(lambda one: float((one < 0.7).mean()), flat=False),
    "plain: darkest block": _of_each(lambda one: -float(_blocks(one).min()), flat=False),
    "plain: spread of blocks": _of_each(lambda one: float(_blocks(one).std()), flat=False),
}
PLAIN_FINGERS: dict[str, Score] = {
    "plain: upright lines": _of_each(_column_lines),
    "plain: spread of columns": _of_each(lambda flat: float(flat.mean(axis=0).std())),
}


def variants() -> dict[Kind, dict[str, Score]]:
    """Return the variants of each kind by name."""
    crack, area, finger = CrackSettings(), InactiveAreaSettings(), FingerInterruptionSettings()
    cracks = {
        "default": {}, "cap 2": {"cap": 2.0}, "toll 0.5": {"toll": 0.5}, "narrow": {"widths_px": (0.6, 1.2)},
        "very wide": {"widths_px": (4.5, 6.0)}, "4 angles": {"angles": 4}, "dots": {"line_px": 3, "line_sigma_px": 1.0},
        "least contrast 0.3": {"least_contrast": 0.3, "busbar_contrast": 0.4, "least_step": 0.4},
        "long paths only": {"least_px": 150},
    }  # fmt: skip
    areas = {
        "default": {}, "rim 0.9": {"rim_share": 0.9, "core_share": 0.7},
        "rim 0.3": {"rim_share": 0.3, "core_share": 0.1},
        "texture 20": {"texture_multiple": 20.0}, "narrowest 0.5": {"narrowest_mm": 0.5},
        "narrowest 14": {"narrowest_mm": 14.0}, "narrowest 30": {"narrowest_mm": 30.0},
        "bright 0.3": {"bright_quantile": 0.3},
        "rim 0.95, thin": {"rim_share": 0.95, "core_share": 0.8, "narrowest_mm": 1.0, "dim_share": 0.97},
    }  # fmt: skip
    fingers = {
        "default": {}, "contrast 0.05": {"least_contrast": 0.05}, "contrast 0.004": {"least_contrast": 0.004},
        "texture 0.5": {"texture_multiple": 0.5}, "texture 8": {"texture_multiple": 8.0},
        "texture 20": {"texture_multiple": 20.0},
        "long": {"least_length_mm": 30.0}, "very long": {"least_length_mm": 60.0},
        "floor 0.03": {"least_texture": 0.03}, "contrast 0.12": {"least_contrast": 0.12},
    }  # fmt: skip
    return {
        Kind.CRACK: {name: _with(detect_cracks, replace(crack, **more)) for name, more in cracks.items()}
        | PLAIN_CRACKS | DARKEST | SPREAD,
        Kind.INACTIVE_AREA: {name: _with(detect_areas, replace(area, **more)) for name, more in areas.items()}
        | PLAIN_AREAS | DARKEST | SPREAD,
        Kind.FINGER_INTERRUPTION: {
            name: _with(detect_fingers, replace(finger, **more)) for name, more in fingers.items()
        } | PLAIN_FINGERS | DARKEST | SPREAD,
    }  # fmt: skip


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
    pictures, layouts, truth = [], [], {kind: [] for kind in variants()}
    for panel in panels_of(half, wafer):
        start, last = FREE_PANELS[panel]
        n = last - start + 1
        pictures.append(free_cells(range(start, last + 1)).astype(np.float32))
        layouts.append(Layout(1, 6, n // 6) if n % 6 == 0 else Layout(1, 1, n))
        for number in range(start, last + 1):
            for kind in truth:
                both = [_seen(kind, reader[number]) for reader in (first, second)] if number in read else [True, False]
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
    pictures, truth, row = [], {kind: [] for kind in variants()}, []
    for cell in drawn:
        row.append((np.clip(cell.picture, 0, 1.6) * 150).astype(np.float32))
        for kind in truth:
            truth[kind].append(_true(kind, cell))
        if len(row) == EACH:
            pictures.append(np.stack(row))
            row = []
    layouts = [Layout(1, 2, EACH // 2)] * len(pictures)
    return Judged(pictures, layouts, {kind: np.array(of_kind) for kind, of_kind in truth.items()})


def _true(kind: Kind, cell: TrainingCell) -> int:
    if kind not in cell.kinds:
        return -1 if _looks_alike(kind, cell) else 0
    if kind is Kind.INACTIVE_AREA:
        largest = max(d.area_fraction or 0 for d in cell.defects if d.kind is kind)
        return 1 if largest >= 0.003 else -1
    return 1 if kind in cell.visible else -1


def _looks_alike(kind: Kind, cell: TrainingCell) -> bool:
    """Whether another defect of the cell rightly looks like this kind to any reader."""
    if kind is Kind.CRACK:
        return False
    torn = any(d.step for d in cell.defects)  # fingers a crack has broken
    if kind is Kind.FINGER_INTERRUPTION:
        return torn or Kind.INACTIVE_AREA in cell.kinds
    # A bundle of fingers that lost all current is a dark area; so is, to both readers, a black stain.
    return torn or any(d.contrast > 0.4 and (d.area_fraction or 0) > 0.002 for d in (*cell.defects, *cell.patterns))


def scores(judged: Judged) -> dict[Kind, dict[str, NDArray[np.float64]]]:
    """Return the scores of all cells by kind and variant."""
    found: dict[Kind, dict[str, list[NDArray[np.float64]]]] = {
        kind: {name: [] for name in of_kind} for kind, of_kind in variants().items()
    }
    for pictures, layout in zip(judged.pictures, judged.layouts, strict=True):
        view = prepare(as_pictures(pictures, layout, MM_PER_PX, saturation=255.0), assumed_product(layout))
        for kind, of_kind in variants().items():
            for name, score in of_kind.items():
                found[kind][name].append(score(view, pictures))
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


def scored(judged: Judged) -> Scored:
    """Run all variants."""
    return Scored(judged.truth, scores(judged))


def rank_correlation(one: list[NDArray[np.float64]], other: list[NDArray[np.float64]]) -> str:
    """Return Spearman's coefficient of the areas of each wafer type's mean, and of each type."""
    areas = [[figures[:, 0] for figures in side] for side in (one, other)]
    pairs = [(np.mean(areas[0], axis=0), np.mean(areas[1], axis=0)), *zip(*areas, strict=True)]
    mean, mono, multi = (float(spearmanr(*pair).statistic) for pair in pairs)
    return f"{mean:.3f} (mono {mono:.3f}, multi {multi:.3f})"


def main() -> None:
    """Print the ranks of each kind."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--panels", type=int, default=10, help="simulated panels of each wafer type")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    sides: dict[str, list[Scored]] = {"tuning": [], "check": [], "real": [], "simulated": []}
    for wafer in WAFERS:
        halves = [scored(real_cells(half, wafer)) for half in ("tuning", "check")]
        whole = [*halves, halves[0] + halves[1], scored(simulated_cells(wafer, given.panels, given.seed))]
        for (name, kept), one in zip(sides.items(), whole, strict=True):
            kept.append(one)
            print(f"{wafer}, {name}: there and not there {one.counts()}", flush=True)
    for kind, of_kind in variants().items():
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
