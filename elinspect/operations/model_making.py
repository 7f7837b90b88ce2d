"""Make a model: draw simulated cells, train, fit the heads on panels never trained on, write network and card."""

import hashlib
import json
import multiprocessing
import platform
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from elinspect import __version__
from elinspect.classifier.contract import CONTRACT, KINDS
from elinspect.classifier.heads import LinearHead, calibration_error, columns, doubtful_limit, fit_head
from elinspect.classifier.model_file import CARD_SCHEMA, Model, load_model, read_card
from elinspect.classifier.scoring import FINDING_EVIDENCE, cell_evidence, finding_evidence, run_network
from elinspect.detectors import detect_all
from elinspect.errors import ElinspectError, ModelFileError, told_as
from elinspect.operations.training_set import PanelCells, SimulatedView, draw_view, panel_cells, true_findings
from elinspect.records import Kind
from elinspect.settings import DetectorSettings
from elinspect.statistics.operating import area_under_curve, interval_over_groups

NAME = "cell-network"
CELL_EVIDENCE = ("network.any", "detector.strongest")
"""What the cell's head adds up."""
NETWORK_SHARE = 0.25
"""Weight of the network's logit beside that of the strongest detector; chosen on the tuning half of the free real
cells, the same for mono and multi. Weights fitted on simulated panels all but ignore the detectors: the network has
learnt from the same simulator, the detectors were made for real cells."""
KEPT_TRUE = {Kind.CRACK: 0.99, Kind.FINGER_INTERRUPTION: 0.95}
"""Share of true findings on simulated panels that must stay above `ModelCard.doubtful_below`. A single broken finger
costs little, and dots of texture look like one. No area is taken for doubtful: few are false, and a limit would have
cost flags of five cells labelled defective for one of a good cell (tuning half of the free real cells)."""

_LICENCE = "Apache-2.0"
_LIMITS = (
    "Knows cracks, inactive areas and finger interruptions; on other kinds it is silent. Calibrated to simulated "
    "panels in which about three cells in ten are defective. Supports a judgement and certifies nothing."
)

Progress = Callable[[str, int, int], object]
"""Called with the stage's name, steps done and steps in all."""
_Seed = tuple[int, int, int]
_Job = TypeVar("_Job")
_Made = TypeVar("_Made")


@dataclass(frozen=True, slots=True)
class MakingSettings:
    """What a model is made from.

    Attributes
    ----------
    panels : int
        Simulated panels of 24 cells to train on.
    head_panels, check_panels : int
        Further panels, never trained on, to fit the heads and to measure.
    steps : int
        Batches.
    seed : int
        Of everything; panels of the three sets never share a seed.
    workers : int
        Processes that draw panels.
    version : str
        Of the model.
    drawn : Path or None
        Folder that keeps the drawn cells, so that a run that was broken off goes on where it was.
    network : Path or None
        A network trained before: only its heads are fitted anew, as needed when detectors change.
    teachers : int
        Networks trained first, from which the one that is written also learns; each takes `steps` batches too.
    batch : int
        Cells of one batch.
    """

    panels: int = 4000
    head_panels: int = 160
    check_panels: int = 160
    steps: int = 9000
    seed: int = 1
    workers: int = 2
    version: str = "1"
    drawn: Path | None = None
    network: Path | None = None
    teachers: int = 2
    batch: int = 256


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """Evidence and truth of one simulated panel, for heads.

    Attributes
    ----------
    evidence : dict
        By name, about the cells.
    defective, unsure : ndarray of bool, shape (n,)
        Truth about the cells.
    findings : dict from kind to (rows of evidence, truth)
        About the findings of the kinds the network knows.
    """

    evidence: dict[str, NDArray[np.float64]]
    defective: NDArray[np.bool_]
    unsure: NDArray[np.bool_]
    findings: dict[Kind, tuple[NDArray[np.float64], NDArray[np.bool_]]]


def make_model(folder: Path, settings: MakingSettings, progress: Progress) -> Path:
    """Make a model.

    Parameters
    ----------
    folder : Path
        Gets the network, its card and a description for people.
    settings : MakingSettings
        How.
    progress : callable
        Told about every step.

    Returns
    -------
    Path
        The card.

    Raises
    ------
    ElinspectError
        If the extra ``train`` is not installed or the folder cannot be written.
    """
    with told_as("command.no_folder", folder=str(folder)):
        folder.mkdir(parents=True, exist_ok=True)
    network_file = folder / f"{NAME}-{settings.version}.onnx"
    content, made = _reused(settings.network) if settings.network is not None else _trained(settings, progress)
    with told_as("command.not_written", file=str(network_file)):
        network_file.write_bytes(content)
    card_file = network_file.with_suffix(".json")
    _write_card(card_file, settings, network_file, _blank_heads(), {}, made)
    heads, doubtful, reached = _fitted(card_file, settings, progress)
    _write_card(card_file, settings, network_file, heads, doubtful, {**made, "simulated_check": reached})
    load_model(card_file)
    return card_file


