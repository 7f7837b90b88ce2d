"""The development set is what its README says: enough cells, none reserved, two readers who agree."""

import numpy as np
import pytest
from development_set.reading import FingerMark, agreement, chosen_cells, cohen_kappa, finger_f1, read_later, readings
from real_cells import FREE_PANELS, is_reserved, wafer_of


def test_no_reserved_cell_and_both_readers_read_every_cell() -> None:
    cells = {chosen.cell for chosen in chosen_cells()}
    assert not any(is_reserved(cell) for cell in cells)
    assert readings(1).keys() == readings(2).keys() == cells


def test_cells_read_later_are_further_free_ones_that_two_readers_saw() -> None:
    further = read_later()
    assert len(further) >= 20
    assert not any(is_reserved(cell) for cell in further)
    assert not {chosen.cell for chosen in chosen_cells()} & set(further)
    assert all([row["reader"] for row in rows] == ["1", "2"] for rows in further.values())


def test_panels_and_wafers_are_those_of_the_data_set() -> None:
    for chosen in chosen_cells():
        first, last = FREE_PANELS[chosen.panel]
        assert first <= chosen.cell <= last
        assert chosen.wafer == {"mono": "mono", "poly": "multi"}[wafer_of(chosen.panel)]


@pytest.mark.parametrize("wafer", ["mono", "multi"])
def test_the_set_is_large_enough(wafer: str) -> None:
    mine = [chosen for chosen in chosen_cells() if chosen.wafer == wafer]
    assert len({chosen.panel for chosen in mine}) >= 8
    assert len(mine) >= 150
    halves = {chosen.panel: chosen.half for chosen in mine}
    assert abs(list(halves.values()).count("tuning") - list(halves.values()).count("check")) <= 1


def test_enough_cells_are_free_of_finger_marks_for_both_readers() -> None:
    first, second = readings(1), readings(2)
    free = [cell for cell in first if not first[cell].finger_marks and not second[cell].finger_marks]
    assert len(free) >= 150


def test_marks_lie_in_their_cells() -> None:
    for reader in (1, 2):
        for reading in readings(reader).values():
            places = [point for mark in reading.crack_marks for point in mark]
            places += [(finger.x, side) for finger in reading.finger_marks for side in (finger.top, finger.bottom)]
            assert all(0 <= x <= 300 and 0 <= y <= 300 for x, y in places), reading.cell
            assert all(finger.bottom > finger.top for finger in reading.finger_marks), reading.cell
            assert reading.crack in ("line", "step", "both", "none")
            assert 0 <= reading.inactive_share <= 1


@pytest.mark.parametrize("wafer", ["mono", "multi"])
def test_the_readers_agree_well_on_what_matters(wafer: str) -> None:
    found = agreement(wafer)
    assert found["crack seen"] > 0.85
    assert found["inactive area"] > 0.8
    assert found["finger marks F1"] > 0.75


def test_kappa_of_a_textbook_table() -> None:
    # [[20, 5], [10, 15]] gives 0.400 (textbook example, value from memory; recomputed).
    first = ["yes"] * 25 + ["no"] * 25
    second = ["yes"] * 20 + ["no"] * 5 + ["yes"] * 10 + ["no"] * 15
    assert cohen_kappa(first, second) == pytest.approx(0.4)


def test_finger_marks_pair_off_once() -> None:
    one = next(iter(readings(1).values()))
    marks = {0: (FingerMark(50, 10, 90, 4), FingerMark(53, 10, 90, 4)), 1: (FingerMark(51, 20, 80, 4),)}
    from dataclasses import replace

    both = [{0: replace(one, cell=0, finger_marks=marks[reader])} for reader in (0, 1)]
    assert finger_f1(*both) == pytest.approx(2 / 3)
    assert np.isclose(finger_f1(both[0], both[0]), 1)
