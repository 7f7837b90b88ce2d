"""How well a model does on real cells it never learnt from: two protocols, intervals, a nuisance baseline."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.classifier import Model, score
from elinspect.classifier.heads import calibration_error, fit_head
from elinspect.detectors import detect_all, prepare
from elinspect.operations.open_cells import OpenPanel
from elinspect.recipe import Wafer
from elinspect.settings import DetectorSettings
from elinspect.statistics.operating import area_under_curve, area_within, interval_over_groups
from elinspect.vision import cv2

RANDOM_SPLITS = 20
_TEST_SHARE = 0.25
_DEFECTIVE = 0.5
Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class JudgedCells:
    """Scores of all cells of some panels beside their labels.

    Attributes
    ----------
    scores, detectors : ndarray, shape (n,)
        Defect score of the model; largest score of the detectors of cracks, inactive areas and dark cells.
    labels : ndarray, shape (n,)
        Labelled probability of a defect.
    panel : ndarray of int, shape (n,)
        Number of the panel.
    mono : ndarray of bool, shape (n,)
        Wafer.
    nuisance : ndarray, shape (n, 3)
        Noise, blur and mean brightness, which say nothing of defects.
    """

    scores: NDArray[np.float64]
    detectors: NDArray[np.float64]
    labels: NDArray[np.float64]
    panel: NDArray[np.intp]
    mono: NDArray[np.bool_]
    nuisance: NDArray[np.float64]

    def of(self, rows: NDArray[np.bool_]) -> "JudgedCells":
        """Return some of the cells."""
        return JudgedCells(
            self.scores[rows], self.detectors[rows], self.labels[rows],
            self.panel[rows], self.mono[rows], self.nuisance[rows],
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure with its 95 % interval over panels; the interval of a random split is its spread over splits."""

    name: str
    value: float
    interval: Interval


@dataclass(frozen=True, slots=True)
class EvaluationTable:
    """Figures of one wafer type (None: both) under one protocol."""

    protocol: str
    wafer: Wafer | None
    cells: int
    defective: int
    panels: int
    figures: tuple[Figure, ...]


def judge_open_cells(
    model: Model, panels: Sequence[OpenPanel], progress: Callable[[], object] | None = None
) -> JudgedCells:
    """Run detectors and model on panels of the open data set, each judged as a panel."""
    parts = []
    for number, panel in enumerate(panels):
        pictures, product = panel.pictures()
        view = prepare(pictures, product)
        detections = detect_all(view, DetectorSettings())
        scored = score(model, view, detections)
        kinds = {item.kind.value: item.cell_scores for item in detections}
        detectors = np.max([kinds[kind] for kind in ("crack", "inactive_area", "dark_cell")], axis=0)
        n = len(panel.labels)
        parts.append(
            (
                scored.defect_scores.astype(float), detectors.astype(float), panel.labels, np.full(n, number),
                np.full(n, panel.wafer is Wafer.MONO), _nuisance(panel.crops, view.noise),
            )
        )  # fmt: skip
        if progress is not None:
            progress()
    return JudgedCells(*(np.concatenate([part[i] for part in parts]) for i in range(6)))


def evaluate_by_panels(cells: JudgedCells, seed: int = 0) -> tuple[EvaluationTable, ...]:
    """Return figures with whole panels drawn again: both wafer types, mono, multi."""
    rng = np.random.default_rng(seed)
    return tuple(_table("panels", wafer, chosen, _panel_figures(chosen, rng)) for wafer, chosen in _by_wafer(cells))


def evaluate_random(cells: JudgedCells, seed: int = 0) -> tuple[EvaluationTable, ...]:
    """Return figures of the literature's protocol: 20 random splits, threshold from 75 % of the cells, test on 25 %.

    Neighbouring cells of one panel fall on both sides, so that these figures are too good; they are here to be set
    beside published ones (Deitsch et al. 2019, doi 10.1016/j.solener.2019.02.067).
    """
    rng = np.random.default_rng(seed)
    return tuple(_table("random", wafer, chosen, _random_figures(chosen, rng)) for wafer, chosen in _by_wafer(cells))


def _by_wafer(cells: JudgedCells) -> list[tuple[Wafer | None, JudgedCells]]:
    kinds = [(None, np.ones(len(cells.mono), bool)), (Wafer.MONO, cells.mono), (Wafer.MULTI, ~cells.mono)]
    return [(wafer, cells.of(rows)) for wafer, rows in kinds if rows.any()]


def _table(protocol: str, wafer: Wafer | None, cells: JudgedCells, figures: tuple[Figure, ...]) -> EvaluationTable:
    defective = int((cells.labels > _DEFECTIVE).sum())
    return EvaluationTable(protocol, wafer, len(cells.labels), defective, len(np.unique(cells.panel)), figures)


