"""The finger model against the closed formulas of a finger with distributed current."""

import numpy as np
import pytest

from elinspect.synthetic.current import FLOATING_DROP, FingerGrid, effect_of, intact_drop

ACROSS, PITCH = 100.0, 2.0


def grid(busbars: tuple[float, ...] = (25.0, 75.0)) -> FingerGrid:
    rows = np.arange(0, ACROSS + 0.25, 0.25)
    finger = (np.arange(0, 40, 0.25) // PITCH).astype(np.intp)
    return FingerGrid(rows, np.array(busbars), ACROSS, finger, middle_drop=0.1)


def test_drop_is_none_at_busbars_and_greatest_half_way() -> None:
    at = grid()
    drop = intact_drop(at)
    assert drop[100] == pytest.approx(0, abs=1e-6)
    assert drop[300] == pytest.approx(0, abs=1e-6)
    assert drop[200] == pytest.approx(0.1, rel=1e-6)
    # A piece of half the length fed from one end loses as much as one of the whole length fed from both.
    assert drop[0] == pytest.approx(0.1, rel=1e-6)
    assert np.array_equal(drop, drop[::-1])


def test_a_finger_broken_at_one_busbar_loses_four_times_as_much_at_its_end() -> None:
    at = grid()
    cuts = np.zeros((401, 160), np.float32)
    cuts[299] = 1  # all fingers just above the lower busbar, so that nothing flows sideways
    effect = effect_of(at, cuts)
    total = effect.drop + intact_drop(at)[:, None]
    # k l^2 / 2 against k l^2 / 8; a little away from the cut, where light is not blurred across it.
    assert total[290, 80] == pytest.approx(0.4, rel=0.03)
    assert not effect.floating.any()
    assert np.abs(effect.drop[305:]).max() < 1e-3


def test_a_piece_between_cut_and_edge_floats() -> None:
    at = grid()
    cuts = np.zeros((401, 160), np.float32)
    cuts[40] = 1
    effect = effect_of(at, cuts)
    assert effect.floating[:40].all()
    assert not effect.floating[41:].any()
    assert effect.drop[5, 80] + intact_drop(at)[5] == pytest.approx(FLOATING_DROP, rel=0.05)
    # Beyond the cut the finger is shorter than before, so the rest becomes brighter.
    assert effect.drop[60, 80] < 0


def test_one_broken_finger_is_fed_a_little_by_its_neighbours() -> None:
    at = grid()
    wide, narrow = np.zeros((401, 160), np.float32), np.zeros((401, 160), np.float32)
    wide[40] = 1
    narrow[40, at.finger == 10] = 1
    middle = int(np.flatnonzero(at.finger == 10).mean())
    assert 0.1 < effect_of(at, narrow).drop[20, middle] < 0.6 * effect_of(at, wide).drop[20, middle]


def test_a_half_severed_finger_drops_half_as_much() -> None:
    at = grid()
    whole, half = np.zeros((401, 160), np.float32), np.zeros((401, 160), np.float32)
    whole[280], half[280] = 1, 0.5
    np.testing.assert_allclose(effect_of(at, half).drop, effect_of(at, whole).drop / 2, atol=1e-5)


def test_without_busbars_nothing_drops() -> None:
    at = grid(())
    cuts = np.ones((401, 160), np.float32)
    assert not intact_drop(at).any()
    assert not effect_of(at, cuts).drop.any()
