"""Work through a panel a few cells at a time, on as many threads as OpenCV may use.

A few cells fit into the processor's cache, a panel does not; every cell is computed for itself, so results do not
depend on the number of threads.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np

from elinspect.records import FloatImage
from elinspect.vision import cv2

_Result = TypeVar("_Result")

CELLS_PER_CHUNK = 2
"""Two cells of 300 x 300 pixels are 0.7 MB per map."""


def over_cells(work: Callable[[slice], _Result], n_cells: int) -> list[_Result]:
    """Call `work` on slices of a few cells and return the results in order.

    Parameters
    ----------
    work : callable
        Takes a slice of cells; must not depend on other cells.
    n_cells : int
        Cells of the panel.
    """
    slices = list(_slices(n_cells))
    threads = min(max(cv2.getNumThreads(), 1), len(slices))
    if threads <= 1:
        return [work(part) for part in slices]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, slices))


def _slices(n_cells: int) -> Iterator[slice]:
    for start in range(0, n_cells, CELLS_PER_CHUNK):
        yield slice(start, min(start + CELLS_PER_CHUNK, n_cells))


def as_one(stack: FloatImage) -> FloatImage:
    """Show a stack (cells, rows, columns) as one tall picture, so that one filter call serves all cells.

    The caller keeps a margin of filler at the rim of each cell, wider than half the filter.
    """
    cells, rows, columns = stack.shape
    return stack.reshape(cells * rows, columns)


def padded(stack: FloatImage, rows: int, columns: int) -> FloatImage:
    """Return the stack with each cell mirrored outwards by so many rows and columns."""
    return np.pad(stack, ((0, 0), (rows, rows), (columns, columns)), mode="symmetric")
