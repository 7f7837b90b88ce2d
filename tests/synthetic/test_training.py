"""Single cells for training: their truth lies where it is seen, and nothing but it tells the label."""

import numpy as np
import pytest

from elinspect.recipe import Wafer
from elinspect.records import Kind
from elinspect.synthetic import DefectRates, draw_cells
from elinspect.synthetic.formats import SIDES_MM, draw_format


def test_cells_come_with_pixels_kinds_and_their_panel() -> None:
    cells = list(draw_cells(np.random.default_rng(3), 10, side_px=96, wafer=Wafer.MULTI))
    assert len(cells) == 10
    assert [cell.panel for cell in cells] == [0] * 8 + [1] * 2
    for cell in cells:
        assert cell.picture.shape == cell.crack.shape == cell.cut_off.shape == cell.finger.shape == (96, 96)
        assert cell.wafer is Wafer.MULTI
        assert cell.visible <= cell.kinds
        assert bool(cell.crack.any()) == (Kind.CRACK in cell.kinds)
        assert 0.3 < np.median(cell.picture) < 1.5


def test_a_piece_cut_off_is_dark_where_the_truth_says() -> None:
    rates = DefectRates(crack=0, inactive_area=1, finger_interruption=0, dark_cell=0, dark_string=0)
    for cell in draw_cells(np.random.default_rng(5), 4, side_px=128, rates=rates, per_panel=4):
        inside, outside = cell.picture[cell.cut_off], cell.picture[~cell.cut_off]
        assert np.median(inside) < 0.6 * np.median(outside)


def test_the_same_seed_gives_the_same_cells() -> None:
    first, again = (list(draw_cells(np.random.default_rng(8), 2, 64, per_panel=2)) for _ in range(2))
    np.testing.assert_array_equal(first[1].picture, again[1].picture)
    assert first[0].kinds == again[0].kinds


def test_formats_are_those_of_the_trade() -> None:
    rng = np.random.default_rng(0)
    cells = [draw_format(rng) for _ in range(300)]
    assert {cell.across_mm for cell in cells} == set(SIDES_MM)
    assert {round(cell.across_mm / cell.along_mm) for cell in cells} == {1, 2, 3}
    assert min(cell.busbars for cell in cells) == 2
    assert max(cell.busbars for cell in cells) == 20
    assert len({cell.technology for cell in cells}) == 3
    assert all(2 <= draw_format(rng, few_busbars=True).busbars <= 5 for _ in range(50))


@pytest.mark.parametrize(("wrong", "name"), [({"count": 0}, "count"), ({"count": 1, "side_px": 8}, "side_px"),
                                             ({"count": 1, "per_panel": 3}, "per_panel")])  # fmt: skip
def test_bad_parameters_are_refused_by_name(wrong: dict[str, int], name: str) -> None:
    with pytest.raises(ValueError, match=name):
        next(draw_cells(np.random.default_rng(0), **wrong))
