"""Pictures made smaller, against a mean by hand and against OpenCV."""

import numpy as np
import pytest

from elinspect.detectors.shrinking import area_mean
from elinspect.vision import cv2


def test_what_lies_on_a_border_is_shared() -> None:
    # Three places on two: each takes one whole and half of the middle one.
    assert area_mean(np.array([[1, 4, 7]], np.float32), 1, 2) == pytest.approx(np.array([[2.0, 6.0]]))


@pytest.mark.parametrize(
    ("sides", "smaller"),
    [((520, 517), (301, 300)), ((301, 183), (76, 183)), ((30, 31), (30, 8)), ((300, 152), (75, 76)), ((9, 9), (9, 9))],
)
def test_as_opencv(sides: tuple[int, int], smaller: tuple[int, int]) -> None:
    picture = np.random.default_rng(0).uniform(100, 4000, sides).astype(np.float32)
    shrunk = area_mean(picture, *smaller)
    assert shrunk.shape == smaller
    assert shrunk.dtype == np.float32
    np.testing.assert_allclose(shrunk, cv2.resize(picture, smaller[::-1], interpolation=cv2.INTER_AREA), rtol=1e-6)
