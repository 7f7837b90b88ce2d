"""Defects drawn at random, with rates."""

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from elinspect.frames import CellPlace, address_of
from elinspect.recipe import CellFormat, ProductRecipe, Wafer
from elinspect.records import CrackMode, Points
from elinspect.synthetic.defects import Crack, DarkCell, DarkString, Defect, FingerInterruption, InactiveArea, Path
from elinspect.synthetic.wandering import as_path, wandering


@dataclass(frozen=True, slots=True)
class DefectRates:
    """How often each kind occurs: probability per cell, for `dark_string` per string.

    The defaults are invented, of the order of what makers of stringers promise for breakage (0.3 to 0.5 % of cells;
    Wirth 2010, Photovoltaics International 9, abstract).
    """

    crack: float = 0.006
    inactive_area: float = 0.002
    finger_interruption: float = 0.02
    dark_cell: float = 0.001
    dark_string: float = 0.0005

    def __post_init__(self) -> None:
        for name in ("crack", "inactive_area", "finger_interruption", "dark_cell", "dark_string"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} must lie in 0..1, not {getattr(self, name)}")


def draw_defects(recipe: ProductRecipe, rng: np.random.Generator, rates: DefectRates) -> tuple[Defect, ...]:
    """Draw the defects of one panel.

    Parameters
    ----------
    recipe : ProductRecipe
        The product.
    rng : numpy.random.Generator
        Draws them.
    rates : DefectRates
        How often each kind occurs.
    """
    made: list[Defect] = []
    chances = rng.random((recipe.layout.n_cells, 4))
    for index, (crack, area, finger, dark) in enumerate(chances):
        string, position = (at := address_of(recipe.layout, index)).string, at.position
        if crack < rates.crack:
            made.append(draw_crack(recipe.cell, rng, string, position))
        if area < rates.inactive_area:
            made.append(draw_inactive_area(recipe.cell, rng, string, position))
        if finger < rates.finger_interruption:
            made.append(draw_finger_interruption(recipe.cell, rng, string, position))
        if dark < rates.dark_cell:
            made.append(DarkCell(string, position, float(rng.uniform(0.2, 0.55))))
    for string in range(1, recipe.layout.n_strings + 1):
        if rng.random() < rates.dark_string:
            made.append(DarkString(string, float(rng.uniform(0.08, 0.4))))
    return tuple(made)


def draw_crack(
    cell: CellFormat, rng: np.random.Generator, string: int, position: int, mode: CrackMode | None = None
) -> Crack:
    """Draw a crack; `mode` steers how it is drawn, the truth is what the broken fingers do.

    Mode C cracks cut a piece off between the outermost busbar and the edge, the only place where one crack alone can.
    """
    if mode is None:
        mode = CrackMode("ABC"[int(rng.choice(3, p=[0.5, 0.35, 0.15]))])
    if cell.busbars == 0:
        mode = CrackMode.A
    patterns: tuple[Callable[[CellFormat, np.random.Generator], list[Points]], ...] = (
        _diagonal, _parallel, _perpendicular, _dendritic,
    )  # fmt: skip
    if mode is CrackMode.C:
        lines, severed = [_cutting_off(cell, rng)], 1.0
    else:
        lines = patterns[int(rng.choice(4, p=[0.45, 0.3, 0.1, 0.15]))](cell, rng)
        severed = 0.0 if mode is CrackMode.A else float(rng.uniform(0.5, 1.0))
    contrast = float(np.exp(rng.uniform(math.log(0.08), math.log(0.5))))
    return Crack(string, position, _paths(cell, lines), severed, contrast, float(rng.uniform(0.6, 1.0)))


def draw_crack_at(cell: CellFormat, rng: np.random.Generator, string: int, position: int, place: CellPlace) -> Crack:
    """Draw the short star of cracks that one hard point pressed into the cell, around `place`."""
    centre = np.array([place.u * cell.along_mm, place.v * cell.across_mm]) + rng.normal(0, 1.0, 2)
    angle = rng.uniform(0, math.pi)
    lines = []
    for turn in (0.0, math.pi / 2 * rng.uniform(0.8, 1.2)):
        way = np.array([math.cos(angle + turn), math.sin(angle + turn)])
        reach = rng.uniform(0.07, 0.14, 2) * min(cell.along_mm, cell.across_mm)
        lines.append(wandering(rng, centre - reach[0] * way, centre + reach[1] * way, _roughness(cell)))
    contrast = float(rng.uniform(0.2, 0.5))
    return Crack(string, position, _paths(cell, lines), float(rng.uniform(0, 0.7)), contrast, 0.8)


def draw_inactive_area(cell: CellFormat, rng: np.random.Generator, string: int, position: int) -> InactiveArea:
    """Draw a piece at an edge of the cell that lost its contact."""
    width = rng.uniform(0.12, 0.35) * cell.along_mm
    depth = rng.uniform(0.05, 0.25) * cell.across_mm
    start = rng.uniform(0, cell.along_mm - width)
    peak = np.array([start + width * rng.uniform(0.3, 0.7), depth])
    first = wandering(rng, np.array([start, 0.0]), peak, 0.06)
    second = wandering(rng, peak, np.array([start + width, 0.0]), 0.06)
    line = np.concatenate([first, second[1:]])
    if rng.random() < 0.5:
        line[:, 1] = cell.across_mm - line[:, 1]
    return InactiveArea(string, position, as_path(line, cell.along_mm, cell.across_mm), float(rng.uniform(0.04, 0.2)))


