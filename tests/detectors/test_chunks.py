"""Medians by selection are those of numpy, for odd and even counts, and leave their input alone."""

import numpy as np
import pytest

from elinspect.detectors.chunks import median_of, middle_of, over_slices


@pytest.mark.parametrize("count", [1, 2, 7, 8, 31, 60])
def test_middle_is_the_median(count: int) -> None:
    values = np.random.default_rng(count).normal(size=(5, 9, count)).astype(np.float32)
    before = values.copy()
    np.testing.assert_array_equal(middle_of(values), np.median(values, axis=-1))
    np.testing.assert_array_equal(values, before)


def test_median_of_chosen_cells() -> None:
    stack = np.random.default_rng(0).normal(size=(12, 53, 31)).astype(np.float32)
    chosen = np.array([0, 3, 4, 7, 11])
    np.testing.assert_array_equal(median_of(stack, chosen), np.median(stack[chosen], axis=0))


@pytest.mark.parametrize(
    ("size", "parts"),
    [(1, [1]), (4, [2, 2]), (9, [4, 4, 1]), (12, [4, 4, 2, 2])],
)
def test_slices_cover_all_and_the_last_is_cut_in_two(size: int, parts: list[int]) -> None:
    covered = over_slices(lambda part: list(range(part.start, part.stop)), size, 4)
    assert [len(own) for own in covered] == parts
    assert [place for own in covered for place in own] == list(range(size))
