"""Cells that cannot be judged: each for its reason, no other cell with it, and no flag on them."""

import numpy as np
import pytest
from drawn_cells import MM_PER_PX, as_pictures, clean_cell, with_line

from elinspect.detectors import detect_all, prepare
from elinspect.recipe import assumed_product
from elinspect.records import FloatImage, Kind, Layout, PanelView, Unjudged
from elinspect.settings import DetectorSettings
from elinspect.vision import cv2

LAYOUT = Layout(1, 3, 4)
SATURATION = 4095.0


def _view(changed: FloatImage, layout: Layout = LAYOUT) -> PanelView:
    rng = np.random.default_rng(3)
    cells = [clean_cell(rng) for _ in range(layout.n_cells)]
    cells[5] = changed
    return prepare(as_pictures(cells, layout, saturation=SATURATION), assumed_product(layout))


def _cracked() -> FloatImage:
    return with_line(clean_cell(np.random.default_rng(8)), [(60, 60), (140, 200)])


def _blurred(spread_mm: float) -> FloatImage:
    return np.asarray(cv2.GaussianBlur(_cracked(), (0, 0), spread_mm / MM_PER_PX), np.float32)


def _noisy(share: float) -> FloatImage:
    cell = _cracked()
    return np.asarray(cell * (1 + np.random.default_rng(2).normal(0, share, cell.shape)), np.float32)


def _bright() -> FloatImage:
    cell = _cracked()
    cell[:, :120] = SATURATION
    return cell


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        (_blurred(2.5), Unjudged.SOFT),
        (_noisy(0.2), Unjudged.NOISY),
        (_bright(), Unjudged.SATURATED),
        (_blurred(1.0), None),
        (_noisy(0.05), None),
    ],
    ids=["soft", "noisy", "saturated", "a little soft", "a little noisy"],
)
def test_only_the_cell_itself_is_not_judged_and_for_its_reason(changed: FloatImage, why: Unjudged | None) -> None:
    view = _view(changed)
    assert dict(view.unjudged) == ({} if why is None else {5: why})
    assert view.judged.tolist() == [cell not in view.unjudged for cell in range(LAYOUT.n_cells)]
    flagged = {one.cell for item in detect_all(view, DetectorSettings()) for one in item.findings}
    assert (5 in flagged) is (why is None)


def test_a_dark_cell_is_not_called_soft() -> None:
    # What neighbours scatter onto a dark cell is soft; it is dark, and that is to be flagged.
    assert not _view(np.asarray(_blurred(2.5) * 0.3, np.float32)).unjudged


def test_among_few_cells_nothing_tells_a_soft_one() -> None:
    assert not _view(_blurred(2.5), Layout(1, 1, 6)).unjudged


def test_kinds_are_not_seen_where_the_picture_does_not_show_what_tells_them() -> None:
    unseen = {item.kind for item in detect_all(_view(_cracked(), Layout(1, 1, 6)), DetectorSettings()) if not item.seen}
    alone = {Kind.CHIPPED_CELL, Kind.MATERIAL_PATTERN, Kind.SOLDER_FAULT, Kind.BUSSING_JOINT_FAULT}
    assert unseen == alone | {Kind.MISPLACED_CELL, Kind.RIBBON_OFFSET}
    seen = {item.kind for item in detect_all(_view(_cracked()), DetectorSettings()) if item.seen}
    assert alone <= seen
