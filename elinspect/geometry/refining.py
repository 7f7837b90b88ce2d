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
    by_line = (seen.begin - seen.end).reshape(columns + 1, -1)[1:-1]
    known = np.isfinite(by_line).sum(axis=1) > 0
    gaps = np.array(
        [float(np.nanmedian(line)) if any_seen else 0.0 for line, any_seen in zip(by_line, known, strict=True)]
    )
    mm_per_px = pitches_mm(recipe)[0] / float(np.median(seen.windows.px_per_pitch))
    wide = (gaps - np.median(gaps)) * mm_per_px > _BLOCK_GAP_MM
    for blocks in (2, 3):
        lines = np.arange(1, blocks) * columns // blocks - 1
        if columns % blocks == 0 and wide[lines].all() and wide.sum() == blocks - 1:
            return blocks
    return 1