def _panel_figures(cells: JudgedCells, rng: np.random.Generator) -> tuple[Figure, ...]:
    truth = cells.labels > _DEFECTIVE
    sure = (cells.labels > 0.9) | (cells.labels < 0.1)
    nuisance = _cross_fitted(cells)
    of: dict[str, Callable[[NDArray[np.intp]], float]] = {
        "auc": lambda rows: _area(cells.scores[rows], truth[rows]),
        "auc_sure": lambda rows: _area(cells.scores[rows][sure[rows]], truth[rows][sure[rows]]),
        "auc_within": lambda rows: area_within(cells.scores[rows], truth[rows], cells.panel[rows]),
        "auc_detectors": lambda rows: _area(cells.detectors[rows], truth[rows]),
        "auc_nuisance": lambda rows: _area(nuisance[rows], truth[rows]),
        "auc_nuisance_within": lambda rows: area_within(nuisance[rows], truth[rows], cells.panel[rows]),
        **{
            name: lambda rows, name=name: decisions(cells.scores[rows], cells.labels[rows], _DEFECTIVE)[name]  # type: ignore[misc]
            for name in ("accuracy", "accuracy_weighted", "accuracy_balanced", "f1")
        },
        "calibration_error": lambda rows: calibration_error(cells.scores[rows], truth[rows]),
    }
    every = np.arange(len(truth))
    return tuple(
        Figure(name, figure(every), interval_over_groups(figure, cells.panel, rng, draws=400))
        for name, figure in of.items()
    )


def _random_figures(cells: JudgedCells, rng: np.random.Generator) -> tuple[Figure, ...]:
    names = ("accuracy", "accuracy_weighted", "accuracy_balanced", "f1")
    found: dict[str, list[float]] = {name: [] for name in names}
    for _ in range(RANDOM_SPLITS):
        order = rng.permutation(len(cells.labels))
        test, other = np.split(order, [round(_TEST_SHARE * len(order))])
        threshold = _best_threshold(cells.scores[other], cells.labels[other])
        said = decisions(cells.scores[test], cells.labels[test], threshold)
        for name in names:
            found[name].append(said[name])
    return tuple(
        Figure(name, float(np.mean(values)), (float(np.min(values)), float(np.max(values))))
        for name, values in found.items()
    )


def decisions(scores: NDArray[np.float64], labels: NDArray[np.float64], threshold: float) -> dict[str, float]:
    """Return accuracies and F1; weighted: labels 1/3 and 2/3 count a third and two thirds (facts of Deitsch 2019)."""
    said, truth = scores >= threshold, labels > _DEFECTIVE
    right = said == truth
    weight = np.where(truth, labels, 1 - labels)
    weight = np.where(np.isclose(labels, 1 / 3), 1 / 3, weight)
    hits = float((said & truth).sum())
    rates = [right[truth == side].mean() for side in (True, False) if (truth == side).any()]
    return {
        "accuracy": float(right.mean()),
        "accuracy_weighted": float((right * weight).sum() / weight.sum()),
        "accuracy_balanced": float(np.mean(rates)),
        "f1": 2 * hits / max(float(said.sum() + truth.sum()), 1.0),
    }


def _best_threshold(scores: NDArray[np.float64], labels: NDArray[np.float64]) -> float:
    candidates = np.quantile(scores, np.linspace(0.02, 0.98, 97))
    return float(max(candidates, key=lambda at: decisions(scores, labels, float(at))["accuracy_weighted"]))


def _area(scores: NDArray[np.float64], truth: NDArray[np.bool_]) -> float:
    return area_under_curve(scores[truth], scores[~truth])


def _nuisance(crops: NDArray[np.uint8], noise: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return noise, sharpness (mean gradient over the spread of luminance) and mean brightness of each crop."""
    rows = []
    for crop, own_noise in zip(crops, noise, strict=True):
        picture = crop.astype(np.float32)
        across, down = cv2.Sobel(picture, cv2.CV_32F, 1, 0), cv2.Sobel(picture, cv2.CV_32F, 0, 1)
        sharpness = float(np.hypot(across, down).mean() / max(float(picture.std()), 1e-6))
        rows.append((float(own_noise), sharpness, float(picture.mean())))
    return np.array(rows)


def _cross_fitted(cells: JudgedCells) -> NDArray[np.float64]:
    """Return what noise, blur and brightness alone would say of each panel, learnt from the other panels."""
    truth = cells.labels > _DEFECTIVE
    out = np.zeros(len(truth))
    for number in np.unique(cells.panel):
        own = cells.panel == number
        if truth[~own].all() or not truth[~own].any():
            continue
        out[own] = fit_head(("noise", "blur", "brightness"), cells.nuisance[~own], truth[~own]).logit(
            cells.nuisance[own]
        )
    return out
