"""Defects drawn at random, with rates."""

import math
from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from elinspect.frames import CellPlace, address_of
from elinspect.recipe import CellFormat, ProductRecipe, Wafer
from elinspect.records import CrackMode, Points
from elinspect.synthetic.crack_shapes import cross, cutting_off, draw_lines, lost_fields, shattered
from elinspect.synthetic.defects import (
    BridgedString,
    BussingJointFault,
    ChippedCell,
    Crack,
    DarkCell,
    DarkString,
    Defect,
    FingerInterruption,
    ForeignBody,
    InactiveArea,
    MisplacedCell,
    OpenString,
    Path,
    ReversedCell,
    RibbonOffset,
    ShuntedCell,
    SolderFault,
)
from elinspect.synthetic.wandering import as_path, stroke, wandering

_LINE = math.log(0.25)
"""Usual contrast of a crack's line, before optics and pixels halve it: as deep then as the lines two readers marked in
the tuning half of the free real cells (median 0.13 on mono, 0.14 on multi cells)."""

_SHATTERED = 0.08
"""Share of cracked cells that are broken into many pieces; invented."""


@dataclass(frozen=True, slots=True)
class DefectRates:
    """How often each kind occurs: probability per cell, for strings and their joints per string.

    The defaults are invented, of the order of what makers of stringers promise for breakage (0.3 to 0.5 % of cells;
    Wirth 2010, Photovoltaics International 9, abstract); kinds without a default above 0 are drawn on demand.
    """

    crack: float = 0.006
    inactive_area: float = 0.002
    finger_interruption: float = 0.02
    dark_cell: float = 0.001
    dark_string: float = 0.0005
    solder_fault: float = 0.0
    ribbon_offset: float = 0.0
    shunted_cell: float = 0.0
    chipped_cell: float = 0.0
    misplaced_cell: float = 0.0
    foreign_body: float = 0.0
    reversed_cell: float = 0.0
    bridged_string: float = 0.0
    open_string: float = 0.0
    bussing_joint_fault: float = 0.0
    lost_field: float = 0.0

    def __post_init__(self) -> None:
        for name in (field.name for field in fields(self)):
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
    cell = recipe.cell
    for index in range(recipe.layout.n_cells):
        string, position = (at := address_of(recipe.layout, index)).string, at.position
        for name, draw in _OF_CELLS.items():
            if rng.random() < getattr(rates, name):
                made += draw(cell, rng, string, position)
        # Asked last and only where it may occur: panels without it stay as they were drawn before it was there.
        if rates.lost_field and rng.random() < rates.lost_field:
            made.append(draw_lost_field(cell, rng, string, position))
    for string in range(1, recipe.layout.n_strings + 1):
        for name, draw_string in _OF_STRINGS.items():
            if rng.random() < getattr(rates, name):
                made.append(draw_string(cell, rng, string))
    return tuple(made)


def draw_crack(
    cell: CellFormat, rng: np.random.Generator, string: int, position: int, mode: CrackMode | None = None
) -> Crack:
    """Draw a crack; `mode` steers how it is drawn, the truth is what the network says.

    Mode C cracks cut a piece off between the outermost busbar and the edge, the only place where one crack alone can.
    Now and then a cell is shattered; most of those lose current in whole fields.
    On multicrystalline cells four in ten cracks are hardly seen as a line, but as a step with streaked fragments.
    """
    step = rng.random() < (0.75 if cell.wafer is Wafer.MULTI else 0.15)
    in_pieces = mode is None and rng.random() < _SHATTERED
    if mode is None:
        mode = CrackMode("ABC"[int(rng.choice(3, p=[0.25, 0.75, 0.0] if in_pieces else [0.5, 0.35, 0.15]))])
    else:
        step &= mode is CrackMode.B
    if cell.busbars == 0:
        mode = CrackMode.A
    step &= mode is not CrackMode.A
    draw = shattered if in_pieces else draw_lines
    lines = [cutting_off(cell, rng)] if mode is CrackMode.C else draw(cell, rng)
    if step and rng.random() < 0.6:  # a step shows best where fingers are fed from one side
        lines.append(cutting_off(cell, rng))
    severed = 0.0 if mode is CrackMode.A else float(rng.uniform(0.5, 1.0))
    touching = float(rng.uniform(0.4, 1.0) if step else rng.uniform(0.0, 0.6))
    if mode is CrackMode.C and not step:
        severed, touching = 1.0, float(rng.uniform(0.0, 0.1))
    contrast = float(np.exp(rng.uniform(math.log(0.008), math.log(0.04)) if step else rng.normal(_LINE, 0.8)))
    contrast = min(max(contrast, 0.008), 1.2)
    return Crack(string, position, _paths(cell, lines), severed, contrast, float(rng.uniform(0.3, 1.0)), touching)


