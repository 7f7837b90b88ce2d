"""Corners of every cell from its measured edges; what was not seen follows its neighbours and the lattice."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.edges import EdgeSightings
from elinspect.geometry.lattice import Lattice
from elinspect.records import Points

LEFT, TOP, RIGHT, BOTTOM = range(4)
_FEWEST = 3
_ENDS = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class CellEdges:
    """Edges of all cells, row-major, sides in the order left, top, right, bottom of the gate view.

    Attributes
    ----------
    offset_px : ndarray, shape (n_cells, 4)
        Distance of the middle of each edge from where the lattice expects it, towards larger u or v.
    tilt_px : ndarray, shape (n_cells, 4)
        Change of that distance over the length of the edge, towards larger v or u.
    seen : ndarray of bool, shape (n_cells, 4)
        Whether the edge was measured; otherwise it follows its neighbours.
    scatter_px : ndarray, shape (n_cells, 4)
        Standard error of `offset_px`, from the scatter of the sections; NaN where not seen.
    """

    offset_px: NDArray[np.float64]
    tilt_px: NDArray[np.float64]
    seen: NDArray[np.bool_]
    scatter_px: NDArray[np.float64]


def straight_edges(lattice: Lattice, along_u: EdgeSightings, along_v: EdgeSightings) -> CellEdges:
    """Fit a straight line to the sections of every edge and fill in what was not seen."""
    n_cells = lattice.layout.n_cells
    offset, tilt = np.full((n_cells, 4), np.nan), np.full((n_cells, 4), np.nan)
    scatter = np.full((n_cells, 4), np.nan)
    for seen, first, last in ((along_u, LEFT, RIGHT), (along_v, TOP, BOTTOM)):
        half = seen.gap / 2 * seen.windows.px_per_pitch
        for cells, side, places, expected in (
            (seen.windows.after, first, seen.begin, half),
            (seen.windows.before, last, seen.end, -half),
        ):
            here = cells >= 0
            answers = _lines_through(places[here] - expected[here, None])
            offset[cells[here], side], tilt[cells[here], side], scatter[cells[here], side] = answers
    measured = ~np.isnan(offset)
    shape = lattice.layout.grid_shape
    for side in range(4):
        offset[:, side] = _filled(offset[:, side].reshape(shape), along_row=side in (TOP, BOTTOM)).ravel()
        tilt[:, side] = np.where(measured[:, side], tilt[:, side], 0.0)
    return CellEdges(offset, tilt, measured, scatter)


def _lines_through(places: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return middle, tilt and standard error of a line through each row of places; NaN where too few agree."""
    n, sections = places.shape
    along = (np.arange(sections) + 0.5) / sections - 0.5
    along = along * (1 - 2 * _ENDS)
    weight = np.isfinite(places).astype(np.float64)
    values = np.where(weight > 0, places, 0.0)
    enough = weight.sum(axis=1) >= _FEWEST
    middle, tilt, scatter = np.zeros(n), np.zeros(n), np.full(n, 0.5)
    with np.errstate(invalid="ignore"):
        middle[enough] = np.nanmedian(places[enough], axis=1) if enough.any() else 0.0
    keep = weight
    for _ in range(4):
        away = values - middle[:, None] - tilt[:, None] * along
        scatter = np.sqrt((keep * away**2).sum(axis=1) / np.maximum(keep.sum(axis=1) - 1, 1)).clip(0.05)
        keep = weight / (1 + (away / (2 * scatter[:, None])) ** 2) ** 2
        total = keep.sum(axis=1) + 1e-9
        mean_along, mean_value = (keep * along).sum(axis=1) / total, (keep * values).sum(axis=1) / total
        spread = (keep * (along - mean_along[:, None]) ** 2).sum(axis=1)
        # A short stretch tells little about the tilt: it is held near zero as if by one more pair of sections.
        tilt = (keep * (along - mean_along[:, None]) * (values - mean_value[:, None])).sum(axis=1) / (spread + 0.05)
        middle = mean_value - tilt * mean_along
    error = scatter / np.sqrt(np.maximum(keep.sum(axis=1), 1))
    bad = ~enough
    return np.where(bad, np.nan, middle), np.where(bad, np.nan, tilt), np.where(bad, np.nan, error)


def _filled(values: NDArray[np.float64], along_row: bool) -> NDArray[np.float64]:
    """Fill unseen offsets from the nearest seen ones: along the string first, then from other strings."""
    known = np.isfinite(values)
    if known.all():
        return values
    if not known.any():
        return np.zeros_like(values)
    rows, columns = np.indices(values.shape)
    missing, present = np.flatnonzero(~known), np.flatnonzero(known)
    row_step, column_step = (3.0, 1.0) if along_row else (1.0, 3.0)
    distance = (row_step * (rows.ravel()[missing, None] - rows.ravel()[present])) ** 2
    distance = distance + (column_step * (columns.ravel()[missing, None] - columns.ravel()[present])) ** 2
    weight = 1 / distance**2
    filled = values.copy()
    filled.ravel()[missing] = (weight * values.ravel()[present]).sum(axis=1) / weight.sum(axis=1)
    return filled


def cell_quads(lattice: Lattice, edges: CellEdges) -> Points:
    """Return the corners (x, y) of all cells, row-major, shape (n_cells, 4, 2), clockwise in the gate view."""
    rows, columns = lattice.layout.grid_shape
    left = np.tile(lattice.columns_from, rows)
    top = np.repeat(np.arange(rows, dtype=np.float64), columns)
    half_u, half_v = lattice.gaps[0] / 2, lattice.gaps[1] / 2
    ends = np.array([_ENDS, 1 - _ENDS])
    places = {
        LEFT: (left[:, None] + half_u + 0 * ends, top[:, None] + ends),
        TOP: (left[:, None] + ends, top[:, None] + half_v + 0 * ends),
        RIGHT: (left[:, None] + 1 - half_u + 0 * ends, top[:, None] + ends),
        BOTTOM: (left[:, None] + ends, top[:, None] + 1 - half_v + 0 * ends),
    }
    middle = lattice.to_file(np.stack([left + 0.5, top + 0.5], axis=-1))
    lines = []
    for side, (u, v) in places.items():
        points = lattice.to_file(np.stack([u, v], axis=-1))
        along = points[:, 1] - points[:, 0]
        normal = np.stack([-along[:, 1], along[:, 0]], axis=-1) / np.linalg.norm(along, axis=1, keepdims=True)
        outward = ((points.mean(axis=1) - middle) * normal).sum(axis=1, keepdims=True)
        normal = normal * np.sign(outward) * (1 if side in (RIGHT, BOTTOM) else -1)
        moves = edges.offset_px[:, side, None] + edges.tilt_px[:, side, None] * (ends - 0.5)
        lines.append(points + moves[..., None] * normal[:, None])
    return np.stack(
        [_crossing(lines[a], lines[b]) for a, b in ((LEFT, TOP), (RIGHT, TOP), (RIGHT, BOTTOM), (LEFT, BOTTOM))], axis=1
    )


def _crossing(first: Points, second: Points) -> Points:
    """Return where lines through pairs of points cross, shape (n, 2)."""
    along, other = first[:, 1] - first[:, 0], second[:, 1] - second[:, 0]
    between = second[:, 0] - first[:, 0]
    turn = along[:, 0] * other[:, 1] - along[:, 1] * other[:, 0]
    share = (between[:, 0] * other[:, 1] - between[:, 1] * other[:, 0]) / turn
    return np.asarray(first[:, 0] + share[:, None] * along)
