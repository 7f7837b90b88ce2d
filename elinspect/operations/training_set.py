"""Training cells for the network: simulated panels through the same path as real ones, with the truth beside.

No real cell goes in. Every panel has a camera, a look and a product of its own; defective and clean cells come from the
same panels, so that a panel's style never predicts the label.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from elinspect.classifier.contract import KINDS, MAP_STEP_PX, input_shape, network_input
from elinspect.detectors import prepare
from elinspect.frames import address_of
from elinspect.geometry import cut_cells
from elinspect.recipe import Product, ProductRecipe, Spacing
from elinspect.records import CellGrid, CellPictures, ElImage, Finding, Kind, Layout, PanelView, Points, Tile, read_only
from elinspect.settings import GeometrySettings
from elinspect.synthetic import DefectRates, SimulatedPanel, TrueDefect, draw_defects, simulate_panel
from elinspect.synthetic.camera import draw_any_camera
from elinspect.synthetic.formats import draw_format
from elinspect.synthetic.training import seen, texture_of
from elinspect.vision import cv2

RATES = DefectRates(
    crack=0.38, inactive_area=0.07, finger_interruption=0.3, dark_cell=0.01, dark_string=0.0, chipped_cell=0.02
)
"""About every second cell defective, times a panel's own factor: the network is to learn looks, not rates."""
_RARER, _MORE_OFTEN = 0.2, 1.5
CONFIRMED = frozenset({Kind.CRACK, Kind.INACTIVE_AREA, Kind.DARK_CELL, Kind.CHIPPED_CELL})
"""Kinds that make a cell one that an inspector would send to rework. Solder faults are left to their detector: what is
learnt from them makes the network see busbars everywhere."""
MANY_FINGERS = 10
"""So many interrupted fingers make a cell one that would be reworked (the shipped criteria's limit)."""
_FEW_BUSBARS = 0.55
_STRINGS = 4


@dataclass(frozen=True, slots=True, eq=False)
class PanelCells:
    """The cells of one simulated panel, as the network sees them, with the truth.

    Attributes
    ----------
    cells : ndarray of uint8, shape (n, 4, rows, columns)
        Network input; -1..1 as 0..254.
    maps : ndarray of bool, shape (n, kinds, rows / 4, columns / 4)
        Where each kind truly is.
    labels : ndarray of bool, shape (n, 1 + kinds)
        First: a defect that would be confirmed; then whether each kind is there.
    unsure : ndarray of bool, shape (n, 1 + kinds)
        There, but too faint for anyone to see: neither taught nor counted.
    """

    cells: NDArray[np.uint8]
    maps: NDArray[np.bool_]
    labels: NDArray[np.bool_]
    unsure: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedView:
    """A simulated panel cut into cells at known places, ready for detectors and network."""

    panel: SimulatedPanel
    product: Product
    view: PanelView


def draw_view(rng: np.random.Generator, cells: int = 24) -> SimulatedView:
    """Draw one panel with its own product, camera and defects, and cut it at its true grid, a little off."""
    recipe = _draw_recipe(rng, cells)
    # A panel's typical cell is one thing where two cells in three are broken, another where few are.
    rates = _times(RATES, float(np.exp(rng.uniform(math.log(_RARER), math.log(_MORE_OFTEN)))))
    panel = simulate_panel(recipe, rng, draw_defects(recipe, rng, rates), draw_any_camera(rng), bussing=False)
    product = Product(recipe)
    pictures = _cut(panel, product, rng)
    return SimulatedView(panel, product, prepare(pictures, product))