def draw_crack_at(cell: CellFormat, rng: np.random.Generator, string: int, position: int, place: CellPlace) -> Crack:
    """Draw the short cross of cracks that one hard point pressed into the cell, around `place`."""
    centre = np.array([place.u * cell.along_mm, place.v * cell.across_mm]) + rng.normal(0, 1.0, 2)
    contrast = float(rng.uniform(0.2, 0.5))
    lines = cross(cell, rng, centre)
    return Crack(string, position, _paths(cell, lines), float(rng.uniform(0, 0.7)), contrast, 0.8)


def draw_lost_field(cell: CellFormat, rng: np.random.Generator, string: int, position: int) -> Crack:
    """Draw a cell that broke beside its busbars, so that large pieces of it lost all contact, or hang on a few fingers.

    So look the inactive areas that two readers saw in the tuning half of the free real cells: 1 to 49 % of the cell,
    half of them above 13 %, all in cells with other cracks too.
    """
    if cell.busbars == 0:
        return draw_crack(cell, rng, string, position)
    lines = lost_fields(cell, rng)
    if rng.random() < 0.7:
        lines += draw_lines(cell, rng)
    contrast = min(max(float(np.exp(rng.normal(_LINE, 0.8))), 0.008), 1.2)
    width, touching = float(rng.uniform(0.3, 1.0)), float(rng.uniform(0.3, 1.0))
    alike = float(np.exp(rng.uniform(math.log(3), math.log(25))))
    return Crack(string, position, _paths(cell, lines), 1.0, contrast, width, touching, alike)


def draw_inactive_area(cell: CellFormat, rng: np.random.Generator, string: int, position: int) -> InactiveArea:
    """Draw a piece that lost its contact: at an edge, up to the outermost busbar, which would feed what lies beyond."""
    width = min(float(np.exp(rng.uniform(math.log(0.04), math.log(0.6)))), 0.95) * cell.along_mm
    depth = rng.uniform(0.2, 0.95) * 0.5 * cell.across_mm / max(cell.busbars, 1)
    start = rng.uniform(-0.2 * width, cell.along_mm - 0.8 * width)
    peak = np.array([start + width * rng.uniform(0.2, 0.8), depth])
    first = wandering(rng, np.array([start, 0.0]), peak, 0.06)
    second = wandering(rng, peak, np.array([start + width, 0.0]), 0.06)
    line = np.concatenate([first, second[1:]])
    if rng.random() < 0.5:
        line[:, 1] = cell.across_mm - line[:, 1]
    remaining = float(np.exp(rng.uniform(math.log(0.03), math.log(0.45))))
    return InactiveArea(string, position, as_path(line, cell.along_mm, cell.across_mm), remaining)


def draw_finger_interruption(
    cell: CellFormat, rng: np.random.Generator, string: int, position: int
) -> FingerInterruption:
    """Draw broken fingers: beside a busbar, where soldering breaks them, or anywhere, where printing failed.

    None lies half way between two busbars: no current flows there, and nothing is to be seen.
    """
    n = max(cell.busbars, 1)
    busbar = (int(rng.integers(n)) + 0.5) / n
    away = rng.uniform(0.03, 0.12) if rng.random() < 0.6 else rng.uniform(0.03, 0.38)
    v = busbar + float(rng.choice([-1.0, 1.0])) * away / n
    fingers = int(rng.choice([1, 1, 1, 1, 2, 3, 5]))
    severed = 1.0 if rng.random() < 0.5 else float(rng.uniform(0.3, 0.95))
    return FingerInterruption(string, position, CellPlace(float(rng.uniform(0.02, 0.98)), float(v)), fingers, severed)


def draw_finger_interruptions(
    cell: CellFormat, rng: np.random.Generator, string: int, position: int
) -> list[FingerInterruption]:
    """Draw all broken fingers of a cell that has any: printing and soldering seldom fail in one place alone."""
    count = 1 + int(rng.geometric(0.5)) if rng.random() < 0.5 else 1
    return [draw_finger_interruption(cell, rng, string, position) for _ in range(count)]


def draw_solder_fault(cell: CellFormat, rng: np.random.Generator, string: int, position: int) -> SolderFault:
    """Draw a stretch without solder: a pad, half a ribbon, or a whole one."""
    length = float(rng.choice([rng.uniform(0.12, 0.3), rng.uniform(0.3, 0.7), 1.0]))
    start = float(rng.uniform(0, 1 - length)) if length < 1 else 0.0
    return SolderFault(string, position, int(rng.integers(1, max(cell.busbars, 1) + 1)), start, start + length)


