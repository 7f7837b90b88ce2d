"""How well a model does on real cells it never learnt from: two protocols, intervals, a nuisance baseline."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from functools import partial

import numpy as np
from numpy.typing import NDArray

from elinspect.classifier import Model
from elinspect.classifier.heads import calibration_error, columns, fit_head
from elinspect.classifier.scoring import cell_evidence, run_network
from elinspect.detectors import detect_all, prepare
from elinspect.operations.open_cells import OpenPanel, is_reserved
from elinspect.recipe import Wafer
from elinspect.settings import DetectorSettings
from elinspect.statistics.operating import area_under_curve, area_within, interval_over_groups
from elinspect.vision import cv2

RANDOM_SPLITS = 20
_TEST_SHARE = 0.25
_DEFECTIVE = 0.5
Interval = tuple[float, float]
_FigureOf = Callable[[NDArray[np.intp], float], float]
"""A figure of some rows of cells, called defective from a score on."""


@dataclass(frozen=True, slots=True, eq=False)
class JudgedCells:
    """Scores of all cells of some panels beside their labels.

    Attributes
    ----------
    scores : ndarray, shape (n,)
        Defect score of the model.
    network, detectors : ndarray, shape (n,)
        Logit of the network alone; largest logit of the detectors, as the model's head gets it.
    cracks : ndarray, shape (n,)
        Logits of the crack detector and of the network's output for cracks, added with the shares of the model's head.
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
    network: NDArray[np.float64]
    detectors: NDArray[np.float64]
    cracks: NDArray[np.float64]
    labels: NDArray[np.float64]
    panel: NDArray[np.intp]
    mono: NDArray[np.bool_]
    nuisance: NDArray[np.float64]

    def of(self, rows: NDArray[np.bool_]) -> "JudgedCells":
        """Return some of the cells."""
        return JudgedCells(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure under both protocols.

    Attributes
    ----------
    name : str
        What it is.
    value, interval : float and pair of float
        On all cells, with its 95 % interval, whole panels drawn again.
    mean, spread : float and pair of float
        Over random splits, and the smallest and largest of them; nan where a split says nothing.
    """

    name: str
    value: float
    interval: Interval
    mean: float
    spread: Interval


@dataclass(frozen=True, slots=True)
class EvaluationTable:
    """Figures of one wafer type (None: both)."""

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
        parts.append(_judged(model, panel, number))
        if progress is not None:
            progress()
    return JudgedCells(*(np.concatenate([getattr(part, each.name) for part in parts]) for each in fields(JudgedCells)))


def _judged(model: Model, panel: OpenPanel, number: int) -> JudgedCells:
    view = prepare(*panel.pictures())
    evidence = cell_evidence(run_network(model, view), detect_all(view, DetectorSettings()))
    head = model.card.cell_head.head()
    n = len(panel.labels)
    share = head.weights[head.names.index("network.any")] / head.weights[head.names.index("detector.strongest")]
    return JudgedCells(
        head.probability(columns(head.names, evidence)),
        evidence["network.any"], evidence["detector.strongest"],
        evidence["detector.crack"] + share * evidence["network.crack"],
        panel.labels, np.full(n, number), np.full(n, panel.wafer is Wafer.MONO), _nuisance(panel.crops, view.noise),
    )  # fmt: skip


def reserved_among(cells: JudgedCells, panels: Sequence[OpenPanel]) -> JudgedCells | None:
    """Return the cells of reserved panels, which chose nothing; None where there are none."""
    reserved = np.array([is_reserved(panel.first) for panel in panels])
    return cells.of(reserved[cells.panel]) if reserved.any() else None


def evaluate(cells: JudgedCells, seed: int = 0) -> tuple[EvaluationTable, ...]:
    """Return figures of both wafer types, of mono and of multi, under two protocols side by side.

    By panels: whole panels drawn again. At random, as in the literature: 20 splits, the threshold from 75 % of the
    cells, figures from the other 25 %. Neighbouring cells of one panel then fall on both sides, so that these figures
    are too good; they are here to be set beside published ones (Deitsch et al. 2019, doi
    10.1016/j.solener.2019.02.067).
    """
    rng = np.random.default_rng(seed)
    kinds = [(None, np.ones(len(cells.mono), bool)), (Wafer.MONO, cells.mono), (Wafer.MULTI, ~cells.mono)]
    return tuple(_table(wafer, cells.of(rows), rng) for wafer, rows in kinds if rows.any())


def _table(wafer: Wafer | None, cells: JudgedCells, rng: np.random.Generator) -> EvaluationTable:
    every = np.arange(len(cells.labels))
    splits = _random_splits(cells, rng)
    figures = []
    for name, figure in _figures(cells).items():
        found = [figure(test, threshold) for test, threshold in splits]
        whole = partial(_undecided, figure)
        interval = interval_over_groups(whole, cells.panel, rng, draws=400)
        spread = (float(np.min(found)), float(np.max(found)))
        figures.append(Figure(name, whole(every), interval, float(np.mean(found)), spread))
    defective = int((cells.labels > _DEFECTIVE).sum())
    return EvaluationTable(wafer, len(cells.labels), defective, len(np.unique(cells.panel)), tuple(figures))


def _undecided(figure: _FigureOf, rows: NDArray[np.intp]) -> float:
    return figure(rows, _DEFECTIVE)


def _random_splits(cells: JudgedCells, rng: np.random.Generator) -> list[tuple[NDArray[np.intp], float]]:
    """Return the cells that judge, a quarter each time, and the threshold that was best for the others."""
    splits = []
    for _ in range(RANDOM_SPLITS):
        order = rng.permutation(len(cells.labels))
        test, other = np.split(order, [round(_TEST_SHARE * len(order))])
        splits.append((test, _best_threshold(cells.scores[other], cells.labels[other])))
    return splits


def _figures(cells: JudgedCells) -> dict[str, _FigureOf]:
    """Return each figure as a function of row numbers and of the score from which a cell is called defective."""
    truth = cells.labels > _DEFECTIVE
    sure = (cells.labels > 0.9) | (cells.labels < 0.1)
    nuisance = _cross_fitted(cells)

    def area(scores: NDArray[np.float64], among: NDArray[np.bool_]) -> _FigureOf:
        def of(rows: NDArray[np.intp], _threshold: float) -> float:
            chosen = rows[among[rows]]
            return area_under_curve(scores[chosen][truth[chosen]], scores[chosen][~truth[chosen]])

        return of

    def within(scores: NDArray[np.float64]) -> _FigureOf:
        return lambda rows, _threshold: area_within(scores[rows], truth[rows], cells.panel[rows])

    def decided(name: str) -> _FigureOf:
        return lambda rows, threshold: decisions(cells.scores[rows], cells.labels[rows], threshold)[name]

    everyone = np.ones(len(truth), bool)
    return {
        "auc": area(cells.scores, everyone),
        "auc_sure": area(cells.scores, sure),
        "auc_within": within(cells.scores),
        "auc_cracks": area(cells.cracks, everyone),
        "auc_network": area(cells.network, everyone),
        "auc_detectors": area(cells.detectors, everyone),
        "auc_detectors_within": within(cells.detectors),
        "auc_nuisance": area(nuisance, everyone),
        "auc_nuisance_within": within(nuisance),
        **{name: decided(name) for name in ("accuracy", "accuracy_weighted", "accuracy_balanced", "f1")},
        "calibration_error": lambda rows, _threshold: calibration_error(cells.scores[rows], truth[rows]),
    }


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
