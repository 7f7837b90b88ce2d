"""Where the cells lie in the gate view, and what follows: the cell under the pointer, its neighbour, a good cell.

The gate view is the stored picture turned (and mirrored) so that strings lie horizontally; all points here are (x, y)
of one of the two, and say which.
"""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import clockwise_from_top_left, gate_from_stored
from elinspect.records import Address, Layout, Orientation, PanelResult, Points, read_only

_UNIT_SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])


@dataclass(frozen=True, slots=True, eq=False)
class PanelPlaces:
    """The cells of one panel in the gate view.

    Attributes
    ----------
    layout : Layout
        The layout looked for.
    gate_from_file : ndarray, shape (3, 3)
        From (x, y, 1) of the stored picture to the gate view.
    width_px, height_px : int
        Size of the gate view.
    outline : ndarray, shape (4, 2)
        The field of cells in the gate view, clockwise from its top left; the whole picture where none was found.
    addresses : tuple of Address
        Cells found, in the order of `quads`; empty where no panel was found.
    quads : ndarray, shape (n, 4, 2)
        Corners of each cell in the gate view, clockwise from its top left.
    tile : int
        Which picture of the panel it is; its cells are those judged in it.
    unjudged : tuple of int
        Places in `quads` of cells that could not be judged.
    """

    layout: Layout
    gate_from_file: NDArray[np.float64]
    width_px: int
    height_px: int
    outline: Points
    addresses: tuple[Address, ...]
    quads: Points
    tile: int = 0
    unjudged: tuple[int, ...] = ()

    def to_gate(self, points: Points) -> Points:
        """Bring points (x, y), shape (n, 2), of the stored picture to the gate view."""
        return through(self.gate_from_file, points)

    def to_file(self, points: Points) -> Points:
        """Bring points (x, y), shape (n, 2), of the gate view to the stored picture."""
        return through(np.asarray(np.linalg.inv(self.gate_from_file), dtype=np.float64), points)

    def index_of(self, address: Address) -> int | None:
        """Return the place of a cell in `quads`; None if it was not found."""
        return self.addresses.index(address) if address in self.addresses else None

    def cell_at(self, x: float, y: float) -> Address | None:
        """Return the cell at a point of the gate view; None in the gaps and outside."""
        if not self.addresses:
            return None
        start, end = self.quads, np.roll(self.quads, -1, axis=1)
        side = (end[..., 0] - start[..., 0]) * (y - start[..., 1]) - (end[..., 1] - start[..., 1]) * (x - start[..., 0])
        hits = np.flatnonzero((side >= 0).all(axis=1))
        return self.addresses[int(hits[0])] if hits.size else None

    def nearest_cell(self, x: float, y: float) -> Address | None:
        """Return the cell whose centre is nearest to a point of the gate view; None if there are no cells."""
        if not self.addresses:
            return None
        distance = np.hypot(*(self.quads.mean(axis=1) - (x, y)).T)
        return self.addresses[int(np.argmin(distance))]

    def neighbour(self, address: Address, right: int, down: int) -> Address:
        """Return the next cell in a direction of the gate view; the same one at the edge."""
        index = self.index_of(address)
        if index is None:
            return address
        offsets = self.quads.mean(axis=1) - self.quads[index].mean(axis=0)
        forward = offsets @ np.array([right, down], dtype=np.float64)
        aside = np.abs(offsets @ np.array([down, right], dtype=np.float64))
        sizes = np.ptp(self.quads[index], axis=0)
        ahead = forward > 0.3 * (sizes[0] if right else sizes[1])
        if not ahead.any():
            return address
        return self.addresses[int(np.argmin(np.where(ahead, forward + 4 * aside, np.inf)))]

    def unit_from_gate(self, index: int) -> NDArray[np.float64]:
        """Return the homography from (x, y, 1) of the gate view to a cell's own (u, v, 1), 0..1 over the cell."""
        return homography(self.quads[index], _UNIT_SQUARE)


