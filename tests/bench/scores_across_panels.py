"""Whether the scores of each kind rank cells alike on panels of differing exposure, noise, sharpness and wafer.

``PYTHONPATH=.:tests python tests/bench/scores_across_panels.py``; about two minutes. Simulated panels through the whole
program, mono, multi and half-cut cells, each taken with three cameras; every panel carries some cells of each kind and
sound ones. Printed per kind: the area under the curve of cells with it against sound cells, of all panels together and
within panels (mean weighted by pairs). Where the first is as high as the second, a score means the same on every panel.

Then where broken fingers begin: beside the ribbon (soldering) or in mid field (print), as said, by the distance of the
simulated break from the middle of the nearest busbar.
"""

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from ranking import Ranked, area_within, pooled_area

from elinspect.pipeline import inspect_panel
from elinspect.recipe import CellFormat, Product, ProductRecipe, default_criteria
from elinspect.records import ElImage, Exposures, Flag, Kind, Layout, PanelResult, Points, read_only
from elinspect.synthetic.camera import CameraSettings
from elinspect.synthetic.chance import (
    draw_chip,
    draw_crack,
    draw_finger_interruption,
    draw_foreign_body,
    draw_inactive_area,
    draw_misplaced,
    draw_solder_fault,
)
from elinspect.synthetic.defects import (
    BussingJointFault,
    DarkCell,
    Defect,
    FingerInterruption,
    ReversedCell,
    RibbonOffset,
)
from elinspect.synthetic.panel import SimulatedPanel, simulate_panel
from elinspect.synthetic.products import product_recipe

LAYOUT = Layout(1, 6, 10)
PRODUCTS = ("mono_6x10", "multi_6x10", "half_cut_2x6x12")
CAMERAS = (
    CameraSettings(px_per_mm=1.7, signal_to_noise=80, blur_px=0.8, exposure=0.6),
    CameraSettings(px_per_mm=1.3, signal_to_noise=25, blur_px=1.0, exposure=0.3),
    CameraSettings(px_per_mm=1.7, signal_to_noise=12, blur_px=1.4, exposure=0.12, vignetting=0.25),
)
SAID = ("beside", "mid field", "nothing said", "not found")
BESIDE_MM = (2.5, 5.0)
"""Up to the first a break is called one beside the ribbon; up to the second either may be said with reason."""


def main() -> None:
    """Print the tables."""
    ranked: dict[Kind, list[Ranked]] = {}
    fingers: Counter[tuple[str, int, str]] = Counter()
    for name in PRODUCTS:
        recipe = replace(product_recipe(name), layout=LAYOUT)
        for number, camera in enumerate(CAMERAS):
            rng = np.random.default_rng(100 + number)
            panel = simulate_panel(recipe, rng, _defects(recipe.cell, rng), camera)
            for kind, one in _ranked(panel, _inspected(panel)).items():
                ranked.setdefault(kind, []).append(one)
            fingers += _finger_places(name, recipe, camera, rng)
    print(f"{'':<22}cells   all together   within panels")
    for kind, panels in ranked.items():
        cells = sum(len(panel.there) for panel in panels)
        print(f"{kind.value:<22}{cells:>5}{pooled_area(panels):>15.3f}{area_within(panels):>16.3f}")
    for name in PRODUCTS:
        for far, where in enumerate((f"up to {BESIDE_MM[0]} mm", f"up to {BESIDE_MM[1]} mm", "further")):
            told = ", ".join(f"{said} {fingers[name, far, said]}" for said in SAID)
            print(f"{name}, {where} from a busbar: {told}")


