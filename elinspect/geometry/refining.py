"""The lattice's lines measured in the file itself: true gaps, edges of every cell."""

from dataclasses import dataclass, replace

import numpy as np

from elinspect.geometry.coarse import CoarsePicture
from elinspect.geometry.edges import (
    EdgeSightings,
    GapShape,
    Windows,
    line_windows,
    measured_edges,
)
from elinspect.geometry.lattice import Lattice, pitches_mm
from elinspect.geometry.quads import CellEdges, cell_quads, straight_edges
from elinspect.geometry.typical_edges import gap_shapes
from elinspect.recipe import ProductRecipe
from elinspect.records import ElImage, Points
from elinspect.vision import cv2

_OTHER_GAP = 0.008
_BLOCK_GAP_MM = 1.5
_LIKE_GAP_PX = 0.1
_PARTED_REST = 0.5
"""Share of the misfit of one even pitch that may be left where a gap between blocks explains it."""
_SQUARE_PX = 8
_BothAxes = tuple[EdgeSightings, EdgeSightings]


@dataclass(frozen=True, slots=True, eq=False)
class RefinedGrid:
    """Cells as measured in the file.

    Attributes
    ----------
    lattice : Lattice
        With the typical gaps that were measured.
    quads : ndarray, shape (n_cells, 4, 2)
        Corners (x, y) of all cells by row and column, clockwise in the gate view.
    edges : CellEdges or None
        The edges behind them; None where no edge could be measured and the quads are the lattice's.
    along, across : EdgeSightings or None
        The same by line: within strings, and between strings.
    """

    lattice: Lattice
    quads: Points
    edges: CellEdges | None = None
    along: EdgeSightings | None = None
    across: EdgeSightings | None = None


def refined(image: ElImage, coarse: CoarsePicture, lattice: Lattice, recipe: ProductRecipe) -> RefinedGrid:
    """Measure every edge in the file.

    Parameters
    ----------
    image : ElImage
        The exposure.
    coarse : CoarsePicture
        Its coarse copy, for background and noise.
    lattice : Lattice
        Fitted to the coarse copy.
    recipe : ProductRecipe
        Sizes, which say how wide the windows must be.
    """
    mm, ground = pitches_mm(recipe), _darkest_ground(coarse)

    def sampled(lattice: Lattice) -> tuple[Windows, Windows]:
        return (
            line_windows(image.counts, lattice, 0, mm[0], ground),
            line_windows(image.counts, lattice, 1, mm[1], ground),
        )

    def edges_of(windows: tuple[Windows, Windows], shapes: tuple[GapShape, GapShape]) -> _BothAxes:
        noise = coarse.noise * coarse.factor
        return measured_edges(windows[0], shapes[0], noise), measured_edges(windows[1], shapes[1], noise)

    windows = sampled(lattice)
    shapes = gap_shapes(windows, lattice.gaps, mm)
    if shapes is None:
        return RefinedGrid(lattice, lattice.cell_corners().reshape(-1, 4, 2))
    gaps = _in_pitches(shapes, windows)
    if max(abs(found - expected) for found, expected in zip(gaps, lattice.gaps, strict=True)) > _OTHER_GAP:
        # The windows were made for the recipe's gap: make them again for the one that is there.
        lattice = replace(lattice, gaps=gaps)
        windows = sampled(lattice)
        shapes = gap_shapes(windows, gaps, mm) or shapes
    first = edges_of(windows, shapes)
    shapes = gap_shapes(windows, _in_pitches(shapes, windows), mm, first) or shapes
    seen = edges_of(windows, shapes)
    lattice = replace(lattice, gaps=(seen[0].gap, seen[1].gap))
    edges = straight_edges(lattice, seen[0], seen[1])
    return RefinedGrid(lattice, cell_quads(lattice, edges), edges, seen[0], seen[1])


def _darkest_ground(coarse: CoarsePicture) -> float:
    """Return the darkest ground of the picture, counts: of squares, in which noise averages out.

    Ground that is taken for darker than it is would pass for light that cells scatter.
    """
    small = cv2.resize(coarse.counts, None, fx=1 / _SQUARE_PX, fy=1 / _SQUARE_PX, interpolation=cv2.INTER_AREA)
    return float(np.percentile(small, 1))


def _in_pitches(shapes: tuple[GapShape, GapShape], windows: tuple[Windows, Windows]) -> tuple[float, float]:
    along, across = (shapes[k].width_px / float(np.median(windows[k].px_per_pitch)) for k in (0, 1))
    return along, across


def hidden_blocks(measured: RefinedGrid, recipe: ProductRecipe) -> int:
    """Return into how many blocks gaps much wider than the others part what was taken for one block; 1 for none.

    Parameters
    ----------
    measured : RefinedGrid
        One block.
    recipe : ProductRecipe
        Sizes.
    """
    layout, seen = measured.lattice.layout, measured.along
    columns = layout.grid_shape[1]
    if layout.blocks > 1 or seen is None or columns < 8:
        return 1
    gaps, known = _by_line(seen.begin - seen.end, columns)
    mm_per_px = pitches_mm(recipe)[0] / float(np.median(seen.windows.px_per_pitch))
    wide = (gaps - np.median(gaps)) * mm_per_px > _BLOCK_GAP_MM
    for blocks in (2, 3):
        borders = np.arange(1, blocks) * columns // blocks - 1
        if columns % blocks:
            continue
        if wide[borders].all() and wide.sum() == blocks - 1:
            return blocks
        if (known[borders] < known.max() / 2).all():
            places, _ = _by_line((seen.begin + seen.end) / 2, columns)
            if _jump_px(places, gaps, known) * mm_per_px > (blocks - 1) * _BLOCK_GAP_MM:
                return blocks
    return 1


def _by_line(values: Points, columns: int) -> tuple[Points, Points]:
    """Return for each inner line the median of what was seen, 0 for nothing, and in how many sections it was."""
    by_line = values.reshape(columns + 1, -1)[1:-1]
    seen = np.isfinite(by_line).sum(axis=1)
    median = [float(np.nanmedian(line)) if n else 0.0 for line, n in zip(by_line, seen, strict=True)]
    return np.array(median), seen


def _jump_px(places: Points, gaps: Points, seen: Points) -> float:
    """Return how much further apart the halves of a field lie than one even pitch lets them; 0 where none shows.

    A pitch that is to bridge a gap between blocks is too wide: the lines move away from it evenly from both ends,
    until they are lost and something else in the cells is taken for them.
    """
    well = seen > seen.max() / 2
    left, right = _run(well, gaps), _run(well[::-1], gaps[::-1])
    if min(left, right) < 2 or left + right >= len(well):
        return 0.0
    lines = np.r_[:left, len(well) - right : len(well)]
    even = np.stack([np.ones(len(lines)), lines], axis=1)
    parted = np.column_stack([even, lines >= left])
    found, rest = _fitted(parted, places[lines])
    return float(found[2]) if rest <= _PARTED_REST * _fitted(even, places[lines])[1] else 0.0


def _run(well: Points, gaps: Points) -> int:
    """Return how many lines, from the first on, are well seen and have a gap like the first."""
    alike = well & (np.abs(gaps - gaps[0]) < 0.5 * abs(gaps[0]) + _LIKE_GAP_PX)
    return len(alike) if alike.all() else int(np.argmin(alike))


def _fitted(model: Points, values: Points) -> tuple[Points, float]:
    """Return the unknowns of a linear model by least squares, and the misfit they leave."""
    unknowns = np.asarray(np.linalg.lstsq(model, values, rcond=None)[0], np.float64)
    return unknowns, float(np.linalg.norm(values - model @ unknowns))
