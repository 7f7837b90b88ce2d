"""Fingerprints of cells: the texture of each in 144 bytes, for telling whether a later picture shows the same cells.

What all cells of the panel share (busbars, fingers, chamfers, fall-off of the light) is taken off, what remains between
about 6 mm and 25 mm is set in relation to its own spread and kept in two bits a place. Gain, exposure, current, blur
and resolution drop out; the edges of the cell, which the grid measures, register it.

References
----------
Max, J. (1960). "Quantizing for minimum distortion." IRE Trans. Inf. Theory 6(1):7-12. :doi:`10.1109/TIT.1960.1057548`
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Fingerprints, FloatImage, PanelView
from elinspect.vision import cv2

PLACES = 576
"""Places of a fingerprint, about; 24 x 24 of a full cell."""
FEWEST_IN_COMMON = 8
"""From so many cells on the panel's typical cell is taken off; fewer would take off their own texture."""
_TRIM = 0.04
_FINE_PLACES, _COARSE_PLACES = 1.0, 3.5
"""Finest and coarsest texture kept, standard deviations in places: chosen on the free panels of real cells."""
_LIT = 0.15
_MAX_LEVELS = np.array([-1.510, -0.4528, 0.4528, 1.510])
_MAX_STEP = 0.9816
"""Outputs and inner threshold of the best quantiser of two bits for normal values (Max 1960, Table I)."""
_BITS = 2 * np.arange(4, dtype=np.uint8)


def fingerprints_of(view: PanelView) -> Fingerprints:
    """Return the fingerprint of every cell.

    Parameters
    ----------
    view : PanelView
        The panel. A cell that is not judged, or all but dark, gets an empty fingerprint.
    """
    lit = view.judged & (view.relative_luminance > _LIT)
    return fingerprints_from(view.log_cells, lit)


def fingerprints_from(log_cells: FloatImage, lit: NDArray[np.bool_]) -> Fingerprints:
    """Return the fingerprint of every cell from the logarithm of its light.

    Parameters
    ----------
    log_cells : ndarray of float32, shape (n_cells, rows, columns)
        Natural logarithm of the luminance, each cell over its own median; any resolution.
    lit : ndarray of bool, shape (n_cells,)
        Cells that show texture; the others get an empty fingerprint.
    """
    shape = _shape_for(log_cells.shape[1] / log_cells.shape[2])
    texture = np.stack([_texture(cell, shape) for cell in log_cells])
    if lit.sum() >= FEWEST_IN_COMMON:
        texture -= np.median(texture[lit], axis=0)
    # Busbars, wires and fingers a hair off their usual place make whole lines; texture does not.
    texture -= np.median(texture, axis=2, keepdims=True)
    texture -= np.median(texture, axis=1, keepdims=True)
    if lit.sum() >= FEWEST_IN_COMMON:
        spread = np.median(np.abs(texture[lit]), axis=0)
        texture /= spread + np.float32(0.5) * max(np.median(spread), np.float32(1e-6))
    flat = texture.reshape(len(texture), -1)
    scale = 1.4826 * np.median(np.abs(flat), axis=1, keepdims=True)
    shares = flat / np.maximum(scale, 1e-6)
    level = (shares > -_MAX_STEP).astype(np.uint8) + (shares > 0) + (shares > _MAX_STEP)
    return Fingerprints(shape, tuple(_packed(row) if kept else b"" for row, kept in zip(level, lit, strict=True)))


def unpacked(prints: Fingerprints) -> NDArray[np.float32]:
    """Return the fingerprints as rows of unit length and mean zero, shape (n_cells, places); zeros for an empty one."""
    places = prints.shape[0] * prints.shape[1]
    rows = np.zeros((len(prints.codes), places), np.float32)
    for row, code in zip(rows, prints.codes, strict=True):
        if code:
            levels = (np.frombuffer(code, np.uint8)[:, None] >> _BITS) & 3
            row[:] = _MAX_LEVELS[levels.ravel()[:places]]
    rows -= rows.mean(axis=1, keepdims=True)
    length = np.linalg.norm(rows, axis=1, keepdims=True)
    return np.asarray(rows / np.where(length > 0, length, 1), np.float32)


def _shape_for(ratio: float) -> tuple[int, int]:
    """Return rows and columns of a fingerprint, from the ratio of the cell's sides: whole, halved, cut in three."""
    parts = min((1, 2, 3), key=lambda cut: abs(abs(np.log(ratio)) - np.log(cut)))
    long, short = round(np.sqrt(PLACES * parts)), round(np.sqrt(PLACES / parts))
    return (long, short) if ratio >= 1 else (short, long)


def _texture(cell: FloatImage, shape: tuple[int, int]) -> FloatImage:
    top, left = round(_TRIM * cell.shape[0]), round(_TRIM * cell.shape[1])
    inner = cell[top : cell.shape[0] - top, left : cell.shape[1] - left]
    # Twice as fine first: averaged straight to the places, fingers would leave a pattern of their own.
    fine = cv2.resize(inner, (2 * shape[1], 2 * shape[0]), interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(fine, (0, 0), 2 * _FINE_PLACES, borderType=cv2.BORDER_REFLECT)
    slow = cv2.GaussianBlur(fine, (0, 0), 2 * _COARSE_PLACES, borderType=cv2.BORDER_REFLECT)
    return np.asarray(cv2.resize(smooth - slow, shape[::-1], interpolation=cv2.INTER_AREA), np.float32)


def _packed(levels: NDArray[np.uint8]) -> bytes:
    padded = np.zeros(-(-levels.size // 4) * 4, np.uint8)
    padded[: levels.size] = levels
    return bytes((padded.reshape(-1, 4) << _BITS).sum(axis=1, dtype=np.uint8))
