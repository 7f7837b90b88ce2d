"""The truth about the defects of a cell: where they are, and what the network says they do."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.recipe import CellFormat
from elinspect.records import CrackMode, FloatImage, Kind, Points
from elinspect.synthetic.defects import (
    BussingJointFault,
    ChippedCell,
    Crack,
    FingerInterruption,
    ForeignBody,
    InactiveArea,
    RibbonOffset,
    SolderFault,
)
from elinspect.synthetic.laying import finger_place
from elinspect.synthetic.network import CellNetwork
from elinspect.synthetic.spot import busbar_places
from elinspect.synthetic.stains import Pattern
from elinspect.synthetic.wandering import length_of, path_points, stroke
from elinspect.vision import cv2

VISIBLE_DROP = 0.03
"""Drop (natural logarithm) that counts as a change of the current: about the weakest streak seen in real cells."""
CUT_OFF_DROP = 1.6
"""Drop from which a place counts as cut off: a fifth of the current is left. Common practice, no source."""
LEAST_CUT_OFF = 0.001
"""Share of the cell that must be cut off for mode C; less is a splinter of single fingers."""
DIM_DROP = 0.4
"""Drop from which a piece looks inactive, a third of the light: so much do nearly all areas lose that two readers saw
in the tuning half of the free real cells."""
LEAST_CHANGED = 0.004
"""Share of the cell that must become darker for mode B."""
_DARKEST = 6.0
"""Drops beyond this are all black."""


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """The truth about one defect of a cell, in mm of the cell.

    Attributes
    ----------
    kind : Kind
        What it is.
    outlines_mm : tuple of ndarray, each of shape (n, 2)
        Polygons (x, y); the defect is their union.
    contrast : float
        Deepest drop of luminance it makes, natural logarithm.
    paths_mm : tuple of ndarray, each of shape (n, 2)
        The crack and its branches; empty for other kinds.
    length_mm, area_fraction : float or None
        Length of all paths or of the streak; share of the cell.
    mode : CrackMode or None
        What the crack does to the current.
    step : float or None
        How much darker a crack makes what it changes, mean of the natural logarithm; 0 for a mere line.
    line : float or None
        Depth of a crack's own line.
    of_crack : bool
        An inactive area that the mark before it, a crack, has cut off.
    dim_fraction : float or None
        Share of the cell that a crack makes darker by `DIM_DROP` or more, cut off or not.
    """

    kind: Kind
    outlines_mm: tuple[Points, ...]
    contrast: float
    paths_mm: tuple[Points, ...] = ()
    length_mm: float | None = None
    area_fraction: float | None = None
    mode: CrackMode | None = None
    step: float | None = None
    line: float | None = None
    of_crack: bool = False
    dim_fraction: float | None = None

    def turned(self, along_mm: float, across_mm: float) -> "Mark":
        """Return the mark as it is seen when the cell is rotated by 180°."""
        size = np.array([along_mm, across_mm])
        return replace(
            self,
            outlines_mm=tuple(size - outline for outline in self.outlines_mm),
            paths_mm=tuple(size - path for path in self.paths_mm),
        )


def crack_marks(network: CellNetwork, crack: Crack, drop: FloatImage) -> list[Mark]:
    """Return the mark of a crack, and of what it cuts off; `drop` is what it changes at the nodes."""
    cell, whole = network.cell, float(network.silicon.sum())
    paths = tuple(path_points(path, cell.along_mm, cell.across_mm) for path in crack.paths)
    cut_off = (drop > CUT_OFF_DROP) & network.silicon
    changed = (drop > VISIBLE_DROP) & network.silicon
    pieces = _contours(network, cut_off, LEAST_CUT_OFF * whole)
    mode = CrackMode.C if pieces else CrackMode.B if changed.sum() >= LEAST_CHANGED * whole else CrackMode.A
    deepest = min(float(drop.max()), _DARKEST)
    mark = Mark(
        Kind.CRACK,
        tuple(stroke(path, max(crack.width_mm, 0.8)) for path in paths),
        max(crack.contrast, deepest),
        paths,
        sum(length_of(path) for path in paths),
        mode=mode,
        step=0.0 if mode is CrackMode.A else min(float(drop[changed].mean()), _DARKEST),
        line=crack.contrast,
        dim_fraction=float(((drop > DIM_DROP) & network.silicon).sum()) / whole,
    )
    if not pieces:
        return [mark]
    share = float(cut_off.sum()) / whole
    return [mark, Mark(Kind.INACTIVE_AREA, pieces, deepest, area_fraction=share, of_crack=True)]


def finger_mark(network: CellNetwork, broken: FingerInterruption, drop: FloatImage) -> Mark:
    """Return the mark of broken fingers: the streak that lost a third or more of the deepest drop."""
    cell = network.cell
    row, columns = finger_place(network, broken)
    field = np.searchsorted(network.busbar_rows, [row, row + 1], side="right")
    ends = np.concatenate([[0], network.busbar_rows, [network.rows]])
    own = np.zeros_like(drop)
    rows = slice(int(ends[field[0]]), int(ends[min(field[1] + 1, len(ends) - 1)]))
    beside = slice(max(columns.start - 1, 0), columns.stop + 1)
    own[rows, beside] = drop[rows, beside]
    contrast = min(max(float(own.max()), 0.0), _DARKEST)
    at = np.nonzero(own > max(0.35 * contrast, 1e-6))
    if not len(at[0]):
        at = np.array([row, row + 1]), np.array([columns.start, columns.start])
    half_x, half_y = (network.x_mm[1] - network.x_mm[0]) / 2, (network.y_mm[1] - network.y_mm[0]) / 2
    left, right = network.x_mm[at[1].min()] - half_x, network.x_mm[at[1].max()] + half_x
    top, bottom = network.y_mm[at[0].min()] - half_y, network.y_mm[at[0].max()] + half_y
    outline = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    share = float((right - left) * (bottom - top)) / (cell.along_mm * cell.across_mm)
    return Mark(Kind.FINGER_INTERRUPTION, (outline,), contrast, length_mm=float(bottom - top), area_fraction=share)


def area_mark(cell: CellFormat, area: InactiveArea) -> Mark:
    """Return the mark of a piece without contact."""
    return _outlined(cell, Kind.INACTIVE_AREA, path_points(area.outline, cell.along_mm, cell.across_mm), area.remaining)


def chip_mark(cell: CellFormat, chip: ChippedCell) -> Mark:
    """Return the mark of a missing piece."""
    return _outlined(cell, Kind.CHIPPED_CELL, path_points(chip.outline, cell.along_mm, cell.across_mm), 0.0)


def foreign_mark(cell: CellFormat, body: ForeignBody) -> Mark:
    """Return the mark of something that lies on the cell."""
    return _outlined(cell, Kind.FOREIGN_BODY, path_points(body.outline, cell.along_mm, cell.across_mm), body.remaining)


def solder_mark(network: CellNetwork, fault: SolderFault | RibbonOffset | BussingJointFault, drop: FloatImage) -> Mark:
    """Return the mark of a ribbon without contact to its busbar or the bussing ribbon, or off its busbar."""
    cell = network.cell
    start, end, below = 0.0, 1.0, 0.0
    if isinstance(fault, SolderFault):
        kind, number, start, end = Kind.SOLDER_FAULT, fault.busbar, fault.start, fault.end
    elif isinstance(fault, RibbonOffset):
        kind, number, below = Kind.RIBBON_OFFSET, fault.busbar, fault.offset_mm
    else:
        kind, number = Kind.BUSSING_JOINT_FAULT, fault.ribbon
    y = busbar_places(cell)[number - 1]
    low, high = y + min(below, 0.0) - 1.5, y + max(below, 0.0) + 1.5
    x = start * cell.along_mm, end * cell.along_mm
    outline = np.array([[x[0], low], [x[1], low], [x[1], high], [x[0], high]])
    changed = float(((drop > VISIBLE_DROP) & network.silicon).sum()) / float(network.silicon.sum())
    return Mark(kind, (outline,), min(float(drop.max()), _DARKEST), length_mm=x[1] - x[0], area_fraction=changed)


def dark_mark(network: CellNetwork, drop: FloatImage) -> Mark:
    """Return the mark of a shunted cell."""
    cell = network.cell
    return Mark(
        Kind.DARK_CELL, (whole_cell(cell),), min(float(drop[network.silicon].mean()), _DARKEST), area_fraction=1.0
    )


def pattern_mark(cell: CellFormat, pattern: Pattern) -> Mark:
    """Return the mark of a pattern of the wafer."""
    covered = sum(abs(cv2.contourArea(outline.astype(np.float32))) for outline in pattern.outlines_mm)
    share = min(covered / (cell.along_mm * cell.across_mm), 1.0)
    return Mark(Kind.MATERIAL_PATTERN, pattern.outlines_mm, pattern.contrast, area_fraction=share)


def whole_cell(cell: CellFormat) -> Points:
    """Return the outline of the cell."""
    return np.array([[0, 0], [cell.along_mm, 0], [cell.along_mm, cell.across_mm], [0, cell.across_mm]], np.float64)


def drop_of(remaining: float) -> float:
    """Return the drop, natural logarithm, of what keeps this share of its luminance."""
    return -float(np.log(max(remaining, 0.005)))


def _outlined(cell: CellFormat, kind: Kind, outline: Points, remaining: float) -> Mark:
    share = abs(cv2.contourArea(outline.astype(np.float32))) / (cell.along_mm * cell.across_mm)
    return Mark(kind, (outline,), drop_of(remaining), area_fraction=share)


def _contours(network: CellNetwork, mask: NDArray[np.bool_], least: float) -> tuple[Points, ...]:
    # One finger that still feeds its neighbourhood must not split a piece in two.
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((1, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=4)
    step = np.array([network.x_mm[1] - network.x_mm[0], network.y_mm[1] - network.y_mm[0]])
    pieces = []
    for number in range(1, count):
        if stats[number, cv2.CC_STAT_AREA] < least:
            continue
        # Drawn four times as large, the outline follows the nodes' own fields, not their centres.
        large = cv2.resize((labels == number).astype(np.uint8), None, fx=4, fy=4, interpolation=cv2.INTER_NEAREST)
        found, _ = cv2.findContours(large, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        outline = max(found, key=cv2.contourArea)[:, 0].astype(np.float64)
        inside = cv2.approxPolyDP(outline.astype(np.float32), 1.5, True)[:, 0]
        if len(inside) > 2:
            pieces.append((inside.astype(np.float64) + 0.5) / 4 * step)
    return tuple(pieces)
