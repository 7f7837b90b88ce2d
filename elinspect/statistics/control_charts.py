"""Control charts over counts: p, u, c and g charts, EWMA, CUSUM.

Zone and run rules are left out on purpose: on charts of counts they raise too many false alarms (all four rules of the
Western Electric handbook, 1956, give one in 92 points even on measurements).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

FloatArray = NDArray[np.float64]
LIMIT = 3.0
"""Limits in standard deviations. Shewhart's choice, since 1931."""
LEAST_EXPECTED = 5.0
"""Expected defectives per point from which a p chart's limits are meant; below, use `g_chart` or a CUSUM."""


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """A control chart.

    Attributes
    ----------
    values : ndarray, shape (points,)
        What is plotted.
    centre, low, high : ndarray, shape (points,)
        Centre line and limits at each point.
    out : ndarray of bool, shape (points,)
        Beyond a limit; a point on it is not out.
    overdispersion : float
        Factor on the standard deviation from variation between points (Laney); 1 for none.
    """

    values: FloatArray
    centre: FloatArray
    low: FloatArray
    high: FloatArray
    out: NDArray[np.bool_]
    overdispersion: float = 1.0


def p_chart(count: ArrayLike, size: ArrayLike, *, centre: float | None = None, overdispersed: bool = False) -> Chart:
    """Return a p chart: share of defectives, sizes may vary.

    Parameters
    ----------
    count, size : array_like, shape (points,)
        Defectives and all of each point; sizes above 0.
    centre : float, optional
        Share known from before; the points' own by default.
    overdispersed : bool
        Widen the limits by the variation between points, since cells of one string or shift are not independent.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.3.2; Laney (2002), Qual. Eng. 14:531, doi:10.1081/QEN-120003555.
    """
    x, n = np.asarray(count, dtype=np.float64), np.asarray(size, dtype=np.float64)
    middle = float(x.sum() / n.sum()) if centre is None else centre
    spread = np.sqrt(middle * (1 - middle) / n)
    return _chart(x / n, middle, spread, overdispersed, most=1.0)


def u_chart(count: ArrayLike, size: ArrayLike, *, centre: float | None = None, overdispersed: bool = False) -> Chart:
    """Return a u chart: defects per unit, where one unit may carry several. Parameters as `p_chart`.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.3.1.
    """
    x, n = np.asarray(count, dtype=np.float64), np.asarray(size, dtype=np.float64)
    middle = float(x.sum() / n.sum()) if centre is None else centre
    return _chart(x / n, middle, np.sqrt(middle / n), overdispersed, most=np.inf)


def c_chart(count: ArrayLike, *, centre: float | None = None) -> Chart:
    """Return a c chart: defects of points of one size; see `u_chart`."""
    x = np.asarray(count, dtype=np.float64)
    return u_chart(x, np.ones_like(x), centre=centre)


def _chart(values: FloatArray, middle: float, spread: FloatArray, overdispersed: bool, most: float) -> Chart:
    factor = 1.0
    if overdispersed and len(values) > 1 and np.all(spread > 0):
        # Moving ranges, so that a slow drift does not widen the limits that should show it; 1.128 is d2 of two.
        z = (values - middle) / spread
        factor = max(1.0, float(np.mean(np.abs(np.diff(z))) / 1.128))
    reach = LIMIT * factor * spread
    low, high = np.clip(middle - reach, 0, None), np.clip(middle + reach, None, most)
    out = (values > high) | (values < low)
    return Chart(values, np.full_like(values, middle), low, high, out, factor)


def g_chart(gaps: ArrayLike, rate: float | None = None) -> Chart:
    """Return a g chart: good units between two defectives, for rates too low for a p chart.

    The limits are quantiles of the geometric distribution with the tails of three standard deviations. A point below
    the lower limit says that defects come too fast; with rates below 1 in 740 no single gap can be that short.

    Parameters
    ----------
    gaps : array_like of int, shape (points,)
        Good units before each defective.
    rate : float, optional
        Share of defectives known from before; the gaps' own by default.

    References
    ----------
    Benneyan (2001), Health Care Manag. Sci. 4:305, doi:10.1023/A:1011846412909.
    """
    x = np.asarray(gaps, dtype=np.float64)
    p = float(1 / (1 + x.mean())) if rate is None else rate
    tail = float(ndtr(-LIMIT))
    log_good = np.log1p(-p)
    low = np.floor(np.log1p(-tail) / log_good)
    high = np.ceil(np.log(tail) / log_good) - 1
    ones = np.ones_like(x)
    return Chart(x, ones * (1 - p) / p, ones * low, ones * high, (x < low) | (x > high))


