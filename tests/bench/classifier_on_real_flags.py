"""What the classifier takes away of the detectors' false alarms on real cells, at equal recall.

    PYTHONPATH=.:tests python tests/bench/classifier_on_real_flags.py [check|tuning]

First table, cells: how many cells labelled good (below 1/2) lie above the score that the given share of the cells
labelled defective reaches. 'largest' is the largest score of the detectors of cracks, inactive areas and dark cells;
'weighed' the same as the model's head gets it, areas lowered; 'with network' the model's defect score.

Then for each kind: how many flags on cells without it stay when the given share of the cells that have it, and any flag
of it, keep one; flags ranked by the detector's score and by the classifier's probability. Once by what two readers saw
(`tests/development_set`; both, or neither), once by the label (1.0, 0.0), which does not say of which kind. Last, cells
with a flag, all of them and those whose flag is not doubtful.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from development_set.reading import Reading, readings
from numpy.typing import NDArray

from elinspect.classifier import Model, load_model, shipped_model
from elinspect.classifier.heads import columns
from elinspect.classifier.scoring import STRONGEST_OF, cell_evidence, finding_evidence, finding_probability, run_network
from elinspect.detectors import detect_all, prepare
from elinspect.operations.open_cells import OpenPanel, check_half, open_panels, tuning_half
from elinspect.records import Kind
from elinspect.settings import DetectorSettings
from elinspect.statistics.operating import area_under_curve

RECALLS = (0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9)
SEEN: dict[Kind, Callable[[Reading], bool]] = {
    Kind.CRACK: lambda reading: reading.crack != "none",
    Kind.INACTIVE_AREA: lambda reading: reading.inactive_area,
    Kind.FINGER_INTERRUPTION: lambda reading: bool(reading.finger_marks),
}


@dataclass(frozen=True, slots=True, eq=False)
class Flags:
    """Findings of one kind: number of the cell (from 1), its label, the detector's score, the probability."""

    cell: NDArray[np.intp]
    label: NDArray[np.float64]
    score: NDArray[np.float64]
    probability: NDArray[np.float64]


Cells = dict[str, NDArray[np.float64]]


def looked_at(model: Model, panel: OpenPanel) -> tuple[Cells, dict[Kind, list[tuple[float, ...]]]]:
    """Return scores of the cells of a panel by name, and rows of its findings by kind."""
    view = prepare(*panel.pictures())
    detections, output = detect_all(view, DetectorSettings()), run_network(model, view)
    evidence, head = cell_evidence(output, detections), model.card.cell_head.head()
    cells = {
        "largest": np.max([evidence[f"detector.{kind.value}"] for kind in STRONGEST_OF], axis=0),
        "weighed": evidence["detector.strongest"],
        "with network": head.probability(columns(head.names, evidence)),
        "label": panel.labels,
    }
    flags: dict[Kind, list[tuple[float, ...]]] = {}
    for item in detections:
        if item.kind in SEEN and item.findings:
            rows = finding_evidence(output, view, item.findings)
            said = finding_probability(model.card.finding_heads[item.kind].head(), rows)
            flags[item.kind] = [
                (panel.first + finding.cell, panel.labels[finding.cell], finding.score, probability)
                for finding, probability in zip(item.findings, said, strict=True)
            ]
    return cells, flags


def print_cells(cells: Cells) -> None:
    """Print false alarms at equal recall."""
    bad, good = cells["label"] > 0.5, cells["label"] < 0.5
    names = ("largest", "weighed", "with network")
    print(f"{good.sum()} cells labelled good, {bad.sum()} defective; false alarms at a recall of")
    print(f"{'':14s}{'area':>7s}" + "".join(f"{recall:7.2f}" for recall in RECALLS))
    for name in names:
        own = cells[name]
        least = [np.sort(own[bad])[::-1][int(np.ceil(recall * bad.sum())) - 1] for recall in RECALLS]
        area = area_under_curve(own[bad], own[good])
        print(f"{name:14s}{area:7.3f}" + "".join(f"{int((own[good] >= at).sum()):7d}" for at in least))


def votes(kind: Kind) -> dict[int, int]:
    """Return how many of the two readers see something of a kind in the cells both read."""
    first, second = readings(1), readings(2)
    return {
        cell: sum(bool(SEEN[kind](reading[cell])) for reading in (first, second)) for cell in first if cell in second
    }


def print_flags(flags: Flags, truth: str, there: NDArray[np.bool_], absent: NDArray[np.bool_]) -> None:
    """Print false flags at equal recall, ranked by detector and by classifier; both masks are of flags."""
    cells = np.unique(flags.cell[there])
    if not len(cells):
        return
    print(f"  {truth}: {len(cells)} cells with a true flag, {absent.sum()} flags on cells without; of these stay")
    for name in ("score", "probability"):
        own = getattr(flags, name)
        best = np.sort([own[there & (flags.cell == cell)].max() for cell in cells])[::-1]
        least = [best[int(np.ceil(recall * len(cells))) - 1] for recall in (*RECALLS, 0.95, 1.0)]
        print(f"    {name:17s}" + "".join(f"{int((own[absent] >= at).sum()):7d}" for at in least))


def print_kind(kind: Kind, flags: Flags, limit: float) -> None:
    """Print what is known of the flags of one kind, with and without the doubtful ones."""
    seen = votes(kind)
    by_reader = np.array([seen.get(cell, -1) for cell in flags.cell.tolist()])
    groups = {
        "both readers see one": by_reader == 2, "neither sees one": by_reader == 0,
        "labelled 1.0": flags.label > 0.9, "labelled 0.0": flags.label < 0.1,
    }  # fmt: skip
    print(f"\n{kind.value}; recall   " + "".join(f"{recall:7.2f}" for recall in (*RECALLS, 0.95, 1.0)))
    print_flags(flags, "by readers", groups["both readers see one"], groups["neither sees one"])
    print_flags(flags, "by label", groups["labelled 1.0"], groups["labelled 0.0"])
    kept = flags.probability >= limit
    counts = [
        f"{name} {len(set(flags.cell[rows].tolist()))} -> {len(set(flags.cell[rows & kept].tolist()))}"
        for name, rows in groups.items()
    ]
    print(f"  cells with a flag, all and above the limit of doubt {limit:g}: {', '.join(counts)}")


def main() -> None:
    """Run on one half of the free panels."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("half", nargs="?", choices=["check", "tuning"], default="check")
    half = {"check": check_half, "tuning": tuning_half}[parser.parse_args().half]
    model = load_model(shipped_model())
    panels = half(open_panels())
    found = [looked_at(model, panel) for panel in panels]
    print_cells({name: np.concatenate([cells[name] for cells, _ in found]) for name in found[0][0]})
    for kind in SEEN:
        rows = np.array([row for _, flags in found for row in flags.get(kind, [])])
        flags = Flags(rows[:, 0].astype(int), rows[:, 1], rows[:, 2], rows[:, 3])
        print_kind(kind, flags, model.card.doubtful_below.get(kind, 0.0))


if __name__ == "__main__":
    main()
