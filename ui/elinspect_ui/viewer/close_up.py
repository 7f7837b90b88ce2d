"""The same place of two cells, straightened: where the close-up looks. No Qt."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Address, Points
from elinspect_ui.presenters.places import PanelPlaces, homography, through

SMALLEST_SHARE = 0.4
"""A close-up shows at least this share of the cell's longer side, so that the place can be recognised."""
_ROOM = 1.7
_WHOLE = 1.08


@dataclass(frozen=True, slots=True)
class Place:
    """A square part of a cell, in units of the cell: 0..1 from its left to its right and its top to its bottom edge.

    Attributes
    ----------
    left, top, width, height : float
        In units of the cell.
    """

    left: float
    top: float
    width: float
    height: float


def place_around(places: PanelPlaces, address: Address, outline: Points | None, whole: bool) -> Place | None:
    """Return the part of a cell to show for an outline.

    Parameters
    ----------
    places : PanelPlaces
        The cells.
    address : Address
        The cell.
    outline : ndarray of shape (n, 2) or None
        Points (x, y) of the gate view; None shows the whole cell.
    whole : bool
        Show the whole cell whatever the outline.

    Returns
    -------
    Place or None
        Square on screen; None if the cell was not found.
    """
    index = places.index_of(address)
    if index is None:
        return None
    along, across = _sides(places.quads[index])
    largest = max(along, across) * _WHOLE
    if whole or outline is None:
        centre, side = np.array([0.5, 0.5]), largest
    else:
        inside = through(places.unit_from_gate(index), outline)
        low, high = inside.min(axis=0), inside.max(axis=0)
        centre = (low + high) / 2
        needed = float(((high - low) * (along, across)).max()) * _ROOM
        side = float(np.clip(needed, SMALLEST_SHARE * max(along, across), largest))
    width, height = side / along, side / across
    # Keep the close-up on the cell: what lies beside it says nothing.
    x, y = (_kept(float(at), size) for at, size in zip(centre, (width, height), strict=True))
    return Place(x - width / 2, y - height / 2, width, height)


def screen_from_gate(places: PanelPlaces, address: Address, place: Place, side: float) -> NDArray[np.float64]:
    """Return the homography from (x, y, 1) of the gate view to a square of `side` screen pixels showing the place.

    Raises
    ------
    ValueError
        If the cell was not found.
    """
    index = places.index_of(address)
    if index is None:
        raise ValueError(f"{address} was not found")
    gate_from_unit = homography(np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]), places.quads[index])
    left, top, right, bottom = place.left, place.top, place.left + place.width, place.top + place.height
    corners = through(gate_from_unit, np.array([[left, top], [right, top], [right, bottom], [left, bottom]]))
    return homography(corners, np.array([[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]]))


def _sides(quad: Points) -> tuple[float, float]:
    edges = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
    return float((edges[0] + edges[2]) / 2), float((edges[1] + edges[3]) / 2)


def _kept(centre: float, size: float) -> float:
    margin = (_WHOLE - 1) / 2
    low, high = size / 2 - margin, 1 - size / 2 + margin
    return 0.5 if low > high else min(max(centre, low), high)
