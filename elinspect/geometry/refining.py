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
    outer_shape,
    typical_gap,
)
from elinspect.geometry.lattice import Lattice, pitches_mm
from elinspect.geometry.quads import CellEdges, cell_quads, straight_edges
from elinspect.recipe import ProductRecipe
from elinspect.records import ElImage, Points

_OTHER_GAP = 0.008
_BLOCK_GAP_MM = 1.5


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
    windows, shapes = _gap_shapes(image, coarse, lattice, recipe)
    if shapes is None:
        return RefinedGrid(lattice, lattice.cell_corners().reshape(-1, 4, 2))
    gaps = tuple(shapes[k].width_px / float(np.median(windows[k].px_per_pitch)) for k in (0, 1))
    if max(abs(found - expected) for found, expected in zip(gaps, lattice.gaps, strict=True)) > _OTHER_GAP:
        # The windows were made for the recipe's gap: make them again for the one that is there.
        lattice = replace(lattice, gaps=(gaps[0], gaps[1]))
        windows, again = _gap_shapes(image, coarse, lattice, recipe)
        shapes = again or shapes
    seen = [measured_edges(windows[axis], shapes[axis], coarse.noise * coarse.factor) for axis in (0, 1)]
    lattice = replace(lattice, gaps=(seen[0].gap, seen[1].gap))
    edges = straight_edges(lattice, seen[0], seen[1])
    return RefinedGrid(lattice, cell_quads(lattice, edges), edges, seen[0], seen[1])


def _gap_shapes(
    image: ElImage, coarse: CoarsePicture, lattice: Lattice, recipe: ProductRecipe
) -> tuple[tuple[Windows, Windows], tuple[GapShape, GapShape] | None]:
    """Sample the file across all lines and measure the typical gap of both axes; None if no edge shows."""
    mm = pitches_mm(recipe)
    along = line_windows(image.counts, lattice, 0, mm[0], coarse.floor)
    across = line_windows(image.counts, lattice, 1, mm[1], coarse.floor)
    outer = outer_shape((along, across))
    found = [typical_gap(windows, lattice.gaps[k], mm[k], outer) for k, windows in enumerate((along, across))]
    usual = found[0] or found[1] or outer
    if usual is None:
        return (along, across), None
    shapes = []
    for k, windows in enumerate((along, across)):
        nominal_px = lattice.gaps[k] * float(np.median(windows.px_per_pitch))
        shapes.append(found[k] or replace(usual, width_px=nominal_px))
    return (along, across), (shapes[0], shapes[1])


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
