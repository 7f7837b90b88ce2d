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

from elinspect.classifier.contract import CHANNELS, KINDS, OWN_LEVEL
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

    steps: int = 9000
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

    def __init__(self, widths: Sequence[int] = (16, 32, 64, 128), blocks: Sequence[int] = (1, 2, 3)) -> None:
        super().__init__()
        stem, first, second, third = widths
        kinds = len(KINDS)
        self.first = nn.Sequential(
            _layer(CHANNELS, stem, 3, 2), _layer(stem, first, 3, 2), *(_Block(first) for _ in range(blocks[0]))
        )
        self.second = nn.Sequential(_layer(first, second, 3, 2), *(_Block(second) for _ in range(blocks[1])))
        self.third = nn.Sequential(_layer(second, third, 3, 2), *(_Block(third) for _ in range(blocks[2])))
        self.from_third = nn.Conv2d(third, second, 1)
        self.from_second = nn.Conv2d(second, first, 1)
        # One filter per channel: a full one at this scale would cost as much as the whole third stage.
        self.map = nn.Sequential(_layer(first, first, groups=first), nn.Conv2d(first, kinds, 1))
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


def _disturbed(
    cells: torch.Tensor, maps: torch.Tensor, rng: torch.Generator
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Mirror, change contrast, blur, lay another texture over; now and then leave the panel's typical cell out.

    Returns cells, maps, and which cells were given a dark blotch and so are defective whatever they were.

    All disturbances are far stronger than what cameras differ by: what the network may rely on is what a defect looks
    like in any texture, not the texture of the simulator.
    """
    x, maps = _mirrored(cells.float() / 127 - 1, maps, rng)
    light, deviation, fine = x[:, :1], x[:, 1:2], x[:, 2:]
    gain = torch.exp(0.25 * _normal(x, 1, rng))
    lift = 0.05 * _normal(x, 1, rng)
    light, deviation = OWN_LEVEL + (light - OWN_LEVEL) * gain + lift, deviation * gain
    blotches, blotched = _blotches(x, rng)
    light, deviation = light - blotches, deviation - 1.94 * blotches
    clouds = _clouds(x, rng)
    light, deviation = light + clouds, deviation + 1.94 * clouds
    fine = fine * torch.exp(0.3 * _normal(x, 1, rng))
    grain = 0.2 * _uniform(x, rng) ** 2 * _grains(x, rng)
    fine = fine + torch.cat([grain, grain - 0.5 * grain.abs()], 1)
    stripes = _rim_stripes(x, rng)
    light, deviation, fine = light - 0.06 * stripes, deviation - 0.12 * stripes, fine - stripes
    soft = _blurred(torch.cat([light, deviation, fine], 1))
    x = torch.where(_uniform(x, rng) < 0.3, soft, torch.cat([light, deviation, fine], 1))
    x = x + x.new_tensor([0.01, 0.02, 0.05, 0.05])[:, None, None] * 2 * _uniform(x, rng) * _normal_like(x, rng)
    no_typical = _uniform(x, rng) < 0.1
    x = torch.cat([x[:, :1], torch.where(no_typical, 1.94 * (x[:, :1] - OWN_LEVEL), x[:, 1:2]), x[:, 2:]], 1)
    return x.clamp(-1, 1), maps, blotched


def _mirrored(x: torch.Tensor, maps: torch.Tensor, rng: torch.Generator) -> tuple[torch.Tensor, torch.Tensor]:
    flips = torch.rand((len(x), 2), generator=rng, device=x.device) < 0.5
    for axis in (0, 1):
        chosen = flips[:, axis, None, None, None]
        x = torch.where(chosen, x.flip(2 + axis), x)
        maps = torch.where(chosen, maps.flip(2 + axis), maps)
    return x, maps


def _normal(x: torch.Tensor, channels: int, rng: torch.Generator) -> torch.Tensor:
    return torch.randn((len(x), channels, 1, 1), generator=rng, device=x.device)


def _uniform(x: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    return torch.rand((len(x), 1, 1, 1), generator=rng, device=x.device)


def _normal_like(x: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    return torch.randn(x.shape, generator=rng, device=x.device)


def _noise_of(x: torch.Tensor, step: int, rng: torch.Generator) -> torch.Tensor:
    """Return one channel of smooth noise of about unit spread, `step` pixels wide."""
    rows, columns = x.shape[2:]
    coarse = torch.randn((len(x), 1, rows // step + 2, columns // step + 2), generator=rng, device=x.device)
    return functional.interpolate(coarse, size=(rows, columns), mode="bicubic", align_corners=False)


def _clouds(x: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    """Return a texture of three scales, in the units of the first channel; strong in few cells, weak in most."""
    strength = [0.03 * _uniform(x, rng) ** 2 * _noise_of(x, step, rng) for step in (4, 10, 32)]
    return torch.stack(strength).sum(0)


def _grains(x: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    """Return edges of flat grains: where smooth noise changes sign, a step; its fine structure is a line."""
    field = torch.sign(_noise_of(x, 7, rng)) + torch.sign(_noise_of(x, 13, rng))
    return field - functional.avg_pool2d(field, 5, 1, 2)


def _rim_stripes(x: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    """Return dark ends of fingers along the two rims that cross them, 0..1: hard negatives, in two cells of five."""
    rows, columns = x.shape[2:]
    pattern = torch.randn((len(x), 1, 1, columns), generator=rng, device=x.device).abs() * 0.5
    from_rim = torch.arange(rows, device=x.device, dtype=x.dtype)
    from_rim = torch.minimum(from_rim, rows - 1 - from_rim)[:, None]
    reach = 2 + 12 * _uniform(x, rng) * torch.rand((len(x), 1, 1, columns), generator=rng, device=x.device)
    strength = _uniform(x, rng) * (_uniform(x, rng) < 0.4)
    return (pattern * strength).clamp(max=1) * (from_rim < reach)


_BLOTCHED = 0.06
"""Share of cells that get a soft dark blotch: no current there, whatever the cause."""


def _blotches(x: torch.Tensor, rng: torch.Generator) -> tuple[torch.Tensor, torch.Tensor]:
    """Return a soft dark blotch per cell, in the units of the first channel, and which cells have one.

    The simulator's inactive areas end at cracks and fingers; areas that lost their contact fade out.
    """
    rows, columns = x.shape[2:]
    down = torch.linspace(-1, 1, rows, device=x.device)[:, None] - (1.8 * _uniform(x, rng) - 0.9)
    across = torch.linspace(-1, 1, columns, device=x.device) - (1.8 * _uniform(x, rng) - 0.9)
    sizes = 0.12 + 0.4 * torch.rand((len(x), 2, 1, 1), generator=rng, device=x.device)
    away = (down / sizes[:, :1]) ** 2 + (across / sizes[:, 1:]) ** 2 + 0.5 * _noise_of(x, 9, rng)
    chosen = _uniform(x, rng) < _BLOTCHED
    depth = (0.25 + 0.9 * _uniform(x, rng)) * chosen
    return depth * torch.sigmoid(4 * (1 - away)), chosen[:, 0, 0, 0]


def _blurred(x: torch.Tensor) -> torch.Tensor:
    kernel = x.new_tensor([0.25, 0.5, 0.25])
    plane = (kernel[:, None] * kernel).expand(x.shape[1], 1, 3, 3)
    return functional.conv2d(functional.pad(x, (1, 1, 1, 1), mode="replicate"), plane, groups=x.shape[1])


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
        cells, maps, blotched = _disturbed(group.cells[chosen], group.maps[chosen], rng)
        labels, sure = group.labels[chosen].clone(), group.sure[chosen].clone()
        labels[:, 0] |= blotched
        sure[:, 0] |= blotched
        with torch.autocast(place.type, torch.bfloat16, enabled=place.type == "cuda"):
            outputs = network(cells.to(memory_format=torch.channels_last))
        loss = _loss(tuple(part.float() for part in outputs), maps, labels, sure, settings.map_weight)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        schedule.step()
        averaged.update_parameters(network)
        if progress is not None and step % 50 == 0:
            progress(step, float(loss.detach()))
    return averaged.module.to("cpu", memory_format=torch.contiguous_format).eval()


def onnx_bytes(network: CellNetwork, shape: tuple[int, int] = (160, 160)) -> bytes:
    """Return the network as an ONNX file; any number of cells, any multiple of 16 as sides."""
    buffer = io.BytesIO()
    axes = {0: "cells", 2: "rows", 3: "columns"}
    torch.onnx.export(
        network.eval(),
        (torch.zeros(1, CHANNELS, *shape),),
        buffer,
        input_names=["cells"],
        output_names=["logits", "features", "maps"],
        dynamic_axes={"cells": axes, "maps": axes, "logits": {0: "cells"}, "features": {0: "cells"}},
        dynamo=False,
    )
    return buffer.getvalue()
