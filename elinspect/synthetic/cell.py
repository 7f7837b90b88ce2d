"""One cell: wafer, metallisation, defects, and what the defects truly do to it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import CellPlace
from elinspect.recipe import CellFormat, CutEdge
from elinspect.records import FloatImage
from elinspect.synthetic.brick import MAP_MM
from elinspect.synthetic.defects import (
    BussingJointFault,
    CellDefect,
    ChippedCell,
    Crack,
    FingerInterruption,
    ForeignBody,
    InactiveArea,
    RibbonOffset,
    ShuntedCell,
    SolderFault,
    turned_about,
)
from elinspect.synthetic.laying import (
    lay_area,
    lay_bussing_fault,
    lay_crack,
    lay_fingers,
    lay_shunt,
    lay_solder_fault,
)
from elinspect.synthetic.look import Look
from elinspect.synthetic.marks import (
    Mark,
    area_mark,
    chip_mark,
    crack_marks,
    dark_mark,
    finger_mark,
    foreign_mark,
    pattern_mark,
    solder_mark,
)
from elinspect.synthetic.network import CellNetwork, Conducting
from elinspect.synthetic.spot import CellSpot, let_through, silicon
from elinspect.synthetic.stains import draw_stains, drawn_line
from elinspect.synthetic.wandering import path_points
from elinspect.vision import cv2

_LEAST_REMAINING = 0.005


@dataclass(frozen=True, slots=True, eq=False)
class DrawnCell:
    """A cell as the camera would see it without air, optics and noise.

    Attributes
    ----------
    pictures : tuple of ndarray of float32, each of shape (rows, columns)
        Luminance at full current, 1 in a good place of a usual cell; then, if asked for, at low current, over a good
        place of a usual cell at that current.
    cover : ndarray of float32, shape (rows, columns)
        Share of each pixel that is silicon or lies on it.
    marks : tuple of Mark
        The truth, in the order of the defects, then the patterns that are none.
    """

    pictures: tuple[FloatImage, ...]
    cover: FloatImage
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class CellState:
    """What a cell of a panel is driven by, and how good it is.

    Attributes
    ----------
    current : float
        Forced current, share of the full one.
    level : float
        Luminance at the same current over that of a usual cell.
    low_current : float or None
        Current of the picture at low current; None takes none.
    """

    current: float = 1.0
    level: float = 1.0
    low_current: float | None = None


def draw_cell(
    network: CellNetwork,
    look: Look,
    rng: np.random.Generator,
    spot: CellSpot,
    wafer: FloatImage,
    defects: tuple[CellDefect, ...] = (),
    turned: bool = False,
    state: CellState | None = None,
) -> DrawnCell:
    """Draw one cell.

    Parameters
    ----------
    network : CellNetwork
        The format's network, shared by all cells of a panel.
    look : Look
        What the panel's cells have in common.
    rng : numpy.random.Generator
        Draws print, stains and what is left open of the defects.
    spot : CellSpot
        Pixels to draw.
    wafer : ndarray of float32
        Map of the wafer, from `draw_wafers`.
    defects : tuple of CellDefect
        Defects of this cell.
    turned : bool
        Whether the string lies rotated by 180°, and with it the cut edge and the ribbons' entry.
    state : CellState, optional
        Current and level; full current and a usual cell if not given.
    """
    cell = network.cell
    state = state or CellState()
    flipped = turned != (cell.cut_edge is CutEdge.RIGHT)  # drawn with cut edge and ribbons' entry on the left
    if flipped:
        about = tuple(turned_about(one, cell.busbars) for one in defects)
        drawn = _draw(network, look, rng, spot.turned(cell), wafer, about, state)
        return DrawnCell(
            tuple(_about(picture) for picture in drawn.pictures), _about(drawn.cover),
            tuple(mark.turned(cell.along_mm, cell.across_mm) for mark in drawn.marks),
        )  # fmt: skip
    return _draw(network, look, rng, spot, wafer, defects, state)


def _about(picture: FloatImage) -> FloatImage:
    return np.ascontiguousarray(picture[::-1, ::-1])


def _draw(
    network: CellNetwork,
    look: Look,
    rng: np.random.Generator,
    spot: CellSpot,
    wafer: FloatImage,
    defects: tuple[CellDefect, ...],
    state: CellState,
) -> DrawnCell:
    cell = network.cell
    stained, patterns = draw_stains(rng, wafer.shape, look.stains)
    texture = wafer - stained
    texture += np.float32(rng.normal(0, look.cell_spread) / 2 + np.log(max(state.level, _LEAST_REMAINING)) / 2)
    texture += _slope(rng, wafer.shape)
    currents = [current for current in (state.current, state.low_current) if current is not None]
    print_left = _print(network, look, rng)
    seeds = rng.integers(2**63, size=len(defects))
    solved = [_Solved.make(network, texture, print_left, defects, seeds, current) for current in currents]
    marks = _marks(network, defects, solved[0])
    optics = _optics(cell, look, spot, defects)
    line = _crack_lines(cell, spot, rng, defects)
    height = spot.sampled(texture, (MAP_MM, MAP_MM), (0.0, 0.0)) - line
    for defect in defects:
        if isinstance(defect, InactiveArea):
            left = 1 - (1 - max(defect.remaining, _LEAST_REMAINING)) * _filled(cell, spot, defect.outline)
            height += np.log(left)
    step = network.x_mm[1] - network.x_mm[0], network.y_mm[1] - network.y_mm[0]
    first = network.x_mm[0], network.y_mm[0]
    pictures = []
    for one, current in zip(solved, currents, strict=True):
        brightness = one.junction - np.float32(network.reference)
        usual = 1.0 if one is solved[0] else max(current, 1e-6)
        pictures.append(np.exp(height + spot.sampled(brightness, step, first)) * optics / np.float32(usual))
    cover = silicon(cell, spot)
    for defect in defects:
        if isinstance(defect, ChippedCell):
            cover *= 1 - _filled(cell, spot, defect.outline)
    made = tuple(marks) + tuple(pattern_mark(cell, pattern) for pattern in patterns)
    return DrawnCell(tuple(pictures), cover, made)


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """Junction voltages over kT/q: of the whole cell, of the cell without defects, and with each defect alone."""

    junction: FloatImage
    sound: FloatImage
    alone: tuple[FloatImage | None, ...]

    @classmethod
    def make(
        cls,
        network: CellNetwork,
        texture: FloatImage,
        print_left: NDArray[np.float64],
        defects: tuple[CellDefect, ...],
        seeds: NDArray[np.int64],
        current: float,
    ) -> "_Solved":
        rate = np.exp(-cv2.resize(texture, network.shape[::-1], interpolation=cv2.INTER_AREA))

        def solution(chosen: list[int]) -> FloatImage:
            conducting = network.intact()
            conducting.finger *= print_left
            own = rate.copy()
            inactive = np.zeros(network.shape, bool)
            for number in chosen:
                _lay(network, conducting, own, inactive, defects[number], np.random.default_rng(seeds[number]))
            junction = network.solve(conducting, own, current)
            # What little light comes from there is drawn over it afterwards.
            return np.where(inactive, sound, junction)

        sound = np.zeros(network.shape, np.float32)
        sound = solution([])
        working = [n for n, defect in enumerate(defects) if not isinstance(defect, ChippedCell | ForeignBody)]
        if not working:
            return cls(sound, sound, (None,) * len(defects))
        together = solution(working)
        # Broken fingers hardly feel each other: all of them are solved at once, and each reads its own place.
        fingers = [n for n in working if isinstance(defects[n], FingerInterruption)]
        of_fingers = together if fingers == working else solution(fingers) if fingers else None
        alone = [
            of_fingers if n in fingers else together if working == [n] else solution([n]) if n in working else None
            for n in range(len(defects))
        ]
        return cls(together, sound, tuple(alone))


def _lay(
    network: CellNetwork,
    conducting: Conducting,
    rate: NDArray[np.floating],
    inactive: NDArray[np.bool_],
    defect: CellDefect,
    rng: np.random.Generator,
) -> None:
    if isinstance(defect, Crack):
        lay_crack(network, conducting, defect, rng)
    elif isinstance(defect, FingerInterruption):
        lay_fingers(network, conducting, defect)
    elif isinstance(defect, InactiveArea):
        inside = lay_area(network, conducting, defect)
        rate[inside] *= 1e-6
        inactive |= inside
    elif isinstance(defect, SolderFault):
        lay_solder_fault(network, conducting, defect)
    elif isinstance(defect, RibbonOffset):
        lay_solder_fault(network, conducting, SolderFault(1, 1, defect.busbar))
    elif isinstance(defect, ShuntedCell):
        lay_shunt(network, conducting, defect)
    elif isinstance(defect, BussingJointFault):
        lay_bussing_fault(network, conducting, defect)


def _print(network: CellNetwork, look: Look, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return how the print differs: every finger in each field between busbars, and slowly over the cell."""
    rows, columns = network.shape
    field = np.searchsorted(network.busbar_rows, np.arange(rows - 1), side="right")
    each = rng.normal(0, 0.5 * look.print_spread, (len(network.busbar_rows) + 1, columns))
    slow = cv2.resize(
        rng.normal(0, 0.5 * look.print_spread, (3, 4)), (columns, rows - 1), interpolation=cv2.INTER_CUBIC
    )
    return np.asarray(np.exp(each[field] + slow + rng.normal(0, 0.5 * look.print_spread, columns)))


