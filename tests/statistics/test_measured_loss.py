"""Predicted against measured losses: groups, the smallest difference they can show, nothing outside their range."""

import numpy as np
import pytest
from statsmodels.stats.power import NormalIndPower

from elinspect.statistics.measured_loss import MeasuredPanel, compare_losses, smallest_detectable

DAY = ("Meadow 60 1", "A2", "flash 1", "early")


def _group(
    rng: np.random.Generator, n: int, m: int, loss: float, told: float, group: tuple = DAY, level: float = 320.0
):
    good = [MeasuredPanel(group, 0.0, level + float(rng.normal(0, 1.0))) for _ in range(n)]
    return [*good, *(MeasuredPanel(group, told, level - loss + float(rng.normal(0, 1.0))) for _ in range(m))]


@pytest.mark.parametrize(("first", "second"), [(10, 10), (200, 5), (30, 90)])
def test_the_smallest_detectable_difference_is_that_of_a_power_calculation(first: int, second: int) -> None:
    # statsmodels' power of a two-sided z test of two means, error 5 %, power 80 %.
    found = smallest_detectable(1.7, first, second)
    expected = NormalIndPower().solve_power(nobs1=first, alpha=0.05, power=0.8, ratio=second / first)
    assert found / 1.7 == pytest.approx(expected, rel=1e-4)


def test_one_group_by_hand() -> None:
    panels = [MeasuredPanel(DAY, 0.0, power) for power in (319.0, 321.0)]
    panels += [MeasuredPanel(DAY, 5.0, power) for power in (313.0, 315.0)]
    found = compare_losses(panels, 0.5)
    (group,) = found.groups
    assert (group.without, group.with_loss, group.predicted_w, group.measured_w) == (2, 2, 5.0, 6.0)
    # Both sides have variance 2; the difference of two means of two has the standard error sqrt(2) sqrt(1/2 + 1/2).
    assert group.standard_error_w == pytest.approx(2**0.5)
    assert found.difference_w == pytest.approx(1.0)
    assert not found.differs


def test_groups_are_compared_within_themselves() -> None:
    rng = np.random.default_rng(0)
    other = ("Meadow 60 1", "A1", "flash 2", "late")
    # The worse class has no losses told; across groups its low power would look like one.
    panels = _group(rng, 40, 40, 5.0, 5.0) + _group(rng, 40, 40, 5.0, 5.0, other, level=300.0)
    found = compare_losses(panels, 0.5)
    assert len(found.groups) == 2
    assert abs(found.difference_w or 9.0) < 3 * (found.standard_error_w or 0.0)
    assert not found.differs


def test_a_wrong_prediction_is_found_and_its_range_is_said() -> None:
    rng = np.random.default_rng(1)
    found = compare_losses(_group(rng, 60, 40, 8.0, 5.0) + _group(rng, 0, 30, 15.0, 12.0), 0.5)
    assert found.differs
    assert found.range_w == (5.0, 12.0)


def test_the_smallest_difference_is_found_in_about_four_of_five_cases() -> None:
    rng = np.random.default_rng(2)
    smallest = smallest_detectable(1.0, 30, 30)
    seen = sum(compare_losses(_group(rng, 30, 30, 5.0 + smallest, 5.0), 0.5).differs for _ in range(300))
    assert 0.7 < seen / 300 < 0.9


def test_groups_that_are_too_small_are_counted_not_compared() -> None:
    alone = [MeasuredPanel(DAY, 0.0, 320.0), MeasuredPanel(DAY, 4.0, 315.0), MeasuredPanel(DAY, 4.0, 316.0)]
    found = compare_losses(alone, 0.5)
    assert (found.groups, found.left_out, found.range_w, found.difference_w) == ((), 3, None, None)
    assert not found.differs
