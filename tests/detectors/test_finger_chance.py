"""Streaks across the fingers are chance; how many there are says what a streak along them is worth."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_cells import SIDE_PX, as_pictures, clean_cell, with_line

from elinspect.detectors import detect_all, prepare
from elinspect.detectors.finger_chance import demand_of
from elinspect.recipe import assumed_product
from elinspect.records import Finding, FloatImage, Kind, Layout, PanelView, Unjudged
from elinspect.settings import DetectorSettings, FingerInterruptionSettings

LAYOUT = Layout(1, 6, 4)
SETTINGS = FingerInterruptionSettings()


def _panel(*, along: bool, across: bool) -> list[FloatImage]:
    """Every cell with streaks in the middle of its fields, along the fingers, across them, or both."""
    rng = np.random.default_rng(8)
    cells = [clean_cell(rng) for _ in range(LAYOUT.n_cells)]
    for cell in range(LAYOUT.n_cells):
        for place in (70, 125, 180):
            if along:
                cells[cell] = with_line(cells[cell], [(110, place + cell), (160, place + cell)], contrast=0.2)
            if across:
                row = 118 + cell if place < 100 else 185
                cells[cell] = with_line(cells[cell], [(row, place), (row, place + 50)], contrast=0.2)
    return cells


def _view(cells: list[FloatImage]) -> PanelView:
    return prepare(as_pictures(cells, LAYOUT), assumed_product(LAYOUT))


def _streaks(column: int, count: int, score: float = 0.55) -> list[Finding]:
    outline = np.array([[100.0, column], [150.0, column]])
    return [Finding(Kind.FINGER_INTERRUPTION, 0, score, outline) for _ in range(count)]


def _demand(view: PanelView, real: int, by_chance: int, column: int = 118) -> float:
    found = [_streaks(100, real), *[[] for _ in range(LAYOUT.n_cells - 1)]]

    def search(across: PanelView, _: FingerInterruptionSettings) -> list[list[Finding]]:
        return [_streaks(column, by_chance), *[[] for _ in range(len(across.flat) - 1)]]

    return demand_of(view, found, search, SETTINGS)


def test_as_many_streaks_across_as_along_ask_for_more_and_none_for_less() -> None:
    view = _view(_panel(along=False, across=False))
    assert _demand(view, real=0, by_chance=5) == 1
    assert _demand(view, real=5, by_chance=0) == pytest.approx((10 / 15) ** 0.25)
    assert _demand(view, real=4000, by_chance=0) == SETTINGS.demand_bounds[0]
    assert 1 < _demand(view, real=40, by_chance=5) < _demand(view, real=40, by_chance=8) <= SETTINGS.demand_bounds[1]


def test_the_cells_are_not_searched_again_where_no_flag_hangs_on_it() -> None:
    def search(_: PanelView, __: FingerInterruptionSettings) -> list[list[Finding]]:
        raise AssertionError

    view = _view(_panel(along=False, across=False))
    sure = [_streaks(100, 5, score=0.7), *[_streaks(100, 5, score=0.4)] * (LAYOUT.n_cells - 1)]
    assert demand_of(view, sure, search, SETTINGS) == 1


def test_busbars_are_no_streaks_across() -> None:
    view = _view(_panel(along=False, across=False))
    bar = int(np.flatnonzero(view.busbar_rows)[0])
    assert _demand(view, real=40, by_chance=8, column=bar) == _demand(view, real=40, by_chance=0)


def test_places_are_those_of_the_cell_where_it_is_not_square() -> None:
    halves = [np.ascontiguousarray(cell[: SIDE_PX // 2]) for cell in _panel(along=False, across=False)]
    view = _view(halves)
    bar = int(np.flatnonzero(view.busbar_rows)[0])
    clear = len(view.inside) - 10
    none, on_bar, between = (
        _demand(view, real=40, by_chance=count, column=round((row + 0.5) * SIDE_PX / len(view.inside) - 0.5))
        for count, row in ((0, clear), (8, bar), (8, clear))
    )
    assert on_bar == none
    assert between > 1


def test_between_close_wires_nothing_can_be_said() -> None:
    view = _view(_panel(along=False, across=False))
    rows = np.zeros(len(view.busbar_rows), np.bool_)
    rows[::18] = True
    assert _demand(replace(view, busbar_rows=rows), real=40, by_chance=0) == 1


def test_a_panel_that_is_mirrored_asks_for_as_much() -> None:
    def search(across: PanelView, _: FingerInterruptionSettings) -> list[list[Finding]]:
        return [_streaks(118, 5 if dark else 0) for dark in across.flat.min(axis=(1, 2)) < -0.5]

    rng = np.random.default_rng(8)
    # What only the cells at one end of the strings show.
    cells = np.stack([clean_cell(rng) for _ in range(LAYOUT.n_cells)]).reshape(*LAYOUT.grid_shape, SIDE_PX, SIDE_PX)
    for string in range(LAYOUT.n_strings):
        cells[string, 0] = with_line(cells[string, 0], [(90, 60), (90, 200)], contrast=0.6)
    demands = []
    for panel in (cells, cells[:, ::-1, :, ::-1], cells[::-1, :, ::-1]):
        view = _view(list(np.ascontiguousarray(panel).reshape(-1, SIDE_PX, SIDE_PX)))
        demands.append(demand_of(view, [_streaks(100, 5)] * LAYOUT.n_cells, search, SETTINGS))
    assert demands[0] == demands[1] == demands[2]
    assert demands[0] > 1


def _fingers(detections: tuple) -> np.ndarray:
    return next(one.cell_scores for one in detections if one.kind is Kind.FINGER_INTERRUPTION)


def test_a_weak_streak_counts_where_fingers_break_and_not_where_anything_looks_like_one() -> None:
    def found(*, across: bool) -> bool:
        cells = _panel(along=True, across=across)
        cells[9] = with_line(clean_cell(np.random.default_rng(5)), [(115, 210), (160, 210)], contrast=0.02)
        return bool(_fingers(detect_all(_view(cells), DetectorSettings()))[9] >= SETTINGS.threshold)

    assert found(across=False)
    assert not found(across=True)


def test_nothing_can_be_said_where_none_of_the_cells_looked_at_is_judged() -> None:
    view = _view(_panel(along=False, across=False))
    # Every other string, from both ends.
    outer = [cell for cell in range(LAYOUT.n_cells) if cell // LAYOUT.cells_per_string in (0, 2, 3, 5)]
    unjudged = replace(view, unjudged=dict.fromkeys(outer, Unjudged.MASKED))
    found: list[list[Finding]] = [[] for _ in range(LAYOUT.n_cells)]
    found[LAYOUT.cells_per_string] = _streaks(100, 5)

    def search(across: PanelView, _: FingerInterruptionSettings) -> list[list[Finding]]:
        return [[] for _ in across.flat]

    assert demand_of(unjudged, found, search, SETTINGS) == 1