def places_of(result: PanelResult, width_px: int, height_px: int, tile: int = 0) -> PanelPlaces:
    """Work out where the cells of a result lie in the gate view.

    Parameters
    ----------
    result : PanelResult
        What the pipeline said.
    width_px, height_px : int
        Size of the stored picture.
    tile : int
        Which picture of the panel it is.
    """
    facts = result.panel
    orientation = Orientation(facts.rotation_deg or 0, bool(facts.mirrored))  # type: ignore[arg-type]
    matrix = gate_from_stored(orientation, width_px, height_px)
    turned = orientation.rotation_deg in (90, 270)
    width, height = (height_px, width_px) if turned else (width_px, height_px)
    whole = np.array([[0.0, 0.0], [width - 1, 0.0], [width - 1, height - 1], [0.0, height - 1]])
    cells = [cell for cell in result.cells if cell.tile == tile]
    corners = np.array([cell.corners_px for cell in cells], dtype=np.float64).reshape(-1, 4, 2)
    quads = through(matrix, corners.reshape(-1, 2)).reshape(-1, 4, 2)
    outline = whole
    if result.image.tiles and len(quads):  # the panel reaches beyond each of its pictures
        outline = _box_around(quads.reshape(-1, 2))
    elif facts.corners_px is not None and not result.image.tiles:
        outline = through(matrix, np.array(facts.corners_px, dtype=np.float64))
    return PanelPlaces(
        layout=facts.layout,
        gate_from_file=matrix,
        width_px=width,
        height_px=height,
        outline=read_only(clockwise_from_top_left(outline)),
        addresses=tuple(cell.address for cell in cells),
        quads=read_only(clockwise_from_top_left(quads) if len(quads) else quads),
        tile=tile,
        unjudged=tuple(number for number, cell in enumerate(cells) if not cell.judged),
    )


def _box_around(points: Points) -> Points:
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def through(matrix: NDArray[np.float64], points: Points) -> Points:
    """Bring points, shape (n, 2), through a homogeneous matrix."""
    raised = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(raised[:, :2] / raised[:, 2:])


def homography(source: Points, target: Points) -> NDArray[np.float64]:
    """Return the homography that brings four points, shape (4, 2), to four others.

    Raises
    ------
    numpy.linalg.LinAlgError
        If three of the points lie on a line.
    """
    rows: list[list[float]] = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    solved = np.linalg.solve(np.array(rows, dtype=np.float64), np.asarray(target, dtype=np.float64).reshape(-1))
    return np.append(solved, 1.0).reshape(3, 3)


def good_cell(result: PanelResult, address: Address, flagged: Collection[Address]) -> Address | None:
    """Return a good cell of the same panel to hold beside a flagged one; None if there is none.

    Parameters
    ----------
    result : PanelResult
        What the pipeline said.
    address : Address
        The flagged cell.
    flagged : collection of Address
        Every cell with any flag.

    Notes
    -----
    Judged cells without flags, the least suspicious (scores), the most alike in luminance and the nearest, so that
    illumination and material are comparable. Weights are common practice, no source.
    """
    here = next((cell for cell in result.cells if cell.address == address), None)
    if here is None:
        return None
    place = np.mean(here.corners_px, axis=0)
    size = max(float(np.ptp(np.array(here.corners_px), axis=0).max()), 1.0)

    def unlikeness(index: int) -> float:
        cell = result.cells[index]
        steps = float(np.hypot(*(np.mean(cell.corners_px, axis=0) - place))) / size
        luminance = abs((cell.relative_luminance if cell.relative_luminance is not None else 1.0) - 1.0)
        return max(cell.kind_scores.values(), default=0.0) + 2.0 * luminance + 0.05 * steps

    candidates = [
        index
        for index, cell in enumerate(result.cells)
        if cell.judged and cell.tile == here.tile and cell.address != address and cell.address not in flagged
    ]
    return result.cells[min(candidates, key=unlikeness)].address if candidates else None
