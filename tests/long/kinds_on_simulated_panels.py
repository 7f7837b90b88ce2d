"""Recall and precision of each kind on simulated panels of its own, by depth and resolution.

``pytest -s tests/long/kinds_on_simulated_panels.py``; some minutes. Every second cell of a panel of 32 carries
one defect of the kind (every sixth is dark). Those there are counted by how deep they are (the simulator's drop of
luminance, natural logarithm, before blur and noise), areas, chips and bodies by their share of the cell: the lesser and
the greater half. Precision is of flagged cells. What the kind is taken for instead is named. Solder and bussing joint
faults are looked for in one exposure and in a pair.

Stains, scratches and belt marks are on these panels too: how many of them were shown as patterns, and how many cells
without any defect were flagged as something else where one lies.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from detectors_on_simulated_panels import LAYOUT, _cells, _truth
from drawn_cells import as_pictures

from elinspect.detectors import detect_all, prepare
from elinspect.recipe import CellFormat, Product, ProductRecipe
from elinspect.records import Detection, Kind
from elinspect.settings import DetectorSettings
from elinspect.synthetic.camera import CameraSettings
from elinspect.synthetic.chance import (
    draw_chip,
    draw_crack,
    draw_finger_interruption,
    draw_foreign_body,
    draw_inactive_area,
    draw_solder_fault,
)
from elinspect.synthetic.defects import BussingJointFault, DarkCell, Defect
from elinspect.synthetic.panel import SimulatedPanel, TrueDefect, simulate_panel
from elinspect.synthetic.products import product_recipe

SCALES_MM_PER_PX = (0.3, 0.5, 0.8)
AREA_TOLERANCE = 0.01
_Draw = Callable[[CellFormat, np.random.Generator, int, int], Defect]


def _dark(_: CellFormat, rng: np.random.Generator, string: int, position: int) -> Defect:
    return DarkCell(string, position, float(rng.uniform(0.2, 0.55)))


def _joint(cell: CellFormat, rng: np.random.Generator, string: int, _position: int) -> Defect:
    return BussingJointFault(string, int(rng.integers(1, cell.busbars + 1)))


DRAWN: dict[Kind, _Draw] = {
    Kind.CRACK: draw_crack,
    Kind.INACTIVE_AREA: draw_inactive_area,
    Kind.FINGER_INTERRUPTION: draw_finger_interruption,
    Kind.SOLDER_FAULT: draw_solder_fault,
    Kind.BUSSING_JOINT_FAULT: _joint,
    Kind.CHIPPED_CELL: draw_chip,
    Kind.FOREIGN_BODY: draw_foreign_body,
    Kind.DARK_CELL: _dark,
}
BY_SHARE = {Kind.INACTIVE_AREA, Kind.CHIPPED_CELL, Kind.FOREIGN_BODY}
PAIRED = {Kind.SOLDER_FAULT, Kind.BUSSING_JOINT_FAULT}
AT_LEAST = {
    Kind.INACTIVE_AREA: 0.6, Kind.FINGER_INTERRUPTION: 0.5, Kind.CHIPPED_CELL: 0.3, Kind.FOREIGN_BODY: 0.3,
    Kind.DARK_CELL: 0.9,
}  # fmt: skip
"""Recall of the greater half that must be reached at 0.5 mm per pixel and finer."""


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Flagged kinds and shares of the cells of one panel, and what is there."""

    panel: SimulatedPanel
    kinds: dict[int, Counter[Kind]]
    shares: dict[int, float]
    shown: set[int]


def _seen(panel: SimulatedPanel, scale: float) -> _Seen:
    pictures = as_pictures(_cells(panel, scale), LAYOUT, scale, saturation=1e9)
    if panel.low_picture is not None:
        pictures = replace(pictures, low_current=_cells(replace(panel, picture=panel.low_picture), scale))
    detections: tuple[Detection, ...] = detect_all(prepare(pictures, Product(panel.recipe)), DetectorSettings())
    kinds: dict[int, Counter[Kind]] = {cell: Counter() for cell in range(LAYOUT.n_cells)}
    shares: dict[int, float] = {}
    shown: set[int] = set()
    for detection in detections:
        for finding in detection.findings:
            kinds[finding.cell][finding.kind] += 1
            if finding.kind is Kind.INACTIVE_AREA:
                shares[finding.cell] = shares.get(finding.cell, 0.0) + (finding.area_fraction or 0.0)
            if finding.kind is Kind.MATERIAL_PATTERN:
                shown.add(finding.cell)
    return _Seen(panel, kinds, shares, shown)


