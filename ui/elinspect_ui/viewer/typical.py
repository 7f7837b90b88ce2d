"""A cell less the panel's typical cell: what it alone has. No Qt."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Address, FloatImage, PanelResult, read_only
from elinspect.vision import cv2
from elinspect_ui.presenters.places import PanelPlaces, homography, through
from elinspect_ui.viewer.close_up import Place

_LONGER_SIDE_PX = 192
_MOST_CELLS = 40
_FEWEST_CELLS = 4
SPAN = 0.3
"""Shown black: this share darker than the typical cell; white: as much brighter."""


@dataclass(frozen=True, slots=True, eq=False)
class TypicalCell:
    """Median over cells without flags, each over its own median.

    Attributes
    ----------
    relative : ndarray of float32, shape (rows, columns)
        1 is the cell's own median.
    own : dict from Address to float
        Median counts of every cell, in steps of the picture.
    """

    relative: FloatImage
    own: dict[Address, float]


def typical_cell(
    level: NDArray[np.uint16], factor: int, places: PanelPlaces, result: PanelResult
) -> TypicalCell | None:
    """Work out the panel's typical cell from one level of its picture.

    Parameters
    ----------
    level : ndarray of uint16
        The stored picture, its sides halved some times.
    factor : int
        Pixels of the stored picture per pixel of the level.
    places : PanelPlaces
        Where the cells lie.
    result : PanelResult
        Which cells are flagged or not judged: they do not make the typical cell.

    Returns
    -------
    TypicalCell or None
        None with too few good cells to tell.
    """
    flagged = {Address(flag.string, flag.position) for flag in result.flags if flag.string and flag.position}
    sides = np.hypot(*(np.roll(places.quads, -1, axis=1) - places.quads).mean(axis=0).T) if len(places.quads) else None
    if sides is None:
        return None
    along, across = float(sides[[0, 2]].mean()), float(sides[[1, 3]].mean())
    scale = min(_LONGER_SIDE_PX, max(along, across) / factor) / max(along, across)
    size = (max(8, round(along * scale)), max(8, round(across * scale)))
    own: dict[Address, float] = {}
    good: list[FloatImage] = []
    here = [cell for cell in result.cells if cell.tile == places.tile]
    for cell, quad in zip(here, places.quads, strict=True):
        cut = _cut(level, factor, places, quad, size)
        own[cell.address] = max(float(np.median(cut)), 1.0)
        if cell.judged and cell.address not in flagged and len(good) < _MOST_CELLS:
            good.append(cut / np.float32(own[cell.address]))
    if len(good) < _FEWEST_CELLS:
        return None
    return TypicalCell(read_only(np.median(np.stack(good), axis=0).astype(np.float32)), own)


def difference(shown: NDArray[np.uint16], typical: TypicalCell, address: Address, place: Place) -> NDArray[np.uint8]:
    """Return a place of a cell less the typical cell, as grey.

    Parameters
    ----------
    shown : ndarray of uint16, shape (side, side)
        The place, in steps of the picture.
    typical : TypicalCell
        Of the panel.
    address : Address
        The cell.
    place : Place
        Where on the cell.

    Returns
    -------
    ndarray of uint8, shape (side, side)
        128 where the cell is like the typical one, darker where it is darker.
    """
    side = shown.shape[0]
    rows, columns = typical.relative.shape
    steps = (np.arange(side, dtype=np.float32) + 0.5) / side
    x = (place.left + steps * place.width) * columns - 0.5
    y = (place.top + steps * place.height) * rows - 0.5
    grid_x, grid_y = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    expected = cv2.remap(typical.relative, grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    less = shown.astype(np.float32) / np.float32(typical.own[address]) - expected
    return np.asarray(np.clip(np.rint(127.5 + 127.5 * less / SPAN), 0, 255), dtype=np.uint8)


def _cut(
    level: NDArray[np.uint16], factor: int, places: PanelPlaces, quad: NDArray[np.float64], size: tuple[int, int]
) -> FloatImage:
    width, height = size
    corners = (places.to_file(quad) - (factor - 1) / 2) / factor
    whole = np.array([[0.0, 0.0], [width - 1.0, 0.0], [width - 1.0, height - 1.0], [0.0, height - 1.0]])
    back = homography(whole, corners)
    cut = cv2.warpPerspective(level, back, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return np.asarray(cut, dtype=np.float32)


def aligned(earlier: PanelPlaces, now: PanelPlaces) -> PanelPlaces:
    """Return the places of another picture of the panel, brought onto those of the picture on screen.

    The fields of cells are laid over each other corner by corner.
    """
    onto = homography(earlier.outline, now.outline)
    return PanelPlaces(
        now.layout,
        onto @ earlier.gate_from_file,
        now.width_px,
        now.height_px,
        now.outline,
        earlier.addresses,
        through(onto, earlier.quads.reshape(-1, 2)).reshape(-1, 4, 2),
        now.tile,
    )
