"""Cells to train on: the truth lies where the picture shows it, and the same seed draws the same."""

from dataclasses import replace

import numpy as np
import pytest

from elinspect.classifier.contract import KINDS, MAP_STEP_PX, network_input
from elinspect.operations.training_set import PanelCells, SimulatedView, draw_view, panel_cells, true_findings
from elinspect.records import Finding, Kind

SEED = 2
"""Draws cracked and clean cells."""
CRACK = KINDS.index(Kind.CRACK)


@pytest.fixture(scope="module")
def drawn() -> SimulatedView:
    return draw_view(np.random.default_rng(SEED), 8)


@pytest.fixture(scope="module")
def cells(drawn: SimulatedView) -> PanelCells:
    return panel_cells(drawn)


def test_truth_has_the_shapes_of_the_input_and_contradicts_itself_nowhere(
    drawn: SimulatedView, cells: PanelCells
) -> None:
    n, _, rows, columns = cells.cells.shape
    assert cells.maps.shape == (n, len(KINDS), rows // MAP_STEP_PX, columns // MAP_STEP_PX)
    assert not (cells.labels & cells.unsure).any()
    assert cells.maps.any(axis=(2, 3)).tolist() == (cells.labels | cells.unsure)[:, 1:].tolist()
    # Both classes from one panel, so that its style tells nothing.
    assert 0 < cells.labels[:, 0].sum() < n
    assert cells.cells.astype(np.float32) / 127 - 1 == pytest.approx(network_input(drawn.view), abs=0.5 / 127 + 1e-6)


def test_places_with_a_crack_are_darker_than_the_rest_of_their_cell(cells: PanelCells) -> None:
    darkest = cells.cells[:, 3].astype(float)
    rows, columns = cells.maps.shape[2:]
    by_place = darkest.reshape(len(darkest), rows, MAP_STEP_PX, columns, MAP_STEP_PX).min(axis=(2, 4))
    cracked = np.flatnonzero(cells.labels[:, 1 + CRACK])
    assert len(cracked) > 0
    for cell in cracked:
        there = cells.maps[cell, CRACK]
        assert by_place[cell][there].mean() < by_place[cell][~there].mean() - 5


def test_the_same_seed_draws_the_same_cells_and_another_one_others(cells: PanelCells) -> None:
    again = panel_cells(draw_view(np.random.default_rng(SEED), 8))
    other = panel_cells(draw_view(np.random.default_rng(SEED + 1), 8))
    assert np.array_equal(again.cells, cells.cells)
    assert np.array_equal(again.maps, cells.maps)
    assert np.array_equal(again.labels, cells.labels)
    assert other.cells.shape != cells.cells.shape or not np.array_equal(other.cells, cells.cells)


def test_a_finding_is_true_on_its_crack_and_false_beside_it(drawn: SimulatedView, cells: PanelCells) -> None:
    picture = np.array(drawn.view.pictures.full_current.shape[1:])
    step = picture / np.array(cells.maps.shape[2:])
    cell = int(np.flatnonzero(cells.labels[:, 1 + CRACK])[0])
    breaks = cells.maps[cell, [CRACK, KINDS.index(Kind.INACTIVE_AREA)]].any(axis=0)
    places = np.argwhere(cells.maps[cell, CRACK])
    on = (places[[0, 0]] + 0.5) * step - 0.5
    far = np.argwhere(~breaks)
    away = far[np.abs(far[:, None] - np.argwhere(breaks)).max(axis=2).min(axis=1).argmax()]
    crack = Finding(Kind.CRACK, cell, 0.9, on)
    beside = replace(crack, outline=(away[None].repeat(2, 0) + 0.5) * step - 0.5)
    other_name = replace(crack, kind=Kind.INACTIVE_AREA)
    finger = replace(crack, kind=Kind.FINGER_INTERRUPTION)
    told = true_findings(drawn, cells, [crack, beside, other_name])
    assert told.tolist() == [True, False, True]
    no_fingers = replace(cells, maps=cells.maps & (np.arange(len(KINDS)) == CRACK)[None, :, None, None])
    assert true_findings(drawn, no_fingers, [finger]).tolist() == [False]
