"""What geometry and preparation hand to the detectors: grid, cells, circuit, measures, maps."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.records.pictures import FloatImage, PixelPlace, Points
from elinspect.records.places import Layout, Orientation
from elinspect.records.words import Unjudged


@dataclass(frozen=True, slots=True)
class NotFound:
    """The panel or its grid was not found; an expected outcome, not an exception.

    Attributes
    ----------
    reason : Message
        Why, and what to do.
    """

    reason: Message


@dataclass(frozen=True, slots=True)
class NoModel:
    """There is no classifier for this inspection; an expected outcome, not an exception.

    Attributes
    ----------
    reason : Message
        Why: switched off, or what is wrong with the model file.
    """

    reason: Message


@dataclass(frozen=True, slots=True, eq=False)
class PanelOutline:
    """The field of cells in the picture.

    Attributes
    ----------
    corners_px : ndarray, shape (4, 2)
        Corners (x, y) in file pixels, clockwise from the top left of the stored picture.
    confidence : float
        0..1.
    """

    corners_px: Points
    confidence: float


@dataclass(frozen=True, slots=True, eq=False)
class CellGrid:
    """Where every cell lies.

    Attributes
    ----------
    layout : Layout
        What was looked for and found.
    orientation : Orientation
        From the stored picture to the gate view, the file's own tag included.
    corners_px : ndarray, shape (n_cells, 4, 2)
        Corners (x, y) of each cell in pixels of the straight picture, in gate-view order: top left, top right, bottom
        right, bottom left *as seen in the gate view*; cells in the order of addresses. The straight picture is the file
        itself where neither a lens is known nor tiles are joined.
    panel_corners_px : ndarray, shape (4, 2)
        Outline (x, y) of the field of cells in the same pixels, clockwise from the top left of the stored picture.
    confidence : float
        0..1.
    """

    layout: Layout
    orientation: Orientation
    corners_px: Points
    panel_corners_px: Points
    confidence: float


@dataclass(frozen=True, slots=True, eq=False)
class CellPictures:
    """All cells, each resampled once from the file into one stack, in the gate view.

    Attributes
    ----------
    grid : CellGrid
        Where they come from.
    full_current : ndarray of float32, shape (n_cells, rows, columns)
        Counts above dark level. The picture of a cell spans exactly its corners: corner (0, 0) of the cell is the
        centre of pixel (0, 0), the opposite corner the centre of pixel (rows - 1, columns - 1).
    low_current : ndarray of float32 or None
        The same at low current.
    file_from_cell : ndarray of float64, shape (n_cells, 3, 3)
        Homographies from (column, row, 1) of the cell picture to (x, y, 1) of the straight picture; `places` brings
        them on to the file.
    mm_per_px : float
        Size of a cell-picture pixel, from the cell size of the recipe or, if `scale_known` is false, an assumed one.
    scale_known : bool
        Whether mm figures may be given out.
    saturation : float
        Counts at and above which the sensor was full.
    tile : ndarray of int, shape (n_cells,)
        File from which each cell was cut.
    places : tuple of PixelPlace or None
        For each file how its pixels lie in the straight picture; None where it is the straight picture.
    masked : ndarray of bool, shape (n_cells,)
        Cells that a mask covers in part, or that no file shows whole.
    """

    grid: CellGrid
    full_current: FloatImage
    low_current: FloatImage | None
    file_from_cell: NDArray[np.float64]
    mm_per_px: float
    scale_known: bool
    saturation: float
    tile: NDArray[np.intp]
    places: tuple[PixelPlace | None, ...]
    masked: NDArray[np.bool_]

    def corners_in_files(self) -> Points:
        """Return the corners (x, y) of each cell in pixels of the file it was cut from, shape (n_cells, 4, 2)."""
        corners = np.array(self.grid.corners_px)
        for number, place in enumerate(self.places):
            if place is not None:
                own = self.tile == number
                corners[own] = place.to_file(corners[own])
        return corners


@dataclass(frozen=True, slots=True)
class Branch:
    """Strings in series that carry one and the same current.

    Attributes
    ----------
    circuit : int
        Which of the parallel circuits, from 0.
    section : int
        Between which two ties of the parallel circuits, from 0.
    strings : tuple of int
        In series order.
    """

    circuit: int
    section: int
    strings: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CircuitFacts:
    """How the strings are connected, and what the supply showed during the exposure.

    Attributes
    ----------
    branches : tuple of Branch
        Every string is in one of them.
    current_share : float or None
        Current over the product's short-circuit current; None if not known.
    voltage_surplus_cells : float or None
        Voltage less the voltage to be expected at that current, over that of one cell: about -12 with a string of 12
        bridged, well above 0 with a cell in reverse; None if not known.
    """

    branches: tuple[Branch, ...]
    current_share: float | None = None
    voltage_surplus_cells: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PanelMeasures:
    """Where cells and ribbons lie, in mm in the plane of the cells; NaN where an edge or a ribbon was not seen.

    Along is the direction of the strings, to the right in the gate view; across is down. Cells are in the order of
    addresses, gaps by row and column of the gate view. Uncertainties are expanded ones, k = 2 (JCGM 100:2008).

    Attributes
    ----------
    along_mm, across_mm : ndarray, shape (n_cells,)
        How far each cell lies from its place in the regular grid that fits all cells.
    rotation_deg : ndarray, shape (n_cells,)
        Turn of each cell against that grid, clockwise.
    uncertainty_mm : ndarray, shape (n_cells,)
        Of `along_mm` and `across_mm`.
    least_gap_mm : ndarray, shape (n_cells,)
        Narrowest gap of each cell to a neighbour.
    gaps_along_mm : ndarray, shape (rows, columns - 1)
        Between neighbours of a row, gaps between blocks included.
    gaps_across_mm : ndarray, shape (rows - 1, columns)
        Between neighbours of a column.
    gap_uncertainty_mm : tuple of float
        Of a gap along and across, against the other gaps of this panel.
    edge_uncertainty_mm : float
        Common to all gaps: how well it is known where the wafer ends beyond the light.
    edge_inset_mm : float
        How far light ends inside the wafer's edge, by the recipe's scale check; 0 without one.
    field_mm, field_uncertainty_mm : tuple of float
        Size of the field of cells along and across, wafer edge to wafer edge.
    ribbon_places_mm : ndarray, shape (ribbons,)
        Even places of the ribbons or wires across a cell, from its upper edge in the gate view.
    ribbon_offset_mm : ndarray, shape (n_cells, ribbons)
        How far each ribbon or wire lies from its place on the cell; no columns where none are seen.
    ribbon_bow_mm : ndarray, shape (n_cells, ribbons)
        How far it strays from a straight line within the cell.
    ribbon_uncertainty_mm : ndarray, shape (n_cells,)
        Of `ribbon_offset_mm`: large where the cell's own edges are not where its size says.
    """

    along_mm: NDArray[np.float64]
    across_mm: NDArray[np.float64]
    rotation_deg: NDArray[np.float64]
    uncertainty_mm: NDArray[np.float64]
    least_gap_mm: NDArray[np.float64]
    gaps_along_mm: NDArray[np.float64]
    gaps_across_mm: NDArray[np.float64]
    gap_uncertainty_mm: tuple[float, float]
    edge_uncertainty_mm: float
    edge_inset_mm: float
    field_mm: tuple[float, float]
    field_uncertainty_mm: tuple[float, float]
    ribbon_places_mm: NDArray[np.float64]
    ribbon_offset_mm: NDArray[np.float64]
    ribbon_bow_mm: NDArray[np.float64]
    ribbon_uncertainty_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PanelView:
    """What every detector looks at: the cells and maps computed once.

    Maps may be coarser than the cell pictures (hairlines need no finer scale); shapes below are in map pixels.
    `to_picture` brings points of the maps to the cell picture.

    Attributes
    ----------
    pictures : CellPictures
        The cells.
    inside : ndarray of bool, shape (rows, columns)
        Where every cell of the panel has silicon: chamfers and the blurred rim are outside.
    log_cells : ndarray of float32, shape (n_cells, rows, columns)
        Natural logarithm of each cell over its own median luminance; 0 is typical, gain drops out. A cell much darker
        than those of the same current stands over a tenth of their luminance instead.
    background : ndarray of float32, shape (n_cells, rows, columns)
        Smooth luminance of each cell in the same logarithm, busbars bridged.
    busbar_rows : ndarray of bool, shape (rows,)
        Rows of the maps covered by busbars, wires or ribbons.
    noise : ndarray of float32, shape (n_cells,)
        Standard deviation of the noise of one pixel of `log_cells`.
    typical : ndarray of float32, shape (rows, columns)
        The panel's typical cell (median over cells of `log_cells`); zero everywhere where there are too few cells.
    luminance : ndarray of float32, shape (n_cells,)
        Median counts of each cell inside.
    relative_luminance : ndarray of float32, shape (n_cells,)
        `luminance` over the median of the cells that carry the same current.
    flat : ndarray of float32, shape (n_cells, rows, columns)
        `log_cells` less `background`, busbars bridged, shading of the rim taken off; outside, the nearest place inside
        goes on.
    streaks : ndarray of float32, shape (n_cells, rows / 4 rounded up, columns)
        What of `flat` runs straight in finger direction (across the busbars), less its surroundings; rows four times
        as coarse.
    deviation : ndarray of float32, shape (n_cells, rows / 2 rounded up, columns / 2 rounded up)
        Luminance in the same logarithm, busbars bridged, less that of the panel's typical cell (where there are enough
        cells), at half the scale.
    mm_per_px : float
        Size of a map pixel.
    own_light : ndarray of float32, shape (n_cells,)
        `luminance` less the light that a dark cell only scatters; counts.
    circuit : CircuitFacts
        Which cells carry the same current, and what the supply showed.
    measures : PanelMeasures or None
        Where cells and ribbons lie; None where that was not measured (a single cell).
    unjudged : mapping from int to Unjudged
        Why each cell that is not judged is not.
    """

    pictures: CellPictures
    inside: NDArray[np.bool_]
    log_cells: FloatImage
    background: FloatImage
    busbar_rows: NDArray[np.bool_]
    noise: NDArray[np.float32]
    typical: FloatImage
    luminance: NDArray[np.float32]
    relative_luminance: NDArray[np.float32]
    flat: FloatImage
    streaks: FloatImage
    deviation: FloatImage
    mm_per_px: float
    own_light: NDArray[np.float32]
    circuit: CircuitFacts
    measures: PanelMeasures | None = None
    unjudged: Mapping[int, Unjudged] = field(default_factory=dict)

    @property
    def judged(self) -> NDArray[np.bool_]:
        """Whether each cell can be judged, shape (n_cells,)."""
        judged = np.ones(len(self.luminance), np.bool_)
        judged[list(self.unjudged)] = False
        return judged

    def to_picture(self, points: Points) -> Points:
        """Bring points (row, column) of the maps to the cell picture.

        Parameters
        ----------
        points : ndarray, shape (..., 2)
            In map pixels.
        """
        scale = np.array(self.pictures.full_current.shape[1:]) / np.array(self.flat.shape[1:])
        # Maps are averages over blocks of picture pixels: block edges coincide, not pixel centres.
        return np.asarray((points + 0.5) * scale - 0.5)
