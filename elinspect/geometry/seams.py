"""Which file shows each cell best, where a panel is photographed in several tiles, and which cells none shows."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from elinspect.imaging.noise import noise_of, patches_of, unsmoothed_noise
from elinspect.imaging.sharpness import edge_spread
from elinspect.records import Points, Tile

_MARGIN_PX = 1.0
_SHARP_PX = 0.5
"""A perfectly sharp picture measures about so much; less decides nothing."""


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
        The file that shows the cell whole, clear of masks; of several the one in which a thin crack stands out most:
        its evidence is the signal-to-noise over the root of the blur (`imaging.figures.smallest_crack`).
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
    seam = good.sum(axis=0) > 1
    for number in np.flatnonzero((good & seam).any(axis=1)).tolist():
        here = np.flatnonzero(good[number] & seam)
        worth[number, here] = _evidence(tiles[number], corners[good[number]], corners[here])
    return np.argmax(np.where(good, 2.0 + worth, worth), axis=0), np.asarray(~good.any(axis=0), np.bool_)


def _touched(corners: Points, masks: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a mask reaches into the box round each cell; cells lie straight enough for that."""
    low, high = corners.min(axis=1), corners.max(axis=1)
    touched = np.zeros(len(corners), np.bool_)
    for left, top, right, bottom in masks:
        touched |= np.all((low < (right, bottom)) & (high > (left, top)), axis=1)
    return touched


def _evidence(tile: Tile, shown: Points, asked: Points) -> NDArray[np.float64]:
    """Return how well a thin crack would stand out in each cell asked about, shape (n,).

    Blur and noise are those of the file, from all the cells it shows: a single cell tells too little about either.
    """
    image, place = tile.full_current, tile.place
    shown, asked = (cells if place is None else place.to_file(cells) for cells in (shown, asked))
    patches = patches_of(image.counts, shown)
    own = patches_of(image.counts, asked).reshape(len(asked), -1)
    if patches.size == 0 or own.shape[1] == 0:
        return np.zeros(len(asked))
    # Smoothing hides noise; it must not pass for a better picture.
    noise = unsmoothed_noise(patches) or float(np.median(noise_of(patches)))
    blur = max(edge_spread(image.counts, shown) or _SHARP_PX, _SHARP_PX)
    light = np.maximum(np.median(own, axis=1), 0.0) * (own < image.saturation).mean(axis=1)
    return np.asarray(light / (noise * np.sqrt(blur)), np.float64)
