"""The light across a gap: two blurred steps, fitted to many profiles at once.

Model: ``dark + (left - dark) * step(x - a) + (right - dark) * step(b - x)``, with ``step`` the light of a cell's edge
(`edge_spread.blurred_step`); ``a`` is where the cell on the left ends, ``b`` where the cell on the right begins. Blur,
rim and `dark` are those of the panel, so that the edges are found also where a gap is too narrow to get dark. Fitted by
Gauss-Newton steps with weak priors, so that what a profile does not show stays as expected.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.edge_spread import blurred_step

_STEPS = 5
_LEVEL_SCATTER = 0.03
_FAR = 1e6
_DARK_SPREAD = 0.04
"""How the light at the bottom of one panel's gaps differs, share of the cells' light."""


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
    blur: float,
    dark_share: NDArray[np.floating],
    slack: NDArray[np.floating],
    rim: tuple[float, float],
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
    blur : float
        Standard deviation of the edges' spread.
    dark_share : ndarray, shape (n,)
        Usual light at the bottom, as a share of the cells' light.
    slack : ndarray, shape (n,)
        Usual distance of an edge from where it is expected.
    rim : tuple of float
        Depth (share) and reach of the cells' own dimming towards their edges.
    """
    values = np.asarray(profiles, np.float64)
    x = np.asarray(places, np.float64)
    left, right = (np.clip(edge, -_FAR, _FAR).astype(np.float64) for edge in expected)
    start = _first_guess(values, x, left, right, dark_share)
    level = np.maximum(np.maximum(start[:, 2], start[:, 3]), 1e-6)
    prior = np.stack([left, right, start[:, 2], start[:, 3], dark_share * level], axis=1)
    spread = np.stack([slack, slack, level, level, _DARK_SPREAD * level], axis=1)
    stiffness = (_LEVEL_SCATTER * level[:, None] / spread) ** 2
    unknown = np.stack([left, right, start[:, 2], start[:, 3], start[:, 4]], axis=1)
    for _ in range(_STEPS):
        residual, slopes = _residual(values, x, unknown, blur, rim)
        turned = slopes.transpose(0, 2, 1)
        normal = turned @ slopes
        normal[:, range(5), range(5)] += stiffness + 1e-12
        gradient = (turned @ residual[..., None])[..., 0] + stiffness * (prior - unknown)
        change = np.linalg.solve(normal, gradient[..., None])[..., 0]
        change[:, :2] = np.clip(change[:, :2], -1.5 * blur, 1.5 * blur)
        unknown = unknown + change
    residual, _ = _residual(values, x, unknown, blur, rim)
    misfit = np.sqrt((residual**2).mean(axis=1)) / level
    left, right, left_level, right_level, dark = unknown.T
    return GapFit(left, right, left_level, right_level, dark, misfit)


def _first_guess(
    values: NDArray[np.float64],
    x: NDArray[np.float64],
    left: NDArray[np.float64],
    right: NDArray[np.float64],
    dark_share: NDArray[np.floating],
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
    blur: float,
    rim: tuple[float, float],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    left, right, left_level, right_level, dark = (column[:, None] for column in unknown.T)
    on_left, left_slope = blurred_step(x - left, blur, rim)
    on_right, right_slope = blurred_step(right - x, blur, rim)
    slopes = np.stack(
        [(left_level - dark) * left_slope, (dark - right_level) * right_slope, on_left, on_right,
         1 - on_left - on_right], axis=2,
    )  # fmt: skip
    return values - (dark + (left_level - dark) * on_left + (right_level - dark) * on_right), slopes
