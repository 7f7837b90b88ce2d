"""What is done to simulated cells while the network learns, so that it relies on no camera, wafer or simulator.

All disturbances are far stronger than what cameras differ by: what the network may rely on is what a defect looks like
in any texture, not the texture of the simulator. Needs the extra ``train`` (torch).
"""

import torch
from torch.nn import functional

from elinspect.classifier.contract import OWN_LEVEL

_DEVIATION_PER_LIGHT = 1.94
"""How far the second channel moves where the first moves by 1: both are the same logarithm, scaled apart."""


def disturbed(
    cells: torch.Tensor, maps: torch.Tensor, rng: torch.Generator
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Mirror, move, change contrast, blur, lay another texture over; now and then leave a channel out.

    Parameters
    ----------
    cells : Tensor of uint8, shape (n, 4, rows, columns)
        Network input; -1..1 as 0..254.
    maps : Tensor of bool, shape (n, kinds, rows / 4, columns / 4)
        Where each kind truly is.
    rng : torch.Generator
        Draws everything.

    Returns
    -------
    tuple of Tensor
        Cells (-1..1), maps, and which cells were given a dark blotch and so are defective whatever they were.
    """
    x, maps = _mirrored(cells.float() / 127 - 1, maps, rng)
    x, maps = _moved(x, maps, rng)
    x = _other_spectrum(x, rng)
    light, deviation, fine = x[:, :1], x[:, 1:2], x[:, 2:]
    gain = torch.exp(0.25 * _normal(x, 1, rng))
    lift = 0.05 * _normal(x, 1, rng)
    light, deviation = OWN_LEVEL + (light - OWN_LEVEL) * gain + lift, deviation * gain
    blotches, blotched = _blotches(x, rng)
    light, deviation = light - blotches, deviation - _DEVIATION_PER_LIGHT * blotches
    clouds = _clouds(x, rng)
    light, deviation = light + clouds, deviation + _DEVIATION_PER_LIGHT * clouds
    fine = fine * torch.exp(0.3 * _normal(x, 1, rng))
    grain = 0.2 * _uniform(x, rng) ** 2 * _grains(x, rng)
    fine = fine + torch.cat([grain, grain - 0.5 * grain.abs()], 1)
    stripes = _rim_stripes(x, rng)
    light, deviation, fine = light - 0.06 * stripes, deviation - 0.12 * stripes, fine - stripes
    soft = _blurred(torch.cat([light, deviation, fine], 1))
    x = torch.where(_uniform(x, rng) < 0.3, soft, torch.cat([light, deviation, fine], 1))
    x = x + x.new_tensor([0.01, 0.02, 0.05, 0.05])[:, None, None] * 2 * _uniform(x, rng) * _normal_like(x, rng)
    return _without_channels(x, rng).clamp(-1, 1), maps, blotched


def _without_channels(x: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    """Leave out the panel's typical cell in one cell of ten, and the fine structure in another one of ten."""
    drawn = _uniform(x, rng)
    light, deviation, fine = x[:, :1], x[:, 1:2], x[:, 2:]
    deviation = torch.where(drawn < 0.1, _DEVIATION_PER_LIGHT * (light - OWN_LEVEL), deviation)
    return torch.cat([light, deviation, torch.where(drawn > 0.9, torch.zeros_like(fine), fine)], 1)


def _moved(x: torch.Tensor, maps: torch.Tensor, rng: torch.Generator) -> tuple[torch.Tensor, torch.Tensor]:
    """Stretch, shift and turn every second cell a little: pitches and formats differ, grids lie a little off."""
    n, device = len(x), x.device
    chosen = (torch.rand(n, generator=rng, device=device) < 0.5).float()
    scale = 1 + 0.1 * (2 * torch.rand((n, 2), generator=rng, device=device) - 1) * chosen[:, None]
    shift = 0.04 * (2 * torch.rand((n, 2), generator=rng, device=device) - 1) * chosen[:, None]
    turn = 0.01 * torch.randn(n, generator=rng, device=device) * chosen
    matrix = torch.stack(
        [
            torch.stack([scale[:, 0], -turn, shift[:, 0]], 1),
            torch.stack([turn, scale[:, 1], shift[:, 1]], 1),
        ],
        1,
    )
    # A cell that stays is not resampled: half a batch keeps the sharpness it was drawn with.
    grid = functional.affine_grid(matrix, list(x.shape), align_corners=False)
    moved = functional.grid_sample(x, grid, padding_mode="border", align_corners=False)
    stays = chosen[:, None, None, None] == 0
    map_grid = functional.affine_grid(matrix, list(maps.shape), align_corners=False)
    moved_maps = functional.grid_sample(maps.float(), map_grid, mode="nearest", align_corners=False) > 0.5
    return torch.where(stays, x, moved), torch.where(stays, maps, moved_maps)


def _other_spectrum(x: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    """Give four cells of ten a part of another cell's amplitude spectrum and leave them their phase.

    Texture, blur and noise lie in the amplitudes, the places of lines and steps in the phase (Xu, Zhang, Zhang, Wang,
    Tian 2021, 'A Fourier-based framework for domain generalization', CVPR, arXiv:2105.11645).
    """
    spectrum = torch.fft.rfft2(x)
    size = spectrum.abs()
    other = torch.randperm(len(x), generator=rng, device=x.device)
    share = 0.6 * _uniform(x, rng) * (_uniform(x, rng) < 0.4)
    mixed = spectrum * ((1 - share) + share * size[other] / (size + 1e-3))
    mixed[..., 0, 0] = spectrum[..., 0, 0]  # the mean has a sign, and is no texture
    return torch.where(share > 0, torch.fft.irfft2(mixed, s=x.shape[2:]), x)


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
