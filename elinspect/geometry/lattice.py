"""The lattice of cells: plane coordinates in pitches, how the picture shows them, and their fit to what was measured.

Plane coordinates ``(u, v)`` count cell pitches of the gate view: cell ``(row, column)`` of block ``b`` lies between
``u = column + shift[b]`` and one more, ``v = row`` and one more, half a gap taken off on each side. Only whole pitches
are assumed; the pitches' size, the perspective, the distance of the blocks and the lens come out of the fit.

References
----------
Brown, D. C. (1971). "Close-range camera calibration." Photogrammetric Engineering 37(8):855-866 (radial distortion).
Huber, P. J. (1981). "Robust Statistics." :doi:`10.1002/0471725250`
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.homography import Matrix, from_corners, moved
from elinspect.recipe import ProductRecipe
from elinspect.records import Layout, Points

DarkEdges = tuple[int, int, int, int]
"""Rows of cells above and below the lit field, and columns before and after it, that give too little light."""

_OUTLINE_SPREAD = 0.05
"""Usual error of the first outline: sides in half picture widths, perspective as change of scale to the side."""
_LENS_ROUNDS = 12
_LENS_SPREAD = 0.03
"""Usual radial term of a lens, share of the distance to the picture's corner."""


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """Where the picture shows the plane of the cells.

    Attributes
    ----------
    layout : Layout
        Blocks, strings, cells.
    file_from_plane : ndarray, shape (3, 3)
        Homography from (u, v, 1) to (x, y, 1) of the file, before the lens bends it.
    shifts : ndarray, shape (blocks,)
        Extra distance of each block along u, in pitches; the first is 0.
    gaps : tuple of float
        Gap between cells of a string and between strings, in pitches of u and v.
    lens : float
        Radial term: a point at the picture's corner is moved outward by this share of its distance from the centre.
    size : tuple of int
        Width and height of the file.
    """

    layout: Layout
    file_from_plane: Matrix
    shifts: NDArray[np.float64]
    gaps: tuple[float, float]
    lens: float
    size: tuple[int, int]

    def to_file(self, plane: Points) -> Points:
        """Bring plane points (..., 2) to file pixels (x, y)."""
        return bent(moved(self.file_from_plane, plane), self.lens, self.size)

    def to_plane(self, file: Points) -> Points:
        """Bring file pixels (x, y) to plane points, shape (..., 2); the inverse of `to_file`."""
        return moved(np.linalg.inv(self.file_from_plane), straightened(file, self.lens, self.size))

    @property
    def columns_from(self) -> NDArray[np.float64]:
        """Where each column of cells begins, u, shape (columns,)."""
        columns = np.arange(self.layout.grid_shape[1])
        return np.asarray(columns + self.shifts[columns // self.layout.cells_per_string])

    @property
    def extent(self) -> tuple[float, float]:
        """Width and height of the field in pitches, outer half gaps included."""
        rows, columns = self.layout.grid_shape
        return columns + float(self.shifts[-1]), float(rows)

    def cell_corners(self) -> Points:
        """Return corners (x, y) of all cells, shape (rows, columns, 4, 2), clockwise in the gate view."""
        left = self.columns_from
        top = np.arange(self.layout.grid_shape[0], dtype=np.float64)
        half_u, half_v = self.gaps[0] / 2, self.gaps[1] / 2
        u = np.stack([left + half_u, left + 1 - half_u, left + 1 - half_u, left + half_u], axis=-1)
        v = np.stack([top + half_v, top + half_v, top + 1 - half_v, top + 1 - half_v], axis=-1)
        shape = (top.size, left.size, 4)
        plane = np.stack([np.broadcast_to(u, shape), np.broadcast_to(v[:, None], shape)], axis=-1)
        return self.to_file(plane)

    def field_corners(self) -> Points:
        """Return the corners (x, y) of the field of cells, clockwise in the gate view, shape (4, 2)."""
        cells = self.cell_corners()
        return np.array([cells[0, 0, 0], cells[0, -1, 1], cells[-1, -1, 2], cells[-1, 0, 3]])


@dataclass(frozen=True, slots=True, eq=False)
class Sightings:
    """Places where a line of the lattice was seen in the picture.

    Attributes
    ----------
    plane : ndarray, shape (n, 2)
        Nominal plane point (u, v), the shift of the block not yet added.
    block : ndarray of int, shape (n,)
        Block whose shift belongs to the point.
    across : ndarray of bool, shape (n,)
        True where the line has constant u (its place along u was measured), False for constant v.
    file : ndarray, shape (n, 2)
        Point (x, y) of the file that lies on the line.
    weight : ndarray, shape (n,)
        0 for not seen.
    """

    plane: Points
    block: NDArray[np.intp]
    across: NDArray[np.bool_]
    file: Points
    weight: NDArray[np.float64]


def bent(points: Points, lens: float, size: tuple[int, int]) -> Points:
    """Bend points (x, y) radially about the middle of the picture as the lens does."""
    if lens == 0.0:
        return points
    centre = (np.array(size) - 1) / 2
    away = points - centre
    radius = (away**2).sum(axis=-1, keepdims=True) / (centre**2).sum()
    return np.asarray(centre + away * (1 + lens * radius))


def straightened(points: Points, lens: float, size: tuple[int, int]) -> Points:
    """Undo `bent`, to less than a thousandth of a pixel for every lens that is found."""
    if lens == 0.0:
        return points
    centre = (np.array(size) - 1) / 2
    away = points - centre
    straight = away
    for _ in range(_LENS_ROUNDS):
        straight = away / (1 + lens * (straight**2).sum(axis=-1, keepdims=True) / (centre**2).sum())
    return np.asarray(centre + straight)


def nominal_gaps(recipe: ProductRecipe) -> tuple[float, float]:
    """Return the recipe's gaps in pitches: between cells of a string and between strings."""
    along, across = pitches_mm(recipe)
    return recipe.spacing.cell_gap_mm / along, recipe.spacing.string_gap_mm / across


def pitches_mm(recipe: ProductRecipe) -> tuple[float, float]:
    """Return the recipe's pitch along the strings and across them in mm."""
    return (
        recipe.cell.along_mm + recipe.spacing.cell_gap_mm,
        recipe.cell.across_mm + recipe.spacing.string_gap_mm,
    )


def lattice_in(
    corners: Points,
    layout: Layout,
    recipe: ProductRecipe,
    size: tuple[int, int],
    dark: DarkEdges = (0, 0, 0, 0),
) -> Lattice:
    """Lay the recipe's lattice into the corners of the lit field.

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
        Corners (x, y) of the lit field in file pixels, clockwise in the gate view.
    layout : Layout
        Blocks, strings, cells.
    recipe : ProductRecipe
        Sizes and gaps.
    size : tuple of int
        Width and height of the file.
    dark : tuple of int
        Rows of cells above and below the lit field, columns before and after it, that do not belong to it.
    """
    along, _ = pitches_mm(recipe)
    gaps = nominal_gaps(recipe)
    extra = (recipe.spacing.block_gap_mm - recipe.spacing.cell_gap_mm) / along
    shifts = np.arange(layout.blocks, dtype=np.float64) * extra
    rows, columns = layout.grid_shape
    left, top = dark[2] + gaps[0] / 2, dark[0] + gaps[1] / 2
    right, bottom = columns + shifts[-1] - dark[3] - gaps[0] / 2, rows - dark[1] - gaps[1] / 2
    plane = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    return Lattice(layout, from_corners(plane, corners), shifts, gaps, 0.0, size)


def fitted(lattice: Lattice, seen: Sightings, with_lens: bool, rounds: int = 12) -> tuple[Lattice, float]:
    """Fit the lattice to sightings; lines that contradict the rest lose their weight.

    Parameters
    ----------
    lattice : Lattice
        Where to begin.
    seen : Sightings
        At least as many with weight as there are unknowns; otherwise the lattice comes back unchanged.
    with_lens : bool
        Whether the radial term is fitted too.
    rounds : int
        Gauss-Newton steps.

    Returns
    -------
    lattice : Lattice
        The fit.
    scatter_px : float
        Robust standard deviation of the distances between sightings and lattice, file pixels; infinite if not fitted.
    """
    n_shifts = lattice.layout.blocks - 1
    used = seen.weight > 0
    if used.sum() < 12 + n_shifts or not (used & seen.across).any() or not (used & ~seen.across).any():
        return lattice, np.inf
    plane_norm = np.diag([lattice.extent[0] / 2, lattice.extent[1] / 2, 1.0])
    plane_norm[:2, 2] = lattice.extent[0] / 2, lattice.extent[1] / 2
    centre = (np.array(lattice.size) - 1) / 2
    file_norm = np.array([[centre.max(), 0, centre[0]], [0, centre.max(), centre[1]], [0, 0, 1.0]])

    def rebuilt(unknown: NDArray[np.float64]) -> Lattice:
        middle = np.append(unknown[:8], 1.0).reshape(3, 3)
        matrix = file_norm @ middle @ np.linalg.inv(plane_norm)
        shifts = np.concatenate([[0.0], unknown[8 : 8 + n_shifts]])
        return replace(
            lattice, file_from_plane=matrix, shifts=shifts, lens=float(unknown[-1]) if with_lens else lattice.lens
        )

    start = np.linalg.inv(file_norm) @ lattice.file_from_plane @ plane_norm
    unknown = np.concatenate(
        [(start / start[2, 2]).ravel()[:8], lattice.shifts[1:], [lattice.lens] if with_lens else []]
    )
    # A single string shows neither its shear nor the perspective across itself: what is not seen stays as it was.
    begin = unknown.copy()
    spread = np.concatenate([np.full(8, _OUTLINE_SPREAD), np.full(n_shifts, 0.5), [_LENS_SPREAD] if with_lens else []])
    stiffness = 1 / spread**2
    scatter, slopes = np.inf, np.empty((seen.weight.size, unknown.size))
    for turn in range(rounds):
        away = distances(rebuilt(unknown), seen)
        scatter = max(1.4826 * float(np.median(np.abs(away[used]))), 0.02)
        weight = seen.weight / (1 + (away / (2.5 * scatter)) ** 2) ** 2
        if turn < 2:  # the problem is nearly linear: later steps do with the slopes of the second one
            for k in range(unknown.size):
                step = np.zeros(unknown.size)
                step[k] = 1e-6
                slopes[:, k] = (distances(rebuilt(unknown + step), seen) - away) / 1e-6
        weighted = slopes * weight[:, None]
        hold = scatter**2 * stiffness
        normal = weighted.T @ slopes + np.diag(hold + 1e-9)
        change = np.linalg.solve(normal, weighted.T @ away + hold * (unknown - begin))
        unknown = unknown - change
        if np.abs(change).max() < 1e-6:
            break
    return rebuilt(unknown), scatter


def distances(lattice: Lattice, seen: Sightings) -> NDArray[np.float64]:
    """Return how far each sighting lies from its line, file pixels, positive towards larger u or v."""
    plane = seen.plane.copy()
    plane[:, 0] += lattice.shifts[seen.block]
    here = lattice.to_file(plane)
    step = np.where(seen.across[:, None], [[0.0, 1e-3]], [[1e-3, 0.0]])
    ahead = np.where(seen.across[:, None], [[1e-3, 0.0]], [[0.0, 1e-3]])
    along = lattice.to_file(plane + step) - here
    towards = lattice.to_file(plane + ahead) - here
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    normal *= np.sign((normal * towards).sum(axis=1, keepdims=True))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return np.asarray(((seen.file - here) * normal).sum(axis=1))