def _reused(network: Path) -> tuple[bytes, dict[str, Any]]:
    card = read_card(network.with_suffix(".json"))
    with told_as("model.unreadable", ModelFileError, file=str(network)):
        return network.read_bytes(), {**card.made, "heads": __version__, "licence": _LICENCE, "limits": _LIMITS}


def _trained(settings: MakingSettings, progress: Progress) -> tuple[bytes, dict[str, Any]]:
    try:
        from elinspect.operations.cell_network import onnx_bytes
        from elinspect.operations.network_training import TrainingSettings, train
    except ImportError as error:
        raise ElinspectError("model.no_training", cause=str(error)) from error
    jobs = [(seed, settings.drawn) for seed in _seeds(settings, 0, settings.panels)]
    drawn = list(_parallel(_draw_cells, jobs, settings.workers, "draw", progress))
    training = TrainingSettings(
        steps=settings.steps,
        batch=settings.batch,
        teachers=settings.teachers,
        teacher_steps=settings.steps,
        seed=settings.seed,
    )
    network = train(drawn, training, lambda done, total, _loss: progress("train", done, total))
    made = {
        "elinspect": __version__,
        "settings": {"panels": settings.panels, "steps": settings.steps, "seed": settings.seed},
        "training": asdict(training),
        "cells": int(sum(len(panel.cells) for panel in drawn)),
        "defective_share": round(float(np.mean(np.concatenate([panel.labels[:, 0] for panel in drawn]))), 4),
        "parameters": sum(p.numel() for p in network.parameters()),
        "data": "simulated cells of this project only; no real cell",
        "command": (
            f"elinspect model train --panels {settings.panels} --steps {settings.steps} --teachers {settings.teachers} "
            f"--seed {settings.seed} --further {settings.head_panels} --version {settings.version}"
        ),
        "licence": _LICENCE,
        "limits": _LIMITS,
        "python": platform.python_version(),
    }
    return onnx_bytes(network), made


def _seeds(settings: MakingSettings, part: int, count: int) -> list[_Seed]:
    return [(settings.seed, part, number) for number in range(count)]


def _draw_cells(job: tuple[_Seed, Path | None]) -> PanelCells:
    seed, folder = job
    kept = folder / f"{'-'.join(map(str, seed))}.npz" if folder is not None else None
    if kept is not None and kept.exists():
        with np.load(kept) as stored:
            return PanelCells(**stored)
    drawn = panel_cells(draw_view(np.random.default_rng(seed)))
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        fresh = kept.with_suffix(".new.npz")
        np.savez(fresh, cells=drawn.cells, maps=drawn.maps, labels=drawn.labels, unsure=drawn.unsure)
        fresh.replace(kept)
    return drawn


def _judge_drawn(job: tuple[_Seed, Path]) -> "Judged":
    seed, card = job
    return judge(_loaded(card), draw_view(np.random.default_rng(seed)))


@cache
def _loaded(card: Path) -> Model:
    """Load the model once per process."""
    return load_model(card, threads=1)


def _one_thread() -> None:
    from elinspect.vision import cv2

    cv2.setNumThreads(1)


def _parallel(
    work: Callable[[_Job], _Made], jobs: Sequence[_Job], workers: int, stage: str, progress: Progress
) -> Iterator[_Made]:
    """Yield results in the order of the jobs, whatever the number of workers."""
    with multiprocessing.get_context("spawn").Pool(workers, _one_thread) as pool:
        for done, made in enumerate(pool.imap(work, jobs, chunksize=2), start=1):
            progress(stage, done, len(jobs))
            yield made


def judge(model: Model, simulated: SimulatedView) -> Judged:
    """Run detectors and network on a simulated panel and set the truth beside."""
    view = simulated.view
    detections = detect_all(view, DetectorSettings())
    output = run_network(model, view)
    cells = panel_cells(simulated)
    findings = {}
    for item in detections:
        if item.kind in KINDS and item.findings:
            rows = finding_evidence(output, view, item.findings)
            findings[item.kind] = (rows, true_findings(simulated, cells, item.findings))
    return Judged(cell_evidence(output, detections), cells.labels[:, 0], cells.unsure[:, 0], findings)


def _fitted(
    card: Path, settings: MakingSettings, progress: Progress
) -> tuple[dict[str, Any], dict[Kind, float], dict[str, Any]]:
    def judged(part: int, count: int, stage: str) -> list[Judged]:
        jobs = [(seed, card) for seed in _seeds(settings, part, count)]
        return list(_parallel(_judge_drawn, jobs, settings.workers, stage, progress))

    fit_on, check_on = judged(1, settings.head_panels, "heads"), judged(2, settings.check_panels, "check")
    rows, truth = _cell_rows(fit_on)
    cell_head = _summing_head(rows, truth)
    finding_heads = {kind: head for kind in KINDS if (head := _finding_head(fit_on, kind)) is not None}
    doubtful = _doubtful_below(fit_on, finding_heads)
    rows, truth = _cell_rows(check_on)
    reached = {
        **_cell_figures(check_on, cell_head),
        "auc_detectors_alone": round(_detectors_alone(rows, truth), 4),
        "findings": {
            kind.value: _finding_figures(check_on, kind, head, doubtful.get(kind, 0.0))
            for kind, head in finding_heads.items()
        },
    }
    heads = {
        "cell_head": _table(cell_head),
        "finding_heads": {kind.value: _table(head) for kind, head in finding_heads.items()},
    }
    return heads, doubtful, reached


