"""What must not change a result, by the whole program: gain, an offset that is also in the dark picture, threads."""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from drawn_quality import image_of

from elinspect.imaging import read_image
from elinspect.pipeline import inspect_panel
from elinspect.recipe import assumed_product, default_criteria
from elinspect.records import Exposures, Flag, Layout, PanelResult
from elinspect.vision import cv2

PICTURE = Path(__file__).parents[1] / "synthetic_images" / "faults_of_all_kinds_4x9.png"
OUTLINE_TOLERANCE_PX = 0.5
SCORE_TOLERANCE = 0.01


def _result(gain: float = 50.0, offset: float = 0.0) -> PanelResult:
    """16 bit with room above: the sample has 8."""
    light = read_image(PICTURE).counts
    exposures = Exposures((image_of(gain * light + offset),), dark=(image_of(np.full_like(light, offset)),))
    return inspect_panel(exposures, assumed_product(Layout.parse("4x9")), default_criteria())


@pytest.fixture(scope="module")
def plain() -> PanelResult:
    result = _result()
    assert len(result.flags) > 20
    return result


@pytest.mark.parametrize(("gain", "offset"), [(200.0, 0.0), (50.0, 20_000.0), (120.0, 900.0)])
def test_gain_and_an_offset_that_is_in_the_dark_picture_too_change_no_flag(
    plain: PanelResult, gain: float, offset: float
) -> None:
    changed = _result(gain, offset)
    assert changed.proposal.disposition is plain.proposal.disposition
    # Of two flags as grave as each other either may come first.
    assert Counter(map(_named, changed.flags)) == Counter(map(_named, plain.flags))
    for flag in plain.flags:
        same = [np.array(other.outline_px) for other in changed.flags if _named(other) == _named(flag)]
        assert min(_farthest(np.array(flag.outline_px), outline) for outline in same) <= OUTLINE_TOLERANCE_PX
    for cell, other in zip(plain.cells, changed.cells, strict=True):
        assert other.kind_scores == pytest.approx(cell.kind_scores, abs=SCORE_TOLERANCE)


def _named(flag: Flag) -> tuple[object, ...]:
    return flag.kind, flag.string, flag.position, flag.limit


def _farthest(points: np.ndarray, others: np.ndarray) -> float:
    """Largest distance from a vertex to the nearest one of the other outline, both ways."""
    distance = np.linalg.norm(points[:, None] - others[None], axis=2)
    return float(max(distance.min(axis=0).max(), distance.min(axis=1).max()))


def test_the_number_of_threads_changes_nothing(plain: PanelResult) -> None:
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1 if threads > 1 else 3)
    try:
        other = _result()
    finally:
        cv2.setNumThreads(threads)
    assert [flag.outline_px for flag in other.flags] == [flag.outline_px for flag in plain.flags]
    assert [cell.kind_scores for cell in other.cells] == [cell.kind_scores for cell in plain.cells]
