"""The network itself: what a torch module of it looks like, and its file; needs the extra ``train`` (torch, onnx)."""

import io
from collections.abc import Sequence

import torch
from torch import nn
from torch.nn import functional

from elinspect.classifier.contract import CHANNELS, KINDS


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
        self.styles: torch.Generator | None = None
        """Where to draw from whose mean and spread a cell's first features get while it learns; None: they stay."""
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
        if self.training and self.styles is not None:
            first = _mixed_styles(first, self.styles)
        second = self.second(first)
        third = self.third(second)
        middle = functional.relu(second + functional.interpolate(self.from_third(third), scale_factor=2.0))
        fine = functional.relu(first + functional.interpolate(self.from_second(middle), scale_factor=2.0))
        maps = self.map(fine)
        features = torch.cat([third.mean((2, 3)), maps.amax((2, 3)), maps.mean((2, 3))], 1)
        return self.head(features), features, maps


def _mixed_styles(x: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    """Give half of the cells the mean and spread of features somewhere between their own and another cell's.

    Camera, wafer and process show in these statistics, so that the network learns to do without them (MixStyle: Zhou,
    Yang, Qiao, Xiang 2021, 'Domain generalization with MixStyle', ICLR, arXiv:2104.02008).
    """
    values = x.float()
    mean, spread = values.mean((2, 3), keepdim=True), values.std((2, 3), keepdim=True) + 1e-4
    mean, spread = mean.detach(), spread.detach()
    other = torch.randperm(len(x), generator=rng, device=x.device)
    share = torch.rand((len(x), 1, 1, 1), generator=rng, device=x.device)
    share = 0.5 * share * (torch.rand((len(x), 1, 1, 1), generator=rng, device=x.device) < 0.5)
    to_mean, to_spread = torch.lerp(mean, mean[other], share), torch.lerp(spread, spread[other], share)
    return ((values - mean) / spread * to_spread + to_mean).to(x.dtype)


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
