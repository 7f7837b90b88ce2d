"""Scores of every cell for every kind: what was flagged ranks above what was not, and nothing is a constant."""

from pathlib import Path

import numpy as np
import pytest
from drawn_cells import as_pictures, clean_cell, with_area

from elinspect.detectors import detect_all, kind_scores, prepare
from elinspect.detectors.nearness import with_least
from elinspect.imaging import single_exposure
from elinspect.pipeline import inspect_panel
from elinspect.recipe import assumed_product, default_criteria
from elinspect.records import PANEL_KINDS, Detection, Finding, FloatImage, Kind, Layout, PanelResult
from elinspect.settings import DetectorSettings

SAMPLES = Path(__file__).parents[1] / "synthetic_images"
PANELS = {"faults_of_all_kinds_4x9": "4x9", "bridged_string_2x6x6": "2x6x6"}
THRESHOLD = 0.5
"""Of every kind."""

BY_COMPARISON = {Kind.OPEN_CIRCUIT, Kind.DARK_STRING, Kind.BRIDGED_STRING, Kind.BUSSING_JOINT_FAULT, Kind.DARK_CELL}
"""Kinds for which a cell may well score 0: as bright as the others, no end of a string, no parallel partner."""

BY_BUSBARS = {Kind.SOLDER_FAULT, Kind.BUSSING_JOINT_FAULT}
"""Kinds that need busbars wide enough to be seen; at 1 mm per pixel, on the 4x9, they are not."""

PARALLEL = {Kind.OPEN_CIRCUIT, Kind.DARK_STRING}
"""Kinds that only panels of parallel circuits can show."""

_Corners = list[tuple[float, float]]


@pytest.fixture(scope="module", params=PANELS)
def result(request: pytest.FixtureRequest) -> PanelResult:
    product = assumed_product(Layout.parse(PANELS[request.param]))
    return inspect_panel(single_exposure(SAMPLES / f"{request.param}.png"), product, default_criteria())


def test_flagged_cells_rank_above_all_others_and_no_kind_is_left_out(result: PanelResult) -> None:
    flagged = {
        (flag.kind, cell.address)
        for flag in result.flags
        for cell in result.cells
        if flag.string in (None, cell.address.string) and flag.position in (None, cell.address.position)
    }
    assert flagged
    for kind in (each for each in Kind if each is not Kind.OTHER):
        for cell in result.cells:
            score = cell.kind_scores[kind.value]
            if (kind, cell.address) not in flagged:
                assert 0 <= score < THRESHOLD, (kind, cell.address)
            # Part of a string may be bridged, one joint of the panel may be at fault: the flag names no cell of it.
            elif flag_names_cells(kind):
                assert THRESHOLD <= score <= 1, (kind, cell.address)


def flag_names_cells(kind: Kind) -> bool:
    return kind not in PANEL_KINDS | {Kind.BRIDGED_STRING, Kind.DARK_STRING}


def test_scores_differ_from_cell_to_cell(result: PanelResult) -> None:
    for kind in (each for each in Kind if each is not Kind.OTHER):
        scores = np.array([cell.kind_scores[kind.value] for cell in result.cells if cell.judged])
        if kind not in (BY_BUSBARS | PARALLEL if result.panel.layout.blocks == 1 else ()):
            assert len(np.unique(scores)) > 1, kind
        if kind not in BY_COMPARISON | BY_BUSBARS:
            assert np.mean(scores == 0) < 0.2, kind


def test_findings_and_their_cells_by_hand() -> None:
    scores = np.array([0.9, 0.2, 0.7, 0.0, 0.0], np.float32)
    outline = np.zeros((4, 2))
    of_cell, of_string = Finding(Kind.CRACK, 2, 0.7, outline), Finding(Kind.CRACK, 3, 0.4, outline, cells=(3, 4))
    plain = Detection(Kind.CRACK, scores, (of_cell, of_string))
    # The first cell's finding is explained by another kind; the string's finding is one, so its cells are flagged.
    assert kind_scores(plain, 0.5) == pytest.approx([0.4995, 0.1998, 0.7, 0.5, 0.5], abs=1e-4)
    nearer = Detection(Kind.CRACK, scores, (of_cell,), np.array([0.1, 0.5, 0.0, 1.0, 7.0], np.float32))
    assert kind_scores(nearer, 0.5) == pytest.approx([0.05, 0.24975, 0.7, 0.4995, 0.4995], abs=1e-4)


def test_what_has_no_score_ranks_below_what_has_one_by_the_strongest_that_is_there() -> None:
    scores = np.array([0.5, 0.001, 0.0, 0.0, 0.0], np.float32)
    strongest = np.array([0.0, 0.0, 0.9, 0.3, 7.0], np.float32)
    nearness = with_least(scores, strongest, 0.5)
    assert nearness == pytest.approx([1.0, 0.02 + 0.98 * 0.002, 0.018, 0.006, 0.02])


def test_sound_smooth_cells_differ_too() -> None:
    rng = np.random.default_rng(2)
    layout, settings = Layout(1, 3, 4), DetectorSettings()
    cells = [clean_cell(rng) for _ in range(layout.n_cells)]
    detections = detect_all(prepare(as_pictures(cells, layout), assumed_product(layout)), settings)
    by_kind = {item.kind: item for item in detections}
    for kind in (Kind.CRACK, Kind.FINGER_INTERRUPTION, Kind.MATERIAL_PATTERN):
        scores = kind_scores(by_kind[kind], settings.threshold_of(kind))
        assert np.mean(by_kind[kind].cell_scores == 0) > 0.2, kind
        assert (scores > 0).all(), kind
        assert len(np.unique(scores)) == layout.n_cells, kind


def _score(kind: Kind, changed: FloatImage) -> float:
    layout = Layout(1, 3, 4)
    rng = np.random.default_rng(1)
    cells = [clean_cell(rng) for _ in range(layout.n_cells)]
    cells[5] = changed
    settings = DetectorSettings()
    detections = detect_all(prepare(as_pictures(cells, layout), assumed_product(layout)), settings)
    (own,) = [item for item in detections if item.kind is kind]
    return float(kind_scores(own, settings.threshold_of(kind))[5])


def _square(top: float, left: float, side: float) -> _Corners:
    return [(top, left), (top, left + side), (top + side, left + side), (top + side, left)]


@pytest.mark.parametrize(
    ("kind", "top", "left"), [(Kind.CHIPPED_CELL, 0.0, 90.0), (Kind.FOREIGN_BODY, 180.0, 90.0)], ids=str
)
def test_the_larger_and_darker_the_higher_also_below_the_threshold(kind: Kind, top: float, left: float) -> None:
    clean = clean_cell(np.random.default_rng(7))
    grey = [_score(kind, with_area(clean, _square(top, left, 8), remaining=share)) for share in (1.0, 0.7, 0.6)]
    black = [_score(kind, with_area(clean, _square(top, left, side), remaining=0.02)) for side in (4, 6, 8, 16)]
    scores = [*grey, *black]
    assert scores == sorted(scores)
    assert scores[0] < scores[1] < scores[2] < THRESHOLD <= scores[-1]
