"""The shipped network's build fitted on real cells, for comparison with published work only; thrown away afterwards.

    python tests/bench/comparison_network.py                          # free panels
    python tests/bench/comparison_network.py --open-reserved-panels   # once per release, the whole set

It starts from the shipped weights (simulated cells), is fitted on some real cells and judged on others, under two
protocols: 20 random splits 75/25, as in the literature, where cells of one panel lie on both sides, and five folds of
whole panels. Published on random splits of the whole set, confidence-weighted accuracy: 82.44 % (hand-crafted features)
and 88.42 % (a far larger network), Deitsch et al. 2019, doi 10.1016/j.solener.2019.02.067; a network of 410,000
parameters 86.3 % (plain accuracy; attention condensers, 2022, abstract). Nothing here is written to disk.

Settings were chosen on the free panels: 12 epochs without a running average gave 0.8779 there, 30 with one 0.8897
(confidence-weighted, random splits). Needs elinspect[train] and elpv-dataset. On one GPU 12 epochs on the free panels
took 105 s, one fit after the other; expect hours on two CPU cores.
"""

import argparse
import multiprocessing
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

EPOCHS = 30
RATE = 1e-3
AVERAGE = 0.99
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


@dataclass(frozen=True, slots=True)
class Fit:
    """How the network is fitted.

    Attributes
    ----------
    network : Path
        Where it starts from (.onnx).
    epochs : int
        How often each cell is shown.
    average : float
        Share of the old weights kept at each step in the running average that judges; 0: the last weights judge.
    """

    network: Path
    epochs: int
    average: float


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


def fitted(
    start: CellNetwork, cells: torch.Tensor, labels: NDArray[np.float64], how: Fit, seed: int
) -> torch.nn.Module:
    """Fit the network to labels; a doubtful label weighs less."""
    torch.manual_seed(seed)
    network = start.to(cells.device).train()
    averaged = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(how.average)
    )
    truth = torch.from_numpy(labels > 0.5).float().to(cells.device)
    weight = torch.from_numpy(confidence(labels)).float().to(cells.device)
    optimiser = torch.optim.AdamW(network.parameters(), RATE, weight_decay=0.02)
    per_epoch = -(-len(cells) // BATCH)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, how.epochs * per_epoch, pct_start=0.1)
    for _ in range(how.epochs):
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
            averaged.update_parameters(network)
    return averaged.module.eval()


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


def said(network: torch.nn.Module, cells: torch.Tensor) -> NDArray[np.float64]:
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


_of_worker: list[tuple[RealCells, Fit]] = []
"""What every fit of a process needs: sent once, as the cells take a quarter of a gigabyte."""


def _begin(real: RealCells, how: Fit) -> None:
    _of_worker.append((real, how))


def scores_of(job: tuple[NDArray[np.bool_], int]) -> NDArray[np.float64]:
    """Fit on all cells but those that judge and return the probabilities of all cells."""
    judging, seed = job
    ((real, how),) = _of_worker
    cells = torch.from_numpy(real.cells).to("cuda" if torch.cuda.is_available() else "cpu")
    learns = torch.from_numpy(~judging).to(cells.device)
    network = fitted(start_network(how.network), cells[learns], real.labels[~judging], how, seed)
    return said(network, cells)


def main() -> None:
    """Run both protocols."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--open-reserved-panels", action="store_true", help="whole set: once per release")
    parser.add_argument("--splits", type=int, default=20)
    parser.add_argument("--epochs", type=int, default=EPOCHS)
    parser.add_argument("--average", type=float, default=AVERAGE, help="0..1, of the weights that judge; 0: none")
    parser.add_argument("--network", type=Path, help="start from this .onnx instead of the shipped one")
    parser.add_argument("--workers", type=int, default=1, help="fits at a time")
    given = parser.parse_args()
    card = shipped_model()
    how = Fit(given.network or card.with_name(read_card(card).network), given.epochs, given.average)
    real = real_cells(given.open_reserved_panels)
    print(f"{len(real.labels)} cells of {len(np.unique(real.panel))} panels, {how}", flush=True)
    splits, folds = list(random_splits(len(real.labels), given.splits)), list(panel_folds(real))
    jobs = [*zip(splits, range(given.splits), strict=True), *zip(folds, range(FOLDS), strict=True)]
    with multiprocessing.get_context("spawn").Pool(given.workers, _begin, (real, how)) as pool:
        found = []
        for (judging, _), scores in zip(jobs, pool.imap(scores_of, jobs), strict=True):
            weighted = decisions(scores[judging], real.labels[judging], 0.5)["accuracy_weighted"]
            found.append(scores)
            print(f"fit {len(found)} of {len(jobs)}: {judging.sum()} cells, weighted {weighted:.4f}", flush=True)
    everyone = np.ones(len(real.labels), bool)
    unseen = np.select(folds, found[given.splits :])
    for name, rows in (("all", everyone), ("mono", real.mono), ("multi", ~real.mono)):
        judged = zip(found, splits, strict=False)
        show(f"random 75/25, {name}", [figures(scores, real, judging & rows) for scores, judging in judged])
        show(f"panels never seen, {name}", [figures(unseen, real, rows)])


if __name__ == "__main__":
    main()
