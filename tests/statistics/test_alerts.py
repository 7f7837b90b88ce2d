"""Alerts: how often they are false, and how soon they are right."""

import numpy as np
import pytest
from scipy.stats import binom, poisson

from elinspect.statistics.alerts import (
    BernoulliCusum,
    bernoulli_cusum,
    in_control_length,
    rate_spread,
    repeat_rule,
    repeats,
    run_cusum,
)


def test_repeats_within_the_window() -> None:
    rule = repeat_rule(0.002, 12, window=30, false_alarms=50.0)
    assert rule.window == 30
    numbers = [5, 100, 105, 110, 300]
    expected = [i for i in range(len(numbers)) if rule.least <= 3 and numbers[i] == 110]
    assert repeats(numbers, rule) == expected
    assert repeats([1, 40, 80], rule) == []


def test_a_window_begins_anew_after_an_alert() -> None:
    rule = repeat_rule(0.0005, 12, window=20, false_alarms=200.0)
    assert rule.least == 2
    assert repeats([1, 2, 3, 4, 50, 51], rule) == [1, 3, 5]


def test_stated_false_alarms_of_the_repeat_rule_hold() -> None:
    rate, places, strings = 0.01, 10, 200_000
    rule = repeat_rule(rate, places, window=30, false_alarms=100.0)
    # By its definition: a flag now, and enough before it.
    assert rule.false_alarms == pytest.approx(places * rate * binom(29, rate).sf(rule.least - 2) * 1e6)
    rng = np.random.default_rng(1)
    found = sum(len(repeats(np.flatnonzero(rng.random(strings) < rate).tolist(), rule)) for _ in range(places))
    assert found <= binom(10**6, rule.false_alarms / 1e6).ppf(0.999) * strings / 1e6 + 3
    assert repeat_rule(rate, places, false_alarms=1.0).least > rule.least


def test_correlated_strings_need_more_repeats() -> None:
    assert repeat_rule(0.01, 10, correlation=0.1).least > repeat_rule(0.01, 10).least


def test_in_control_length_of_the_smallest_chains_by_hand() -> None:
    # The sum starts at 0 and a flag brings it straight beyond a limit of 0: geometric, 1 / p.
    assert in_control_length(0.1, 5, 0) == pytest.approx(10.0)
    # up = down = 1, limit 1, p = 1/2: L0 = 1 + L0/2 + L1/2, L1 = 1 + L0/2: L0 = 6.
    assert in_control_length(0.5, 1, 1) == pytest.approx(6.0)


def test_in_control_length_against_simulation() -> None:
    rng = np.random.default_rng(2)
    design = BernoulliCusum(0.1, 0.3, 12, 4, 1, in_control_length(0.1, 4, 12))
    lengths = [int(np.argmax(run_cusum(rng.random(6000) < 0.1, design) > design.limit)) + 1 for _ in range(400)]
    assert np.mean(lengths) == pytest.approx(design.in_control, rel=0.15)


def test_the_design_keeps_the_false_alarms_of_all_lanes_together() -> None:
    design = bernoulli_cusum(0.05, 0.2, 20_000)
    assert 20_000 <= design.in_control < 100_000
    assert run_cusum(np.ones(50), design).max() > design.limit
    with pytest.raises(ValueError, match="rise"):
        bernoulli_cusum(0.2, 0.1, 1000)


def test_each_place_adds_its_own_false_alarms() -> None:
    rule = repeat_rule([0.01] * 8 + [0.05] * 2, window=30, false_alarms=50.0)
    by_hand = sum(rate * binom(29, rate).sf(rule.least - 2) for rate in [0.01] * 8 + [0.05] * 2)
    assert rule.false_alarms == pytest.approx(by_hand * 1e6)
    assert rule.least > repeat_rule(0.01, 10, false_alarms=50.0).least


def test_clustered_cells_of_a_string_raise_no_more_alarms_than_stated() -> None:
    # All cells of a string hang together (beta-binomial, correlation 0.3); at each position the rate is still 1 %.
    rng = np.random.default_rng(3)
    rule = repeat_rule([0.01] * 10, window=30, false_alarms=400.0)
    spread = 0.7 / 0.3
    of_string = rng.beta(0.01 * spread, 0.99 * spread, 200_000)
    hits = rng.random((len(of_string), 10)) < of_string[:, None]
    found = sum(len(repeats(np.flatnonzero(column).tolist(), rule)) for column in hits.T)
    # Alarms come in company, so that their number spreads more than Poisson's; three times its spread.
    expected = rule.false_alarms * 0.2
    assert found <= expected + 9 * np.sqrt(expected)


def test_in_control_length_where_many_strings_are_flagged() -> None:
    design = bernoulli_cusum(0.4, 0.7, 400)
    assert design.down > 1
    rng = np.random.default_rng(4)
    alarms = int((run_cusum(rng.random(200_000) < 0.4, design) > design.limit).sum())
    assert 200_000 / alarms == pytest.approx(design.in_control, rel=0.15)


def test_days_that_differ_do_not_raise_more_false_alarms_than_stated() -> None:
    rng, rate, spread, lanes, of_day = np.random.default_rng(11), 0.07, 0.014, 3000, 300
    plain, widened = bernoulli_cusum(rate, 0.23, 50_000), bernoulli_cusum(rate, 0.23, 50_000, spread)
    alarms = dict.fromkeys((plain, widened), 0)
    sums = {design: np.zeros(lanes, dtype=np.int64) for design in alarms}
    for _ in range(12):
        rates = np.clip(rng.normal(rate, spread, lanes), 0.001, None)
        for _ in range(of_day):
            flagged = rng.random(lanes) < rates
            for design in alarms:
                climbed = np.maximum(0, sums[design] + np.where(flagged, design.up, -design.down))
                beyond = climbed > design.limit
                alarms[design] += int(beyond.sum())
                sums[design] = np.where(beyond, 0, climbed)
    stated = lanes * 12 * of_day / 50_000
    assert alarms[plain] > 1.3 * stated  # so a limit for the mean alone would not hold
    assert alarms[widened] <= poisson.ppf(0.999, stated)


def test_spread_of_a_rate() -> None:
    rng = np.random.default_rng(5)
    strings = np.full(400, 500)
    alike, apart = rng.binomial(strings, 0.07), rng.binomial(strings, rng.normal(0.07, 0.014, 400))
    assert rate_spread(apart.tolist(), strings.tolist()) == pytest.approx(0.014, rel=0.15)
    assert rate_spread(alike.tolist(), strings.tolist()) < 0.004
    # One day alone: the error of a share (Wald), by hand.
    assert rate_spread([70], [1000]) == pytest.approx(np.sqrt(0.07 * 0.93 / 1000))
    assert rate_spread([], []) == rate_spread([0, 0], [10, 10]) == 0.0


def test_repeats_on_days_that_differ() -> None:
    rule = repeat_rule(0.05, window=10, false_alarms=500.0, wander=0.5)
    assert rule.least > repeat_rule(0.05, window=10, false_alarms=500.0).least
    wide = np.sqrt(np.log(1.25))
    rates = 0.05 * np.exp(np.random.default_rng(1).normal(-(wide**2) / 2, wide, 100_000))
    drawn = np.mean(rates * binom.sf(rule.least - 2, 9, rates)) * 1e6
    assert rule.false_alarms == pytest.approx(drawn, rel=0.05)
