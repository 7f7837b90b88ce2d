"""Which file shows each cell best, where a panel is photographed in several tiles, and which cells none shows."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.coarse import pixel_noise
from elinspect.records import FloatImage, Points, Tile

_MARGIN_PX = 1.0
_SAMPLES = 48


def tile_of_cells(tiles: Sequence[Tile], corners: Points) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Choose a file for every cell.

    Parameters
    ----------
    tiles : sequence of Tile
        The files.
    corners : ndarray, shape (n_cells, 4, 2)
        Corners (x, y) of each cell in pixels of the straight picture.

    Returns
    -------
    tile : ndarray of int, shape (n_cells,)
        The file that shows the cell whole, clear of masks; of several the one with the best signal-to-noise there.
    masked : ndarray of bool, shape (n_cells,)
        Cells that no file shows so: a mask lies on them, or every file cuts them.
    """
    if len(tiles) == 1 and not len(tiles[0].masks):
        # A single file is never cut from its neighbour: what it does not show, the geometry has refused.
        return np.zeros(len(corners), np.intp), np.zeros(len(corners), np.bool_)
    good = np.empty((len(tiles), len(corners)), np.bool_)
    worth = np.empty(good.shape)
    for number, tile in enumerate(tiles):
        own = corners if tile.place is None else tile.place.to_file(corners)
        size = np.array([tile.full_current.width_px, tile.full_current.height_px])
        inside = np.all((own >= -_MARGIN_PX) & (own <= size - 1 + _MARGIN_PX), axis=2)
        good[number] = (inside.all(axis=1) | (len(tiles) == 1)) & ~_touched(own, tile.masks)
        # How many corners are there decides only where no file shows the cell whole.
        worth[number] = inside.mean(axis=1)
    for seam in np.flatnonzero(good.sum(axis=0) > 1).tolist():
        for number in np.flatnonzero(good[:, seam]).tolist():
            place = tiles[number].place
            own = corners[seam] if place is None else place.to_file(corners[seam])
            worth[number, seam] = _quality(tiles[number], own)
    return np.argmax(np.where(good, 2.0 + worth, worth), axis=0), np.asarray(~good.any(axis=0), np.bool_)


def _touched(corners: Points, masks: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a mask reaches into the box round each cell; cells lie straight enough for that."""
    low, high = corners.min(axis=1), corners.max(axis=1)
    touched = np.zeros(len(corners), np.bool_)
    for left, top, right, bottom in masks:
        touched |= np.all((low < (right, bottom)) & (high > (left, top)), axis=1)
    return touched


def _quality(tile: Tile, corners: Points) -> float:
    """Return the signal-to-noise of a cell in a file, and less where it is saturated."""
    (left, top), (right, bottom) = np.floor(corners.min(axis=0)), np.ceil(corners.max(axis=0))
    image = tile.full_current
    part: FloatImage = image.counts[max(int(top), 0) : int(bottom) + 1, max(int(left), 0) : int(right) + 1]
    rows = part[:: max(1, part.shape[0] // _SAMPLES)]
    saturated = float(np.mean(rows >= image.saturation))
    return max(float(np.median(rows)), 0.0) / max(pixel_noise(rows), 1e-6) * (1 - saturated)
