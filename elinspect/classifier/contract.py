"""What goes into the network and what comes out: fixed here, named in every model file, checked when one is loaded.

Input ``cells``: float32, shape (n, 4, rows, columns), every cell at 1 mm per pixel or the nearest scale at which both
sides are whole multiples of 16. Channels: the cell's logarithm of luminance over its own typical luminance; how far
that lies from the panel's typical cell; the cell's fine structure in multiples of its own texture; and the darkest of
it in each place, so that a hairline narrower than a pixel of the input is not averaged away. All drop gain, and none
says anything of the panel's absolute brightness.

Output ``logits``: (n, 1 + kinds), first 'any defect that would be confirmed', then one per kind; ``features``:
(n, features), what a linear head on site learns from; ``maps``: (n, kinds, rows / 4, columns / 4), where.
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Kind, PanelView
from elinspect.vision import cv2

CONTRACT = "elinspect.cell-network/2"
"""Named in every model file; another one is refused."""
KINDS = (Kind.CRACK, Kind.INACTIVE_AREA, Kind.FINGER_INTERRUPTION)
"""Kinds the network looks for, in the order of its outputs."""
CHANNELS = 4
"""Channels of the input."""
MM_PER_PX = 1.0
"""Scale of the input."""
STEP_PX = 16
"""Sides of the input are multiples of this."""
MAP_STEP_PX = 4
"""Input pixels per place of the output maps."""

_DARKEST, _BRIGHTEST = -2.5, 0.6
_MIDDLE, _HALF = (_BRIGHTEST + _DARKEST) / 2, (_BRIGHTEST - _DARKEST) / 2
OWN_LEVEL = -_MIDDLE / _HALF
"""Where the first channel stands at the cell's own typical luminance."""
_HALF_WAY = 4.0
"""Fine structure of so many times the cell's texture stands half way to the end of its channel."""
_MOST_DEVIATION = 0.8
_LEAST_TEXTURE = 0.004


def input_shape(view: PanelView) -> tuple[int, int]:
    """Return rows and columns of the network's input for the cells of a panel."""
    rows, columns = (
        max(round(size * view.mm_per_px / MM_PER_PX / STEP_PX), 1) * STEP_PX for size in view.log_cells.shape[1:]
    )
    return rows, columns


def network_input(view: PanelView, cells: NDArray[np.intp] | None = None) -> FloatImage:
    """Make the network's input.

    Parameters
    ----------
    view : PanelView
        The panel's maps.
    cells : ndarray of int, optional
        Which cells; all if not given.

    Returns
    -------
    ndarray of float32, shape (n, 4, rows, columns)
        Channels within -1..1.
    """
    rows, columns = input_shape(view)
    chosen = np.arange(len(view.log_cells)) if cells is None else cells
    out = np.empty((len(chosen), CHANNELS, rows, columns), np.float32)
    for place, cell in enumerate(chosen):
        fine = view.flat[cell]
        out[place, 0] = _resized(view.log_cells[cell], rows, columns)
        out[place, 2] = _resized(fine, rows, columns)
        out[place, 3] = _resized(np.asarray(cv2.erode(fine, _NEAR)), rows, columns)
    np.subtract(out[:, 0], _resized(view.typical, rows, columns), out=out[:, 1])
    out[:, 1] *= np.float32(1 / _MOST_DEVIATION)
    out[:, 0] -= np.float32(_MIDDLE)
    out[:, 0] *= np.float32(1 / _HALF)
    half_way = np.float32(_HALF_WAY) * _textures(out[:, 2])[:, None, None, None]
    out[:, 2:] /= np.abs(out[:, 2:]) + half_way
    return np.asarray(np.clip(out, -1, 1, out=out))


_NEAR: NDArray[np.uint8] = np.ones((2, 2), np.uint8)


def _resized(cell: FloatImage, rows: int, columns: int) -> FloatImage:
    shrinks = rows < cell.shape[0]
    return np.asarray(cv2.resize(cell, (columns, rows), interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR))


def _textures(fine: FloatImage) -> NDArray[np.float32]:
    """Robust spread of each cell's fine structure, from every third place: enough for a median."""
    spread = np.median(np.abs(fine[:, ::3, ::3]).reshape(len(fine), -1), axis=1)
    return np.asarray(_LEAST_TEXTURE + 1.4826 * spread, np.float32)
