"""Sister wafers: what they share is taken off and reported as shared, what is a cell's own is found."""

import numpy as np
import pytest
from drawn_cells import SIDE_PX, as_pictures, clean_cell, with_area, with_line

from elinspect.detectors import crack, prepare
from elinspect.detectors.crack_shape import CrackLine
from elinspect.detectors.crack_steps import own_height
from elinspect.detectors.sisters import _shift, without_sisters
from elinspect.recipe import assumed_product
from elinspect.records import CrackMode, FloatImage, Layout, PanelView
from elinspect.settings import CrackSettings, SisterSettings
from elinspect.vision import cv2

LAYOUT = Layout(1, 3, 4)
CRACK: list[tuple[float, float]] = [(80, 40), (140, 250)]


def _grains(seed: int) -> FloatImage:
    """Factor per pixel: dark grains and clouds, about 10 % deep."""
    rng = np.random.default_rng(seed)
    noise = [cv2.GaussianBlur(rng.normal(0, 1, (SIDE_PX, SIDE_PX)), (0, 0), scale) * scale for scale in (2.5, 6.0)]
    return np.asarray(1 - 0.12 * np.clip(noise[0] + noise[1], 0, 2), np.float32)


def _panel(shared: list[int], turned: list[int], cracked: list[int]) -> PanelView:
    rng = np.random.default_rng(0)
    brick = _grains(100)
    cells = []
    for index in range(LAYOUT.n_cells):
        grains = brick if index in shared else _grains(index)
        cell = np.asarray(clean_cell(rng) * (grains[::-1, ::-1] if index in turned else grains), np.float32)
        cells.append(with_line(cell, CRACK, contrast=0.12) if index in cracked else cell)
    return prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT))


def test_sisters_are_told_from_strangers_also_turned() -> None:
    left = without_sisters(_panel([1, 4, 9], [9], []), SisterSettings()).left
    assert {cell: own.count for cell, own in left.items()} == {1: 2, 4: 2, 9: 2}


@pytest.mark.parametrize("remaining", [0.05, 0.6, 0.8])
@pytest.mark.parametrize(
    "corners",
    [
        [(160.0, 20.0), (160.0, 140.0), (238.0, 140.0), (238.0, 20.0)],
        [(52.0, 20.0), (52.0, 280.0), (149.0, 280.0), (149.0, 20.0)],
        [(200.0, 20.0), (245.0, 20.0), (245.0, 60.0)],
    ],
    ids=["box", "field", "corner"],
)
def test_dark_pieces_in_one_place_make_no_sisters(corners: list[tuple[float, float]], remaining: float) -> None:
    rng = np.random.default_rng(3)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    for index in (2, 7):
        cells[index] = with_area(cells[index], corners, remaining)
    assert not without_sisters(prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT)), SisterSettings()).left


@pytest.mark.parametrize("side", [150, 151])
def test_shift_is_found_and_neither_picture_changed(side: int) -> None:
    # OpenCV's phase correlation writes into pictures of 150 pixels, of which it needs no wider copy.
    wide = cv2.GaussianBlur(np.random.default_rng(0).normal(0, 1, (side + 5, side + 5)), (0, 0), 2).astype(np.float32)
    own, sister = wide[:side, :side].copy(), wide[3 : side + 3, 5:].copy()
    before = own.copy(), sister.copy()
    assert _shift(own, sister, 10.0) == pytest.approx([5, 3], abs=0.2)
    np.testing.assert_array_equal(own, before[0])
    np.testing.assert_array_equal(sister, before[1])


def test_what_sisters_share_is_all_but_gone() -> None:
    view = _panel([1, 4, 9], [9], [])
    left = without_sisters(view, SisterSettings()).of(slice(0, 2))
    before, after = view.flat[1][view.inside].std(), left.flat[1][view.inside].std()
    assert after < 0.5 * before
    np.testing.assert_array_equal(left.flat[0], view.flat[0])


def test_crack_hidden_in_grains_is_found_once_the_sisters_are_off() -> None:
    alone = crack.search(_panel([4], [], [4]), CrackSettings()).detection.cell_scores[4]
    with_sisters = crack.search(_panel([1, 4, 9], [9], [4]), CrackSettings())
    assert with_sisters.detection.cell_scores[4] > alone
    assert 4 in [finding.cell for finding in with_sisters.detection.findings]


def test_line_that_all_sisters_show_is_reported_as_shared() -> None:
    # Plain enough to be found in each cell by itself.
    rng = np.random.default_rng(1)
    brick = with_line(np.asarray(_grains(100), np.float32), CRACK, contrast=0.5)
    cells = [np.asarray(clean_cell(rng) * (brick if index < 3 else _grains(index)), np.float32) for index in range(12)]
    found = crack.search(prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT)), CrackSettings())
    assert not {finding.cell for finding in found.detection.findings} & {0, 1, 2}
    assert {finding.cell for finding in found.shared} == {0, 1, 2}
    assert all(finding.measurements["shared_by"] == 3 for finding in found.shared)


@pytest.mark.parametrize("remaining", [0.88, 0.8])
def test_step_without_a_dark_line_is_a_crack(remaining: float) -> None:
    # One side of an oblique line is darker, as where a crack cuts fingers on their way to one busbar of two.
    rng = np.random.default_rng(2)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    cells[5] = with_area(cells[5], [(60, 90), (140, 200), (145, 290), (60, 290)], remaining=remaining)
    view = prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT))
    findings = crack.detect(view, CrackSettings()).findings
    assert {finding.cell for finding in findings} == {5}
    assert findings[0].mode is CrackMode.B
    assert findings[0].measurements["darker_side_share"] == pytest.approx(remaining, abs=0.06)


def test_of_a_step_that_sisters_show_only_what_they_leave_counts() -> None:
    points = np.array([[30.0, 20.0], [30.0, 80.0]])
    left = np.zeros((30, 50), np.float32)
    left[15:] = -0.1
    line = CrackLine(points, 0.3, 1.0)
    left = np.asarray(cv2.resize(left, (100, 60)), np.float32)
    assert own_height(line, left) == pytest.approx(0.1, abs=0.01)
    assert own_height(line, 5 * left) == own_height(line, None) == 0.3