def _slope(rng: np.random.Generator, shape: tuple[int, ...]) -> FloatImage:
    slope = rng.normal(0, 0.02, 2).astype(np.float32)
    across = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    along = np.linspace(-1, 1, shape[1], dtype=np.float32)
    return np.asarray(slope[0] * along + slope[1] * across, np.float32)


def _optics(cell: CellFormat, look: Look, spot: CellSpot, defects: tuple[CellDefect, ...]) -> FloatImage:
    """Return the share of light that leaves the cell: rim, busbars, things that lie on it."""
    x = np.clip(np.minimum(spot.x_mm, cell.along_mm - spot.x_mm), 0, None)
    y = np.clip(np.minimum(spot.y_mm, cell.across_mm - spot.y_mm), 0, None)
    share: FloatImage = np.outer(
        np.exp(-look.rim_drop * np.exp(-y / look.rim_mm)), np.exp(-look.rim_drop * np.exp(-x / look.rim_mm))
    ).astype(np.float32)
    offsets = np.zeros(cell.busbars)
    for defect in defects:
        if isinstance(defect, RibbonOffset):
            offsets[defect.busbar - 1] = defect.offset_mm
    share = share * let_through(cell, look, spot, offsets)
    for defect in defects:
        if isinstance(defect, ForeignBody):
            share *= 1 - (1 - np.float32(defect.remaining)) * _filled(cell, spot, defect.outline)
    return np.asarray(share, np.float32)


