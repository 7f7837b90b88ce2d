"""Single cells with truth, many and cheap: what a classifier learns from and detectors are measured on.

A training set of mono and multi cells::

    for cell in draw_cells(np.random.default_rng(1), count=20_000, side_px=128):
        cell.picture, cell.crack, cell.cut_off, cell.finger, cell.kinds, cell.visible

Cells come in small panels of 8: each panel has a format, technology, look, wafers and camera of its own, drawn anew, so
that nothing about the picture tells whether a cell is broken. Half of the cells have at least one defect. Draw with
several seeds in several processes: panels do not depend on each other. A cell takes about 0.15 s of one
core (see tests/bench/simulator_bench.py).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import address_of
from elinspect.recipe import ProductRecipe, Wafer
from elinspect.records import FloatImage, Kind, Layout
from elinspect.synthetic.camera import draw_any_camera
from elinspect.synthetic.chance import DefectRates, draw_defects
from elinspect.synthetic.formats import draw_format
from elinspect.synthetic.panel import SimulatedPanel, simulate_panel
from elinspect.synthetic.truth import TrueDefect
from elinspect.vision import cv2

TRAINING_RATES = DefectRates(crack=0.35, inactive_area=0.04, finger_interruption=0.3, dark_cell=0.01, dark_string=0.0)
"""Half of the cells have a crack, a cut-off piece or broken fingers."""
_FAINTEST = 0.03
"""Contrast (natural logarithm) below which nobody is expected to see a defect; weakest streaks seen in real cells."""
_OVER_TEXTURE = 4.0
"""And in multiples of the cell's own texture and noise at the width of a line."""


@dataclass(frozen=True, slots=True, eq=False)
class TrainingCell:
    """One cell cut out by its true corners.

    Attributes
    ----------
    picture : ndarray of float32, shape (side_px, side_px)
        Counts over those of a usual cell, dark level taken off: about 1 in a good place. Strings run from left to
        right, so busbars are horizontal and fingers vertical. The cell fills the picture to its silicon's edges, give
        or take the error of a grid.
    crack, cut_off, finger : ndarray of bool, shape (side_px, side_px)
        Pixels of cracks, of pieces without current, of broken fingers' streaks.
    kinds : frozenset of Kind
        Kinds of its defects.
    visible : frozenset of Kind
        Those of which one has at least the contrast a practised eye needs in this picture: four times its texture.
    defects : tuple of TrueDefect
        All that is known of them; points (x, y) in pixels of this picture.
    patterns : tuple of TrueDefect
        Stains, scratches and belt marks: no defects.
    wafer : Wafer
        Mono or multi.
    panel : int
        Number of the panel it comes from: split by this, never cell by cell, since its cells share camera and brick.
    mm_per_px : float
        Scale of the camera before the cut.
    """

    picture: FloatImage
    crack: NDArray[np.bool_]
    cut_off: NDArray[np.bool_]
    finger: NDArray[np.bool_]
    kinds: frozenset[Kind]
    visible: frozenset[Kind]
    defects: tuple[TrueDefect, ...]
    patterns: tuple[TrueDefect, ...]
    wafer: Wafer
    panel: int
    mm_per_px: float


