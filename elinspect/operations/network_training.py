"""Train the network on simulated cells; needs the extra ``train`` (torch).

Everything random comes from one seed; on one machine the same command gives the same network up to the arithmetic of
the device.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from elinspect.operations.cell_network import CellNetwork
from elinspect.operations.disturbances import disturbed
from elinspect.operations.training_set import PanelCells

Outputs = tuple[torch.Tensor, torch.Tensor, torch.Tensor]
"""Logits of the cells, features, maps of logits."""
_TOLD_EVERY = 50


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
    teachers : int
        Networks trained first, each from a seed of its own, whose mean the network that is written also learns from: it
        keeps most of what an ensemble gains at the cost of one (Hinton, Vinyals, Dean 2015, arXiv:1503.02531).
    teacher_steps : int
        Batches for each of them.
    taught : float
        Share of the teachers in the labels, 0..1; the truth has the rest.
    seed : int
        Of weights, batches and disturbances.
    """

    steps: int = 9000
    batch: int = 256
    rate: float = 2e-3
    map_weight: float = 1.0
    average: float = 0.998
    teachers: int = 2
    teacher_steps: int = 9000
    taught: float = 0.5
    seed: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """All cells of one shape, on one device."""

    cells: torch.Tensor
    maps: torch.Tensor
    labels: torch.Tensor
    sure: torch.Tensor

    def on(self, device: torch.device) -> "_Group":
        """Return the same cells on a device."""
        return _Group(*(each.to(device) for each in (self.cells, self.maps, self.labels, self.sure)))


def _grouped(panels: Sequence[PanelCells]) -> list[_Group]:
    shapes = sorted({panel.cells.shape[2:] for panel in panels})
    groups = []
    for shape in shapes:
        own = [panel for panel in panels if panel.cells.shape[2:] == shape]

        def stacked(name: str, own: Sequence[PanelCells] = own) -> torch.Tensor:
            return torch.from_numpy(np.concatenate([getattr(panel, name) for panel in own]))

        groups.append(_Group(stacked("cells"), stacked("maps"), stacked("labels"), ~stacked("unsure")))
    return groups


def _loss(
    outputs: Outputs, maps: torch.Tensor, labels: torch.Tensor, sure: torch.Tensor, map_weight: float
) -> torch.Tensor:
    logits, _, drawn = outputs
    by_cell = functional.binary_cross_entropy_with_logits(logits, labels.float(), reduction="none")
    by_place = functional.binary_cross_entropy_with_logits(
        drawn, maps.float(), reduction="none", pos_weight=drawn.new_full((), 4.0)
    )
    place_sure = sure[:, 1:, None, None].float()
    return (by_cell * sure.float()).mean() + map_weight * 5 * (by_place * place_sure).mean()


def _taught_loss(outputs: Outputs, taught: Sequence[Outputs], map_weight: float) -> torch.Tensor:
    """Return the loss against the mean of the teachers' logits on the same cells, also where truth is unsure.

    Their maps were learnt with marked places weighing four times, so that weight is in what they say already.
    """
    logits, drawn = (torch.stack([each[i].float() for each in taught]).mean(0).sigmoid() for i in (0, 2))
    by_cell = functional.binary_cross_entropy_with_logits(outputs[0], logits)
    return by_cell + map_weight * 5 * functional.binary_cross_entropy_with_logits(outputs[2], drawn)


