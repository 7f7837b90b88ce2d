"""How soon the alerts come, beside the best CUSUM there could be, and how often they come for nothing.

    PYTHONPATH=.:tests python tests/long/alert_delay.py [--runs N]

Twelve lanes of strings of ten cells; one lane goes bad. Three rules at (nearly) the same false alarms for the plant:
the repeat rule for one position, the lanes' CUSUM as designed for four times the base rate, and the optimal CUSUM,
which knows the true rate (Moustakides 1986: no rule of the same in-control length finds that change sooner on average
in the worst case). False alarms are counted with independent cells and with cells of a string that hang together.
Delays are strings of the bad lane from its onset to the alert; 95 % intervals of the mean.
"""

import argparse

import numpy as np
from scipy.stats import chi2

from elinspect.operations.alerts import rules_for
from elinspect.statistics.alerts import bernoulli_cusum, repeat_rule, repeats, run_cusum
from elinspect.store.lanes import UsualFlags

LANES, CELLS, PLANT_STRINGS = 12, 10, 50_000.0
BASE = 0.01  # of cells
DAY_STRINGS = 300  # of a lane


def _mean(values: list[float]) -> str:
    mean, error = np.mean(values), 1.96 * np.std(values) / np.sqrt(len(values))
    return f"{mean:6.1f} +- {error:4.1f}"


def _first(flagged: np.ndarray, design) -> float:  # type: ignore[no-untyped-def]
    beyond = run_cusum(flagged, design) > design.limit
    return float(np.argmax(beyond) + 1) if beyond.any() else float(len(flagged))


def _flagged_cells(rng: np.random.Generator, strings: int, correlation: float, base: float = BASE) -> np.ndarray:
    """Return which cells of some strings are flagged, at the base rate, those of one string alike (beta-binomial)."""
    rate: np.ndarray | float = base
    if correlation:
        spread = (1 - correlation) / correlation
        rate = rng.beta(base * spread, (1 - base) * spread, (strings, 1))
    return rng.random((strings, CELLS)) < rate


def _false_alarms(runs: int, correlation: float, wander: float) -> None:
    """Count alerts of a plant without a cause, under rules set as the program sets them: from what is usual.

    From day to day the plant's rate wanders, with this coefficient of variation (gamma).
    """
    rng = np.random.default_rng([1, round(100 * correlation), round(100 * wander)])

    def rate_of_day() -> float:
        return BASE * (rng.gamma(1 / wander**2, wander**2) if wander else 1.0)

    days = [_flagged_cells(rng, LANES * DAY_STRINGS, correlation, rate_of_day()) for _ in range(28)]
    by_position = dict(enumerate(np.sum([day.sum(axis=0) for day in days], axis=0).tolist(), 1))
    usual = UsualFlags(by_position, tuple((int(day.any(axis=1).sum()), day.size) for day in days))
    rules = rules_for(usual, CELLS)
    lanes: list[list[np.ndarray]] = [[] for _ in range(LANES)]
    for _ in range(runs * 1000 // DAY_STRINGS):
        base = rate_of_day()
        for lane in lanes:
            lane.append(_flagged_cells(rng, DAY_STRINGS, correlation, base))
    risen, repeated, made = 0, 0, 0
    for lane in lanes:
        cells = np.concatenate(lane)
        made += len(cells)
        risen += int((run_cusum(cells.any(axis=1), rules.cusum) > rules.cusum.limit).sum())
        repeated += sum(len(repeats(np.flatnonzero(column).tolist(), rules.repeat)) for column in cells.T)
    stated = made * rules.repeat.false_alarms / 1e6, made / rules.cusum.in_control
    print(f"without a cause, correlation {correlation}, days {wander:.0%} apart, {made} strings: repeat rule "
          f"({rules.repeat.least} of {rules.repeat.window}) {_counted(repeated)} (stated: at most {stated[0]:.1f}), "
          f"CUSUM {_counted(risen)} (stated: {stated[1]:.1f}, limit {rules.cusum.limit}); all together one in "
          f"{made / max(risen + repeated, 1):.0f} strings (stated: {made / sum(stated):.0f})", flush=True)  # fmt: skip


def _counted(number: int) -> str:
    """Return a count with its 95 % interval as of a Poisson count."""
    low = chi2.ppf(0.025, 2 * number) / 2 if number else 0.0
    return f"{number} ({low:.0f}-{chi2.ppf(0.975, 2 * number + 2) / 2:.0f})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=1000)
    given = parser.parse_args()
    for correlation, wander in ((0.0, 0.0), (0.1, 0.0), (0.3, 0.0), (0.1, 0.1), (0.1, 0.2)):
        _false_alarms(given.runs, correlation, wander)
    rate = 1 - (1 - BASE) ** CELLS
    ours = bernoulli_cusum(rate, min(4 * rate, 0.9), PLANT_STRINGS)
    for times in (2.0, 3.0, 4.0, 6.0, 10.0):
        bad = 1 - (1 - times * BASE) ** CELLS
        best = bernoulli_cusum(rate, bad, PLANT_STRINGS)
        rng = np.random.default_rng([2, int(times)])
        delays: list[list[float]] = [[], []]
        for _ in range(given.runs):
            flagged = rng.random(4000) < bad
            delays[0].append(_first(flagged, ours))
            delays[1].append(_first(flagged, best))
        print(f"whole lane at {times:4.0f} times: CUSUM {_mean(delays[0])} strings, optimal {_mean(delays[1])}")
    rule = repeat_rule(BASE, CELLS, 30, 20.0)
    for at_place in (0.05, 0.1, 0.2, 0.5):
        best = bernoulli_cusum(BASE, at_place, 1e6 / 20.0 * CELLS)
        rng = np.random.default_rng([3, int(100 * at_place)])
        delays = [[], []]
        for _ in range(given.runs):
            flagged = rng.random(8000) < at_place
            found = repeats(np.flatnonzero(flagged).tolist(), rule)
            delays[0].append(float(np.flatnonzero(flagged)[found[0]] + 1) if found else 8000.0)
            delays[1].append(_first(flagged, best))
        print(f"one position in {at_place:.0%} of the strings: {rule.least} of {rule.window} {_mean(delays[0])} "
              f"strings, optimal {_mean(delays[1])}")  # fmt: skip


if __name__ == "__main__":
    main()