def ewma(
    values: ArrayLike, centre: float, deviation: ArrayLike, weight: float = 0.3, *, settled: bool = False
) -> Chart:
    """Return an exponentially weighted moving average.

    Parameters
    ----------
    values : array_like, shape (points,)
        What is averaged.
    centre : float
        Where it starts and should stay.
    deviation : array_like
        Standard deviation of one value; one number or one for each point (sizes may vary).
    weight : float
        Of the newest value; 0.2-0.3 is usual.
    settled : bool
        Limits of a chart that has run for long, at every point; otherwise those that hold from the first point on.

    References
    ----------
    Roberts (1959), Technometrics 1:239, doi:10.1080/00401706.1959.10489860; NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    x = np.asarray(values, dtype=np.float64)
    sigma = np.broadcast_to(np.asarray(deviation, dtype=np.float64), x.shape)
    shown, spread = np.empty_like(x), np.empty_like(x)
    level, variance = centre, 0.0
    for point in range(len(x)):
        level = weight * x[point] + (1 - weight) * level
        variance = weight**2 * sigma[point] ** 2 + (1 - weight) ** 2 * variance
        shown[point], spread[point] = level, np.sqrt(variance)
    if settled:
        spread = sigma * np.sqrt(weight / (2 - weight))
    low, high = centre - LIMIT * spread, centre + LIMIT * spread
    return Chart(shown, np.full_like(x, centre), low, high, (shown > high) | (shown < low))


@dataclass(frozen=True, slots=True, eq=False)
class Cusum:
    """A tabular CUSUM.

    Attributes
    ----------
    high, low : ndarray, shape (points,)
        Sums above and below the target.
    limit : float
        A sum beyond it is a signal.
    first_signal : int or None
        Index of the first point with one.
    """

    high: FloatArray
    low: FloatArray
    limit: float
    first_signal: int | None


def cusum(values: ArrayLike, target: float, allowance: float, limit: float, *, anew: bool = False) -> Cusum:
    """Return a tabular CUSUM of measurements.

    Parameters
    ----------
    values : array_like, shape (points,)
        Measurements.
    target : float
        Where they should lie.
    allowance, limit : float
        What each may lie off (half the shift to find), and the sum that is a signal; in the unit of the values.
    anew : bool
        Begin both sums anew after a signal; otherwise every point stays one as long as a sum is beyond the limit.

    References
    ----------
    Page (1954), Biometrika 41:100, doi:10.1093/biomet/41.1-2.100; NIST/SEMATECH e-Handbook 6.3.2.3.
    """
    x = np.asarray(values, dtype=np.float64)
    steps = x - target - allowance, target - allowance - x
    high, low = _begun_anew(*steps, limit) if anew else (_one_sided(steps[0]), _one_sided(steps[1]))
    beyond = np.flatnonzero((high > limit) | (low > limit))
    return Cusum(high, low, limit, int(beyond[0]) if beyond.size else None)


def _one_sided(steps: FloatArray) -> FloatArray:
    # A sum that is held at 0 is the path less its own lowest point so far.
    path = np.cumsum(steps)
    return path - np.minimum(0.0, np.minimum.accumulate(path))


def _begun_anew(up: FloatArray, down: FloatArray, limit: float) -> tuple[FloatArray, FloatArray]:
    high, low = np.empty_like(up), np.empty_like(down)
    above = below = 0.0
    for point, (rise, fall) in enumerate(zip(up.tolist(), down.tolist(), strict=True)):
        above, below = max(0.0, above + rise), max(0.0, below + fall)
        high[point], low[point] = above, below
        if max(above, below) > limit:
            above = below = 0.0
    return high, low
