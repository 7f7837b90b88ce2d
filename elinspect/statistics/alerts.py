"""Alerts within minutes: the same lane and place again and again, and a lane whose rate has risen.

Both rules state how often they raise a false alarm. The rate is set for all lanes and places together: what one rule
on one lane does once in a thousand strings, twelve lanes of twelve places do every minute.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RepeatRule:
    """An alert when `least` of the last `window` strings of a lane are flagged at one place.

    Attributes
    ----------
    least, window : int
        Flagged strings, of so many.
    false_alarms : float
        Expected false alarms in a million strings of the plant, all lanes and places together (an upper bound).
    """

    least: int
    window: int
    false_alarms: float


def repeat_rule(
    rates: float | Sequence[float],
    places: int = 1,
    window: int = 30,
    false_alarms: float = 20.0,
    correlation: float = 0.0,
    wander: float = 0.0,
) -> RepeatRule:
    """Return the quickest repeat rule that keeps the plant's false alarms rare.

    Parameters
    ----------
    rates : float or sequence of float
        Share of the strings flagged at a place without a cause: one for all places, or one for each place watched.
    places : int
        Places watched in each string (positions, or positions x places in the cell) with each of the rates.
    window : int
        Strings of a lane looked back on.
    false_alarms : float
        Bearable in a million strings of the plant.
    correlation : float
        Between one string and the next at one place; raises the rate of repeats accordingly.
    wander : float
        Coefficient of variation of all rates together from day to day: repeats are counted on average over lognormal
        rates.

    Returns
    -------
    RepeatRule
        An alarm needs a flag now and `least - 1` more among the `window - 1` strings before; every string is a chance
        of one at each of its places. Expected alarms of all places add up however much the cells of one string hang
        together: clustered flags make alarms come in company, not more often.
    """
    factors, weights = _wandering(wander)
    rate = np.clip(np.multiply.outer(factors, np.atleast_1d(np.asarray(rates, dtype=np.float64))), 0.0, 1.0)
    again = np.minimum(1.0, rate + correlation * (1 - rate))

    def alarms(least: int) -> float:
        of_rates = np.sum(rate * bdtrc(least - 2, window - 1, again), axis=1)
        return places * float(np.average(of_rates, weights=weights)) * 1e6

    least = next((n for n in range(2, window) if alarms(n) <= false_alarms), window)
    return RepeatRule(least, window, alarms(least))


def _wandering(variation: float) -> tuple[FloatArray, FloatArray]:
    """Return factors on a rate, 1 in the mean, and their weights: a lognormal distribution."""
    points, weights = np.polynomial.hermite_e.hermegauss(_RATES if variation else 1)
    wide = np.sqrt(np.log1p(variation**2))
    return np.exp(wide * points - wide**2 / 2), weights


_RATES = 7  # so many rates stand for a distribution of them


def repeats(string_numbers: Sequence[int], rule: RepeatRule) -> list[int]:
    """Return at which flags the rule raises an alert.

    Parameters
    ----------
    string_numbers : sequence of int
        Running number, in its lane, of each string flagged at one place; rising, each once.

    Returns
    -------
    list of int
        Indices of the flags; the window begins anew after an alert.
    """
    found, first = [], 0
    for index, number in enumerate(string_numbers):
        while number - string_numbers[first] >= rule.window:
            first += 1
        if index - first + 1 >= rule.least:
            found.append(index)
            first = index + 1
            if first >= len(string_numbers):
                break
    return found


@dataclass(frozen=True, slots=True)
class BernoulliCusum:
    """A CUSUM over good and flagged strings of one lane.

    Attributes
    ----------
    base_rate, bad_rate : float
        Share of flagged strings without a cause, and the one to be found soonest.
    limit : int
        Steps up to which the sum may climb.
    up, down : int
        Steps a flagged string adds and a good one takes off.
    in_control : float
        Strings of one lane until a false alarm, on average over what the base rate may be.
    """

    base_rate: float
    bad_rate: float
    limit: int
    up: int
    down: int
    in_control: float


def rate_spread(flagged: Sequence[int], strings: Sequence[int]) -> float:
    """Return how far the plant's rate of a day may lie from the mean of all: a standard deviation.

    Days differ by more than chance (products, lots, people), and the mean itself is only an estimate.

    Parameters
    ----------
    flagged, strings : sequence of int
        Flagged strings and all strings of each day.

    References
    ----------
    DerSimonian and Laird (1986), Control. Clin. Trials 7:177, doi:10.1016/0197-2456(86)90046-2 (moments).
    """
    x, n = np.asarray(flagged, dtype=np.float64), np.asarray(strings, dtype=np.float64)
    x, n = x[n > 0], n[n > 0]
    whole = n.sum()
    rate = x.sum() / whole if whole else 0.0
    chance = rate * (1 - rate)
    if not chance:
        return 0.0
    if len(n) < 2:
        return float(np.sqrt(chance / whole))
    excess = float(np.sum((x - n * rate) ** 2 / n)) / chance - (len(n) - 1)
    between = max(0.0, excess) * chance / (whole - np.sum(n**2) / whole)
    return float(np.sqrt(between * (1 + np.sum(n**2) / whole**2) + chance / whole))


def bernoulli_cusum(base_rate: float, bad_rate: float, plant_strings: float, spread: float = 0.0) -> BernoulliCusum:
    """Design a CUSUM so that all lanes together raise a false alarm once in `plant_strings` strings of the plant.

    The in-control length of each lane, in its own strings, must be as long: with L lanes L times as many strings of the
    plant pass meanwhile, and L lanes can alarm.

    Parameters
    ----------
    base_rate, bad_rate : float
        As `BernoulliCusum`; 0 < base_rate < bad_rate < 1.
    plant_strings : float
        Strings of the whole plant between false alarms, on average.
    spread : float
        Standard deviation of the base rate (`rate_spread`): alarms are counted on average over lognormal rates. A tenth
        more than the mean makes more than twice as many (at 7 % of the strings), a tenth less does not make up for it.

    References
    ----------
    Reynolds and Stoumbos (1999), J. Qual. Technol. 31:87, doi:10.1080/00224065.1999.11979900.

    Raises
    ------
    ValueError
        If the rates are not in order.
    """
    if not 0 < base_rate < bad_rate < 1:
        raise ValueError("rates must rise and lie in 0..1")
    up, down = _steps(base_rate, bad_rate)
    factors, weights = _wandering(spread / base_rate)
    rates = np.minimum(base_rate * factors, bad_rate).tolist()

    def length(limit: int) -> float:
        alarms = [1 / in_control_length(rate, up, limit, down) for rate in rates]
        return float(1 / np.average(alarms, weights=weights))

    high = up
    while length(high) < plant_strings:
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        if length(middle) < plant_strings:
            low = middle
        else:
            high = middle
    return BernoulliCusum(base_rate, bad_rate, high, up, down, length(high))


def _steps(base_rate: float, bad_rate: float) -> tuple[int, int]:
    """Return steps up and down in the ratio of the two likelihoods; down is 1 while flagged strings are rare."""
    good = -np.log((1 - bad_rate) / (1 - base_rate))
    strings = (np.log(bad_rate / base_rate) + good) / good  # good ones that outweigh a flagged one, and that one
    down = 1 if strings > _FINE else int(np.ceil(_FINE / strings))
    return max(1, round(strings * down) - down), down


_FINE = 8  # so many steps tell the two rates apart well enough


@lru_cache(maxsize=4096)
def in_control_length(rate: float, up: int, limit: int, down: int = 1) -> float:
    """Return after how many strings, on average, the sum exceeds `limit`, exactly (Markov chain over its steps).

    Parameters
    ----------
    rate : float
        Share of flagged strings.
    up, down : int
        Steps up for a flagged one and down for a good one; the sum is held at 0.
    limit : int
        Sum that is still no alarm.
    """
    from scipy.linalg import solve_banded

    # L(s) = 1 + (1 - p) L(max(s - down, 0)) + p L(s + up), with L = 0 beyond the limit.
    n = limit + 1
    lower, upper = min(down, n - 1), min(up, n - 1)
    matrix = np.zeros((lower + upper + 1, n))
    matrix[upper] = 1.0
    for state in range(min(down, n)):
        matrix[upper + state, 0] -= 1 - rate
    if n > down:
        matrix[upper + down, : n - down] -= 1 - rate
    if n > up:
        matrix[0, up:] -= rate
    return float(solve_banded((lower, upper), matrix, np.ones(n))[0])


def run_cusum(flagged: FloatArray, design: BernoulliCusum) -> FloatArray:
    """Return the sum after each string; above `design.limit` it is an alert, after which it starts again at 0.

    Parameters
    ----------
    flagged : ndarray of 0 and 1, shape (strings,)
        Strings of one lane in the order in which they were made.
    """
    sums = np.empty(len(flagged))
    level = 0
    for index, hit in enumerate(flagged):
        level = max(0, level + (design.up if hit else -design.down))
        sums[index] = level
        if level > design.limit:
            level = 0
    return sums
