"""How the camera shows the cells' edges: one spread for the whole panel, from its outer edges and its gaps together.

A cell's light ends in a step, dimmed towards the edge (rim), blurred by the optics, over stray light that scatters from
the cells near by. Light adds up: what lies in a gap is the sum of two outer edges, one of them turned round, so the gap
is lit from both sides and brighter than the ground beside the field. A gap too narrow to get dark therefore takes from
the outer edges what it does not show itself: width, blur, rim and stray light are fitted to all of them at once.

References
----------
JCGM 100:2008 (GUM), for earlier knowledge as observations. Grushka, E. (1972). :doi:`10.1021/ac60319a011` (a normal
distribution under an exponential that ends: the blurred rim).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

_MODEL_ERROR = 0.01
"""Usual misfit of the model, share of the cells' light: what earlier knowledge is weighed against."""
_LEAST_REACH = 1.5
"""Shortest reach of a rim, in blurs: a shorter one cannot be told from an edge that lies further in."""
_DEEPEST_RIM = 0.3
"""Deepest dimming at an edge that is believed. Cells of free panels in the tuning half: with 0.6, dim borders of cells
pass for gaps that are lit."""
_OTHER_GROUND = 0.04
"""Usual difference of the ground in gaps from what the ground beside the field tells, share of the cells' light."""
_SHARED, _OWN = 5, 3
_ROUNDS, _TRIES = 14, 6
_ENOUGH = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class TypicalEdge:
    """Typical light across the gaps of one axis, or across outer edges.

    Attributes
    ----------
    light : ndarray, shape (m,)
        Share of the cells' light.
    places : ndarray, shape (m,)
        Distance from the middle of the gap, or from the outer line towards the ground; file pixels.
    expected_px : float
        Expected width of the gap; for outer edges where the cell is expected to end.
    outer : bool
        Whether cells lie on one side only.
    """

    light: Values
    places: Values
    expected_px: float
    outer: bool


@dataclass(frozen=True, slots=True)
class Spread:
    """What was fitted.

    Attributes
    ----------
    blur_px : float
        Standard deviation of the edges' blur.
    rim : tuple of float
        Depth (share) and reach (file pixels) of the cells' dimming towards their edges.
    place_px : tuple of float
        For each typical edge: width of the gap, or where the outer edge lies.
    dark_share : tuple of float
        For each typical edge: light in the middle of the gap, or beside the field, as a share of the cells' light.
    """

    blur_px: float
    rim: tuple[float, float]
    place_px: tuple[float, ...]
    dark_share: tuple[float, ...]


def blurred_step(
    away: Values, blur: Values | float, rim: tuple[Values | float, Values | float]
) -> tuple[Values, Values]:
    """Return the share of a cell's light at a distance beyond its edge, without stray light, and its slope.

    Parameters
    ----------
    away : ndarray
        Distance from the edge, outwards; negative inside the cell.
    blur : float or ndarray
        Standard deviation of the blur.
    rim : tuple of float or ndarray
        Depth (share) and reach of the exponential dimming towards the edge.

    Returns
    -------
    light : ndarray
        From 1 deep inside to 0 far outside.
    slope : ndarray
        How fast the light falls outwards, per unit of length.
    """
    from scipy.special import ndtr  # heavy to import; only pictures that are measured need it

    depth, reach = rim
    in_blurs, ratio = away / blur, blur / reach
    bell = np.exp(-0.5 * np.clip(in_blurs, -30, 30) ** 2) / (np.sqrt(2 * np.pi) * blur)
    dimmed = np.exp(np.minimum(in_blurs * ratio + ratio**2 / 2, 50.0)) * ndtr(-in_blurs - ratio)
    light = ndtr(-in_blurs) - depth * dimmed
    return light, bell * (1 - depth) + depth * dimmed / reach