def _cell_figures(panels: Sequence[Judged], head: LinearHead) -> dict[str, Any]:
    """Return how well the score of cells does, with 95 % intervals over panels."""
    rows, truth = _cell_rows(panels)
    probability = head.probability(rows)
    panel = np.repeat(np.arange(len(panels)), [int((~each.unsure).sum()) for each in panels])
    figures: dict[str, Callable[[NDArray[np.intp]], float]] = {
        "auc": lambda own: area_under_curve(probability[own][truth[own]], probability[own][~truth[own]]),
        "calibration_error": lambda own: calibration_error(probability[own], truth[own]),
    }
    found: dict[str, Any] = {"cells": len(truth)}
    for name, figure in figures.items():
        interval = interval_over_groups(figure, panel, np.random.default_rng(0), draws=400)
        found[name] = round(figure(np.arange(len(truth))), 4)
        found[f"{name}_interval"] = [round(end, 4) for end in interval]
    return found


def _summing_head(rows: NDArray[np.float64], truth: NDArray[np.bool_]) -> LinearHead:
    """Fit slope and bias of the sum of the evidence, the network's share given."""
    shares = np.array([NETWORK_SHARE, 1.0])
    head = fit_head(("sum",), (rows @ shares)[:, None], truth)
    return LinearHead(CELL_EVIDENCE, tuple(float(head.weights[0] * share) for share in shares), head.bias)


def _cell_rows(panels: Sequence[Judged]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    rows = np.concatenate([columns(CELL_EVIDENCE, panel.evidence) for panel in panels])
    truth = np.concatenate([panel.defective for panel in panels])
    sure = ~np.concatenate([panel.unsure for panel in panels])
    return rows[sure], truth[sure]


def _detectors_alone(rows: NDArray[np.float64], truth: NDArray[np.bool_]) -> float:
    strongest = rows[:, CELL_EVIDENCE.index("detector.strongest")]
    return area_under_curve(strongest[truth], strongest[~truth])


def _finding_rows(panels: Sequence[Judged], kind: Kind) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    own = [panel.findings[kind] for panel in panels if kind in panel.findings]
    if not own:
        return np.empty((0, len(FINDING_EVIDENCE))), np.empty(0, bool)
    rows = np.concatenate([rows[:, : len(FINDING_EVIDENCE)] for rows, _ in own])
    return rows, np.concatenate([truth for _, truth in own])


def _finding_head(panels: Sequence[Judged], kind: Kind) -> LinearHead | None:
    rows, truth = _finding_rows(panels, kind)
    return fit_head(FINDING_EVIDENCE, rows, truth) if truth.any() and not truth.all() else None


def _doubtful_below(panels: Sequence[Judged], heads: dict[Kind, LinearHead]) -> dict[Kind, float]:
    """Return the probability below which a finding of each kind is doubtful: nearly all true ones stay above it."""
    limits = {}
    for kind, kept in KEPT_TRUE.items():
        if kind in heads:
            rows, truth = _finding_rows(panels, kind)
            limits[kind] = doubtful_limit(heads[kind].probability(rows[truth]), kept)
    return limits


def _finding_figures(
    panels: Sequence[Judged], kind: Kind, head: LinearHead, doubtful: float
) -> dict[str, float | int | None]:
    rows, truth = _finding_rows(panels, kind)
    probability = head.probability(rows)
    return {
        "true": int(truth.sum()),
        "false": int((~truth).sum()),
        "true_kept": round(float((probability[truth] >= doubtful).mean()), 4) if truth.any() else None,
        "false_kept": round(float((probability[~truth] >= doubtful).mean()), 4) if (~truth).any() else None,
    }


def _table(head: LinearHead) -> dict[str, Any]:
    weights = {name: round(weight, 6) for name, weight in zip(head.names, head.weights, strict=True)}
    return {"weights": weights, "bias": round(head.bias, 6)}


def _blank_heads() -> dict[str, Any]:
    return {"cell_head": {"weights": {"network.any": 1.0}, "bias": 0.0}, "finding_heads": {}}


def _write_card(
    path: Path,
    settings: MakingSettings,
    network: Path,
    heads: dict[str, Any],
    doubtful: dict[Kind, float],
    made: dict[str, Any],
) -> None:
    card = {
        "schema": CARD_SCHEMA,
        "name": NAME,
        "version": settings.version,
        "network": network.name,
        "sha256": hashlib.sha256(network.read_bytes()).hexdigest(),
        "contract": CONTRACT,
        "kinds": [kind.value for kind in KINDS],
        **heads,
        "doubtful_below": {kind.value: limit for kind, limit in doubtful.items()},
        "made": made,
    }
    with told_as("command.not_written", file=str(path)):
        path.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
