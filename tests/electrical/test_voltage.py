"""Junction voltages from light, against the worked values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from elinspect.electrical import panel_voltages, relative_voltages
from elinspect.electrical.voltage import absolute_voltages, thermal_voltage
from elinspect.recipe import assumed_product
from elinspect.records import ExposureConditions, Layout


@pytest.mark.parametrize(
    ("celsius", "millivolts"),
    [(20, 25.262), (25, 25.6926), (27, 25.865), (30, 26.123), (50, 27.847), (60, 28.709)],
)
def test_thermal_voltage(celsius: float, millivolts: float) -> None:
    # CODATA 2019 exact constants.
    assert 1000 * thermal_voltage(celsius) == pytest.approx(millivolts, abs=0.0006)


@pytest.mark.parametrize(
    ("ratio", "millivolts"),
    [(2, 17.809), (np.e, 25.693), (10, 59.159), (0.9, -2.707), (0.8, -5.733), (0.5, -17.809)],
)
def test_a_ratio_of_light_is_a_difference_of_voltages(ratio: float, millivolts: float) -> None:
    # (kT/q) ln(ratio) at 25 °C; the relation as in Potthoff et al. 2010 (paper from memory, values recomputed).
    assert 1000 * relative_voltages([ratio])[0] == pytest.approx(millivolts, abs=0.001)


def test_the_sum_of_all_cells_is_the_panels_voltage() -> None:
    found = absolute_voltages([1.0, 2.0, 0.5], 1.95)
    assert found.sum() == pytest.approx(1.95)
    assert found == pytest.approx([0.65, 0.65 + 0.017809, 0.65 - 0.017809], abs=1e-6)


@given(st.floats(0.01, 1e6))
def test_the_camera_scale_drops_out(gain: float) -> None:
    light = np.array([1.0, 1.3, 0.7])
    assert absolute_voltages(light * gain, 2.0) == pytest.approx(absolute_voltages(light, 2.0))


def test_a_cell_that_could_not_be_judged_leaves_no_absolute_voltage() -> None:
    # The caution: a hidden or badly contacted cell looks as if its voltage were low; its circuit then says nothing.
    assert np.isnan(absolute_voltages([1.0, np.nan, 1.0], 2.0)).all()
    assert np.isnan(relative_voltages([0.0, -1.0])).all()


def test_parallel_blocks_each_have_the_panels_voltage() -> None:
    recipe = assumed_product(Layout.parse("2x2x3")).recipe
    light = np.r_[np.full(6, 1.0), np.full(6, 2.0)]
    found = panel_voltages(light, recipe, ExposureConditions(voltage_v=3.9))
    assert found == pytest.approx(np.full(12, 0.65))
    assert np.isnan(panel_voltages(light, recipe, ExposureConditions())).all()
