"""Cracks are followed to their true ends: through the rim to the edge, and round a piece they cut off."""

import numpy as np
import pytest
from drawn_cells import MM_PER_PX, as_pictures, clean_cell, with_area, with_line

from elinspect.detectors import crack, prepare
from elinspect.detectors.crack_ends import around_piece, run_out
from elinspect.recipe import assumed_product
from elinspect.records import Finding, FloatImage, Layout, Points
from elinspect.settings import CrackSettings

LAYOUT = Layout(1, 3, 4)
CELL = 5
INSIDE = np.zeros((40, 60), bool)
INSIDE[5:-5, 5:-5] = True
"""A cell of 40 x 60 pixels with a rim of 5."""


def _line(start: tuple[float, float], end: tuple[float, float]) -> Points:
    share = np.linspace(0, 1, 21)[:, None]
    return np.asarray(np.array(start) * (1 - share) + np.array(end) * share)


def test_a_line_that_ends_at_the_rim_goes_on_to_the_edge() -> None:
    # At 45 degrees from (20, 20) to 2 px before the rim; from there as straight to row 0, and so to column 0.
    out = run_out(_line((20, 20), (7, 7)), INSIDE, reach=4, most=10)
    ends = out[[0, -1]]
    assert sorted(ends.tolist())[0] == pytest.approx([0, 0], abs=0.5)
    assert sorted(ends.tolist())[1] == [20, 20]


@pytest.mark.parametrize(
    ("start", "end", "reach"),
    [((20, 20), (12, 20), 4), ((9, 18), (6, 40), 12), ((7, 20), (7, 45), 4)],
    ids=["stops before the rim", "would be long in the rim", "along the rim"],
)
def test_other_lines_stay(start: tuple[float, float], end: tuple[float, float], reach: float) -> None:
    line = _line(start, end)
    assert run_out(line, INSIDE, reach, most=6).tolist() == line.tolist()


def _cracks(cell: FloatImage) -> list[Finding]:
    rng = np.random.default_rng(3)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    cells[CELL] = cell
    view = prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT))
    return [finding for finding in crack.detect(view, CrackSettings()).findings if finding.cell == CELL]


def test_a_crack_from_edge_to_edge_is_measured_whole() -> None:
    cell = with_line(clean_cell(np.random.default_rng(4)), [(60, 0), (240, 299)])
    (found,) = _cracks(cell)
    assert found.length_mm == pytest.approx(float(np.hypot(180, 299)) * MM_PER_PX, rel=0.02)


def test_a_crack_runs_round_the_piece_it_cuts_off() -> None:
    corners = [(299, 90), (265, 115), (262, 190), (299, 220)]
    cell = with_area(clean_cell(np.random.default_rng(4)), corners, 0.08)
    (found,) = _cracks(cell)
    length = float(np.linalg.norm(np.diff(np.array(corners), axis=0), axis=1).sum()) * MM_PER_PX
    assert found.length_mm == pytest.approx(length, rel=0.1)
    ends = np.asarray(found.outline)[[0, -1]]
    assert ends[:, 0].min() > 296


def test_a_dark_place_away_from_the_edge_has_no_ends() -> None:
    cell = with_area(clean_cell(np.random.default_rng(4)), [(70, 90), (70, 190), (130, 190), (130, 90)], 0.08)
    rng = np.random.default_rng(3)
    view = prepare(as_pictures([cell, *(clean_cell(rng) for _ in range(11))], LAYOUT), assumed_product(LAYOUT))
    line = _line((70, 100), (70, 180))
    assert around_piece(view, 0, line) is line
