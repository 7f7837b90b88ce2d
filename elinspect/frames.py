"""Addresses and the three frames: panel, string as built, cell.

- *Panel frame*: block, string, position, fixed in the gate view (camera side of the recipe, strings horizontal).
- *String-as-built frame*: position counted from the leading end, the first cell out of the stringer.
- *Cell frame*: a place in a cell, either in the gate view or relative to the lane's feed direction.

Machine causes are sought in the string-as-built frame only.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Address, Corner, Layout, Orientation, Points, ViewSide

_CORNERS_CLOCKWISE = (Corner.TOP_LEFT, Corner.TOP_RIGHT, Corner.BOTTOM_RIGHT, Corner.BOTTOM_LEFT)


@dataclass(frozen=True, slots=True)
class CellPlace:
    """A place in a cell as the gate view shows it.

    Attributes
    ----------
    u : float
        0 at the left edge, 1 at the right edge: along the string.
    v : float
        0 at the top edge, 1 at the bottom edge: across the string.
    """

    u: float
    v: float


@dataclass(frozen=True, slots=True)
class LanePlace:
    """A place in a cell as the stringer's lane sees it, looking at the sunny side in feed direction.

    Attributes
    ----------
    along : float
        0 at the cell edge that left the stringer first, 1 at the edge that left last.
    across : float
        0 at the left edge, 1 at the right edge, looking in feed direction at the sunny side.
    """

    along: float
    across: float


def block_of(layout: Layout, string: int) -> int:
    """Return the block (from 1) in which a string lies."""
    return (string - 1) // layout.strings_per_block + 1


def cell_index(layout: Layout, address: Address) -> int:
    """Return the index of a cell in the order of addresses.

    Raises
    ------
    ValueError
        If the address lies outside the layout.
    """
    if not (1 <= address.string <= layout.n_strings and 1 <= address.position <= layout.cells_per_string):
        raise ValueError(f"{address} is outside layout {layout}")
    return (address.string - 1) * layout.cells_per_string + address.position - 1


def address_of(layout: Layout, index: int) -> Address:
    """Return the address of a cell by its index; the inverse of `cell_index`."""
    if not 0 <= index < layout.n_cells:
        raise ValueError(f"cell {index} is outside layout {layout}")
    string, position = divmod(index, layout.cells_per_string)
    return Address(string + 1, position + 1)


def grid_places(layout: Layout, origin: Corner = Corner.TOP_LEFT) -> NDArray[np.intp]:
    """Return where each cell lies in the gate view.

    Parameters
    ----------
    layout : Layout
        The layout.
    origin : Corner
        Corner of the gate view where block 1, string 1, position 1 lies.

    Returns
    -------
    ndarray of int, shape (n_cells, 2)
        Row and column of each cell, in the order of addresses. Strings run from the origin across, blocks along.
    """
    rows, columns = layout.grid_shape
    index = np.arange(layout.n_cells)
    string, position = np.divmod(index, layout.cells_per_string)
    block, row = np.divmod(string, layout.strings_per_block)
    column = block * layout.cells_per_string + position
    if origin in (Corner.BOTTOM_LEFT, Corner.BOTTOM_RIGHT):
        row = rows - 1 - row
    if origin in (Corner.TOP_RIGHT, Corner.BOTTOM_RIGHT):
        column = columns - 1 - column
    return np.stack([row, column], axis=1)


def gate_from_stored(orientation: Orientation, width_px: int, height_px: int) -> NDArray[np.float64]:
    """Return the matrix that brings points of the stored picture to the gate view.

    Parameters
    ----------
    orientation : Orientation
        Clockwise turn, then left-right mirror.
    width_px, height_px : int
        Size of the stored picture.

    Returns
    -------
    ndarray, shape (3, 3)
        Homogeneous matrix from (x, y, 1) of the stored picture to (x, y, 1) of the turned one.
    """
    right, bottom = width_px - 1.0, height_px - 1.0
    turns = {
        0: [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
        90: [[0, -1, bottom], [1, 0, 0], [0, 0, 1]],
        180: [[-1, 0, right], [0, -1, bottom], [0, 0, 1]],
        270: [[0, 1, 0], [-1, 0, right], [0, 0, 1]],
    }
    matrix = np.array(turns[orientation.rotation_deg], dtype=np.float64)
    if orientation.mirrored:
        new_right = bottom if orientation.rotation_deg in (90, 270) else right
        matrix = np.array([[-1, 0, new_right], [0, 1, 0], [0, 0, 1]], dtype=np.float64) @ matrix
    return matrix


def then_turned(first: Orientation, second: Orientation) -> Orientation:
    """Return the single orientation that does `first`, then `second`."""
    # A turn after a mirror is the opposite turn before it.
    turn = -second.rotation_deg if first.mirrored else second.rotation_deg
    total = (first.rotation_deg + turn) % 360
    return Orientation(total, first.mirrored != second.mirrored)  # type: ignore[arg-type]


def stored_corner(orientation: Orientation, corner: Corner) -> Corner:
    """Return which corner of the stored picture becomes the given corner of the gate view."""
    place = _CORNERS_CLOCKWISE.index(corner)
    if orientation.mirrored:
        place = {0: 1, 1: 0, 2: 3, 3: 2}[place]
    return _CORNERS_CLOCKWISE[(place - orientation.rotation_deg // 90) % 4]


def clockwise_from_top_left(corners: Points) -> Points:
    """Order four corners (x, y) clockwise in the picture, starting at the one nearest the top left.

    Parameters
    ----------
    corners : ndarray, shape (..., 4, 2)
        Corners of convex quadrilaterals, in order around the outline (either way).

    Returns
    -------
    ndarray, shape (..., 4, 2)
        The same corners; with y down, clockwise as seen. The first is the one with the smallest x + y.
    """
    x, y = corners[..., 0], corners[..., 1]
    doubled_area = np.sum(x * np.roll(y, -1, axis=-1) - np.roll(x, -1, axis=-1) * y, axis=-1)
    clockwise = np.where((doubled_area > 0)[..., None, None], corners, corners[..., ::-1, :])
    first = np.argmin(clockwise.sum(axis=-1), axis=-1)
    order = (first[..., None] + np.arange(4)) % 4
    return np.take_along_axis(clockwise, order[..., None], axis=-2)


def position_as_built(layout: Layout, position: int, turned: bool) -> int:
    """Return the position counted from the leading end; its own inverse.

    Parameters
    ----------
    layout : Layout
        The layout.
    position : int
        Position in the panel frame, from 1.
    turned : bool
        Whether the string lies rotated by 180° in its plane, so that its leading end is position N.
    """
    return layout.cells_per_string + 1 - position if turned else position


def lane_place(place: CellPlace, turned: bool, view_side: ViewSide, position_1: Corner = Corner.TOP_LEFT) -> LanePlace:
    """Bring a place in a cell from the gate view to the lane.

    Parameters
    ----------
    place : CellPlace
        In the gate view.
    turned : bool
        Whether the string lies rotated by 180° in its plane.
    view_side : ViewSide
        Side from which the gate view shows the panel.
    position_1 : Corner
        Corner of the gate view where string 1, position 1 lies; with a right-hand corner position 1 is on the right.

    Returns
    -------
    LanePlace
        The leading end points in feed direction.
    """
    position_1_left = position_1 in (Corner.TOP_LEFT, Corner.BOTTOM_LEFT)
    leading_left = position_1_left != turned
    along = place.u if leading_left else 1 - place.u
    # From the front, with the feed direction pointing left, the lane's left side is at the bottom of the picture.
    left_at_bottom = leading_left == (view_side is ViewSide.FRONT)
    across = 1 - place.v if left_at_bottom else place.v
    return LanePlace(along, across)


def cell_place(place: LanePlace, turned: bool, view_side: ViewSide, position_1: Corner = Corner.TOP_LEFT) -> CellPlace:
    """Bring a place in a cell from the lane to the gate view; the inverse of `lane_place`."""
    mirrored = lane_place(CellPlace(place.along, place.across), turned, view_side, position_1)
    return CellPlace(mirrored.along, mirrored.across)
