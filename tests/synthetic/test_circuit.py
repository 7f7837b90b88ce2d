"""Currents of strings in series and circuits in parallel, before there are bypass diodes."""

import numpy as np
import pytest

from elinspect.recipe import CellFormat, Circuit, ProductRecipe
from elinspect.records import Layout
from elinspect.synthetic import BridgedString, DarkCell, DarkString, OpenString, ReversedCell
from elinspect.synthetic.circuit import driven
from elinspect.synthetic.network import Electrics

CELL = CellFormat(91.0, 182.0, busbars=10)
TWO_BLOCKS = ProductRecipe("two blocks", "1", Layout.parse("2x3x4"), CELL)
SERIES = ProductRecipe("series", "1", Layout.parse("3x4"), CELL)
ELECTRICS = Electrics()


def by_string(recipe: ProductRecipe, *defects: object, total: float = 1.0) -> np.ndarray:
    current = driven(recipe, ELECTRICS, defects, total).current  # type: ignore[arg-type]
    return current.reshape(recipe.layout.n_strings, -1)


def test_a_sound_panel_carries_the_full_current_everywhere() -> None:
    np.testing.assert_allclose(by_string(TWO_BLOCKS), 1.0, rtol=1e-6)
    np.testing.assert_allclose(by_string(SERIES, total=0.1), 0.1, rtol=1e-9)


def test_one_open_string_darkens_an_all_series_panel() -> None:
    assert not by_string(SERIES, OpenString(2)).any()


def test_an_open_half_makes_its_partner_carry_both_currents() -> None:
    current = by_string(TWO_BLOCKS, OpenString(2))
    assert not current[:3].any()
    np.testing.assert_allclose(current[3:], 2.0)


def test_a_bridged_string_is_dark_alone_in_series() -> None:
    current = by_string(SERIES, BridgedString(2, remaining=0.0))
    assert not current[1].any()
    np.testing.assert_allclose(current[[0, 2]], 1.0)


def test_a_bridged_string_draws_the_current_from_the_parallel_block() -> None:
    """A third fewer junctions: at the same voltage the sound block's cells see two thirds, and hardly any current."""
    current = by_string(TWO_BLOCKS, BridgedString(2, remaining=0.0))
    assert current[0, 0] + current[3, 0] == pytest.approx(2.0)
    assert current[3, 0] < 1e-3
    assert not current[1].any()


def test_a_part_contacted_string_keeps_its_share() -> None:
    current = by_string(SERIES, DarkString(3, remaining=0.3))
    np.testing.assert_allclose(current[2], 0.3)
    np.testing.assert_allclose(current[:2], 1.0)


def test_a_worse_cell_carries_the_same_current_at_a_lower_voltage() -> None:
    drive = driven(SERIES, ELECTRICS, (DarkCell(1, 2, 0.4),))
    np.testing.assert_allclose(drive.current, 1.0)
    assert drive.level[1] == pytest.approx(0.4)
    # In parallel blocks the worse block needs less voltage, so it draws a little more: ln(0.4)/2 over all its cells.
    current = by_string(TWO_BLOCKS, DarkCell(1, 2, 0.4))
    assert 1.0 < current[0, 0] < 1.1
    assert current[0, 0] + current[3, 0] == pytest.approx(2.0)


def test_a_reversed_cell_blocks_its_block() -> None:
    current = by_string(TWO_BLOCKS, ReversedCell(1, 1))
    assert current[:3].max() < 0.01
    np.testing.assert_allclose(current[3:], 2.0, atol=0.01)
    assert by_string(SERIES, ReversedCell(1, 1))[0, 0] == 0
    np.testing.assert_allclose(by_string(SERIES, ReversedCell(1, 1))[1:], 1.0)


def test_a_recipe_s_own_circuit_is_followed() -> None:
    recipe = ProductRecipe("own", "1", Layout.parse("4x2"), CELL, circuit=Circuit(series=((1, 4), (2, 3))))
    current = by_string(recipe, OpenString(4))
    assert not current[[0, 3]].any()
    np.testing.assert_allclose(current[[1, 2]], 2.0)
