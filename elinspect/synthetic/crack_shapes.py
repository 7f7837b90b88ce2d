"""Shapes of cracks, each as lines (x, y) in mm of the cell.

The patterns are those by which cracks are told apart (Köntges et al. 2013, IEEE J. Photovolt. 3:95-101; cross cracks:
Morlier et al. 2015, IEEE J. Photovolt. 5:1735-1741), and where stringing starts them: at joints, where a ribbon
crosses the cell's edge, at a cut edge.
"""

import itertools
import math
from collections.abc import Callable

import numpy as np

from elinspect.recipe import CellFormat, CutEdge, Wafer
from elinspect.records import Points
from elinspect.synthetic.wandering import wandering

Draw = Callable[[CellFormat, np.random.Generator], list[Points]]


def _roughness(cell: CellFormat) -> float:
    return 0.012 if cell.wafer is Wafer.MONO else 0.06


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


def cutting_off(cell: CellFormat, rng: np.random.Generator) -> Points:
    """Return the line of a crack that cuts a piece off between the outermost busbar and the edge."""
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


def _several(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    return [line for _ in range(int(rng.integers(2, 5))) for line in _diagonal(cell, rng)[:1]]


def shattered(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    """Return the cracks of a cell that was bent or hit hard: an X from side to side, and lines beside the busbars.

    Whole fields between two busbars then hang on one of them, or on a few fingers that still touch.
    """
    size = np.array([cell.along_mm, cell.across_mm])
    centre = size * rng.uniform(0.3, 0.7, 2)
    angle, lines = rng.uniform(0.5, 1.1), []
    for turned in (angle, -angle, math.pi - angle, math.pi + angle):
        if rng.random() < 0.85:
            way = np.array([math.cos(turned), math.sin(turned)])
            reach = rng.uniform(0.35, 0.9) * float(size.min())
            lines.append(wandering(rng, centre, centre + reach * way, 0.03))
    for _ in range(int(rng.integers(1, 5))):
        lines += _parallel(cell, rng)
    return lines


def lost_fields(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    """Return the cracks of a cell that broke beside its busbars: closed lines around what lost all of them.

    Each encloses a stretch between two busbars, or between the outermost one and the edge, from a third of the cell's
    length to all of it.
    """
    pitch = cell.across_mm / cell.busbars
    count = min(int(rng.choice([1, 2, 3], p=[0.35, 0.4, 0.25])), cell.busbars + 1)
    return [
        _around_field(cell, rng, (float(field) - 0.5) * pitch)
        for field in rng.choice(cell.busbars + 1, count, replace=False)
    ]


def _around_field(cell: CellFormat, rng: np.random.Generator, top: float) -> Points:
    """Return the line around a stretch of the field whose upper busbar lies at `top`; below 0 there is none."""
    pitch = cell.across_mm / cell.busbars
    share = 1.0 if rng.random() < 0.5 else float(np.exp(rng.uniform(math.log(0.3), 0.0)))
    length = share * cell.along_mm
    start = (cell.along_mm - length) * float(rng.choice([0.0, 1.0, rng.uniform()]))
    beside = pitch * rng.uniform(0.05, 0.2, 4)
    # Beyond the cell's edges the line only closes; what lies there cuts nothing.
    above, below = (max(top, -pitch / 4), min(top + pitch, cell.across_mm + pitch / 4))
    corners = np.array([
        [start, above + beside[0]], [start + length, above + beside[1]],
        [start + length - rng.uniform(0, 0.4) * pitch, below - beside[2]],
        [start + rng.uniform(0, 0.4) * pitch, below - beside[3]],
    ])  # fmt: skip
    corners[:2, 1] = corners[:2, 1] if top > 0 else above
    corners[2:, 1] = corners[2:, 1] if top + pitch < cell.across_mm else below
    legs = [wandering(rng, a, b, 0.04) for a, b in itertools.pairwise([*corners, corners[0]])]
    return np.concatenate([legs[0], *(leg[1:] for leg in legs[1:])])


def cross(cell: CellFormat, rng: np.random.Generator, centre: Points) -> list[Points]:
    """Return the short cross that one hard point presses into a cell."""
    angle = rng.uniform(0, math.pi)
    lines = []
    for turn in (0.0, math.pi / 2 * rng.uniform(0.8, 1.2)):
        way = np.array([math.cos(angle + turn), math.sin(angle + turn)])
        reach = rng.uniform(0.05, 0.14, 2) * min(cell.along_mm, cell.across_mm)
        lines.append(wandering(rng, centre - reach[0] * way, centre + reach[1] * way, _roughness(cell)))
    return lines


def _anywhere_cross(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    return cross(cell, rng, rng.uniform(0.1, 0.9, 2) * (cell.along_mm, cell.across_mm))


def _busbar(cell: CellFormat, rng: np.random.Generator) -> float:
    n = max(cell.busbars, 1)
    return (int(rng.integers(n)) + 0.5) / n * cell.across_mm


def _from(
    cell: CellFormat, rng: np.random.Generator, start: Points, angle: float, reach: tuple[float, float]
) -> Points:
    length = float(np.exp(rng.uniform(*np.log(reach))))
    return wandering(rng, start, start + length * np.array([math.cos(angle), math.sin(angle)]), _roughness(cell))


def _at_joint(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    start = np.array([rng.uniform(0.05, 0.95) * cell.along_mm, _busbar(cell, rng)])
    angle = rng.uniform(0, 2 * math.pi)
    lines = [_from(cell, rng, start, angle, (6, 70))]
    if rng.random() < 0.4:
        lines.append(_from(cell, rng, start, angle + rng.uniform(1.5, 4.5), (5, 40)))
    return lines


def _at_ribbon_edge(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    left = rng.random() < 0.5
    start = np.array([0.0 if left else cell.along_mm, _busbar(cell, rng) + rng.normal(0, 0.7)])
    angle = (0.0 if left else math.pi) + rng.uniform(-1.2, 1.2)
    return [_from(cell, rng, start, angle, (4, 60))]


def _from_edge(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    """Return a crack from the cut edge, or from any edge of a full cell."""
    side = 0 if cell.cut_edge is CutEdge.LEFT else 1 if cell.cut_edge is CutEdge.RIGHT else int(rng.integers(4))
    share = rng.uniform(0.03, 0.97)
    start, inward = (
        (np.array([0.0, share * cell.across_mm]), 0.0),
        (np.array([cell.along_mm, share * cell.across_mm]), math.pi),
        (np.array([share * cell.along_mm, 0.0]), math.pi / 2),
        (np.array([share * cell.along_mm, cell.across_mm]), -math.pi / 2),
    )[side]
    return [_from(cell, rng, start, inward + rng.uniform(-1.1, 1.1), (8, 90))]


def _corner(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    legs = rng.uniform(0.08, 0.35, 2) * min(cell.along_mm, cell.across_mm) + cell.chamfer_mm
    line = wandering(rng, np.array([legs[0], 0.0]), np.array([0.0, legs[1]]), _roughness(cell))
    size = np.array([cell.along_mm, cell.across_mm])
    flip = rng.random(2) < 0.5
    return [np.where(flip, size - line, line)]


PATTERNS: tuple[tuple[float, Draw], ...] = (
    (0.20, _diagonal), (0.15, _parallel), (0.08, _perpendicular), (0.10, _several), (0.10, _dendritic),
    (0.09, _anywhere_cross), (0.09, _at_joint), (0.07, _at_ribbon_edge), (0.07, _from_edge), (0.05, _corner),
)  # fmt: skip
"""How often each pattern is drawn, and how; the shares are invented."""


def draw_lines(cell: CellFormat, rng: np.random.Generator) -> list[Points]:
    """Draw the lines of a crack of any pattern."""
    shares = np.array([share for share, _ in PATTERNS])
    return PATTERNS[int(rng.choice(len(PATTERNS), p=shares / shares.sum()))][1](cell, rng)