def train(
    panels: Sequence[PanelCells],
    settings: TrainingSettings,
    progress: Callable[[int, int, float], object] | None = None,
    devices: Sequence[str] | None = None,
) -> CellNetwork:
    """Train a network on simulated cells.

    Parameters
    ----------
    panels : sequence of PanelCells
        The cells.
    settings : TrainingSettings
        How.
    progress : callable, optional
        Told now and then: batches done, batches in all, loss.
    devices : sequence of str, optional
        Where teachers are trained side by side; the network itself on the first. All GPUs, or the CPU, if not given.
    """
    places = [torch.device(each) for each in devices or _devices()]
    groups = _grouped(panels)
    on = [[group.on(place) for group in groups] for place in places[: max(settings.teachers, 1)]]
    each, of = settings.teacher_steps, settings.teachers
    total = of * each + settings.steps
    done = [0] * (of + 1)

    def tell(run: int, step: int, loss: float) -> None:
        done[run] = step
        if progress is not None:
            progress(sum(done), total, loss)

    fresh = []
    for run in range(of + 1):  # one after the other: weights are drawn from torch's one generator
        torch.manual_seed(settings.seed + run)
        fresh.append(CellNetwork())

    def teacher(run: int) -> CellNetwork:
        here = on[run % len(on)]
        return _run(fresh[run], here, settings, each, settings.seed + run, (), lambda *told: tell(run, *told))

    with ThreadPoolExecutor(len(places)) as pool:
        teachers = [network.to(places[0]) for network in pool.map(teacher, range(of))]
    learnt = _run(
        fresh[of], on[0], settings, settings.steps, settings.seed + of, teachers, lambda *told: tell(of, *told)
    )
    return learnt.to("cpu", memory_format=torch.contiguous_format).eval()


def _devices() -> list[str]:
    return [f"cuda:{i}" for i in range(torch.cuda.device_count())] or ["cpu"]


def _run(
    network: CellNetwork,
    groups: Sequence[_Group],
    settings: TrainingSettings,
    steps: int,
    seed: int,
    teachers: Sequence[CellNetwork],
    tell: Callable[[int, float], object],
) -> CellNetwork:
    """Train one network and return its running average."""
    place = groups[0].cells.device
    rng = torch.Generator(device=place).manual_seed(seed)
    weights = torch.tensor([float(len(group.cells)) for group in groups])
    network = network.to(place, memory_format=torch.channels_last)
    averaged = torch.optim.swa_utils.AveragedModel(
        network, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(settings.average), use_buffers=True
    )
    optimiser = torch.optim.AdamW(network.parameters(), settings.rate, weight_decay=0.02, fused=place.type == "cuda")
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, settings.rate, steps, pct_start=0.05)
    picks = torch.multinomial(weights, steps, replacement=True, generator=torch.Generator().manual_seed(seed))
    network.styles = rng
    network.train()
    for step, pick in enumerate(picks.tolist()):
        loss = _batch_loss(network, groups[pick], settings, rng, teachers)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        schedule.step()
        averaged.update_parameters(network)
        if step % _TOLD_EVERY == 0 or step == steps - 1:
            tell(step + 1, float(loss.detach()))
    averaged.module.styles = None
    return averaged.module.eval()


def _batch_loss(
    network: CellNetwork,
    group: _Group,
    settings: TrainingSettings,
    rng: torch.Generator,
    teachers: Sequence[CellNetwork],
) -> torch.Tensor:
    """Draw a batch and return the loss on it."""
    place = group.cells.device
    chosen = torch.randint(len(group.cells), (settings.batch,), generator=rng, device=place)
    cells, maps, blotched = disturbed(group.cells[chosen], group.maps[chosen], rng)
    labels, sure = group.labels[chosen].clone(), group.sure[chosen].clone()
    labels[:, 0] |= blotched
    sure[:, 0] |= blotched
    shown = cells.to(memory_format=torch.channels_last)
    with torch.autocast(place.type, torch.bfloat16, enabled=place.type == "cuda"):
        logits, features, drawn = network(shown)
        with torch.no_grad():
            taught = [teacher(shown) for teacher in teachers]
    outputs = (logits.float(), features.float(), drawn.float())
    loss = _loss(outputs, maps, labels, sure, settings.map_weight)
    if not taught:
        return loss
    return torch.lerp(loss, _taught_loss(outputs, taught, settings.map_weight), settings.taught)
