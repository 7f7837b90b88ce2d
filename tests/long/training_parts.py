"""Parts of the training that need torch: disturbances keep truth and range, seeds, sampling, the written network.

    pytest tests/long/training_parts.py

Needs elinspect[train]; about half a minute. `tiny_training.py` runs the whole of it.
"""

from collections import Counter

import numpy as np
import onnxruntime
import pytest
import torch

from elinspect.classifier.contract import CHANNELS, KINDS, MAP_STEP_PX, OWN_LEVEL
from elinspect.operations import network_training
from elinspect.operations.cell_network import CellNetwork, onnx_bytes
from elinspect.operations.disturbances import disturbed
from elinspect.operations.network_training import TrainingSettings, train
from elinspect.operations.training_set import PanelCells

SIDE = 96
LIT = round((OWN_LEVEL + 1) * 127)


def marked_cells(n: int, seed: int = 0, shape: tuple[int, int] = (SIDE, SIDE)) -> PanelCells:
    """Even cells, each with one black square that the first map marks."""
    rng = np.random.default_rng(seed)
    cells = np.full((n, CHANNELS, *shape), 127, np.uint8)
    cells[:, 0] = LIT
    maps = np.zeros((n, len(KINDS), shape[0] // MAP_STEP_PX, shape[1] // MAP_STEP_PX), bool)
    for number in range(n):
        row, column = (int(rng.integers(4, size // MAP_STEP_PX - 10)) for size in shape)
        maps[number, 0, row : row + 6, column : column + 6] = True
        side = (
            slice(MAP_STEP_PX * row, MAP_STEP_PX * (row + 6)),
            slice(MAP_STEP_PX * column, MAP_STEP_PX * (column + 6)),
        )
        cells[number, :, *side] = 0
    labels = np.zeros((n, 1 + len(KINDS)), bool)
    labels[:, :2] = True
    return PanelCells(cells, maps, labels, np.zeros_like(labels))


def shown(seed: int, n: int = 64) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Disturb marked cells."""
    drawn = marked_cells(n)
    rng = torch.Generator().manual_seed(seed)
    return disturbed(torch.from_numpy(drawn.cells), torch.from_numpy(drawn.maps), rng)


def test_marks_stay_on_what_they_mark() -> None:
    cells, maps, blotched = shown(0)
    by_place = torch.nn.functional.avg_pool2d(cells[:, 0], MAP_STEP_PX)
    inside = maps[:, 0].flatten(1)
    assert inside.any(1).all()
    light = by_place.flatten(1)
    dark = (light * inside).sum(1) / inside.sum(1)
    rest = (light * ~inside).sum(1) / (~inside).sum(1)
    assert (dark[~blotched] < rest[~blotched] - 0.5).all()
    # They do move: mirrored cells and moved ones are not where they were.
    assert not torch.equal(maps, torch.from_numpy(marked_cells(64).maps))


def test_cells_stay_in_range_and_only_blotched_ones_are_called_so() -> None:
    cells, _, blotched = shown(1, 256)
    assert cells.shape == (256, CHANNELS, SIDE, SIDE)
    assert torch.isfinite(cells).all()
    assert cells.abs().max() <= 1
    # Six in a hundred: between 5 and 28 of 256 but for one run in 10,000.
    assert 5 <= int(blotched.sum()) <= 28


def test_the_seed_alone_draws_the_disturbances() -> None:
    torch.manual_seed(1)
    first = shown(7)[0]
    torch.manual_seed(2)
    assert torch.equal(shown(7)[0], first)
    assert not torch.equal(shown(8)[0], first)


def trained(seed: int, panels: list[PanelCells], steps: int = 6) -> CellNetwork:
    """Train for a few batches."""
    return train(panels, TrainingSettings(steps=steps, batch=8, teachers=0, seed=seed), devices=["cpu"])


def test_the_same_seed_trains_the_same_network_and_another_one_another() -> None:
    panels = [marked_cells(16, 1), marked_cells(16, 2)]
    first, again, other = (trained(seed, panels).state_dict() for seed in (3, 3, 4))
    assert all(torch.equal(first[name], again[name]) for name in first)
    assert not torch.equal(first["head.weight"], other["head.weight"])


def test_every_cell_is_as_likely_whatever_its_shape(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: Counter[tuple[int, ...]] = Counter()

    def counted(*given: object) -> torch.Tensor:
        asked[tuple(given[1].cells.shape[2:])] += 1  # type: ignore[attr-defined]
        return next(given[0].parameters()).sum() * 0  # type: ignore[attr-defined]

    monkeypatch.setattr(network_training, "_batch_loss", counted)
    trained(0, [marked_cells(48, 1), marked_cells(16, 2, (SIDE, 112))], 400)
    # Three in four, give or take four standard deviations of 0.022.
    assert asked[SIDE, SIDE] / 400 == pytest.approx(0.75, abs=0.09)


def test_unsure_cells_teach_neither_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        network_training, "disturbed", lambda cells, maps, _: (cells.float() / 127 - 1, maps, maps[:, 0, 0, 0])
    )
    panel = marked_cells(16, 1)
    unsure = np.ones_like(panel.labels)
    silent, sure = (
        PanelCells(panel.cells, panel.maps, labels, unsure) for labels in (panel.labels, np.zeros_like(panel.labels))
    )
    first, second = (trained(5, [each]).state_dict() for each in (silent, sure))
    assert all(torch.equal(first[name], second[name]) for name in first)


@pytest.mark.filterwarnings("ignore:You are using the legacy:DeprecationWarning")
@pytest.mark.parametrize("shape", [(1, 160, 160), (3, 96, 192)])
def test_the_written_network_says_what_the_trained_one_says(shape: tuple[int, int, int]) -> None:
    network = trained(1, [marked_cells(16, 1)])
    cells = np.random.default_rng(0).uniform(-1, 1, (shape[0], CHANNELS, *shape[1:])).astype(np.float32)
    session = onnxruntime.InferenceSession(onnx_bytes(network), providers=["CPUExecutionProvider"])
    with torch.no_grad():
        meant = network(torch.from_numpy(cells))
    for written, own in zip(session.run(["logits", "features", "maps"], {"cells": cells}), meant, strict=True):
        assert written == pytest.approx(own.numpy(), abs=1e-3)