def fitted_spread(typical: Sequence[TypicalEdge], blur_px: float, px_per_mm: float) -> Spread:
    """Fit one spread to typical edges, by damped Gauss-Newton steps with weak earlier knowledge.

    Parameters
    ----------
    typical : sequence of TypicalEdge
        Gaps of one or both axes, outer edges if they show.
    blur_px : float
        Blur to begin with.
    px_per_mm : float
        File pixels per mm.
    """
    start, spread, least, most = _known_before(typical, blur_px, px_per_mm)
    weight, nudge = _MODEL_ERROR / spread, 1e-4 * np.maximum(np.abs(start), 0.1)
    unknown, damping = start, 1e-3
    for _ in range(_ROUNDS):
        rests = _rests(np.vstack([unknown, unknown + np.diag(nudge)]), typical, weight, start)
        slopes, rest = ((rests[1:] - rests[0]) / nudge[:, None]).T, rests[0]
        normal, before = slopes.T @ slopes, float(rest @ rest)
        for _ in range(_TRIES):
            step = np.linalg.solve(normal + np.diag(damping * normal.diagonal() + 1e-12), -slopes.T @ rest)
            tried = np.clip(unknown + step, least, most)
            after = float((_rests(tried[None], typical, weight, start) ** 2).sum())
            if after < before:
                unknown, damping = tried, damping / 5
                break
            damping *= 8
        if after > (1 - _ENOUGH) * before:
            break
    return _as_spread(unknown, typical)


def _known_before(
    typical: Sequence[TypicalEdge], blur_px: float, px_per_mm: float
) -> tuple[Values, Values, Values, Values]:
    """Return what is known of the unknowns beforehand: start, spread, least and most.

    Shared: logarithm of the blur; the rim's depth and logarithm of its reach; stray light at an edge and logarithm of
    how far it reaches. For each edge: its place, the cells' level, light of the ground beyond the stray light.
    """
    unknowns = [
        (np.log(blur_px), 0.5, np.log(0.3), np.log(6 * blur_px)),
        (0.1, 0.1, 0.0, _DEEPEST_RIM),
        (np.log(2 * px_per_mm), 0.7, np.log(0.7 * px_per_mm), np.log(6 * px_per_mm)),
        (0.02, 0.1, 0.0, 0.4),
        (np.log(6 * px_per_mm), 0.6, np.log(2 * px_per_mm), np.log(30 * px_per_mm)),
    ]
    for edge in typical:
        far = 2 * float(edge.places[-1])
        # The outer ground is what stray light is measured by.
        other = 1e-6 if edge.outer else _OTHER_GROUND
        unknowns += [(edge.expected_px, 3 * px_per_mm, -far, far), (1.0, 0.3, 0.5, 2.0), (0.0, other, -0.1, 0.5)]
    start, spread, least, most = np.array(unknowns).T
    return start, spread, least, most


def _rests(unknown: Values, typical: Sequence[TypicalEdge], weight: Values, start: Values) -> Values:
    """Return what the fit leaves, earlier knowledge included, for each row of unknowns, shape (rows, rests)."""
    blur, rim, stray = _shared(unknown)
    parts = []
    for number, edge in enumerate(typical):
        place, level, ground = (unknown[:, _SHARED + _OWN * number + k, None] for k in range(_OWN))
        sides = [edge.places - place] if edge.outer else [edge.places + place / 2, place / 2 - edge.places]
        light = ground + sum(blurred_step(away, blur, rim)[0] + _stray_light(away, *stray) for away in sides)
        parts.append(level * light - edge.light)
    return np.concatenate([*parts, weight * (unknown - start)], axis=1)


def _shared(unknown: Values) -> tuple[Values, tuple[Values, Values], tuple[Values, Values]]:
    """Return blur, rim and stray light, each of shape (rows, 1)."""
    log_blur, depth, log_reach, beside, log_decay = (unknown[:, k, None] for k in range(_SHARED))
    blur = np.exp(log_blur)
    return blur, (depth, np.maximum(np.exp(log_reach), _LEAST_REACH * blur)), (beside, np.exp(log_decay))


def _stray_light(away: Values, beside: Values, decay: Values) -> Values:
    """Return the stray light of cells on one side: `beside` at their edge, less outside, up to twice as much inside."""
    falling = beside * np.exp(-np.abs(away) / decay)
    return np.where(away > 0, falling, 2 * beside - falling)


def _as_spread(unknown: Values, typical: Sequence[TypicalEdge]) -> Spread:
    blur, rim, stray = (np.ravel(part) for part in _shared(unknown[None]))
    places, darks = [], []
    for number, edge in enumerate(typical):
        place, _, ground = unknown[_SHARED + _OWN * number :][:_OWN]
        # Beside the field where the blurred edge has just ended.
        away = np.array([2 * blur[0] if edge.outer else max(place / 2, 0.0)])
        light = _stray_light(away, stray[0], stray[1])[0] * (1 if edge.outer else 2) + ground
        places.append(float(place))
        darks.append(float(np.clip(light, 0, 1)))
    return Spread(float(blur[0]), (float(rim[0]), float(rim[1])), tuple(places), tuple(darks))
