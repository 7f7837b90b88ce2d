"""Cells drawn with known defects, as stacks of cell pictures."""

import numpy as np
from numpy.typing import NDArray

from elinspect.records import CellGrid, CellPictures, FloatImage, Layout, Orientation, read_only
from elinspect.vision import cv2

SIDE_PX = 300
MM_PER_PX = 156 / (SIDE_PX - 1)
BUSBAR_ROWS = (51, 150, 249)


def clean_cell(rng: np.random.Generator, level: float = 800.0, noise: float = 0.01) -> FloatImage:
    """Draw a cell of 156 mm with three busbars, chamfers, a dark rim, soft shading and noise (share of the level)."""
    at = np.arange(SIDE_PX, dtype=np.float64)
    shading = 1 + 0.1 * np.cos(np.pi * at / SIDE_PX)[:, None] + 0.05 * np.sin(np.pi * at / SIDE_PX)[None]
    cell = level * shading
    for row in BUSBAR_ROWS:
        cell *= 1 - 0.5 * np.exp(-(((at - row) / 2.5) ** 4))[:, None]
    far = np.add.outer(np.minimum(at, at[::-1]), np.minimum(at, at[::-1]))
    edge = np.minimum.outer(np.minimum(at, at[::-1]), np.minimum(at, at[::-1]))
    cell[(far < 28) | (edge < 2)] *= 0.4
    cell = cv2.GaussianBlur(cell, (0, 0), 1.0)
    return np.asarray(cell + rng.normal(0, noise * level, cell.shape), np.float32)


def with_line(
    cell: FloatImage, points: list[tuple[float, float]], contrast: float = 0.3, width_px: float = 2.0
) -> FloatImage:
    """Draw a dark polyline through (row, column) points."""
    ink = np.zeros(cell.shape, np.uint8)
    at = np.round(np.array([[column, row] for row, column in points]) * 16).astype(np.int32)
    cv2.polylines(ink, [at], False, 255, 1, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(ink.astype(np.float32), (0, 0), width_px / 2)
    return np.asarray(cell * (1 - contrast * soft / max(float(soft.max()), 1e-9)), np.float32)


def with_area(cell: FloatImage, corners: list[tuple[float, float]], remaining: float = 0.1) -> FloatImage:
    """Darken a polygon given by (row, column) corners."""
    ink = np.zeros(cell.shape, np.float32)
    cv2.fillPoly(ink, [np.round(np.array([[column, row] for row, column in corners])).astype(np.int32)], 1.0)
    soft = cv2.GaussianBlur(ink, (0, 0), 1.0)
    return np.asarray(cell * (1 - (1 - remaining) * soft), np.float32)


def as_pictures(
    cells: list[FloatImage] | NDArray[np.float32],
    layout: Layout,
    mm_per_px: float = MM_PER_PX,
    saturation: float = 4095.0,
) -> CellPictures:
    """Make cell pictures of crops whose corners are the corners of the cells."""
    stack = np.stack([np.asarray(cell, np.float32) for cell in cells])
    rows, columns = stack.shape[1:]
    corners = np.array([[0, 0], [columns - 1, 0], [columns - 1, rows - 1], [0, rows - 1]], dtype=np.float64)
    grid = CellGrid(layout, Orientation(), np.tile(corners, (len(stack), 1, 1)), corners, 1.0)
    own = np.tile(np.eye(3), (len(stack), 1, 1))
    return CellPictures(grid, read_only(stack), None, own, mm_per_px, True, saturation, *of_one_file(len(stack)))


def of_one_file(n_cells: int) -> tuple[NDArray[np.intp], tuple[None], NDArray[np.bool_]]:
    """Return what `CellPictures` says about files where there is one without a known lens and without masks."""
    return np.zeros(n_cells, np.intp), (None,), np.zeros(n_cells, np.bool_)
