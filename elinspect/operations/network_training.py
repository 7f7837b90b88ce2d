"""Train the network on simulated cells and write it as a model file; needs the extra ``train`` (torch, onnx).

The only place that imports torch. Everything random comes from one seed; on one machine the same command gives the
same file up to the arithmetic of the device.
"""

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from elinspect.classifier.contract import KINDS
from elinspect.operations.training_set import PanelCells


@dataclass(frozen=True, slots=True)
class TrainingSettings:
    """How the network is trained.

    Attributes
    ----------
    steps : int
        Batches.
    batch : int
        Cells per batch.
    rate : float
        Highest learning rate; it rises over the first twentieth and falls to zero along a cosine.
    map_weight : float
        Weight of the maps beside the labels of the cells.
    average : float
        Share of the old weights kept at each step in the running average that is written.
    seed : int
        Of weights, batches and disturbances.
    """

    steps: int = 6000
    batch: int = 256
    rate: float = 2e-3
    map_weight: float = 1.0
    average: float = 0.998
    seed: int = 0


def _layer(n_in: int, n_out: int, size: int = 3, stride: int = 1, groups: int = 1) -> nn.Sequential:
    conv = nn.Conv2d(n_in, n_out, size, stride, size // 2, groups=groups, bias=False)
    return nn.Sequential(conv, nn.BatchNorm2d(n_out), nn.ReLU(inplace=True))


class _Block(nn.Module):
    """Residual block: widen, filter each channel, narrow."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.inner = nn.Sequential(_layer(width, 2 * width, 1), _layer(2 * width, 2 * width, 3, groups=2 * width))
        self.outer = nn.Sequential(nn.Conv2d(2 * width, width, 1, bias=False), nn.BatchNorm2d(width))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Return the filtered cells, same shape."""
        return functional.relu(x + self.outer(self.inner(x)))


class CellNetwork(nn.Module):
    """The network; sizes chosen for 72 cells in 150 ms on two cores."""

    def __init__(self, widths: Sequence[int] = (16, 36, 72, 112), blocks: Sequence[int] = (1, 2, 3)) -> None:
        super().__init__()
        stem, first, second, third = widths
        kinds = len(KINDS)
        self.first = nn.Sequential(
            _layer(3, stem, 3, 2), _layer(stem, first, 3, 2), *(_Block(first) for _ in range(blocks[0]))
        )
        self.second = nn.Sequential(_layer(first, second, 3, 2), *(_Block(second) for _ in range(blocks[1])))
        self.third = nn.Sequential(_layer(second, third, 3, 2), *(_Block(third) for _ in range(blocks[2])))
        self.from_third = nn.Conv2d(third, second, 1)
        self.from_second = nn.Conv2d(second, first, 1)
        self.map = nn.Sequential(_layer(first, first), nn.Conv2d(first, kinds, 1))
        self.head = nn.Linear(third + 2 * kinds, 1 + kinds)

    def forward(self, cells: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Return logits of the cells, features, and maps of logits."""
        first = self.first(cells)
        second = self.second(first)
        third = self.third(second)
        middle = functional.relu(second + functional.interpolate(self.from_third(third), scale_factor=2.0))
        fine = functional.relu(first + functional.interpolate(self.from_second(middle), scale_factor=2.0))
        maps = self.map(fine)
        features = torch.cat([third.mean((2, 3)), maps.amax((2, 3)), maps.mean((2, 3))], 1)
        return self.head(features), features, maps


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """All cells of one shape, on the device."""

    cells: torch.Tensor
    maps: torch.Tensor
    labels: torch.Tensor
    sure: torch.Tensor


def _grouped(panels: Sequence[PanelCells], device: torch.device) -> list[_Group]:
    shapes = sorted({panel.cells.shape[2:] for panel in panels})
    groups = []
    for shape in shapes:
        own = [panel for panel in panels if panel.cells.shape[2:] == shape]

        def stacked(name: str, own: Sequence[PanelCells] = own) -> torch.Tensor:
            return torch.from_numpy(np.concatenate([getattr(panel, name) for panel in own])).to(device)

        groups.append(_Group(stacked("cells"), stacked("maps"), stacked("labels"), ~stacked("unsure")))
    return groups


def _disturbed(cells: torch.Tensor, maps: torch.Tensor, rng: torch.Generator) -> tuple[torch.Tensor, torch.Tensor]:
    """Mirror, shift, change contrast, add noise; now and then leave the panel's typical cell out."""
    n, device = len(cells), cells.device
    x = cells.float() / 127 - 1
    flips = torch.rand((n, 2), generator=rng, device=device) < 0.5
    for axis in (0, 1):
        chosen = flips[:, axis]
        x = torch.where(chosen[:, None, None, None], x.flip(2 + axis), x)
        maps = torch.where(chosen[:, None, None, None], maps.flip(2 + axis), maps)
    gain = torch.exp(0.25 * torch.randn((n, 1, 1, 1), generator=rng, device=device))
    lift = 0.05 * torch.randn((n, 1, 1, 1), generator=rng, device=device)
    top = 0.613  # the cell's own level: 0 of the logarithm in channel units
    light = (top + (x[:, :2] - top) * gain + lift).clamp(-1, 1)
    noise = 0.02 * torch.rand((n, 1, 1, 1), generator=rng, device=device)
    light = torch.cat(
        [light[:, :1] + noise * torch.randn(light[:, :1].shape, generator=rng, device=device), light[:, 1:]], 1
    )
    no_typical = torch.rand((n, 1, 1), generator=rng, device=device) < 0.1
    light[:, 1] = torch.where(no_typical, torch.full_like(light[:, 1], top), light[:, 1])
    fine_gain = torch.exp(0.2 * torch.randn((n, 1, 1, 1), generator=rng, device=device))
    fine = (x[:, 2:] * fine_gain + 0.05 * torch.randn(x[:, 2:].shape, generator=rng, device=device)).clamp(-1, 1)
    return torch.cat([light, fine], 1), maps


def _loss(
    outputs: tuple[torch.Tensor, torch.Tensor, torch.Tensor],
    maps: torch.Tensor,
    labels: torch.Tensor,
    sure: torch.Tensor,
    map_weight: float,
) -> torch.Tensor:
    logits, _, drawn = outputs
    by_cell = functional.binary_cross_entropy_with_logits(logits, labels.float(), reduction="none")
    by_place = functional.binary_cross_entropy_with_logits(
        drawn, maps.float(), reduction="none", pos_weight=drawn.new_full((), 4.0)
    )
    place_sure = sure[:, 1:, None, None].float()
    return (by_cell * sure.float()).mean() + map_weight * 5 * (by_place * place_sure).mean()


def train(
    panels: Sequence[PanelCells],
    settings: TrainingSettings,
    progress: Callable[[int, float], object] | None = None,
    device: str | None = None,
) -> CellNetwork:
    """Train a network on simulated cells."""
    place = torch.device(device or ("cuda" if torch.cuda.is_available() else "cpu"))
    torch.manual_seed(settings.seed)
    rng = torch.Generator(device=place).manual_seed(settings.seed)
    groups = _grouped(panels, place)
    weights = torch.tensor([float(len(group.cells)) for group in groups])
    torch.backends.cudnn.benchmark = True
    network = CellNetwork().to(place, memory_format=torch.channels_last)
    averaged = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(settings.average), use_buffers=True
    )
    optimiser = torch.optim.AdamW(network.parameters(), settings.rate, weight_decay=0.02, fused=place.type == "cuda")
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, settings.rate, settings.steps, pct_start=0.05)
    picks = torch.multinomial(
        weights, settings.steps, replacement=True, generator=torch.Generator().manual_seed(settings.seed)
    )
    network.train()
    for step, pick in enumerate(picks.tolist()):
        group = groups[pick]
        chosen = torch.randint(len(group.cells), (settings.batch,), generator=rng, device=place)
        cells, maps = _disturbed(group.cells[chosen], group.maps[chosen], rng)
        with torch.autocast(place.type, torch.bfloat16, enabled=place.type == "cuda"):
            outputs = network(cells.to(memory_format=torch.channels_last))
        loss = _loss(
            tuple(part.float() for part in outputs), maps, group.labels[chosen], group.sure[chosen], settings.map_weight
        )
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        schedule.step()
        averaged.update_parameters(network)
        if progress is not None and step % 50 == 0:
            progress(step, float(loss.detach()))
    return averaged.module.to("cpu", memory_format=torch.contiguous_format).eval()


def onnx_bytes(network: CellNetwork, shape: tuple[int, int] = (208, 208)) -> bytes:
    """Return the network as an ONNX file; any number of cells, any multiple of 16 as sides."""
    buffer = io.BytesIO()
    axes = {0: "cells", 2: "rows", 3: "columns"}
    torch.onnx.export(
        network.eval(),
        (torch.zeros(1, 3, *shape),),
        buffer,
        input_names=["cells"],
        output_names=["logits", "features", "maps"],
        dynamic_axes={"cells": axes, "maps": axes, "logits": {0: "cells"}, "features": {0: "cells"}},
        dynamo=False,
    )
    return buffer.getvalue()