def draw_finger_interruption(
    cell: CellFormat, rng: np.random.Generator, string: int, position: int
) -> FingerInterruption:
    """Draw broken fingers beside a busbar (where soldering breaks them), or towards the cell's edge."""
    n = max(cell.busbars, 1)
    busbar = (int(rng.integers(n)) + 0.5) / n
    v = busbar + float(rng.choice([-1.0, 1.0])) * rng.uniform(0.04, 0.12) / n
    fingers = int(rng.choice([1, 1, 1, 2, 3, 5]))
    return FingerInterruption(
        string, position, CellPlace(float(rng.uniform(0.05, 0.95)), float(v)), fingers, float(rng.uniform(0.4, 1))
    )


def _roughness(cell: CellFormat) -> float:
    return 0.012 if cell.wafer is Wafer.MONO else 0.06


def _paths(cell: CellFormat, lines: list[Points]) -> tuple[Path, ...]:
    return tuple(as_path(line, cell.along_mm, cell.across_mm) for line in lines)


def _diagonal(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    # A mono wafer cleaves along its crystal planes, at 45° to its sides.
    spread = 3.0 if cell.wafer is Wafer.MONO else 15.0
    angle = math.radians(float(rng.choice([45.0, 135.0])) + rng.normal(0, spread))
    middle = np.array([cell.along_mm, cell.across_mm]) * rng.uniform(0.25, 0.75, 2)
    way = np.array([math.cos(angle), math.sin(angle)])
    reach = rng.uniform(0.2, 0.8, 2) * min(cell.along_mm, cell.across_mm)
    main = wandering(rng, middle - reach[0] * way, middle + reach[1] * way, _roughness(cell))
    return [main, *_branches(cell, rng, main, angle)]


def _branches(cell: CellFormat, rng: np.random.Generator, main: Points, angle: float) -> list[Points]:
    lines = []
    for _ in range(int(rng.choice(3, p=[0.6, 0.3, 0.1]))):
        turned = angle + math.radians(rng.choice([-1.0, 1.0]) * rng.uniform(25, 90))
        reach = rng.uniform(0.1, 0.3) * min(cell.along_mm, cell.across_mm)
        root = main[int(rng.integers(len(main) // 4, 3 * len(main) // 4 + 1))]
        root = np.clip(root, 0, (cell.along_mm, cell.across_mm))
        lines.append(wandering(rng, root, root + reach * np.array([math.cos(turned), math.sin(turned)]), 0.04))
    return lines


def _parallel(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    n = max(cell.busbars, 1)
    # Just beside a busbar: there the stress of soldering is highest and the fingers carry the most current.
    v = ((int(rng.integers(n)) + 0.5) + float(rng.choice([-1.0, 1.0])) * rng.uniform(0.08, 0.25)) / n
    start, end = np.sort(rng.uniform(0, 1, 2))
    if end - start < 0.35:
        start, end = (0.0, end + 0.3) if start < 0.5 else (start - 0.3, 1.0)
    slope = rng.normal(0, 0.02)
    ends = np.array([[start, v - slope], [min(end, 1.0), v + slope]]) * (cell.along_mm, cell.across_mm)
    return [wandering(rng, ends[0], ends[1], _roughness(cell))]


def _perpendicular(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    u = rng.uniform(0.1, 0.9)
    start, end = (0.0, rng.uniform(0.3, 1.0)) if rng.random() < 0.5 else (1.0, rng.uniform(0.0, 0.7))
    ends = np.array([[u, start], [u + rng.normal(0, 0.06), end]]) * (cell.along_mm, cell.across_mm)
    return [wandering(rng, ends[0], ends[1], _roughness(cell))]


def _dendritic(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    centre = np.array([cell.along_mm, cell.across_mm]) * rng.uniform(0.3, 0.7, 2)
    count = int(rng.integers(3, 6))
    lines = []
    for angle in rng.uniform(0, 2 * math.pi) + np.arange(count) * 2 * math.pi / count + rng.normal(0, 0.3, count):
        reach = rng.uniform(0.2, 0.5) * min(cell.along_mm, cell.across_mm)
        lines.append(wandering(rng, centre, centre + reach * np.array([math.cos(angle), math.sin(angle)]), 0.06))
    return lines


def _cutting_off(cell: CellFormat, rng: np.random.Generator) -> Points:
    depth = rng.uniform(0.5, 0.8) * 0.5 * cell.across_mm / cell.busbars
    width = rng.uniform(0.25, 0.6) * cell.along_mm
    start = rng.uniform(0, cell.along_mm - width)
    shoulders = np.array([[start + 0.2 * width, depth], [start + 0.85 * width, depth * rng.uniform(0.6, 1.0)]])
    corners = [np.array([start, 0.0]), *shoulders, np.array([start + width, 0.0])]
    legs = [wandering(rng, a, b, 0.03) for a, b in itertools.pairwise(corners)]
    line = np.concatenate([legs[0], *(leg[1:] for leg in legs[1:])])
    if rng.random() < 0.5:
        line[:, 1] = cell.across_mm - line[:, 1]
    return line
