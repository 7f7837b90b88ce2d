"""What a crack means, on lines short enough to check by hand."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_cells import as_pictures, clean_cell

from elinspect.detectors import prepare
from elinspect.detectors.crack_sense import could_cut_off, pattern_of, touched
from elinspect.recipe import CellFormat, CutEdge, Product, ProductRecipe, assumed_product
from elinspect.records import FloatImage, Layout, PanelView

LEVEL = np.array([[50.0, 10], [50, 90]])
UPRIGHT = np.array([[10.0, 50], [90, 50]])


@pytest.fixture(scope="module")
def view() -> PanelView:
    rng = np.random.default_rng(0)
    return prepare(as_pictures([clean_cell(rng) for _ in range(12)], Layout(1, 3, 4)), assumed_product(Layout(1, 3, 4)))


@pytest.mark.parametrize(
    ("lines", "pattern"),
    [
        ([LEVEL], "along_busbars"),
        ([UPRIGHT], "across_busbars"),
        ([np.array([[90.0, 10], [10, 90]])], "rising"),
        ([np.array([[10.0, 10], [90, 90]])], "falling"),
        ([np.array([[10.0, 10], [90, 90]]), np.array([[90.0, 10], [50, 40]])], "several_directions"),
        ([LEVEL] * 5, "dendritic"),
    ],
)
def test_pattern_follows_direction_and_number_of_lines(lines: list[np.ndarray], pattern: str) -> None:
    assert pattern_of(lines, 0.5) == pattern


def test_two_short_lines_across_each_other_are_a_cross() -> None:
    level, upright = (
        np.stack([np.linspace(*line[:, axis], 20) for axis in (0, 1)], axis=1) for line in (LEVEL, UPRIGHT)
    )
    assert pattern_of([level, upright], 0.3) == "cross"
    assert pattern_of([level, upright], 1.0) == "several_directions"


def test_touching_is_within_three_millimetres(view: PanelView) -> None:
    # Busbars at rows 51, 150 and 249.
    assert touched(view, [np.array([[80.0, 100], [120, 140]])]) == "nothing"
    assert touched(view, [np.array([[90.0, 100], [146, 140]])]) == "busbar"
    assert touched(view, [np.array([[90.0, 100], [100, 299]])]) == "edge"
    assert touched(view, [np.array([[100.0, 4], [150, 60]])]) == "edge and busbar"


def test_crack_between_edge_and_busbar_could_cut_off_what_lies_beyond_it(view: PanelView) -> None:
    # Along row 25 from column 60 to 240, above the first busbar: columns 60..240, rows 0 to 24.
    share = could_cut_off(view, [np.array([[25.0, 60], [25, 240]])])
    assert share == pytest.approx(180 * 24 / 300**2, rel=0.1)


def test_crack_between_two_busbars_cuts_nothing_off_but_two_do(view: PanelView) -> None:
    one, other = np.array([[80.0, 60], [80, 240]]), np.array([[120.0, 60], [120, 240]])
    assert could_cut_off(view, [one]) == 0.0
    assert could_cut_off(view, [one, other]) == pytest.approx(180 * 38 / 300**2, rel=0.1)


def _half_cell(chamfers_left: bool, rng: np.random.Generator) -> FloatImage:
    cell = np.asarray(800 + rng.normal(0, 8, (200, 100)), np.float32)
    at = np.add.outer(np.minimum(np.arange(200), np.arange(200)[::-1]), np.arange(100))
    chamfers = at < 20
    cell[chamfers if chamfers_left else chamfers[:, ::-1]] = 100
    return cell


def test_turned_strings_have_their_chamfers_at_the_other_end() -> None:
    layout = Layout(1, 4, 4)
    rng = np.random.default_rng(1)
    # Strings 2 and 4 lie turned: the cut edge, left elsewhere, is right there.
    cells = [_half_cell(string % 2 == 1, rng) for string in range(4) for _ in range(4)]
    recipe = ProductRecipe("half", "1", layout, CellFormat(50.0, 100.0, cut_edge=CutEdge.LEFT))
    inside = prepare(replace(as_pictures(cells, layout, 0.5)), Product(recipe)).inside
    for corner in ((slice(0, 9), slice(0, 9)), (slice(0, 9), slice(-9, None))):
        assert not inside[corner].any()
    assert inside[30:170, 10:90].all()
