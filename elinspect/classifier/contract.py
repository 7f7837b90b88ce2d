"""What goes into the network and what comes out: fixed here, named in every model file, checked when one is loaded.

Input ``cells``: float32, shape (n, 3, rows, columns), every cell at 0.75 mm per pixel or the nearest scale at which
both sides are whole multiples of 16. Channels: the cell's logarithm of luminance over its own typical luminance; the
same of the panel's typical cell; and the cell's fine structure in multiples of its own texture. All three drop gain,
and none says anything of the panel's absolute brightness.

Output ``logits``: (n, 1 + kinds), first 'any defect that would be confirmed', then one per kind; ``features``:
(n, features), what a linear head on site learns from; ``maps``: (n, kinds, rows / 4, columns / 4), where.
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Kind, PanelView
from elinspect.vision import cv2

CONTRACT = "elinspect.cell-network/1"
"""Named in every model file; another one is refused."""
KINDS = (Kind.CRACK, Kind.INACTIVE_AREA, Kind.FINGER_INTERRUPTION)
"""Kinds the network looks for, in the order of its outputs."""
MM_PER_PX = 0.75
"""Scale of the input: a hairline, blurred over about 1.5 mm, still covers two pixels."""
STEP_PX = 16
"""Sides of the input are multiples of this."""
MAP_STEP_PX = 4
"""Input pixels per place of the output maps."""

_DARKEST, _BRIGHTEST = -2.5, 0.6
_MOST_CONTRAST = 6.0
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
    ndarray of float32, shape (n, 3, rows, columns)
        Channels within -1..1.
    """
    rows, columns = input_shape(view)
    chosen = np.arange(len(view.log_cells)) if cells is None else cells
    out = np.empty((len(chosen), 3, rows, columns), np.float32)
    typical = _luminance_channel(_resized(view.typical, rows, columns))
    for place, cell in enumerate(chosen):
        out[place, 0] = _luminance_channel(_resized(view.log_cells[cell], rows, columns))
        out[place, 1] = typical
        fine = _resized(view.flat[cell], rows, columns)
        np.clip(fine / (_MOST_CONTRAST * _texture(fine)), -1, 1, out=out[place, 2])
    return out


def _resized(cell: FloatImage, rows: int, columns: int) -> FloatImage:
    shrinks = rows < cell.shape[0]
    return np.asarray(cv2.resize(cell, (columns, rows), interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR))


def _luminance_channel(logarithm: FloatImage) -> FloatImage:
    middle, half = (_BRIGHTEST + _DARKEST) / 2, (_BRIGHTEST - _DARKEST) / 2
    return np.asarray((np.clip(logarithm, _DARKEST, _BRIGHTEST) - middle) / half, np.float32)


def _texture(fine: FloatImage) -> float:
    """Robust spread of what is not exactly zero: outside of the cell the fine structure is set to zero."""
    inside = np.abs(fine[::2, ::2])
    inside = inside[inside > 0]
    return _LEAST_TEXTURE + (1.4826 * float(np.median(inside)) if inside.size else 0.0)
