"""Sharpness of a raw exposure: the spread of the cells' edges.

Raw pixels in short pieces of cell edge are taken with their distance from the edge, so that a slightly turned edge is
sampled much more finely than by whole pixels (the idea of the slanted edge, ISO 12233), and a blurred step is fitted to
them. Nothing is interpolated, which would blur.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Points

_REACH_PX = 8.0
_LEAST_REACH_PX = 2.5
_FREE_REACH_PX = 6.0
_PIECE_PX = 24
_PIECES_AT = (0.2, 0.35, 0.5, 0.65, 0.8)
_MOST_PIECES = 60
_FEWEST_PIECES = 6
_ROUNDS = 9
_LEAST_CONTRAST = 3.0
_WIDEST_PX = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class _Pieces:
    """Short pieces of cell edge, n of them."""

    centre: Points
    inward: Points
    """Unit vectors (x, y) into the cell."""
    reach_px: NDArray[np.float64]
    """How far outside the edge the picture shows nothing else."""

    def only(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> "_Pieces":
        return _Pieces(self.centre[chosen], self.inward[chosen], self.reach_px[chosen])


def edge_spread(counts: FloatImage, corners_px: Points) -> float | None:
    """Measure the standard deviation of the edge spread.

    Parameters
    ----------
    counts : ndarray of float32, shape (height, width)
        Raw image.
    corners_px : ndarray, shape (n_cells, 4, 2)
        Corners (x, y) of each cell in file pixels, in order round the cell.

    Returns
    -------
    float or None
        File pixels: median over the outer edges of the field of cells, or, where those are too few or not in the
        picture, over the edges at gaps. None if too few edges stand out. Real cells grow dark towards the edge, which
        the fit allows for only in part; a perfectly sharp picture gives about 0.3 to 0.5 px, not 0.

    References
    ----------
    Sharpness as the standard deviation of a Gaussian point spread, as in Bedrich, K. (2017), PhD thesis, Loughborough
    University, p. 95.
    """
    pieces = _pieces(corners_px, counts.shape)
    free = pieces.reach_px >= _FREE_REACH_PX
    spreads = _told(_fitted(counts, pieces.only(free)))
    if len(spreads) < _FEWEST_PIECES:
        spreads = _told(np.concatenate([spreads, _fitted(counts, pieces.only(~free))]))
    return float(np.median(spreads)) if len(spreads) >= _FEWEST_PIECES else None


def _told(spreads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Leave out edges that are no edges, as wide as they are: unless most are so, for then the picture is blurred."""
    narrow = spreads[spreads < _WIDEST_PX]
    return spreads if 2 * len(narrow) < len(spreads) else narrow


def _pieces(corners_px: Points, shape: tuple[int, ...]) -> _Pieces:
    starts, ends = corners_px, np.roll(corners_px, -1, axis=1)
    along = ends - starts
    length = np.linalg.norm(along, axis=2, keepdims=True)
    middles = (starts + ends) / 2
    normal = np.stack([-along[..., 1], along[..., 0]], axis=-1) / np.maximum(length, 1e-9)
    towards = np.sum(normal * (corners_px.mean(axis=1, keepdims=True) - middles), axis=-1, keepdims=True)
    inward = np.where(towards < 0, -normal, normal)
    reach = np.minimum(_REACH_PX, _half_gap(middles))
    long_enough = (length[..., 0] > 3 * _PIECE_PX) & (reach >= _LEAST_REACH_PX)
    centres = np.stack([starts + share * along for share in _PIECES_AT], axis=2)
    height, width = shape
    room = _REACH_PX + _PIECE_PX / 2 + 1
    shown = np.all((centres > room) & (centres < np.array([width, height]) - 1 - room), axis=-1)
    chosen = (shown & long_enough[..., None]).nonzero()
    return _Pieces(centres[chosen], inward[chosen[:2]], reach[chosen[:2]])


def _half_gap(middles: Points) -> NDArray[np.float64]:
    """Half the distance from the middle of each side to the nearest side of another cell, shape (n_cells, 4)."""
    flat = middles.reshape(-1, 2)
    distance = np.linalg.norm(flat[:, None] - flat[None], axis=2)
    cell = np.arange(len(flat)) // 4
    distance[cell[:, None] == cell[None]] = np.inf
    return np.asarray(distance.min(axis=1).reshape(middles.shape[:2]) / 2)


