"""Intervals for a share: how sure a rate is that was counted.

scipy.special is enough for all of them; scipy.stats would take a second to import.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri

FloatArray = NDArray[np.float64]


class Interval(NamedTuple):
    """Limits of a rate, element by element.

    Attributes
    ----------
    low, high : ndarray of float64
        0..1; an empty sample gives 0 and 1: nothing is known.
    """

    low: FloatArray
    high: FloatArray

    def at(self, index: int) -> tuple[float, float]:
        """Return the limits of one element as plain numbers."""
        return float(self.low.flat[index]), float(self.high.flat[index])


def wilson(count: ArrayLike, size: ArrayLike, confidence: float = 0.95, *, corrected: bool = False) -> Interval:
    """Return Wilson's score interval, the usual one here: it holds its promise also for rare defects.

    Parameters
    ----------
    count, size : array_like of numbers
        Defective and all; 0 <= count <= size.
    confidence : float
        Of the two-sided interval. A one-sided limit at 95 % is that of the two-sided interval at 90 %.
    corrected : bool
        With the correction for continuity.

    Returns
    -------
    Interval
        Of the broadcast shape.

    Raises
    ------
    ValueError
        If a count lies outside 0..size.

    References
    ----------
    Wilson (1927), J. Am. Stat. Assoc. 22:209, doi:10.1080/01621459.1927.10502953; Newcombe (1998), Stat. Med. 17:857,
    doi:10.1002/(SICI)1097-0258(19980430)17:8<857::AID-SIM777>3.0.CO;2-E (methods 3 and 4).
    """
    x, n = _checked(count, size)
    z = float(ndtri(0.5 + confidence / 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        p = x / n
        if corrected:
            low_root = z * np.sqrt(z * z - 2 - 1 / n + 4 * p * (n * (1 - p) + 1))
            high_root = z * np.sqrt(z * z + 2 - 1 / n + 4 * p * (n * (1 - p) - 1))
            low = (2 * x + z * z - 1 - low_root) / (2 * (n + z * z))
            high = (2 * x + z * z + 1 + high_root) / (2 * (n + z * z))
        else:
            root = z * np.sqrt(x * (1 - p) + z * z / 4)
            low = (x + z * z / 2 - root) / (n + z * z)
            high = (x + z * z / 2 + root) / (n + z * z)
    return _bounded(x, n, low, high)


def exact(count: ArrayLike, size: ArrayLike, confidence: float = 0.95) -> Interval:
    """Return the exact interval; never too short, often longer than needed. Parameters as `wilson`.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26:404, doi:10.1093/biomet/26.4.404.
    """
    x, n = _checked(count, size)
    tail = (1 - confidence) / 2
    with np.errstate(invalid="ignore"):
        low = betaincinv(np.maximum(x, 1e-300), n - x + 1, tail)
        high = betaincinv(x + 1, np.maximum(n - x, 1e-300), 1 - tail)
    return _bounded(x, n, low, high)


def _checked(count: ArrayLike, size: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, n = np.broadcast_arrays(np.asarray(count, dtype=np.float64), np.asarray(size, dtype=np.float64))
    if np.any(x < 0) or np.any(x > n):
        raise ValueError("a count must lie in 0..size")
    return x, n


def _bounded(x: FloatArray, n: FloatArray, low: FloatArray, high: FloatArray) -> Interval:
    low = np.where(x == 0, 0.0, low)
    high = np.where(x == n, 1.0, high)
    return Interval(np.clip(low, 0, 1), np.clip(high, 0, 1))