def _filled(cell: CellFormat, spot: CellSpot, outline: tuple[CellPlace, ...]) -> FloatImage:
    ink = np.zeros(spot.shape, np.uint8)
    points = spot.to_px(path_points(outline, cell.along_mm, cell.across_mm))
    cv2.fillPoly(ink, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return np.asarray(ink / 255, np.float32)


def _crack_lines(
    cell: CellFormat, spot: CellSpot, rng: np.random.Generator, defects: tuple[CellDefect, ...]
) -> FloatImage:
    """Return the drop on the cracks' own lines: light is lost in the gap, and carriers at its walls."""
    total = np.zeros(spot.shape, np.float32)
    for defect in defects:
        if isinstance(defect, Crack):
            for path in defect.paths:
                points = spot.to_px(path_points(path, cell.along_mm, cell.across_mm))
                sigma = defect.width_mm / 2 * spot.px_per_mm
                line = drawn_line(rng, spot.shape, points, sigma, 14 * spot.px_per_mm)
                np.maximum(total, np.float32(defect.contrast) * line, out=total)
    return total


def _marks(network: CellNetwork, defects: tuple[CellDefect, ...], solved: _Solved) -> list[Mark]:
    marks: list[Mark] = []
    for defect, alone in zip(defects, solved.alone, strict=True):
        drop = None if alone is None else solved.sound - alone
        if isinstance(defect, ChippedCell):
            marks.append(chip_mark(network.cell, defect))
        elif isinstance(defect, ForeignBody):
            marks.append(foreign_mark(network.cell, defect))
        elif isinstance(defect, InactiveArea):
            marks.append(area_mark(network.cell, defect))
        else:
            assert drop is not None
            if isinstance(defect, Crack):
                marks += crack_marks(network, defect, drop)
            elif isinstance(defect, FingerInterruption):
                marks.append(finger_mark(network, defect, drop))
            elif isinstance(defect, ShuntedCell):
                marks.append(dark_mark(network, drop))
            else:
                marks.append(solder_mark(network, defect, drop))
    return marks
