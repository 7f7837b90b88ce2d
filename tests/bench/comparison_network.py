"""The shipped network's build fitted on real cells, for comparison with published work only; thrown away afterwards.

    python tests/bench/comparison_network.py                          # free panels
    python tests/bench/comparison_network.py --open-reserved-panels   # once per release, the whole set

It starts from the shipped weights (simulated cells), is fitted on some real cells and judged on others, under two
protocols: 20 random splits 75/25, as in the literature, where cells of one panel lie on both sides, and five folds of
whole panels. Published on random splits of the whole set, confidence-weighted accuracy: 82.44 % (hand-crafted features)
and 88.42 % (a far larger network), Deitsch et al. 2019, doi 10.1016/j.solener.2019.02.067; a network of 410,000
parameters 86.3 % (plain accuracy; attention condensers, 2022, abstract). Nothing here is written to disk.

The settings below were fixed before any run. Needs elinspect[train] and elpv-dataset. On one GPU the free panels took
105 s; expect hours on two CPU cores.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import onnx
import torch
from numpy.typing import NDArray
from onnx import numpy_helper
from torch import nn
from torch.nn import functional

from elinspect.classifier import shipped_model
from elinspect.classifier.contract import network_input
from elinspect.classifier.model_file import read_card
from elinspect.detectors import prepare
from elinspect.operations.cell_network import CellNetwork
from elinspect.operations.model_evaluation import decisions
from elinspect.operations.open_cells import open_panels
from elinspect.recipe import Wafer
from elinspect.statistics.operating import area_under_curve, area_within

EPOCHS = 12
RATE = 1e-3
BATCH = 64
FOLDS = 5
TEST_SHARE = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class RealCells:
    """Input of the network (-1..1 as 0..254), labels 0..1, panel number and wafer of real cells."""

    cells: NDArray[np.uint8]
    labels: NDArray[np.float64]
    panel: NDArray[np.intp]
    mono: NDArray[np.bool_]


def real_cells(with_reserved: bool) -> RealCells:
    """Cut the open data set into network input."""
    panels = open_panels(with_reserved)
    shown = [network_input(prepare(*panel.pictures())) for panel in panels]
    return RealCells(
        np.concatenate([np.round((cells + 1) * 127).astype(np.uint8) for cells in shown]),
        np.concatenate([panel.labels for panel in panels]),
        np.concatenate([np.full(len(panel.labels), number) for number, panel in enumerate(panels)]),
        np.concatenate([np.full(len(panel.labels), panel.wafer is Wafer.MONO) for panel in panels]),
    )


def start_network(file: Path) -> CellNetwork:
    """Return the shipped network as one that can be fitted: normalisation is folded into its convolutions."""
    network = CellNetwork().eval()
    order: list[nn.Conv2d] = []
    hooks = [
        module.register_forward_hook(lambda own, _given, _made: order.append(own))
        for module in network.modules()
        if isinstance(module, nn.Conv2d)
    ]
    network(torch.zeros(1, 4, 32, 32))
    for hook in hooks:
        hook.remove()
    graph = onnx.load(str(file)).graph
    values = {each.name: torch.from_numpy(numpy_helper.to_array(each).copy()) for each in graph.initializer}
    nodes = [node for node in graph.node if node.op_type == "Conv"]
    for conv, node in zip(order, nodes, strict=True):
        conv.weight = nn.Parameter(values[node.input[1]].reshape(conv.weight.shape))
        conv.bias = nn.Parameter(values[node.input[2]])
    (last,) = [node for node in graph.node if node.op_type == "Gemm"]
    network.head.weight, network.head.bias = (nn.Parameter(values[name]) for name in last.input[1:3])
    for module in list(network.modules()):
        for name, child in module.named_children():
            if isinstance(child, nn.BatchNorm2d):
                setattr(module, name, nn.Identity())
    return network


def fitted(start: CellNetwork, cells: torch.Tensor, labels: NDArray[np.float64], epochs: int, seed: int) -> CellNetwork:
    """Fit a copy of the network to labels; a doubtful label weighs less."""
    torch.manual_seed(seed)
    network = CellNetwork()
    for module in list(network.modules()):
        for name, child in module.named_children():
            if isinstance(child, nn.BatchNorm2d):
                setattr(module, name, nn.Identity())
            elif isinstance(child, nn.Conv2d) and child.bias is None:
                child.bias = nn.Parameter(torch.zeros(child.out_channels))
    network.load_state_dict(start.state_dict())
    network = network.to(cells.device).train()
    truth = torch.from_numpy(labels > 0.5).float().to(cells.device)
    weight = torch.from_numpy(confidence(labels)).float().to(cells.device)
    optimiser = torch.optim.AdamW(network.parameters(), RATE, weight_decay=0.02)
    per_epoch = -(-len(cells) // BATCH)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, epochs * per_epoch, pct_start=0.1)
    for _ in range(epochs):
        for rows in torch.randperm(len(cells), device=cells.device).split(BATCH):
            shown = disturbed(cells[rows].float() / 127 - 1)
            with torch.autocast(cells.device.type, torch.bfloat16, enabled=cells.device.type == "cuda"):
                logits = network(shown)[0][:, 0]
            loss = functional.binary_cross_entropy_with_logits(logits.float(), truth[rows], weight[rows])
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            nn.utils.clip_grad_norm_(network.parameters(), 1.0)
            optimiser.step()
            schedule.step()
    return network.eval()


def disturbed(x: torch.Tensor) -> torch.Tensor:
    """Mirror, change contrast, shift a little, add noise."""
    for axis in (2, 3):
        chosen = torch.rand(len(x), 1, 1, 1, device=x.device) < 0.5
        x = torch.where(chosen, x.flip(axis), x)
    x = x.roll(tuple(int(each) for each in torch.randint(-4, 5, (2,))), (2, 3))
    gain = torch.exp(0.15 * torch.randn(len(x), 4, 1, 1, device=x.device))
    return (x * gain + 0.03 * torch.randn(len(x), 4, 1, 1, device=x.device)).clamp(-1, 1)


def confidence(labels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the weight of a label: 1/3 and 2/3 count so much, sure ones 1."""
    return np.where(np.isclose(labels, 1 / 3), 1 / 3, np.where(np.isclose(labels, 2 / 3), 2 / 3, 1.0))


