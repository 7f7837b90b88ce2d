"""Costs of thresholds, by hand."""

import numpy as np
import pytest

from elinspect.statistics.working_point import FlagCosts, cheapest, cost_curve

PROBABILITY = np.array([0.02, 0.05, 0.3, 0.6, 0.9])
TRUE = np.array([False, False, True, False, True])


def test_costs_by_hand() -> None:
    costs = FlagCosts(answer=1.0, false_rework=20.0, reworked_falsely=0.1, escape=500.0)
    zero, low, high = cost_curve(PROBABILITY, TRUE, costs, [0.0, 0.1, 0.5])
    # All five looked at, three false ones at 20 x 0.1 each.
    assert (zero.kept_true, zero.kept_false, zero.escaped, zero.cost) == (2, 3, 0, 5 + 6)
    assert (low.kept_true, low.kept_false, low.escaped, low.cost) == (2, 1, 0, 3 + 2)
    assert (high.kept_true, high.kept_false, high.escaped, high.cost) == (1, 1, 1, 2 + 2 + 500)
    assert cheapest((zero, low, high)) is low


def test_of_equal_costs_the_lowest_threshold_wins() -> None:
    costs = FlagCosts(0.0, 0.0, 0.0, 1.0)
    points = cost_curve(PROBABILITY, TRUE, costs, [0.2, 0.1, 0.0])
    assert cheapest(points).threshold == 0.0


@pytest.mark.parametrize("field", ["answer", "false_rework", "escape", "reworked_falsely"])
def test_impossible_costs_name_their_field(field: str) -> None:
    values = {"answer": 1.0, "false_rework": 1.0, "reworked_falsely": 0.5, "escape": 1.0, field: -1.0}
    with pytest.raises(ValueError, match=field):
        FlagCosts(**values)
