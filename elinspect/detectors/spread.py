"""Some of many places, the same ones counted from any side, so that a flip changes nothing."""

import numpy as np
from numpy.typing import NDArray


def from_both_ends(size: int, step: int) -> NDArray[np.bool_]:
    """Say of each of `size` places whether it is chosen: every `step`-th from the nearer end."""
    return np.asarray(np.minimum(np.arange(size), np.arange(size)[::-1]) % step == 0)


def spread_places(inside: NDArray[np.bool_], step: int) -> NDArray[np.intp]:
    """Return the flat indices of places inside on every `step`-th row and column from the nearer edge."""
    rows, columns = (from_both_ends(size, step) for size in inside.shape)
    return np.flatnonzero(inside & rows[:, None] & columns)
