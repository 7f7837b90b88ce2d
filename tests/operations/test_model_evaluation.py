"""Figures of a model on labelled cells, on cells whose figures can be told by hand."""

from collections.abc import Callable

import numpy as np
import pytest
from drawn_cells import clean_cell, with_line

from elinspect.classifier import load_model, shipped_model
from elinspect.operations.model_evaluation import (
    EvaluationTable,
    Figure,
    JudgedCells,
    decisions,
    evaluate,
    judge_open_cells,
    reserved_among,
)
from elinspect.operations.open_cells import OpenPanel
from elinspect.recipe import Wafer


def cells_of(scores: np.ndarray, labels: np.ndarray, panel: np.ndarray, mono: np.ndarray | None = None) -> JudgedCells:
    """Judge cells with given scores; the nuisance says nothing."""
    rng = np.random.default_rng(0)
    return JudgedCells(
        scores, rng.normal(size=len(scores)), rng.normal(size=len(scores)), scores, labels, panel,
        np.ones(len(scores), bool) if mono is None else mono, rng.normal(size=(len(scores), 3)),
    )  # fmt: skip


def figure(tables: tuple[EvaluationTable, ...], name: str, table: int = 0) -> Figure:
    """Return one figure of a table."""
    (found,) = [each for each in tables[table].figures if each.name == name]
    return found


@pytest.fixture(scope="module")
def shifted() -> tuple[EvaluationTable, ...]:
    """Six panels of 40 cells: order perfect within each, but every second panel lies 0.4 lower."""
    panel = np.repeat(np.arange(6), 40)
    labels = np.tile(np.repeat([0.0, 1.0], 20), 6)
    scores = np.where(labels > 0.5, 0.75, 0.55) - 0.4 * (panel % 2)
    return evaluate(cells_of(scores, labels, panel, panel < 4))


def test_pooled_and_within_panels_are_told_apart(shifted: tuple[EvaluationTable, ...]) -> None:
    assert [(table.wafer, table.cells, table.defective, table.panels) for table in shifted] == [
        (None, 240, 120, 6), (Wafer.MONO, 160, 80, 4), (Wafer.MULTI, 80, 40, 2)
    ]  # fmt: skip
    # A defective cell of a low panel, 0.35, lies below a good one of a high panel, 0.55: one pair in four.
    assert figure(shifted, "auc").value == pytest.approx(0.75)
    assert figure(shifted, "auc_within").value == 1
    assert figure(shifted, "auc_within").interval == (1, 1)
    low, high = figure(shifted, "auc").interval
    # Panels all high or all low would give 1, half of each 0.75; single cells drawn again could not come near 1.
    assert low == pytest.approx(0.75, abs=0.01)
    assert high > 0.9
    assert figure(shifted, "auc_cracks").value == pytest.approx(0.75)
    assert figure(shifted, "auc_nuisance").value == pytest.approx(0.5, abs=0.12)


def test_at_random_the_threshold_comes_from_the_other_cells() -> None:
    labels = np.tile([0.0, 1.0], 100)
    tables = evaluate(cells_of(np.where(labels > 0.5, 0.3, 0.1), labels, np.repeat(np.arange(5), 40)))
    # At 0.5 every cell is called good; a threshold between 0.1 and 0.3 is right about all.
    assert figure(tables, "accuracy").value == 0.5
    assert figure(tables, "accuracy").mean == 1
    assert figure(tables, "accuracy").spread == (1, 1)
    # 0.1 is said of cells that are good, 0.3 of defective ones.
    assert figure(tables, "calibration_error").value == pytest.approx(0.5 * 0.1 + 0.5 * 0.7)


def test_twenty_splits_of_a_quarter_differ() -> None:
    rng = np.random.default_rng(3)
    labels = (rng.random(400) < 0.3).astype(float)
    scores = np.clip(0.5 * labels + rng.normal(0.25, 0.2, 400), 0, 1)
    found = figure(evaluate(cells_of(scores, labels, np.repeat(np.arange(8), 50))), "accuracy")
    low, high = found.spread
    assert low < found.mean < high
    # A share of 100 cells: steps of 0.01.
    assert round(100 * low) == pytest.approx(100 * low)
    again = figure(evaluate(cells_of(scores, labels, np.repeat(np.arange(8), 50))), "accuracy")
    assert again == found


def test_reserved_panels_are_told_apart() -> None:
    none = np.zeros((0, 300, 300), np.uint8)
    panels = [OpenPanel(first, first + 1, Wafer.MONO, np.zeros(2), none) for first in (1, 241, 301, 361)]
    cells = cells_of(np.arange(8.0), np.zeros(8), np.repeat(np.arange(4), 2))
    found = reserved_among(cells, panels)
    assert found is not None
    # Cells 241 to 360 are reserved.
    assert found.scores.tolist() == [2, 3, 4, 5]
    assert found.panel.tolist() == [1, 1, 2, 2]
    assert reserved_among(cells.of(cells.panel == 0), panels[:1]) is None


def test_decisions_by_hand() -> None:
    scores, labels = np.array([0.9, 0.9, 0.1, 0.1, 0.9]), np.array([1.0, 2 / 3, 0.0, 1.0, 1 / 3])
    found = decisions(scores, labels, 0.5)
    assert found["accuracy"] == pytest.approx(3 / 5)
    # Weights 1, 2/3, 1, 1, 1/3, as in Deitsch et al. 2019: right are the first three.
    assert found["accuracy_weighted"] == pytest.approx((1 + 2 / 3 + 1) / 4)
    assert found["accuracy_balanced"] == pytest.approx((2 / 3 + 1 / 2) / 2)
    # Two hits, one false alarm, one miss.
    assert found["f1"] == pytest.approx(2 * 2 / (2 * 2 + 1 + 1))


def test_cells_stay_beside_their_labels() -> None:
    def crop(seed: int, draw: Callable[[np.ndarray], np.ndarray] = lambda cell: cell) -> np.ndarray:
        cell = draw(clean_cell(np.random.default_rng(seed)))
        return np.clip(150 * cell / np.median(cell), 0, 255).astype(np.uint8)

    crops = [crop(seed) for seed in range(6)]
    crops[4] = crop(4, lambda cell: with_line(cell, [(60, 60), (140, 200), (230, 240)], contrast=0.5, width_px=3))
    labels = np.array([0, 0, 0, 0, 1, 0.0])
    panels = [
        OpenPanel(1, 6, Wafer.MONO, np.zeros(6), np.stack([crop(seed) for seed in range(10, 16)])),
        OpenPanel(7, 12, Wafer.MULTI, labels, np.stack(crops)),
    ]
    told: list[int] = []
    judged = judge_open_cells(load_model(shipped_model()), panels, lambda: told.append(1))
    assert len(told) == 2
    assert judged.panel.tolist() == [0] * 6 + [1] * 6
    assert judged.mono.tolist() == [True] * 6 + [False] * 6
    for scores in (judged.scores, judged.detectors, judged.cracks):
        assert scores.argmax() == 10
    assert judged.nuisance.shape == (12, 3)