def draw_cells(
    rng: np.random.Generator,
    count: int,
    side_px: int = 300,
    wafer: Wafer | None = None,
    rates: DefectRates = TRAINING_RATES,
    few_busbars: bool = False,
    per_panel: int = 8,
    rim_mm: float = 0.0,
) -> Iterator[TrainingCell]:
    """Draw cells of panels of all kinds.

    Parameters
    ----------
    rng : numpy.random.Generator
        Draws everything.
    count : int
        How many cells.
    side_px : int
        Width and height of the pictures, 32 to 2000.
    wafer : Wafer, optional
        One kind of wafer only; both if not given.
    rates : DefectRates
        How often defects occur.
    few_busbars : bool
        Full cells of 2 to 5 busbars only, as most published pictures show them.
    per_panel : int
        Cells of one small panel, even; they share camera, look and bricks.
    rim_mm : float
        How far the pictures reach over the cells' edges.

    Yields
    ------
    TrainingCell
        Cell after cell, panel after panel.

    Raises
    ------
    ValueError
        If `count`, `side_px` or `per_panel` is out of bounds.
    """
    if per_panel < 2 or per_panel % 2:
        raise ValueError(f"per_panel must be even and 2 or more, not {per_panel}")
    if count < 1:
        raise ValueError(f"count must be 1 or more, not {count}")
    if not 32 <= side_px <= 2000:
        raise ValueError(f"side_px must lie in 32..2000, not {side_px}")
    made, panel = 0, 0
    while made < count:
        cell = draw_format(rng, wafer, few_busbars)
        recipe = ProductRecipe("training", "1", Layout(1, 2, per_panel // 2), cell)
        defects = draw_defects(recipe, rng, rates)
        simulated = simulate_panel(recipe, rng, defects, draw_any_camera(rng), bussing=False)
        for index in range(min(recipe.layout.n_cells, count - made)):
            yield cut_cell(simulated, index, side_px, panel, rng, rim_mm)
        made += recipe.layout.n_cells
        panel += 1


def seen(defect: TrueDefect, texture: float) -> bool:
    """Return whether a practised eye sees a defect in a cell of this texture (as `texture_of`)."""
    least = max(_FAINTEST, _OVER_TEXTURE * texture)
    if defect.kind is Kind.CRACK:
        return (defect.step or 0.0) >= least or (defect.line or 0.0) >= least
    return defect.contrast >= least


def texture_of(height: FloatImage, mm_per_px: float) -> float:
    """Return the robust spread of a logarithm of luminance in the band of a crack's or a streak's width."""
    narrow, wide = (cv2.GaussianBlur(height, (0, 0), mm / mm_per_px) for mm in (0.5, 1.5))
    band = narrow - wide
    return float(1.4826 * np.median(np.abs(band - np.median(band))))


def cut_cell(
    panel: SimulatedPanel,
    index: int,
    side_px: int,
    number: int = 0,
    rng: np.random.Generator | None = None,
    rim_mm: float = 0.0,
) -> TrainingCell:
    """Cut one cell out of a simulated panel.

    Parameters
    ----------
    panel : SimulatedPanel
        The panel.
    index : int
        Cell in the order of addresses.
    side_px : int
        Width and height of the picture.
    number : int
        Written down as the cell's panel.
    rng : numpy.random.Generator, optional
        Draws a grid's error, a few tenths of a millimetre; none if not given.
    rim_mm : float
        How far the picture reaches over the cell's edges.
    """
    corners = panel.corners_px[index]
    outward = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * rim_mm
    if rim_mm:
        along, across = panel.recipe.cell.along_mm, panel.recipe.cell.across_mm
        box_mm = np.array([[0, 0], [along, 0], [along, across], [0, across]])
        reach = cv2.getPerspectiveTransform(box_mm.astype(np.float32), corners.astype(np.float32))
        corners = cv2.perspectiveTransform((box_mm + outward)[:, None], reach)[:, 0]
    if rng is not None:
        corners = corners + rng.normal(0, 0.25, (4, 2)) * panel.camera.px_per_mm
    box = np.array([[0, 0], [side_px - 1, 0], [side_px - 1, side_px - 1], [0, side_px - 1]], np.float32)
    onto = np.asarray(cv2.getPerspectiveTransform(corners.astype(np.float32), box), np.float64)
    full = 2**panel.camera.bit_depth - 1
    counts = panel.picture.astype(np.float32) / np.float32(full) - np.float32(panel.camera.dark_level)
    shrink = panel.camera.px_per_mm * panel.recipe.cell.across_mm / side_px
    if shrink > 1.3:  # averaged, as a resampling grid does
        counts = np.asarray(cv2.GaussianBlur(counts, (0, 0), 0.4 * shrink), np.float32)
    picture = cv2.warpPerspective(counts / np.float32(panel.camera.exposure), onto, (side_px, side_px))
    height = np.log(np.maximum(picture, 0.02)).astype(np.float32)
    texture = texture_of(height, panel.recipe.cell.across_mm / side_px)
    address = address_of(panel.recipe.layout, index)

    def mine(of_panel: tuple[TrueDefect, ...]) -> tuple[TrueDefect, ...]:
        here = [d for d in of_panel if d.string == address.string and d.position in (None, address.position)]
        return tuple(defect.seen_through(onto) for defect in here)

    defects = mine(panel.defects)
    shape = (side_px, side_px)

    def pixels(kind: Kind) -> NDArray[np.bool_]:
        there = np.zeros(shape, bool)
        for defect in defects:
            if defect.kind is kind:
                there |= defect.mask(shape)
        return there

    return TrainingCell(
        np.asarray(picture, np.float32),
        pixels(Kind.CRACK),
        pixels(Kind.INACTIVE_AREA),
        pixels(Kind.FINGER_INTERRUPTION),
        frozenset(defect.kind for defect in defects),
        frozenset(defect.kind for defect in defects if seen(defect, texture)),
        defects,
        mine(panel.patterns),
        panel.recipe.cell.wafer,
        number,
        1 / panel.camera.px_per_mm,
    )