def _fitted(counts: FloatImage, pieces: _Pieces) -> NDArray[np.float64]:
    """Spreads of those pieces in which the fit succeeded."""
    if len(pieces.centre) == 0:
        return np.empty(0)
    if len(pieces.centre) > _MOST_PIECES:
        pieces = pieces.only(np.linspace(0, len(pieces.centre) - 1, _MOST_PIECES).round().astype(np.intp))
    values, distance, weight = _samples(counts, pieces)
    return _fit_steps(values, distance, weight)


def _samples(
    counts: FloatImage, pieces: _Pieces
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return raw pixels round each piece, their distance inwards from the edge, and 1 for those that belong to it."""
    half = _PIECE_PX // 2
    offsets = np.arange(-half, half + 1)
    origin = np.round(pieces.centre).astype(np.intp)
    rows, columns = origin[:, 1, None, None] + offsets[:, None], origin[:, 0, None, None] + offsets
    values = counts[rows, columns].astype(np.float64)
    x, y = columns - pieces.centre[:, 0, None, None], rows - pieces.centre[:, 1, None, None]
    normal_x, normal_y = pieces.inward[:, 0, None, None], pieces.inward[:, 1, None, None]
    inwards, along = x * normal_x + y * normal_y, y * normal_x - x * normal_y
    belongs = (np.abs(along) <= half) & (inwards <= _REACH_PX) & (inwards >= -pieces.reach_px[:, None, None])
    n = len(origin)
    return values.reshape(n, -1), inwards.reshape(n, -1), belongs.reshape(n, -1).astype(np.float64)


def _fit_steps(
    values: NDArray[np.float64], distance: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Fit a blurred step with a sloping bright side to each row by damped Gauss-Newton steps; return the spreads."""
    n = len(values)
    dark = _mean(values, weight * (distance < -1))
    bright = _mean(values, weight * (distance > 2))
    contrast = np.maximum(bright - dark, 1e-6)
    # Everything in units of the contrast, so that one damping serves all pieces.
    scaled = (values - dark[:, None]) / contrast[:, None]
    parameters = np.tile([0.0, 1.0, 0.0, 0.0, 1.0], (n, 1))
    damping = np.full(n, 1e-3)
    model, slopes = _step(parameters, distance)
    error = np.sum(weight * (scaled - model) ** 2, axis=1)
    for _ in range(_ROUNDS):
        weighted = slopes * weight[:, None]
        normal = weighted @ slopes.transpose(0, 2, 1)
        right = (weighted @ (scaled - model)[..., None])[..., 0]
        diagonal = np.einsum("nii->ni", normal)
        diagonal *= 1 + damping[:, None]
        diagonal += 1e-9
        trial = parameters + np.linalg.solve(normal, right[..., None])[..., 0]
        trial[:, 4] = np.clip(trial[:, 4], 0.1, 2 * _WIDEST_PX)
        trial_model, trial_slopes = _step(trial, distance)
        trial_error = np.sum(weight * (scaled - trial_model) ** 2, axis=1)
        better = trial_error < error
        parameters[better], model[better], slopes[better] = trial[better], trial_model[better], trial_slopes[better]
        error[better] = trial_error[better]
        damping *= np.where(better, 0.2, 8.0)
    residual = np.sqrt(error / np.maximum(weight.sum(axis=1), 1))
    height, place, spread = parameters[:, 1], parameters[:, 3], parameters[:, 4]
    good = (height > _LEAST_CONTRAST * residual) & (np.abs(place) < _REACH_PX / 2)
    return np.asarray(spread[good])


def _mean(values: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.sum(values * weight, axis=1) / np.maximum(weight.sum(axis=1), 1))


def _step(
    parameters: NDArray[np.float64], distance: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the model (n, samples) and its derivatives (n, 5, samples).

    dark + (height + slope * max(distance - place, 0)) * Phi((distance - place) / spread), with the normal distribution
    function Phi in its usual approximation by tanh, right to 3e-4 (Hendrycks and Gimpel 2016, arXiv 1606.08415): it
    needs no scipy, whose import takes longer than all the rest.
    """
    dark, height, slope, place, spread = (parameters[:, k, None] for k in range(5))
    beyond = distance - place
    u = beyond / spread
    inner = math.sqrt(2 / math.pi) * (u + 0.044715 * u**3)
    curve = np.tanh(inner)
    share = (1 + curve) / 2
    density = (1 - curve**2) / 2 * math.sqrt(2 / math.pi) * (1 + 3 * 0.044715 * u**2)
    run = np.maximum(beyond, 0)
    level = height + slope * run
    steep = level * density / spread
    by_place = -steep - slope * (beyond > 0) * share
    slopes = np.stack([np.ones_like(share), share, run * share, by_place, -steep * u], axis=1)
    return dark + level * share, slopes
