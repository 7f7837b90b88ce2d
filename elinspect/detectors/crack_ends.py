"""True ends of cracks: through the rim that is not looked at, and along the border of a piece that lost its current."""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.crack_shape import rounded
from elinspect.records import FloatImage, PanelView, Points
from elinspect.vision import cv2

_STRAIGHT = 8
"""So many places before its end say where a line goes on."""
_BESIDE_MM = 2.0
_LEAST_DARK = 0.7
"""Luminance of a piece over that beside it: what keeps more is no piece with a border of its own. Common practice, no
source."""
_LARGEST = 0.3
"""Share of the cell: a crack that parts more has two sides, and no border all round."""
_FED_MM = 3.0
"""Fingers whose ends still touch stay bright in the piece: one or two side by side."""
_ROUNDS = 3
"""The border is smoothed as far as other lines are, whose points lie further apart."""


def run_out(points: Points, inside: NDArray[np.bool_], reach: float, most: float) -> Points:
    """Let a line that ends at the rim go straight on to the edge of the cell.

    The rim is not looked at for its blur, and nothing stops a crack there that has come so far.

    Parameters
    ----------
    points : ndarray, shape (m, 2)
        (row, column) along the line.
    inside : ndarray of bool, shape (rows, columns)
        Where the cell is looked at; its picture ends at its edges.
    reach : float
        The rim begins so near ahead of the line's end, pixels.
    most : float
        Longest way through the rim: lines that run along it stay as they are.

    Returns
    -------
    ndarray, shape (m to m + 2, 2)
        The line with its ends.
    """
    ahead = _way_out(points, inside, reach, most)
    behind = _way_out(points[::-1], inside, reach, most)
    return np.concatenate([behind, points, ahead])


def _way_out(points: Points, inside: NDArray[np.bool_], reach: float, most: float) -> Points:
    """Where the last end of a line comes out of the cell; none for an end that is not at the rim."""
    before = points[max(len(points) - 1 - _STRAIGHT, 0)]
    length = float(np.linalg.norm(points[-1] - before))
    ahead = points[-1] + np.arange(0, most + reach, 0.5)[:, None] * (points[-1] - before) / max(length, 1e-9)
    last = np.array(inside.shape) - 1
    within = np.logical_and(ahead >= 0, ahead <= last).all(axis=1)
    rows, columns = np.clip(np.round(ahead), 0, last).astype(int).T
    rim = np.flatnonzero(~(inside[rows, columns] & within))
    edge = np.flatnonzero(~within)
    if length == 0 or not rim.size or not edge.size or rim[0] * 0.5 > reach or (edge[0] - rim[0]) * 0.5 > most:
        return points[:0]
    return np.asarray(ahead[max(edge[0] - 1, 0)][None])


def around_piece(view: PanelView, cell: int, points: Points) -> Points:
    """Let the line of a crack that cut a piece off at the edge run along all of that piece's border.

    Parameters
    ----------
    view : PanelView
        The panel; its typical cell says how dark rims are.
    cell : int
        Which cell.
    points : ndarray, shape (m, 2)
        (row, column) along the line, map pixels.

    Returns
    -------
    ndarray, shape (n, 2)
        From edge to edge; the line itself where no dark piece lies between it and the edge.
    """
    if not view.typical.any():
        return points
    level = cv2.GaussianBlur(np.exp(view.log_cells[cell] - view.typical), (0, 0), 0.7)
    piece = _piece(np.asarray(level, np.float32), points, view.mm_per_px)
    if piece is None or not 0 < piece.sum() <= _LARGEST * piece.size:
        return points
    border = _border(piece)
    near = np.linalg.norm(points[:, None] - border[None], axis=2).min(axis=1) <= _BESIDE_MM / view.mm_per_px
    return border if len(border) > len(points) / 2 and near.mean() >= 0.8 else points


def _piece(level: FloatImage, points: Points, mm_per_px: float) -> NDArray[np.bool_] | None:
    """The dark region along one side of a line."""
    beside = _BESIDE_MM / mm_per_px
    along = np.gradient(points, axis=0)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    across *= beside / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    last = np.array(level.shape) - 1
    sides = [np.clip(np.round(points + sign * across), 0, last).astype(int) for sign in (1, -1)]
    levels = [float(np.median(level[tuple(side.T)])) for side in sides]
    dark = int(np.argmin(levels))
    if levels[dark] > _LEAST_DARK * levels[1 - dark]:
        return None
    below = (level < (levels[0] + levels[1]) / 2).astype(np.uint8)
    fed = np.ones((1, 2 * round(_FED_MM / mm_per_px / 2) + 1), np.uint8)
    closed = cv2.morphologyEx(below, cv2.MORPH_CLOSE, fed, borderType=cv2.BORDER_REPLICATE)
    _, label = cv2.connectedComponents(closed, connectivity=4)
    own = np.bincount(label[tuple(sides[dark].T)], minlength=2)
    own[0] = 0
    piece = label == int(own.argmax())
    at_edge = piece[0].any() or piece[-1].any() or piece[:, 0].any() or piece[:, -1].any()
    return piece if own.max() > len(points) / 2 and at_edge else None


def _border(piece: NDArray[np.bool_]) -> Points:
    """Longest part of a region's outline that does not run along the edge of the picture."""
    contours, _ = cv2.findContours(piece.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=len)[:, 0, ::-1]
    last = np.array(piece.shape) - 1
    free = np.flatnonzero(((outline > 0) & (outline < last)).all(axis=1))
    # The outline is closed: begin where it leaves the edge.
    start = int(np.setdiff1d(np.arange(len(outline)), free)[0]) if len(free) < len(outline) else 0
    outline = np.roll(outline, -start, axis=0)
    free = np.flatnonzero(((outline > 0) & (outline < last)).all(axis=1))
    if not free.size:
        return np.zeros((0, 2))
    runs = np.split(free, np.flatnonzero(np.diff(free) > 1) + 1)
    run = max(runs, key=len)
    border = outline[run[0] : run[-1] + 1].astype(np.float64)
    for _ in range(_ROUNDS):
        border = rounded(border)
    return border