def _defects(cell: CellFormat, rng: np.random.Generator) -> list[Defect]:
    """Three cells of each kind, the rest sound; joints at fault at the ends of three strings."""
    places = [(string, position) for string in range(1, 7) for position in range(2, 10)]
    rng.shuffle(places)
    draws = (draw_crack, draw_inactive_area, draw_finger_interruption, draw_solder_fault, draw_chip,
             draw_foreign_body, draw_misplaced, _dark, _offset)  # fmt: skip
    defects = [draw(cell, rng, *places.pop()) for draw in draws for _ in range(3)]
    defects.append(ReversedCell(*places.pop()))
    joints = [BussingJointFault(string, int(rng.integers(1, cell.busbars + 1))) for string in (2, 4, 5)]
    return [*defects, *joints]


def _dark(_: CellFormat, rng: np.random.Generator, string: int, position: int) -> Defect:
    return DarkCell(string, position, float(rng.uniform(0.3, 0.75)))


def _offset(cell: CellFormat, rng: np.random.Generator, string: int, position: int) -> Defect:
    return RibbonOffset(string, position, int(rng.integers(1, cell.busbars + 1)), float(rng.normal(0, 1.5)))


def _inspected(panel: SimulatedPanel) -> PanelResult:
    depth = panel.camera.bit_depth
    image = ElImage(Path("panel.png"), "0" * 64, read_only(panel.picture.astype(np.float32)), depth, 2.0**depth - 1)
    return inspect_panel(Exposures((image,)), Product(panel.recipe), default_criteria())


def _ranked(panel: SimulatedPanel, result: PanelResult) -> dict[Kind, Ranked]:
    there: dict[Kind, set[tuple[int, int]]] = {}
    for defect in panel.defects:
        there.setdefault(defect.kind, set()).add((defect.string, defect.position or 0))
    marked = set().union(*there.values())
    scores = {(cell.address.string, cell.address.position): cell.kind_scores for cell in result.cells if cell.judged}
    return {
        kind: Ranked(
            np.array([scores[place][kind.value] for place in sorted(places & scores.keys())]),
            np.array([own[kind.value] for place, own in scores.items() if place not in marked]),
        )
        for kind, places in there.items()
    }


def _finger_places(
    name: str, recipe: ProductRecipe, camera: CameraSettings, rng: np.random.Generator
) -> Counter[tuple[str, int, str]]:
    """Count broken fingers by product, how far from a busbar, and what was said of them."""
    chosen = [(string, position) for string in range(1, 7) for position in range(1, 11, 2)]
    defects = [replace(draw_finger_interruption(recipe.cell, rng, *place), severed=1.0) for place in chosen]
    panel = simulate_panel(recipe, rng, defects, camera)
    flags = [flag for flag in _inspected(panel).flags if "bundle_mm" in flag.measurements and flag.stands_for <= 1]
    counts: Counter[tuple[str, int, str]] = Counter()
    for defect in defects:
        place = (defect.string, defect.position)
        truth = [one for one in panel.defects if (one.string, one.position) == place]
        if truth:
            said = _said_of([flag for flag in flags if (flag.string, flag.position) == place], truth[0].outlines_px[0])
            counts[name, _how_far(defect, recipe.cell), said] += 1
    return counts


@dataclass(frozen=True, slots=True)
class _Near:
    """A flag and how far it lies from what is there, px."""

    flag: Flag
    away_px: float


def _said_of(flags: list[Flag], outline: Points) -> str:
    middle = outline.mean(axis=0)
    near = [_Near(flag, float(np.linalg.norm(np.mean(flag.outline_px, axis=0) - middle))) for flag in flags]
    best = min(near, key=lambda one: one.away_px, default=None)
    # A streak is ten to thirty millimetres long; its middle cannot lie further off than half of that.
    if best is None or best.away_px > 12.0:
        return "not found"
    return {None: "nothing said", True: "beside", False: "mid field"}[best.flag.measurements.get("at_busbar")]


def _how_far(defect: FingerInterruption, cell: CellFormat) -> int:
    pitch_mm = cell.across_mm / cell.busbars
    away_mm = abs(defect.place.v * cell.busbars % 1 - 0.5) * pitch_mm
    return sum(away_mm > bound for bound in BESIDE_MM)


if __name__ == "__main__":
    main()
