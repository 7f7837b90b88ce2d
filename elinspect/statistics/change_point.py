"""When it began, and whether the repair helped."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, pdtr, pdtrc

from elinspect.statistics.intervals import wilson

FloatArray = NDArray[np.float64]

_BEFORE = (20.0, 20.0)  # Gamma prior of the rate before, over that of the other lanes: about as they are
_AFTER = (1.5, 0.3)  # of the rate afterwards: anything from as before to twenty times as much


@dataclass(frozen=True, slots=True)
class Onset:
    """When a rate began to be higher.

    Attributes
    ----------
    first : int
        Most likely first slot of the higher rate.
    low, high : int
        Shortest run of slots that holds it with the asked confidence, both included.
    times : float
        Rate since then over that of the others.
    """

    first: int
    low: int
    high: int
    times: float


def onset(observed: FloatArray, expected: FloatArray, confidence: float = 0.95, overdispersion: float = 1.0) -> Onset:
    """Find when a machine began to do worse than the others.

    The posterior of one change, with every slot as likely beforehand; a slot is a span of time or a string. Rates
    before and after are integrated out, so that the others' drift and the machine's own level are allowed for.

    Parameters
    ----------
    observed : ndarray, shape (slots,)
        Flags of the machine, in the order of time.
    expected : ndarray, shape (slots,)
        Flags it would have at the others' rate in the same slot.
    confidence : float
        Of the interval.
    overdispersion : float
        How much more counts vary than chance; the evidence is divided by it.

    Raises
    ------
    ValueError
        If there are no slots.

    References
    ----------
    Raftery and Akman (1986), Biometrika 73:85, doi:10.1093/biomet/73.1.85.
    """
    if not len(observed):
        raise ValueError("there are no slots to search")
    flags, means = np.concatenate([[0], np.cumsum(observed)]), np.concatenate([[0], np.cumsum(expected)])
    evidence = _marginal(flags, means, _BEFORE) + _marginal(flags[-1] - flags, means[-1] - means, _AFTER)
    evidence = evidence[:-1] / max(1.0, overdispersion)  # a change after the last slot was not seen
    share = np.exp(evidence - evidence.max())
    share /= share.sum()
    first = int(share.argmax())
    low, high = _shortest(share, confidence)
    return Onset(first, low, high, float((flags[-1] - flags[first]) / max(means[-1] - means[first], 1e-9)))


def _marginal(flags: FloatArray, means: FloatArray, prior: tuple[float, float]) -> FloatArray:
    shape, rate = prior
    log_mean = np.log(rate + means)
    evidence: FloatArray = gammaln(shape + flags) - (shape + flags) * log_mean + shape * np.log(rate) - gammaln(shape)
    return evidence


def _shortest(share: FloatArray, confidence: float) -> tuple[int, int]:
    upto = np.concatenate([[0], np.cumsum(share)])
    ends = np.searchsorted(upto, np.minimum(upto[:-1] + confidence, upto[-1]) - 1e-12, side="left")
    reached = upto[np.minimum(ends, len(share))] - upto[:-1] >= confidence - 1e-9
    lengths = np.where(reached, ends - np.arange(len(share)), len(share) + 1)
    low = int(lengths.argmin())
    return (low, int(ends[low]) - 1) if reached.any() else (0, len(share) - 1)


class Repair(StrEnum):
    """What can be said after a repair."""

    HELPED = "helped"
    PARTLY = "partly"
    DID_NOT_HELP = "did_not_help"
    NOT_ENOUGH_DATA = "not_enough_data"


@dataclass(frozen=True, slots=True)
class RepairVerdict:
    """Before and after a repair.

    Attributes
    ----------
    verdict : Repair
        What can be said.
    before, after : (int, int)
        Flagged cells and all cells.
    after_interval : (float, float)
        Wilson, 95 %, of the rate since.
    missing_cells : int
        Cells still to be made before anything can be said; 0 if something can.
    """

    verdict: Repair
    before: tuple[int, int]
    after: tuple[int, int]
    after_interval: tuple[float, float]
    missing_cells: int


_LEVEL = 0.05


def repair_verdict(
    before: tuple[int, int], after: tuple[int, int], base_rate: float, overdispersion: float = 1.0
) -> RepairVerdict:
    """Say whether a repair helped.

    Parameters
    ----------
    before, after : (int, int)
        Flagged cells and all cells of the machine place, between onset and repair, and since.
    base_rate : float
        Rate of the other lanes.
    overdispersion : float
        How much more counts vary than with independent cells.

    Returns
    -------
    RepairVerdict
        Helped: significantly (5 %) below the rate before, and not significantly above the others. Partly: below, but
        still above the others. Did not help: enough cells for a repaired lane to show, and it does not show.
    """
    factor = max(1.0, overdispersion)
    bad_rate = before[0] / before[1] if before[1] else 0.0
    found, size = after[0] / factor, after[1] / factor
    below = float(pdtr(np.floor(found), bad_rate * size)) < _LEVEL
    above = found > 0 and float(pdtrc(np.ceil(found) - 1, base_rate * size)) < _LEVEL
    interval = wilson(found, size).at(0) if after[1] else (0.0, 1.0)
    missing = cells_to_tell(bad_rate, base_rate, factor) - after[1]
    if below:
        verdict = Repair.PARTLY if above else Repair.HELPED
    elif missing > 0:
        verdict = Repair.NOT_ENOUGH_DATA
    else:
        verdict = Repair.DID_NOT_HELP
    return RepairVerdict(verdict, before, after, interval, max(0, missing) if verdict is Repair.NOT_ENOUGH_DATA else 0)


def cells_to_tell(bad_rate: float, base_rate: float, overdispersion: float = 1.0) -> int:
    """Return after how many cells a repaired lane shows (5 % error either way); a large number if the rates are alike.

    Two Poisson counts in the normal approximation, at least as many as make none at all improbable under the bad rate.
    """
    if bad_rate <= 0:
        return 0
    low = min(base_rate, 0.999 * bad_rate)
    z = 1.6448536269514722  # normal quantile of 95 %
    cells = ((z * np.sqrt(bad_rate) + z * np.sqrt(low)) / (bad_rate - low)) ** 2
    none = -np.log(_LEVEL) / bad_rate
    return int(np.ceil(max(none, cells if low > 0 else none) * max(1.0, overdispersion)))


def cells_to_accuse(
    base_rate: float, times: float, n_lanes: int, overdispersion: float = 1.0, level: float = 0.01
) -> int:
    """Return about how many cells of a lane, after onset, an accusation needs in 95 of 100 cases.

    A normal approximation to the maximum statistic with the level shared by a hundred suspects per lane, times a factor
    measured on simulated plants (`tests/long/commonality_plants.py`): the spans of the search seldom begin with the
    onset.

    Parameters
    ----------
    base_rate : float
        Flagged cells per cell made.
    times : float
        By how much the lane is worse.
    n_lanes : int
        Lanes compared.
    overdispersion : float
        How much more counts vary than with independent cells.
    level : float
        Of one reading.
    """
    if base_rate <= 0 or times <= 1:
        return 0
    from scipy.special import ndtri

    critical = -float(ndtri(level / (100 * n_lanes)))
    root = critical + 1.645 * np.sqrt(times)
    return int(np.ceil(_MEASURED * overdispersion * (root / (times - 1)) ** 2 / base_rate))


_MEASURED = 1.35