def said(network: CellNetwork, cells: torch.Tensor) -> NDArray[np.float64]:
    """Return probabilities: mean logit over the four mirrored cells."""
    total = []
    with torch.no_grad():
        for part in cells.split(256):
            shown = part.float() / 127 - 1
            flips = [shown, shown.flip(2), shown.flip(3), shown.flip((2, 3))]
            total.append(torch.sigmoid(torch.stack([network(each)[0][:, 0] for each in flips]).mean(0)).cpu())
    return torch.cat(total).numpy().astype(float)


def random_splits(count: int, splits: int) -> Iterator[NDArray[np.bool_]]:
    """Yield which cells judge, a quarter each time."""
    rng = np.random.default_rng(0)
    for _ in range(splits):
        judging = np.zeros(count, bool)
        judging[rng.permutation(count)[: round(TEST_SHARE * count)]] = True
        yield judging


def panel_folds(real: RealCells) -> Iterator[NDArray[np.bool_]]:
    """Yield which cells judge: every fifth panel of each wafer type."""
    for fold in range(FOLDS):
        judging = np.zeros(len(real.labels), bool)
        for wafer in (True, False):
            numbers = np.unique(real.panel[real.mono == wafer])
            judging |= np.isin(real.panel, numbers[fold::FOLDS])
        yield judging


def figures(scores: NDArray[np.float64], real: RealCells, rows: NDArray[np.bool_]) -> dict[str, float]:
    """Return figures of some cells."""
    truth = real.labels[rows] > 0.5
    own = scores[rows]
    return {
        **decisions(own, real.labels[rows], 0.5),
        "auc": area_under_curve(own[truth], own[~truth]),
        "auc_within": area_within(own, truth, real.panel[rows]),
    }


def show(name: str, found: list[dict[str, float]]) -> None:
    """Print means and the spread over splits."""
    cells = [f"{key} {np.mean([each[key] for each in found]):.4f}" for key in found[0]]
    weighted = [each["accuracy_weighted"] for each in found]
    print(f"{name:28s}", "  ".join(cells), f"  weighted {min(weighted):.4f} to {max(weighted):.4f}", flush=True)


def main() -> None:
    """Run both protocols."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--open-reserved-panels", action="store_true", help="whole set: once per release")
    parser.add_argument("--inputs", type=Path, help="network input made before (npz: cells, labels, panel, mono)")
    parser.add_argument("--splits", type=int, default=20)
    parser.add_argument("--epochs", type=int, default=EPOCHS)
    parser.add_argument("--network", type=Path, help="start from this .onnx instead of the shipped one")
    given = parser.parse_args()
    card = shipped_model()
    network = given.network or card.with_name(read_card(card).network)
    if given.inputs is not None:
        with np.load(given.inputs) as stored:
            real = RealCells(**stored)
    else:
        real = real_cells(given.open_reserved_panels)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    start, cells = start_network(network), torch.from_numpy(real.cells).to(device)
    everyone = np.ones(len(real.labels), bool)
    wafers = (("all", everyone), ("mono", real.mono), ("multi", ~real.mono))
    print(
        f"{len(real.labels)} cells of {len(np.unique(real.panel))} panels, {given.epochs} epochs, {device}", flush=True
    )
    by_split: dict[str, list[dict[str, float]]] = {name: [] for name, _ in wafers}
    for seed, judging in enumerate(random_splits(len(real.labels), given.splits)):
        learns = torch.from_numpy(~judging).to(device)
        network_fitted = fitted(start, cells[learns], real.labels[~judging], given.epochs, seed)
        scores = said(network_fitted, cells)
        for name, rows in wafers:
            by_split[name].append(figures(scores, real, judging & rows))
    for name, found in by_split.items():
        show(f"random 75/25, {name}", found)
    scores = np.zeros(len(real.labels))
    for seed, judging in enumerate(panel_folds(real)):
        learns = torch.from_numpy(~judging).to(device)
        network_fitted = fitted(start, cells[learns], real.labels[~judging], given.epochs, seed)
        scores[judging] = said(network_fitted, cells[torch.from_numpy(judging).to(device)])
    for name, rows in wafers:
        show(f"panels never seen, {name}", [figures(scores, real, rows)])


if __name__ == "__main__":
    main()
