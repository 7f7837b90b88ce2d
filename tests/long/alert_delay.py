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

from elinspect.operations.alerts import Rules, rules_for
from elinspect.statistics.alerts import bernoulli_cusum, repeat_rule, repeats, run_cusum
from elinspect.store.lanes import UsualFlags

LANES, CELLS, PLANT_STRINGS = 12, 10, 50_000.0
BASE = 0.01  # of cells
DAY_STRINGS = 300  # of a lane
PLANTS = 20


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

    From day to day the rate wanders, with this coefficient of variation (gamma). Several plants, each with four weeks
    of its own from which its rules are set.
    """
    counted, stated, made, limits = np.zeros(2, int), np.zeros(2), 0, []
    for plant in range(PLANTS):
        rng = np.random.default_rng([1, round(100 * correlation), round(100 * wander), plant])
        rules = _rules(rng, correlation, wander)
        of_plant = _days(rng, runs * 1000 // DAY_STRINGS // PLANTS, correlation, wander)
        for lane in of_plant:
            counted[0] += sum(len(repeats(np.flatnonzero(column).tolist(), rules.repeat)) for column in lane.T)
            counted[1] += int((run_cusum(lane.any(axis=1), rules.cusum) > rules.cusum.limit).sum())
            stated += len(lane) * rules.repeat.false_alarms / 1e6, len(lane) / rules.cusum.in_control
            made += len(lane)
        limits.append(rules.cusum.limit)
    print(f"without a cause, correlation {correlation}, days {wander:.0%} apart, {made} strings: repeat rule "
          f"{_counted(counted[0])} (stated: at most {stated[0]:.1f}), CUSUM {_counted(counted[1])} (stated: "
          f"{stated[1]:.1f}, median limit {np.median(limits):.0f}); all together one in "
          f"{made / max(counted.sum(), 1):.0f} strings (stated: {made / stated.sum():.0f})", flush=True)  # fmt: skip


def _days(rng: np.random.Generator, n: int, correlation: float, wander: float) -> list[np.ndarray]:
    """Return the flagged cells of every lane over some days."""
    lanes: list[list[np.ndarray]] = [[] for _ in range(LANES)]
    for _ in range(n):
        base = BASE * (rng.gamma(1 / wander**2, wander**2) if wander else 1.0)
        for lane in lanes:
            lane.append(_flagged_cells(rng, DAY_STRINGS, correlation, base))
    return [np.concatenate(lane) for lane in lanes]


def _rules(rng: np.random.Generator, correlation: float, wander: float) -> Rules:
    lanes = np.array(_days(rng, 28, correlation, wander)).reshape(LANES, 28, DAY_STRINGS, CELLS)
    by_position = dict(enumerate(lanes.sum(axis=(0, 1, 2)).tolist(), 1))
    by_day = [(int(day.any(axis=2).sum()), day.size) for day in lanes.swapaxes(0, 1)]
    return rules_for(UsualFlags(by_position, tuple(by_day)), CELLS)


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
