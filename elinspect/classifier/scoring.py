"""Score the cells and findings of a panel: evidence from network and detectors, through the model's linear heads."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.classifier.contract import KINDS, network_input
from elinspect.classifier.heads import LinearHead, Rows, columns, logit_of
from elinspect.classifier.model_file import Model
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView
from elinspect.vision import cv2

_BATCH = 8
"""Cells per run: larger batches leave the cache and are slower."""


STRONGEST_OF = {Kind.CRACK: (1.0, 0.0), Kind.INACTIVE_AREA: (2.0, -2.0), Kind.DARK_CELL: (2.0, -2.0)}
"""Detectors whose largest logit is evidence of its own; by how much each is stretched and moved before. Below what is
flagged, scores of areas say little: many good cells reach them. Chosen on the tuning half of the free real cells; a
stronger shift did no better there and left the score worse calibrated on simulated panels."""


@dataclass(frozen=True, slots=True, eq=False)
class NetworkOutput:
    """What the network says about the cells of a panel.

    Attributes
    ----------
    logits : ndarray, shape (n, 1 + kinds)
        Any defect, then each kind.
    features : ndarray, shape (n, features)
        What a head on site may learn from.
    maps : ndarray, shape (n, kinds, rows, columns)
        Logits by place, four input pixels each.
    """

    logits: FloatImage
    features: FloatImage
    maps: FloatImage


@dataclass(frozen=True, slots=True, eq=False)
class Scored:
    """Probabilities for a panel.

    Attributes
    ----------
    defect_scores : ndarray of float32, shape (n_cells,)
        Probability that the cell has a defect that would be confirmed.
    detections : tuple of Detection
        As they came, findings with their probability of being true; None for kinds the model does not know.
    """

    defect_scores: NDArray[np.float32]
    detections: tuple[Detection, ...]


def score(model: Model, view: PanelView, detections: Sequence[Detection]) -> Scored:
    """Score a panel's cells and findings.

    Parameters
    ----------
    model : Model
        A loaded model.
    view : PanelView
        The panel's maps.
    detections : sequence of Detection
        What the detectors say.
    """
    output = run_network(model, view)
    cell_head = model.card.cell_head.head()
    evidence = cell_evidence(output, detections)
    cells = cell_head.probability(columns(cell_head.names, evidence))
    return Scored(
        cells.astype(np.float32), tuple(_with_probabilities(model, output, view, item) for item in detections)
    )


def run_network(model: Model, view: PanelView) -> NetworkOutput:
    """Run the network over all cells of a panel."""
    cells = network_input(view)
    parts = [
        model.session.run(["logits", "features", "maps"], {"cells": cells[start : start + _BATCH]})
        for start in range(0, len(cells), _BATCH)
    ]
    return NetworkOutput(*(np.concatenate([part[i] for part in parts]) for i in range(3)))


def cell_evidence(output: NetworkOutput, detections: Sequence[Detection]) -> dict[str, NDArray[np.float64]]:
    """Return named evidence about each cell: logits of the network and of the detectors' scores, each shape (n,)."""
    names = ("any", *(kind.value for kind in KINDS))
    evidence = {f"network.{name}": output.logits[:, i].astype(np.float64) for i, name in enumerate(names)}
    for item in detections:
        evidence[f"detector.{item.kind.value}"] = logit_of(item.cell_scores)
    own = [
        slope * evidence[name] + lift
        for kind, (slope, lift) in STRONGEST_OF.items()
        if (name := f"detector.{kind.value}") in evidence
    ]
    if own:
        evidence["detector.strongest"] = np.max(own, axis=0)
    return evidence


FINDING_EVIDENCE = ("detector", "map_most", "map_mean", "cell_any", "cell_kind")
"""Names of the evidence about a finding."""


def finding_evidence(output: NetworkOutput, view: PanelView, findings: Sequence[Finding]) -> Rows:
    """Return the evidence about findings of kinds the network knows.

    Parameters
    ----------
    output : NetworkOutput
        Of the panel.
    view : PanelView
        The panel.
    findings : sequence of Finding
        Whose kind is one of the contract's.

    Returns
    -------
    ndarray, shape (n, 5 + features)
        Columns as `FINDING_EVIDENCE`: logit of the detector's score, largest and mean logit of the kind's map under
        the outline, the cell's logits of any defect and of the kind; then the cell's features.
    """
    rows = np.empty((len(findings), len(FINDING_EVIDENCE) + output.features.shape[1]))
    for i, finding in enumerate(findings):
        kind = KINDS.index(finding.kind)
        under = output.maps[finding.cell, kind][_under(finding, view, output.maps.shape[2:])]
        logits = output.logits[finding.cell]
        own = (float(logit_of(np.array(finding.score))), under.max(), under.mean(), logits[0], logits[1 + kind])
        rows[i, : len(own)] = own
        rows[i, len(own) :] = output.features[finding.cell]
    return rows


def evidence_names(features: int) -> tuple[str, ...]:
    """Return the names of the columns of `finding_evidence`."""
    return (*FINDING_EVIDENCE, *(f"feature.{i}" for i in range(features)))


def pack(row: NDArray[np.float64]) -> str:
    """Return evidence as text: half precision is as exact as anything learnt from it."""
    return base64.b85encode(row.astype("<f2").tobytes()).decode("ascii")


def unpack(text: str) -> NDArray[np.float64]:
    """Return what `pack` was given.

    Raises
    ------
    ValueError
        If the text is none of ours.
    """
    return np.frombuffer(base64.b85decode(text), "<f2").astype(np.float64)


def _under(finding: Finding, view: PanelView, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return the places of the map under a finding, a place wider on all sides."""
    picture = np.array(view.pictures.full_current.shape[1:])
    at = (np.asarray(finding.outline) + 0.5) * (np.array(shape) / picture) - 0.5
    points = np.round(at[:, ::-1] * 16).astype(np.int32)
    ink = np.zeros(shape, np.uint8)
    closed = finding.area_fraction is not None
    if closed:
        cv2.fillPoly(ink, [points], 1, cv2.LINE_8, 4)
    cv2.polylines(ink, [points], closed, 1, 1 if closed else 3, cv2.LINE_8, 4)
    if not ink.any():
        row, column = np.clip(np.round(at.mean(axis=0)).astype(int), 0, np.array(shape) - 1)
        ink[row, column] = 1
    return ink > 0


def _with_probabilities(model: Model, output: NetworkOutput, view: PanelView, item: Detection) -> Detection:
    table = model.card.finding_heads.get(item.kind)
    if table is None or not item.findings:
        return item
    rows = finding_evidence(output, view, item.findings)
    probabilities = finding_probability(table.head(), rows)
    return replace(
        item,
        findings=tuple(
            replace(finding, probability=float(p), evidence=pack(row))
            for finding, p, row in zip(item.findings, probabilities, rows, strict=True)
        ),
    )


def finding_probability(head: LinearHead, rows: Rows) -> NDArray[np.float64]:
    """Return the probabilities that findings are true, from rows of `finding_evidence`."""
    names = evidence_names(rows.shape[1] - len(FINDING_EVIDENCE))
    return head.probability(rows[:, [names.index(name) for name in head.names]])