def _panel(recipe: ProductRecipe, kind: Kind, scale: float, paired: bool) -> SimulatedPanel:
    rng = np.random.default_rng(9)
    # Among as many dark cells as bright ones none would be unusual.
    chosen = range(0, LAYOUT.n_cells, 6 if kind is Kind.DARK_CELL else 2)
    places = [(cell // LAYOUT.cells_per_string + 1, cell % LAYOUT.cells_per_string + 1) for cell in chosen]
    if kind is Kind.BUSSING_JOINT_FAULT:
        places = [(string, 1) for string in range(1, LAYOUT.n_strings + 1)]
    defects = [DRAWN[kind](recipe.cell, rng, *place) for place in places]
    camera = CameraSettings(px_per_mm=1 / scale)
    return simulate_panel(recipe, rng, defects, camera, low_current=0.1 if paired else None)


def _size(defect: TrueDefect) -> float:
    return defect.contrast if defect.kind not in BY_SHARE else defect.area_fraction or 0.0


def _row(seen: _Seen, kind: Kind) -> tuple[str, float]:
    """Text of one panel, and recall of the greater half."""
    truth = _truth(seen.panel)
    there = {cell: max(_size(one) for one in own) for (cell, own_kind), own in truth.items() if own_kind is kind}
    middle = float(np.median(list(there.values()))) if there else 0.0
    halves = [
        [cell for cell, depth in there.items() if (depth > middle) is deep or len(set(there.values())) == 1]
        for deep in (False, True)
    ]
    hits = [sum(seen.kinds[cell][kind] > 0 for cell in half) for half in halves]
    flagged = [cell for cell, found in seen.kinds.items() if found[kind]]
    instead = Counter(
        other.value for cell in there if not seen.kinds[cell][kind] for other in seen.kinds[cell]
    ).most_common(2)
    text = (
        f"up to {middle:.4f}: {hits[0]}/{len(halves[0])}, above: {hits[1]}/{len(halves[1])}; right of flagged "
        f"{sum(cell in there for cell in flagged)}/{len(flagged)}; instead {dict(instead)}"
    )
    return text, hits[1] / max(len(halves[1]), 1)


def _patterns(seen: _Seen) -> tuple[int, int, int]:
    """Cells without a defect that have a pattern: how many, shown as such, flagged as something else."""
    defective = {cell for cell, _ in _truth(seen.panel)}
    cells = {
        (pattern.string - 1) * LAYOUT.cells_per_string + (pattern.position or 1) - 1 for pattern in seen.panel.patterns
    } - defective
    other = sum(any(kind is not Kind.MATERIAL_PATTERN for kind in seen.kinds[cell]) for cell in cells)
    return len(cells), len(cells & seen.shown), other


@pytest.mark.timeout(1800)
@pytest.mark.parametrize(("name", "wires"), [("mono_6x10", None), ("half_cut_2x6x12", 16), ("multi_6x10", None)])
def test_every_kind(name: str, wires: int | None) -> None:
    recipe = replace(product_recipe(name), layout=LAYOUT)
    recipe = replace(recipe, cell=replace(recipe.cell, busbars=wires or recipe.cell.busbars))
    errors: list[float] = []
    patterns = np.zeros(3, int)
    low: list[str] = []
    print(f"\n{name}, {recipe.cell.busbars} busbars")
    for kind in DRAWN:
        for scale in SCALES_MM_PER_PX:
            for paired in (False, True) if kind in PAIRED else (False,):
                seen = _seen(_panel(recipe, kind, scale, paired), scale)
                text, recall = _row(seen, kind)
                print(f"{kind.value:<20} {scale:.1f} mm/px{' pair' if paired else '':<5} {text}", flush=True)
                patterns += _patterns(seen)
                if name != "multi_6x10" and scale <= 0.5 and recall < AT_LEAST.get(kind, 0.0):
                    low.append(f"{kind.value} at {scale}: {recall:.2f}")
                if kind is Kind.INACTIVE_AREA:
                    true = {cell: own for (cell, own_kind), own in _truth(seen.panel).items() if own_kind is kind}
                    errors += [
                        seen.shares[cell] - sum(one.area_fraction or 0 for one in own)
                        for cell, own in true.items()
                        if cell in seen.shares
                    ]
    print(f"inactive share, found less true: median {np.median(errors):+.4f}, largest {np.abs(errors).max():.4f} of "
          f"{len(errors)}")  # fmt: skip
    print(
        f"cells with patterns only: {patterns[0]}, shown as such {patterns[1]}, flagged as something else {patterns[2]}"
    )
    assert np.abs(errors).max() <= AREA_TOLERANCE
    assert not low, low