def panel_cells(simulated: SimulatedView) -> PanelCells:
    """Turn a simulated panel into network input and truth."""
    view = simulated.view
    rows, columns = input_shape(view)
    maps = _truth_maps(simulated, rows // MAP_STEP_PX, columns // MAP_STEP_PX)
    labels, unsure = _labels(simulated)
    cells = np.round((network_input(view) + 1) * 127).astype(np.uint8)
    return PanelCells(cells, maps, labels, unsure)


def true_findings(simulated: SimulatedView, cells: PanelCells, findings: Sequence[Finding]) -> NDArray[np.bool_]:
    """Return for each finding whether at least half of it lies on a true defect of its kind.

    A crack that is reported along the edge of an inactive area, or the other way round, counts as true: the place is
    right, and the inspector changes the kind instead of dismissing the flag.
    """
    near: NDArray[np.uint8] = np.ones((3, 3), np.uint8)
    picture = np.array(simulated.view.pictures.full_current.shape[1:])
    kinds = {kind: place for place, kind in enumerate(KINDS)}
    breaks = [kinds[Kind.CRACK], kinds[Kind.INACTIVE_AREA]]
    hits = np.zeros(len(findings), bool)
    for i, finding in enumerate(findings):
        of_kind = breaks if finding.kind in (Kind.CRACK, Kind.INACTIVE_AREA) else [kinds[finding.kind]]
        there = cells.maps[finding.cell, of_kind].any(axis=0)
        wide = cv2.dilate(np.asarray(there, np.uint8), near) > 0
        at = (np.asarray(finding.outline) + 0.5) * (np.array(there.shape) / picture) - 0.5
        steps = np.concatenate([np.linspace(a, b, 12) for a, b in itertools.pairwise(at)]) if len(at) > 1 else at
        rows, columns = (np.clip(np.round(steps[:, axis]).astype(int), 0, there.shape[axis] - 1) for axis in (0, 1))
        hits[i] = wide[rows, columns].mean() >= 0.5
    return hits


def _times(rates: DefectRates, factor: float) -> DefectRates:
    return DefectRates(**{field.name: min(factor * getattr(rates, field.name), 1.0) for field in fields(rates)})


def _draw_recipe(rng: np.random.Generator, cells: int) -> ProductRecipe:
    # Few-busbar full cells often: they show most silicon between busbars, so most looks of cracks and texture.
    form = draw_format(rng, few_busbars=bool(rng.random() < _FEW_BUSBARS))
    spacing = Spacing(float(rng.uniform(0.5, 4)), float(rng.uniform(0.5, 4)))
    return ProductRecipe("training", "1", Layout(1, _STRINGS, max(cells // _STRINGS, 1)), form, spacing=spacing)


def _cut(panel: SimulatedPanel, product: Product, rng: np.random.Generator) -> CellPictures:
    picture = panel.picture.astype(np.float32)
    full = float(2**panel.camera.bit_depth - 1)
    counts = np.maximum(picture - panel.camera.dark_level * full, 0)
    image = ElImage(Path("simulated.png"), "0" * 64, read_only(counts), panel.camera.bit_depth, full)
    off = rng.normal(0, 0.25 * panel.camera.px_per_mm, (len(panel.corners_px), 1, 2))
    off = off + rng.normal(0, 0.1 * panel.camera.px_per_mm, panel.corners_px.shape)
    grid = CellGrid(
        panel.recipe.layout, panel.orientation, read_only(panel.corners_px + off), panel.panel_corners_px, 1.0
    )
    return cut_cells([Tile(image)], grid, product, GeometrySettings(finest_mm_per_px=0.5))


def _truth_maps(simulated: SimulatedView, rows: int, columns: int) -> NDArray[np.bool_]:
    """Draw each defect into the map of its cell."""
    pictures = simulated.view.pictures
    cell_from_file = np.linalg.inv(pictures.file_from_cell)
    height, width = pictures.full_current.shape[1:]
    across, down = columns / width, rows / height
    to_map = np.array([[across, 0, (across - 1) / 2], [0, down, (down - 1) / 2], [0, 0, 1]])
    maps = np.zeros((len(cell_from_file), len(KINDS), rows, columns), bool)
    for defect in simulated.panel.defects:
        if defect.position is not None and defect.kind in KINDS:
            cell = _index(simulated.panel, defect)
            maps[cell, KINDS.index(defect.kind)] |= _drawn(defect, to_map @ cell_from_file[cell], (rows, columns))
    return maps


def _index(panel: SimulatedPanel, defect: TrueDefect) -> int:
    layout = panel.recipe.layout
    assert defect.string is not None
    assert defect.position is not None
    index = (defect.string - 1) * layout.cells_per_string + defect.position - 1
    assert address_of(layout, index).position == defect.position
    return index


def _drawn(defect: TrueDefect, matrix: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.bool_]:
    ink = np.zeros(shape, np.uint8)

    def moved(points: Points) -> NDArray[np.int32]:
        at = cv2.perspectiveTransform(points.reshape(-1, 1, 2), matrix).reshape(-1, 2)
        return np.round(at * 16).astype(np.int32)

    for path in defect.paths_px:
        cv2.polylines(ink, [moved(path)], False, 1, 1, cv2.LINE_8, 4)
    if not defect.paths_px:
        for outline in defect.outlines_px:
            cv2.fillPoly(ink, [moved(outline)], 1, cv2.LINE_8, 4)
            cv2.polylines(ink, [moved(outline)], True, 1, 1, cv2.LINE_8, 4)
    return ink > 0


def _labels(simulated: SimulatedView) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    panel, view = simulated.panel, simulated.view
    n = panel.recipe.layout.n_cells
    textures = [texture_of(cell, view.mm_per_px) for cell in view.log_cells]
    labels, unsure = np.zeros((n, 1 + len(KINDS)), bool), np.zeros((n, 1 + len(KINDS)), bool)
    fingers = np.zeros(n, int)
    for defect in panel.defects:
        if defect.position is None:
            continue
        cell = _index(panel, defect)
        to = labels if seen(defect, textures[cell]) else unsure
        to[cell, 0] |= defect.kind in CONFIRMED
        if defect.kind in KINDS:
            to[cell, 1 + KINDS.index(defect.kind)] = True
        fingers[cell] += defect.kind is Kind.FINGER_INTERRUPTION
    labels[:, 0] |= fingers >= MANY_FINGERS
    return labels, unsure & ~labels
