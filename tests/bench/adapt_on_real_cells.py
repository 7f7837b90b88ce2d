"""What adapting on site gains on real cells: learns on the tuning half of the free panels, judged on the check half.

    python tests/bench/adapt_on_real_cells.py

A flag on a cell labelled 1 or 2/3 defective counts as confirmed, on a cell labelled 0 as dismissed, on one labelled 1/3
as not answered. The data set has labels of cells, not of flags, so that a false flag on a broken cell counts as true.
The new heads are thrown away.
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.classifier import load_model, shipped_model
from elinspect.classifier.adaptation import AnsweredFlag, adapt_heads
from elinspect.classifier.heads import calibration_error
from elinspect.classifier.model_file import Model
from elinspect.classifier.scoring import finding_evidence, finding_probability, run_network
from elinspect.detectors import detect_all, prepare
from elinspect.operations.open_cells import OpenPanel, check_half, open_panels, tuning_half
from elinspect.settings import DetectorSettings
from elinspect.statistics.operating import area_under_curve

_PARTS = 12
"""Each panel answers as so many: adapting wants 20 panels at least, the tuning half has 11."""


def answered(model: Model, panels: tuple[OpenPanel, ...]) -> list[AnsweredFlag]:
    """Return the flags of some panels with the answer their cell's label stands for."""
    found = []
    for panel in panels:
        view = prepare(*panel.pictures())
        output = run_network(model, view)
        for item in detect_all(view, DetectorSettings()):
            if item.kind not in model.card.finding_heads or not item.findings:
                continue
            rows = finding_evidence(output, view, item.findings)
            for finding, row in zip(item.findings, rows, strict=True):
                label = panel.labels[finding.cell]
                if not 0.2 < label < 0.5:
                    part = f"{panel.first}-{finding.cell % _PARTS}"
                    found.append(AnsweredFlag(item.kind, row, bool(label > 0.5), part, "reader", ""))
    return found


def main() -> None:
    """Adapt and compare."""
    model = load_model(shipped_model())
    panels = open_panels()
    learnt, judged = answered(model, tuning_half(panels)), answered(model, check_half(panels))
    outcome = adapt_heads(model.card, learnt, np.random.default_rng(0))
    for note in outcome.notes:
        print("left out:", note.text)
    for each in outcome.outcomes:
        print(
            f"{each.kind.value}: learnt {each.learnt}, held out {each.held_out} of the tuning half: loss "
            f"{each.loss_before:.3f} -> {each.loss_after:.3f}, gain {each.gain[0]:+.3f} to {each.gain[1]:+.3f}, "
            f"{'offered' if each.better else 'refused'}"
        )
    for kind, table in model.card.finding_heads.items():
        own = [flag for flag in judged if flag.kind is kind]
        truth = np.array([flag.true for flag in own])
        rows = np.stack([flag.evidence for flag in own])
        heads = {"before": table.head(), "after": outcome.heads.get(kind, table.head())}
        for name, head in heads.items():
            show(f"check half, {kind.value}, {name}", finding_probability(head, rows), truth)


def show(name: str, probability: NDArray[np.float64], truth: NDArray[np.bool_]) -> None:
    """Print how good probabilities are."""
    area = area_under_curve(probability[truth], probability[~truth])
    loss = -np.log(np.clip(np.where(truth, probability, 1 - probability), 1e-6, 1)).mean()
    print(
        f"{name}: {len(truth)} flags, {truth.mean():.0%} true, calibration error "
        f"{calibration_error(probability, truth):.3f}, loss {loss:.3f}, area {area:.3f}"
    )


if __name__ == "__main__":
    main()