def draw_chip(cell: CellFormat, rng: np.random.Generator, string: int, position: int) -> ChippedCell:
    """Draw a missing piece at an edge or a corner."""
    wide, deep = (float(v) for v in np.exp(rng.uniform(math.log(2), math.log(18), 2)))
    start = rng.uniform(-0.3 * wide, cell.along_mm - 0.7 * wide)
    line = wandering(rng, np.array([start, 0.0]), np.array([start + wide * rng.uniform(0.3, 0.7), deep]), 0.1)
    line = np.concatenate([line, wandering(rng, line[-1], np.array([start + wide, 0.0]), 0.1)[1:]])
    return ChippedCell(string, position, _at_any_side(cell, rng, line))


def draw_foreign_body(cell: CellFormat, rng: np.random.Generator, string: int, position: int) -> ForeignBody:
    """Draw a thread, a splinter or a piece of foil on the cell."""
    start = rng.uniform(0.1, 0.9, 2) * (cell.along_mm, cell.across_mm)
    angle, length = rng.uniform(0, 2 * math.pi), float(np.exp(rng.uniform(math.log(3), math.log(60))))
    line = wandering(rng, start, start + length * np.array([math.cos(angle), math.sin(angle)]), 0.2)
    outline = stroke(line, float(rng.uniform(0.2, 0.5) if rng.random() < 0.6 else rng.uniform(1, 4)))
    shares = np.clip(outline / (cell.along_mm, cell.across_mm), 0, 1)
    path = tuple(CellPlace(float(u), float(v)) for u, v in shares)
    return ForeignBody(string, position, path, float(rng.uniform(0.02, 0.5)))


def draw_misplaced(_cell: CellFormat, rng: np.random.Generator, string: int, position: int) -> MisplacedCell:
    """Draw a cell beside its place by more than a gap's tolerance."""
    shift = rng.normal(0, 1.2, 2)
    return MisplacedCell(string, position, float(shift[0]), float(shift[1]), float(rng.normal(0, 0.6)))


_OfCell = Callable[[CellFormat, np.random.Generator, int, int], list[Defect]]
_OfString = Callable[[CellFormat, np.random.Generator, int], Defect]


def _some_place(rng: np.random.Generator) -> CellPlace:
    return CellPlace(*(float(share) for share in rng.uniform(0.05, 0.95, 2)))


_OF_CELLS: dict[str, _OfCell] = {
    "crack": lambda cell, rng, string, position: [draw_crack(cell, rng, string, position)],
    "inactive_area": lambda cell, rng, string, position: [draw_inactive_area(cell, rng, string, position)],
    "finger_interruption": lambda cell, rng, string, position: [
        *draw_finger_interruptions(cell, rng, string, position)
    ],
    "dark_cell": lambda _, rng, string, position: [DarkCell(string, position, float(rng.uniform(0.2, 0.55)))],
    "solder_fault": lambda cell, rng, string, position: [draw_solder_fault(cell, rng, string, position)],
    "ribbon_offset": lambda cell, rng, string, position: [
        RibbonOffset(string, position, int(rng.integers(1, max(cell.busbars, 1) + 1)), float(rng.normal(0, 1.5)))
    ],
    "shunted_cell": lambda _, rng, string, position: [
        ShuntedCell(string, position, _some_place(rng), float(np.exp(rng.uniform(math.log(0.08), math.log(0.6)))))
    ],
    "chipped_cell": lambda cell, rng, string, position: [draw_chip(cell, rng, string, position)],
    "misplaced_cell": lambda cell, rng, string, position: [draw_misplaced(cell, rng, string, position)],
    "foreign_body": lambda cell, rng, string, position: [draw_foreign_body(cell, rng, string, position)],
    "reversed_cell": lambda _cell, _rng, string, position: [ReversedCell(string, position)],
}
_OF_STRINGS: dict[str, _OfString] = {
    "dark_string": lambda _, rng, string: DarkString(string, float(rng.uniform(0.08, 0.4))),
    "bridged_string": lambda _, rng, string: BridgedString(string, float(np.exp(rng.uniform(-7, -3)))),
    "open_string": lambda _cell, _rng, string: OpenString(string),
    "bussing_joint_fault": lambda cell, rng, string: BussingJointFault(
        string, int(rng.integers(1, max(cell.busbars, 1) + 1))
    ),
}


def _at_any_side(cell: CellFormat, rng: np.random.Generator, line_mm: Points) -> Path:
    """Return a line that starts and ends at the top edge, brought to any of the four."""
    shares = line_mm / (cell.along_mm, cell.across_mm)
    side = int(rng.integers(4))
    shares = shares[:, ::-1] if side >= 2 else shares
    shares = 1 - shares if side % 2 else shares
    return tuple(CellPlace(float(u), float(v)) for u, v in np.clip(shares, 0, 1))


def _paths(cell: CellFormat, lines: list[Points]) -> tuple[Path, ...]:
    return tuple(as_path(line, cell.along_mm, cell.across_mm) for line in lines)
