"""The light across a gap: two blurred steps, fitted to many profiles at once.

Model: ``dark + (left - dark) * Phi((a - x) / blur) + (right - dark) * Phi((x - b) / blur)``, with ``Phi`` the normal
distribution; ``a`` is where the cell on the left ends, ``b`` where the cell on the right begins. Both edges lie where
the light has fallen half way, also where the gap is so narrow that its bottom never gets dark (then `dark` comes from
wider gaps). Fitted by Gauss-Newton steps with weak priors, so that what a profile does not show stays as expected.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_STEPS = 5
_LEVEL_SCATTER = 0.03
_FAR = 1e6


@dataclass(frozen=True, slots=True, eq=False)
class GapFit:
    """Fitted gaps, one per profile.

    Attributes
    ----------
    left_edge, right_edge : ndarray, shape (n,)
        Where the left cell ends and where the right one begins, in the unit of the places.
    left_level, right_level, dark : ndarray, shape (n,)
        Counts of the two cells beside the gap and of its bottom.
    misfit : ndarray, shape (n,)
        Root mean square of the residual over the brighter level.
    """

    left_edge: NDArray[np.float64]
    right_edge: NDArray[np.float64]
    left_level: NDArray[np.float64]
    right_level: NDArray[np.float64]
    dark: NDArray[np.float64]
    misfit: NDArray[np.float64]


def fitted_gaps(
    profiles: NDArray[np.floating],
    places: NDArray[np.floating],
    expected: tuple[NDArray[np.floating], NDArray[np.floating]],
    blur: NDArray[np.floating] | float,
    dark_share: float,
    slack: NDArray[np.floating] | float,
    dark_spread: float = 0.04,
    rim: tuple[NDArray[np.floating] | float, NDArray[np.floating] | float] = (0.0, 1.0),
) -> GapFit:
    """Fit the model to profiles across gaps.

    Parameters
    ----------
    profiles : ndarray, shape (n, m)
        Counts above background.
    places : ndarray, shape (n, m)
        Where each value lies; any unit of length, the same for `expected`, `blur` and `slack`.
    expected : tuple of ndarray, shape (n,)
        Expected left and right edge; infinite for a cell that ends with nothing beyond, or begins after nothing.
    blur : float or ndarray, shape (n,)
        Standard deviation of the edges' spread.
    dark_share : float
        Usual light at the bottom of a gap, as a share of the cells' light.
    slack : float or ndarray, shape (n,)
        Usual distance of an edge from where it is expected.
    dark_spread : float
        How well `dark_share` is known. Default: as gaps of one panel differ.
    rim : tuple of float or ndarray, shape (n,)
        Depth (share) and reach of the cells' own dimming towards their edges, exponential. Default: none.
    """
    values = np.asarray(profiles, np.float64)
    x = np.asarray(places, np.float64)
    left, right = (np.clip(edge, -_FAR, _FAR).astype(np.float64) for edge in expected)
    blur = np.broadcast_to(np.asarray(blur, np.float64), left.shape)[:, None]
    slack = np.broadcast_to(np.asarray(slack, np.float64), left.shape)
    depth, reach = (np.broadcast_to(np.asarray(part, np.float64), left.shape)[:, None] for part in rim)
    start = _first_guess(values, x, left, right, dark_share)
    level = np.maximum(np.maximum(start[:, 2], start[:, 3]), 1e-6)
    prior = np.stack([left, right, start[:, 2], start[:, 3], dark_share * level], axis=1)
    spread = np.stack([slack, slack, level, level, dark_spread * level], axis=1)
    stiffness = (_LEVEL_SCATTER * level[:, None] / spread) ** 2
    unknown = np.stack([left, right, start[:, 2], start[:, 3], start[:, 4]], axis=1)
    for _ in range(_STEPS):
        residual, slopes = _residual(values, x, unknown, blur, (depth, reach))
        turned = slopes.transpose(0, 2, 1)
        normal = turned @ slopes
        normal[:, range(5), range(5)] += stiffness + 1e-12
        gradient = (turned @ residual[..., None])[..., 0] + stiffness * (prior - unknown)
        change = np.linalg.solve(normal, gradient[..., None])[..., 0]
        change[:, :2] = np.clip(change[:, :2], -1.5 * blur, 1.5 * blur)
        unknown = unknown + change
    residual, _ = _residual(values, x, unknown, blur, (depth, reach))
    misfit = np.sqrt((residual**2).mean(axis=1)) / level
    left, right, left_level, right_level, dark = unknown.T
    return GapFit(left, right, left_level, right_level, dark, misfit)


def _first_guess(
    values: NDArray[np.float64],
    x: NDArray[np.float64],
    left: NDArray[np.float64],
    right: NDArray[np.float64],
    dark_share: float,
) -> NDArray[np.float64]:
    """Return edges and levels to begin with, shape (n, 5); a level that is not in view repeats the other one."""
    on_left, on_right = x < left[:, None], x > right[:, None]

    def mean_over(where: NDArray[np.bool_]) -> NDArray[np.float64]:
        count = where.sum(axis=1)
        return np.where(count > 0, (values * where).sum(axis=1) / np.maximum(count, 1), np.nan)

    left_level, right_level = mean_over(on_left), mean_over(on_right)
    left_level = np.where(np.isnan(left_level), right_level, left_level)
    right_level = np.where(np.isnan(right_level), left_level, right_level)
    dark = np.maximum(values.min(axis=1), 0)
    dark = np.minimum(dark, dark_share * np.maximum(left_level, right_level) + 1e-6)
    return np.stack([left, right, left_level, right_level, dark], axis=1)


def _residual(
    values: NDArray[np.float64],
    x: NDArray[np.float64],
    unknown: NDArray[np.float64],
    blur: NDArray[np.float64],
    rim: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    from scipy.special import ndtr  # heavy to import; only pictures that are measured need it

    left, right, left_level, right_level, dark = (column[:, None] for column in unknown.T)
    from_left, from_right = (left - x) / blur, (x - right) / blur
    on_left, on_right = ndtr(from_left), ndtr(from_right)
    left_rim, right_rim = (
        1 - rim[0] * np.exp(-np.maximum(away * blur, 0) / rim[1]) for away in (from_left, from_right)
    )
    bell = 1 / np.sqrt(2 * np.pi) / blur
    slopes = np.stack(
        [
            (left_level * left_rim - dark) * bell * np.exp(-0.5 * np.clip(from_left, -30, 30) ** 2),
            (dark - right_level * right_rim) * bell * np.exp(-0.5 * np.clip(from_right, -30, 30) ** 2),
            on_left * left_rim,
            on_right * right_rim,
            1 - on_left - on_right,
        ],
        axis=2,
    )
    model = dark + (left_level * left_rim - dark) * on_left + (right_level * right_rim - dark) * on_right
    return values - model, slopes
