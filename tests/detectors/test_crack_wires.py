"""Cracks among many wires: along one, across them, and what wires show that is none."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from drawn_cells import MM_PER_PX, as_pictures, with_area, with_line

from elinspect.detectors import crack, prepare
from elinspect.detectors.broken_bundle import dark_places_of
from elinspect.detectors.crack_sides import sharpness_of
from elinspect.detectors.crack_wires import takes_wires_off, without_wires
from elinspect.recipe import assumed_product
from elinspect.records import Detection, FloatImage, Layout, PanelView
from elinspect.settings import CrackSettings
from elinspect.vision import cv2

LAYOUT = Layout(1, 2, 6)
ROWS, COLUMNS = 350, 175
WIRES = tuple(range(17, ROWS, 28))
PAD_COLUMNS = tuple(range(12, COLUMNS, 25))


def _cell(rng: np.random.Generator, wires: tuple[int, ...] = WIRES, aside: int | None = None) -> FloatImage:
    """Draw a half cell with thin wires and their pads; `aside` names a wire that lies a millimetre off."""
    cell = np.full((ROWS, COLUMNS), 800.0)
    for number, row in enumerate(wires):
        at = row + (2 if number == aside else 0)
        cell[at - 1 : at + 1] *= 0.5
        for column in PAD_COLUMNS:
            cell[row - 2 : row + 2, column - 3 : column + 3] *= 0.6
    cell[:2], cell[-2:], cell[:, :2], cell[:, -2:] = 300, 300, 300, 300
    blurred = cv2.GaussianBlur(cell.astype(np.float32), (0, 0), 0.8)
    return np.asarray(blurred + rng.normal(0, 8, cell.shape), np.float32)


def _cells(aside: int | None = None) -> list[FloatImage]:
    rng = np.random.default_rng(3)
    return [_cell(rng, aside=aside if number == 4 else None) for number in range(LAYOUT.n_cells)]


def _view(cells: list[FloatImage]) -> PanelView:
    return prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT))


def _cracks(cells: list[FloatImage]) -> Detection:
    return crack.detect(_view(cells), CrackSettings())


def test_clean_cells_have_no_crack() -> None:
    assert not _cracks(_cells()).findings


@pytest.mark.parametrize(
    "line",
    [
        [(WIRES[5] - 2, 30), (WIRES[5] + 2, 110)],
        [(WIRES[7], 60), (WIRES[7] + 1, 120)],
        [(60, 40), (150, 130)],
        [(200, 80), (232, 95)],
    ],
)
def test_a_crack_along_or_across_wires_is_found_whole(line: list[tuple[float, float]]) -> None:
    cells = _cells()
    cells[7] = with_line(cells[7], line, contrast=0.15)
    found = _cracks(cells)
    assert [finding.cell for finding in found.findings] == [7]
    length_mm = sum(float(np.hypot(c - a, d - b)) for (a, b), (c, d) in pairwise(line)) * MM_PER_PX
    assert found.findings[0].length_mm == pytest.approx(length_mm, rel=0.1)


def test_a_wire_beside_its_place_is_no_crack() -> None:
    assert not _cracks(_cells(aside=6)).findings


def test_what_wires_share_is_taken_off() -> None:
    view = _view(_cells())
    assert takes_wires_off(view)
    left = without_wires(view).flat
    at_wires = view.busbar_rows & view.inside.any(axis=1)
    assert at_wires.sum() > 30
    # Before, pads alone lie 0.5 deep.
    assert np.abs(left[:, at_wires][:, :, 10:-10]).max() < 8 * np.median(view.noise)


def test_few_busbars_and_few_cells_stay_as_they_are() -> None:
    rng = np.random.default_rng(3)
    few_wires = _view([_cell(rng, WIRES[::4]) for _ in range(LAYOUT.n_cells)])
    assert not takes_wires_off(few_wires)
    alone = prepare(as_pictures(_cells()[:1], Layout(1, 1, 1)), assumed_product(Layout(1, 1, 1)))
    assert not takes_wires_off(alone)


@pytest.mark.parametrize("axis", [1, 2])
def test_flips_change_nothing(axis: int) -> None:
    cells = np.stack(_cells())
    cells[7] = with_line(cells[7], [(WIRES[5] - 2, 30), (WIRES[5] + 5, 110), (210, 130)], contrast=0.15)
    plain, flipped = (_cracks(list(own)) for own in (cells, np.ascontiguousarray(np.flip(cells, axis))))
    (one,), (other,) = plain.findings, flipped.findings
    back = other.outline.copy()
    back[:, axis - 1] = cells.shape[axis] - 1 - back[:, axis - 1]
    apart = np.linalg.norm(one.outline[:, None] - back[None], axis=2)
    assert max(apart.min(axis=0).max(), apart.min(axis=1).max()) < 3
    assert other.length_mm == pytest.approx(one.length_mm, rel=1e-3)


def test_dots_and_stains_across_wires_are_no_cracks() -> None:
    cells = _cells()
    turn = np.linspace(0, 2 * np.pi, 40)
    stain = [(WIRES[4] + 26 * float(np.sin(at)), 90 + 18 * float(np.cos(at))) for at in turn]
    cells[2] = with_area(cells[2], stain, remaining=0.7)
    at = np.hypot(np.arange(ROWS)[:, None] - WIRES[6] - 12, np.arange(COLUMNS)[None] - 100)
    cells[9] = np.asarray(cells[9] * (1 - 0.5 * np.exp(-((at / 3) ** 2))), np.float32)
    assert not _cracks(cells).findings


def test_a_short_crack_is_no_dot() -> None:
    cells = _cells()
    cells[9] = with_line(cells[9], [(WIRES[6] + 6, 90), (WIRES[6] + 17, 103)], contrast=0.4)
    (found,) = _cracks(cells).findings
    assert found.length_mm == pytest.approx(np.hypot(11, 13) * MM_PER_PX, abs=2.0)


def test_beside_what_is_bright_the_rest_of_the_cell_is_no_stain() -> None:
    cells = _cells()
    cells[3][60:300, 30:100] *= 1.3
    settings = replace(CrackSettings().bundle, least_stain_mm=9.0)
    line = np.stack([np.arange(80.0, 280.0), np.full(200, 100.0)], axis=1)
    along, _ = dark_places_of(_view(cells), 3, [line], settings)
    assert along == [False]


def test_a_faint_crack_and_a_strip_cut_off_at_the_edge_are_found() -> None:
    cells = _cells()
    cells[2] = with_line(cells[2], [(80, 30), (200, 150)], contrast=0.06)
    cells[7] = with_area(cells[7], [(ROWS, 40), (ROWS - 9, 55), (ROWS - 9, 120), (ROWS, 135)], 0.6)
    assert {finding.cell for finding in _cracks(cells).findings} == {2, 7}


def test_a_stain_whose_end_lies_just_beyond_a_wire_is_no_crack() -> None:
    # From one wire to 7 px beyond the next, where its rounded end gets narrow.
    turn = np.linspace(0, 2 * np.pi, 40)
    middle, high = (WIRES[4] + WIRES[5] + 8) / 2, (WIRES[5] - WIRES[4] + 6) / 2
    stain = [(middle + high * float(np.sin(at)), 90 + 18 * float(np.cos(at))) for at in turn]
    cells = _cells()
    cells[2] = with_area(cells[2], stain, remaining=0.6)
    assert not _cracks(cells).findings


@pytest.mark.parametrize(("wider", "cracks"), [(14, 1), (0, 0)], ids=["cut off", "broken fingers"])
def test_a_low_dark_place_at_the_edge_is_cut_off_where_it_gets_wider_through_the_rim(wider: int, cracks: int) -> None:
    cells = _cells()
    left, right = [(ROWS, 60 - wider), (ROWS - 6, 60), (ROWS - 12, 60)], [(ROWS - 12, 100), (ROWS - 6, 100)]
    cells[7] = with_area(cells[7], [*left, *right, (ROWS, 100 + wider)], 0.15)
    assert len(_cracks(cells).findings) == cracks


@pytest.mark.parametrize(("width_px", "cracks"), [(1.5, 1), (7.0, 0)], ids=["crack", "smudge"])
def test_a_soft_line_is_a_smudge(width_px: float, cracks: int) -> None:
    cells = _cells()
    cells[7] = with_line(cells[7], [(WIRES[5] + 6, 40), (WIRES[5] + 20, 80)], contrast=0.1, width_px=width_px)
    assert len(_cracks(cells).findings) == cracks


def test_a_line_is_as_sharp_as_the_share_of_its_depth_close_by() -> None:
    view = _view(_cells())
    at = (np.arange(view.flat.shape[1]) - 100.0) * view.mm_per_px
    own = np.zeros_like(view.flat)
    for cell, sigma_mm in ((3, 0.5), (4, 2.0)):
        own[cell] = -0.2 * np.exp(-0.5 * (at / sigma_mm) ** 2)[:, None]
    drawn = replace(view, flat=own, background=np.zeros_like(own))
    line = np.stack([np.full(60, 100.0), np.arange(60.0, 120.0)], axis=1)
    # 1 - exp(-1.5^2 / 2 / sigma^2) over 1 - exp(-4^2 / 2 / sigma^2), distances rounded to whole places of 0.52 mm.
    assert sharpness_of(drawn, 3, line) == pytest.approx(0.989, abs=0.02)
    assert sharpness_of(drawn, 4, line) == pytest.approx(0.284, abs=0.04)


def test_a_soft_line_longer_than_any_smudge_is_a_crack() -> None:
    cells = _cells()
    cells[7] = with_line(cells[7], [(WIRES[5] + 6, 40), (WIRES[6] + 26, 125)], contrast=0.07, width_px=6.0)
    assert {finding.cell for finding in _cracks(cells).findings} == {7}
