"""Weighing of followed lines, by hand, and what is found once instead of twice."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_cells import as_pictures, clean_cell, with_area, with_line

from elinspect.detectors import crack, prepare
from elinspect.detectors.crack_shape import CrackLine, follow_step, thread
from elinspect.detectors.crack_weighing import (
    each_once,
    is_foot,
    line_worth,
    of_trace,
    sorted_out,
    step_worth,
    together_of,
    worth_least,
)
from elinspect.recipe import assumed_product
from elinspect.records import FloatImage, Kind, Layout
from elinspect.settings import CrackSettings

SETTINGS = replace(
    CrackSettings(),
    usual_contrast=0.05,
    contrast_power=0.5,
    usual_length_mm=20.0,
    length_power=1.0,
    steadiness_power=0.0,
    wandering_fall=0.0,
    usual_step=0.2,
    step_power=0.5,
)
LAYOUT = Layout(1, 3, 4)


def _line(row: float, length: float, contrast: float = 0.05) -> CrackLine:
    columns = np.arange(0.0, length + 1)
    return CrackLine(np.stack([np.full_like(columns, row), columns], axis=1), contrast, 1.0)


def test_the_usual_line_is_worth_what_the_filters_say() -> None:
    assert line_worth(_line(0, 40), 0.5, SETTINGS) == pytest.approx(1.0)
    assert step_worth(0.2, SETTINGS) == pytest.approx(1.0)


def test_deeper_and_longer_lines_are_worth_more() -> None:
    # Four times the depth to the power of a half, half the length: 2 x 0.5.
    assert line_worth(_line(0, 20, 0.2), 0.5, SETTINGS) == pytest.approx(1.0)
    assert line_worth(_line(0, 80, 0.2), 0.5, SETTINGS) == pytest.approx(4.0)
    assert step_worth(0.05, SETTINGS) == pytest.approx(0.5)


def test_lines_that_wander_are_worth_less() -> None:
    # Every fourth place (6 px) it turns by a right angle.
    corners = np.array([[0.0, 0.0], [6, 6], [0, 12], [6, 18], [0, 24], [6, 30]])
    zigzag = CrackLine(thread(corners), 0.05, 1.0)
    straight = replace(zigzag, points=thread(np.array([[0.0, 0.0], [0, zigzag.length]])))
    settings = replace(SETTINGS, usual_wandering=0.2, wandering_fall=3.0)
    assert straight.wandering == pytest.approx(0.0)
    assert zigzag.wandering > 0.5
    ratio = line_worth(zigzag, 0.5, settings) / line_worth(straight, 0.5, settings)
    # No more than half a radian counts.
    assert ratio == pytest.approx(np.exp(-1.5))


def test_faint_lines_only_rank() -> None:
    clear, faint, none = _line(0, 40, 0.05), _line(50, 40, 0.02), _line(90, 40, -0.1)
    kept, weak = sorted_out([(1.0, clear), (2.0, faint), (0.5, none)], [1.25, 0.5, -2.5])
    assert kept == [(1.0, clear)]
    assert weak == pytest.approx(1.0)
    assert sorted_out([(0.5, none)], [-2.5])[1] == pytest.approx(0.15)


@pytest.mark.parametrize(("grainy", "ranked", "longer"), [(0.0, 30.0, 1.0), (1.0, 10.0, 3.0), (0.5, 20.0, 1.5)])
def test_the_whole_trace_counts_for_the_rank_only_where_there_are_no_grains(
    grainy: float, ranked: float, longer: float
) -> None:
    assert of_trace(10.0, 30.0, grainy) == pytest.approx((ranked, longer))


def test_among_the_lines_of_a_cell_all_of_a_trace_counts() -> None:
    long, short = replace(_line(0, 40), longer=3.0), replace(_line(50, 40), longer=1.0)
    assert worth_least([(0.4, long), (0.9, short)], 0.1, 1.0) == ([(0.4, long)], 0.9)
    assert worth_least([(0.4, long)], 0.5, 1.0) == ([(0.4, long)], 0.5)


def test_looks_add_up_by_squares_and_what_speaks_against_one_does_not_count() -> None:
    assert together_of([3.0, 4.0, -7.0]) == pytest.approx(5.0)


def test_the_same_line_a_little_off_is_found_once() -> None:
    strong, again, far = (2.0, _line(10, 60)), (1.5, _line(13, 30)), (1.0, _line(30, 30))
    assert each_once([again, far, strong]) == [strong, far]


def test_line_at_the_foot_of_a_high_step_is_the_step() -> None:
    line = (1.0, _line(10, 40, 0.05))
    assert is_foot(line, [(2.0, _line(13, 40, 0.5))])
    assert not is_foot(line, [(2.0, _line(13, 40, 0.1))])
    assert not is_foot(line, [(2.0, _line(30, 40, 0.5))])


def test_step_is_followed_only_where_it_is() -> None:
    # A step of 60 columns, then nothing for longer than a busbar is wide, then another bit.
    level = np.zeros((60, 200), np.float32)
    level[30:, 20:80] = -0.5
    level[30:, 112:120] = -0.5
    followed = follow_step(level, np.array([[30.0, 24.0], [30.0, 115.0]]))
    assert followed.contrast == pytest.approx(0.5, abs=0.1)
    assert followed.points[:, 1].min() == pytest.approx(20, abs=4)
    assert followed.points[:, 1].max() == pytest.approx(80, abs=4)


def _searched(cell: FloatImage) -> list[Kind]:
    rng = np.random.default_rng(3)
    cells = [cell, *(clean_cell(rng) for _ in range(LAYOUT.n_cells - 1))]
    view = prepare(as_pictures(np.stack(cells), LAYOUT), assumed_product(LAYOUT))
    return [finding.kind for finding in crack.detect(view, CrackSettings()).findings if finding.cell == 0]


@pytest.mark.parametrize(("contrast", "width_px"), [(0.25, 3.0), (0.3, 6.0)])
def test_side_of_a_bundle_of_broken_fingers_is_no_crack(contrast: float, width_px: float) -> None:
    streak = [(160.0, 110.0), (240.0, 110.0)]
    cell = with_line(clean_cell(np.random.default_rng(0)), streak, contrast=contrast, width_px=width_px)
    assert _searched(cell) == []


def test_steep_edge_of_a_part_cut_off_is_a_crack() -> None:
    # It runs within fifteen degrees of the fingers and has no dark line: only the step shows.
    cell = with_area(clean_cell(np.random.default_rng(0)), [(20, 20), (20, 75), (110, 60), (110, 20)])
    assert Kind.CRACK in _searched(cell)


def test_shaded_rim_is_no_crack_and_ranks_low() -> None:
    cell = with_area(clean_cell(np.random.default_rng(0)), [(40, 0), (260, 0), (150, 14)], 0.75)
    rng = np.random.default_rng(3)
    cells = [cell, *(clean_cell(rng) for _ in range(LAYOUT.n_cells - 1))]
    found = crack.detect(prepare(as_pictures(np.stack(cells), LAYOUT), assumed_product(LAYOUT)), CrackSettings())
    assert not found.findings
    assert found.cell_scores[0] < 0.4


@pytest.mark.parametrize(("end", "found"), [((140.0, 160.0), [0]), ((63.0, 188.0), [])])
def test_line_of_a_smooth_cell_may_be_shallower_than_among_grains_but_along_busbars(
    end: tuple[float, float], found: list[int]
) -> None:
    noise = np.random.default_rng(0)
    cell = with_line(clean_cell(noise, noise=0.003), [(60.0, 60.0), end], contrast=0.03, width_px=2.5)
    rng = np.random.default_rng(3)
    cells = [cell, *(clean_cell(rng, noise=0.003) for _ in range(LAYOUT.n_cells - 1))]
    view = prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT))
    assert [finding.cell for finding in crack.detect(view, CrackSettings()).findings] == found
