"""Gaps, misplacement and size of the field in mm, from the edges of the cells as measured in the file.

The scale comes from the cells themselves: the typical cell is as large as the recipe says, along and across, less what
light ends inside the wafer's edge. Uncertainties follow JCGM 100:2008 (GUM): parts are combined in quadrature and
expanded with k = 2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import grid_places
from elinspect.geometry.edges import EdgeSightings
from elinspect.geometry.grid import FoundGrid
from elinspect.geometry.lattice import Lattice
from elinspect.geometry.quads import BOTTOM, LEFT, RIGHT, TOP, CellEdges
from elinspect.geometry.ribbons import RibbonLines
from elinspect.recipe import Product, ProductRecipe
from elinspect.records import PanelMeasures, read_only

_UNKNOWN_INSET_MM = 0.5
"""Light ends up to so far inside the wafer's edge (common practice, no source): what a missing scale check leaves
open."""
_MODEL_MM = 0.045
"""Standard uncertainty of one edge beside the scatter of its sections: rim and blur of the light differ from cell to
cell. From simulated panels, whose truth is known."""
_UNSEEN_MM = 3.0
"""An edge that was not seen follows its neighbours; so far it may be off."""
_COVERAGE = 2.0
_HARDLY_SEEN = 1.5
"""A gap of fewer blurs never gets dark: edges that dim alone could look like it, of cells that touch."""


@dataclass(frozen=True, slots=True, eq=False)
class _Sides:
    """Edges of all cells in mm of the plane, by row and column; sides in the order left, top, right, bottom.

    Attributes
    ----------
    place : ndarray, shape (rows, columns, 4)
        Where each edge lies, along for left and right, across for top and bottom; NaN where not seen.
    away : ndarray, shape (rows, columns, 4)
        The same, less where the regular grid expects it.
    turn : ndarray, shape (rows, columns, 4)
        Turn of each edge, radians, clockwise.
    error : ndarray, shape (rows, columns, 4)
        Standard uncertainty, mm.
    too_high : ndarray, shape (rows, columns)
        How much larger than the typical cell each is across, mm, seen or not.
    """

    place: NDArray[np.float64]
    away: NDArray[np.float64]
    turn: NDArray[np.float64]
    error: NDArray[np.float64]
    too_high: NDArray[np.float64]


def measured(found: FoundGrid, ribbons: RibbonLines, product: Product) -> PanelMeasures | None:
    """Measure a panel.

    Parameters
    ----------
    found : FoundGrid
        The grid with its edges.
    ribbons : RibbonLines
        Ribbons of the same cells.
    product : Product
        Cell size and scale check. With a size that is only assumed the figures are right in proportion only.

    Returns
    -------
    PanelMeasures or None
        None for a single cell, or where no edges could be measured.
    """
    refined = found.refined
    if refined is None or refined.edges is None:
        return None
    inset, inset_error = edge_inset_mm(product.recipe)
    sides = _sides(refined.lattice, refined.quads.reshape(-1, 4, 2), refined.edges, product.recipe, inset)
    if sides is None:
        return None
    along, across = (
        _agreed(sides.away[..., LEFT], sides.away[..., RIGHT]),
        _agreed(sides.away[..., TOP], sides.away[..., BOTTOM]),
    )
    turn = _turn(sides, product.recipe)
    gaps_along = sides.place[:, 1:, LEFT] - sides.place[:, :-1, RIGHT] - 2 * inset
    gaps_across = sides.place[1:, :, TOP] - sides.place[:-1, :, BOTTOM] - 2 * inset
    field, field_error = _field(sides, product.recipe, inset, inset_error)
    places = grid_places(refined.lattice.layout, product.recipe.addresses.origin_corner)
    order = places[:, 0], places[:, 1]
    place_error = _COVERAGE * _place_error(sides)
    return PanelMeasures(
        along_mm=read_only(along[order]),
        across_mm=read_only(across[order]),
        rotation_deg=read_only(np.degrees(turn)[order]),
        uncertainty_mm=read_only(place_error[order]),
        least_gap_mm=read_only(_least_gap(gaps_along, gaps_across)[order]),
        gaps_along_mm=read_only(gaps_along),
        gaps_across_mm=read_only(gaps_across),
        gap_uncertainty_mm=(
            _gap_error(sides, (LEFT, RIGHT), gaps_along, refined.along),
            _gap_error(sides, (TOP, BOTTOM), gaps_across, refined.across),
        ),
        edge_uncertainty_mm=2 * _COVERAGE * inset_error,
        edge_inset_mm=inset,
        field_mm=field,
        field_uncertainty_mm=field_error,
        ribbon_places_mm=ribbons.nominal_mm,
        ribbon_offset_mm=ribbons.offset_mm,
        ribbon_bow_mm=ribbons.bow_mm,
        ribbon_uncertainty_mm=read_only(_ribbon_error(sides)[order]),
    )


def edge_inset_mm(recipe: ProductRecipe) -> tuple[float, float]:
    """Return how far light ends inside the wafer's edge and the standard uncertainty of that, mm.

    Without a scale check 0, with the root mean square of anything between 0 and half a millimetre.
    """
    check = recipe.scale_check
    if check is None:
        return 0.0, _UNKNOWN_INSET_MM / np.sqrt(3)
    # The gap was shown with cells taken as large as the wafer; they are smaller by twice the inset.
    both = (check.seen_gap_mm - check.caliper_gap_mm) / (1 + check.seen_gap_mm / recipe.cell.along_mm)
    return float(both / 2), float(np.hypot(check.caliper_uncertainty_mm, _MODEL_MM) / 2)


def _sides(
    lattice: Lattice, quads: NDArray[np.float64], edges: CellEdges, recipe: ProductRecipe, inset: float
) -> _Sides | None:
    rows, columns = lattice.layout.grid_shape
    corners = lattice.to_plane(quads).reshape(rows, columns, 4, 2)
    seen = edges.seen.reshape(rows, columns, 4)
    u, v = corners[..., 0], corners[..., 1]
    pitches = np.stack(
        [(u[..., 0] + u[..., 3]) / 2, (v[..., 0] + v[..., 1]) / 2, (u[..., 1] + u[..., 2]) / 2,
         (v[..., 3] + v[..., 2]) / 2], axis=-1,
    )  # fmt: skip
    size = pitches[..., [RIGHT, BOTTOM]] - pitches[..., [LEFT, TOP]]
    whole = seen[..., [RIGHT, BOTTOM]] & seen[..., [LEFT, TOP]]
    if not whole[..., 0].any() or not whole[..., 1].any():
        return None
    typical = np.array([np.median(size[..., axis][whole[..., axis]]) for axis in (0, 1)])
    mm = (np.array([recipe.cell.along_mm, recipe.cell.across_mm]) - 2 * inset) / typical
    scale = mm[[0, 1, 0, 1]]
    place = np.where(seen, pitches * scale, np.nan)
    half_u, half_v = lattice.gaps[0] / 2, lattice.gaps[1] / 2
    left, top = np.broadcast_to(lattice.columns_from, (rows, columns)), np.arange(rows)[:, None] + np.zeros(columns)
    expected = np.stack([left + half_u, top + half_v, left + 1 - half_u, top + 1 - half_v], axis=-1) * scale
    away = _less_common(place - expected, left, top)
    wide, high = size[..., 0] * mm[0], size[..., 1] * mm[1]
    turn = np.stack(
        [
            -(u[..., 3] - u[..., 0]) * mm[0] / high,
            (v[..., 1] - v[..., 0]) * mm[1] / wide,
            -(u[..., 2] - u[..., 1]) * mm[0] / high,
            (v[..., 2] - v[..., 3]) * mm[1] / wide,
        ],
        axis=-1,
    )
    sides_px = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2)
    mm_per_px = np.array([wide.ravel() / sides_px[:, 0], high.ravel() / sides_px[:, 1]])[[0, 1, 0, 1]].T
    error = np.hypot(edges.scatter_px * mm_per_px, _MODEL_MM).reshape(rows, columns, 4)
    return _Sides(place, away, np.where(seen, turn, np.nan), np.where(seen, error, np.nan), high - typical[1] * mm[1])


def _less_common(away: NDArray[np.float64], left: NDArray[np.float64], top: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take off what all edges of one axis have in common: a shift, a stretch, a shear of the fitted grid."""
    ground = np.stack([np.ones(left.size), left.ravel() - left.mean(), top.ravel() - top.mean()], axis=1)
    out = np.empty_like(away)
    for pair in ((LEFT, RIGHT), (TOP, BOTTOM)):
        middle = away[..., pair].mean(axis=-1).ravel()
        known = np.isfinite(middle)
        weight = known.astype(np.float64)
        fit = np.zeros(3)
        for _ in range(8 if known.sum() >= 6 else 0):
            weighted = ground[known] * weight[known, None]
            fit = np.linalg.lstsq(
                weighted.T @ ground[known] + 1e-9 * np.eye(3), weighted.T @ middle[known], rcond=None
            )[0]
            rest = np.abs(middle[known] - ground[known] @ fit)
            scatter = max(1.4826 * float(np.median(rest)), 1e-3)
            weight[known] = 1 / (1 + (rest / (2.5 * scatter)) ** 2)
        common = (ground @ fit).reshape(left.shape)
        for side in pair:
            out[..., side] = away[..., side] - common
    return out


def _agreed(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what two opposite edges agree on: a cell that lies elsewhere moves both, a dark rim only one."""
    smaller = np.where(np.abs(first) < np.abs(second), first, second)
    return np.where(np.sign(first) == np.sign(second), smaller, np.where(np.isfinite(first + second), 0.0, np.nan))


def _turn(sides: _Sides, recipe: ProductRecipe) -> NDArray[np.float64]:
    upright = _agreed(sides.turn[..., LEFT], sides.turn[..., RIGHT])
    level = _agreed(sides.turn[..., TOP], sides.turn[..., BOTTOM])
    # All cells turned alike is the grid's own shear, not a turn of cells.
    upright, level = (turn - np.nanmedian(turn) if np.isfinite(turn).any() else turn for turn in (upright, level))
    high, wide = recipe.cell.across_mm**2, recipe.cell.along_mm**2
    both = (upright * high + level * wide) / (high + wide)
    return np.where(np.isfinite(both), both, np.where(np.isfinite(upright), upright, level))


def _place_error(sides: _Sides) -> NDArray[np.float64]:
    """Return the standard uncertainty of where each cell lies, the larger one of along and across."""
    pairs = [np.hypot(sides.error[..., a], sides.error[..., b]) for a, b in ((LEFT, RIGHT), (TOP, BOTTOM))]
    return np.asarray(np.fmax(*pairs))


def _ribbon_error(sides: _Sides) -> NDArray[np.float64]:
    """Return the expanded uncertainty of where ribbons lie on a cell: that of its upper and lower edge."""
    edges = np.hypot(sides.error[..., TOP], sides.error[..., BOTTOM])
    return np.asarray(np.hypot(np.where(np.isfinite(edges), _COVERAGE * edges, _UNSEEN_MM), sides.too_high))


def _gap_error(sides: _Sides, pair: tuple[int, int], gaps: NDArray[np.float64], seen: EdgeSightings | None) -> float:
    """Return the expanded uncertainty of the gaps of one axis."""
    error = sides.error[..., pair]
    known = error[np.isfinite(error)]
    if not known.size:
        return float("nan")
    standard = np.sqrt(2) * float(np.median(known))
    if seen is not None and seen.gap_in_blurs < _HARDLY_SEEN and np.isfinite(gaps).any():
        # Anything between nothing and what shows is as likely.
        standard = np.hypot(standard, abs(float(np.nanmedian(gaps))) / np.sqrt(3))
    return float(_COVERAGE * standard)


def _least_gap(along: NDArray[np.float64], across: NDArray[np.float64]) -> NDArray[np.float64]:
    rows, columns = along.shape[0], across.shape[1]
    around = np.full((rows, columns, 4), np.inf)
    around[:, 1:, LEFT], around[:, :-1, RIGHT] = along, along
    around[1:, :, TOP], around[:-1, :, BOTTOM] = across, across
    least = np.fmin.reduce(around, axis=-1)
    return np.where(np.isfinite(least), least, np.nan)


def _field(
    sides: _Sides, recipe: ProductRecipe, inset: float, inset_error: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    rows, columns = sides.place.shape[:2]
    sizes, errors = [], []
    outer = (sides.place[:, 0, LEFT], sides.place[:, -1, RIGHT]), (sides.place[0, :, TOP], sides.place[-1, :, BOTTOM])
    for axis, (first, last) in enumerate(outer):
        spans = (last - first)[np.isfinite(last - first)]
        if spans.size == 0:
            sizes.append(float("nan"))
            errors.append(float("nan"))
            continue
        edge = float(np.nanmedian(sides.error[..., (LEFT, TOP)[axis]]))
        # The scale is that of the typical cell: its error, and that of the inset, grow with the number of cells.
        scale = np.hypot(np.sqrt(2) * edge / np.sqrt(rows * columns), 2 * inset_error)
        side = (recipe.cell.along_mm, recipe.cell.across_mm)[axis]
        span = float(np.median(spans))
        sizes.append(span + 2 * inset)
        beyond = span / side - 1
        errors.append(float(_COVERAGE * np.hypot(beyond * scale, np.sqrt(2) * edge / np.sqrt(spans.size))))
    return (sizes[0], sizes[1]), (errors[0], errors[1])
