"""Wafers: the texture of a cell's silicon, as a map of the natural logarithm of luminance, and what stains it.

Texture stands for the local saturation current, so that the network carries it on (see `elinspect.synthetic.network`).
"""

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from elinspect.recipe import CellFormat, CutEdge, Wafer
from elinspect.records import FloatImage
from elinspect.synthetic.brick import MAP_MM, Brick
from elinspect.synthetic.look import Look
from elinspect.vision import cv2


def draw_wafers(cell: CellFormat, look: Look, rng: np.random.Generator) -> Iterator[FloatImage]:
    """Return one wafer after the other, as they come from a stack, without end.

    Neighbours in a stack of multicrystalline wafers come from one brick, 2 to 20 at a time, some turned by 180°.

    Parameters
    ----------
    cell : CellFormat
        Kind of wafer and size; halves of one wafer follow each other.
    look : Look
        What the panel's cells have in common.
    rng : numpy.random.Generator
        Draws them.

    Yields
    ------
    ndarray of float32, shape (rows, columns)
        `MAP_MM` a pixel, the first pixel at the cell's top left corner; a cut edge lies on the left.
    """
    wafers = _from_bricks(cell, look, rng) if cell.wafer is Wafer.MULTI else _from_ingots(cell, look, rng)
    if cell.cut_edge is CutEdge.NONE:
        yield from wafers
    for wafer in wafers:
        middle = wafer.shape[1] // 2
        yield wafer[:, middle:]
        yield wafer[::-1, : wafer.shape[1] - middle][:, ::-1]


def cloudy(rng: np.random.Generator, shape: tuple[int, int], scale_px: float) -> FloatImage:
    """Return smooth noise of about unit spread whose blobs are `scale_px` wide."""
    size = max(2, math.ceil(shape[0] / scale_px) + 1), max(2, math.ceil(shape[1] / scale_px) + 1)
    coarse = rng.standard_normal(size, dtype=np.float32)
    return np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def _full_size(cell: CellFormat) -> tuple[float, float]:
    """Return width and height of the wafer the cell was made from."""
    return (cell.along_mm * (1 if cell.cut_edge is CutEdge.NONE else 2)), cell.across_mm


def _from_bricks(cell: CellFormat, look: Look, rng: np.random.Generator) -> Iterator[FloatImage]:
    assert look.multi is not None
    while True:
        brick = Brick(look.multi, *_full_size(cell), rng)
        first, step = int(rng.integers(400)) / 40, int(rng.choice([1, 1, 2, 4]))
        for number in range(int(rng.integers(2, 21))):
            wafer = brick.wafer(first + step * number)
            yield wafer[::-1, ::-1] if rng.random() < 0.2 else wafer


def _from_ingots(cell: CellFormat, look: Look, rng: np.random.Generator) -> Iterator[FloatImage]:
    width, height = _full_size(cell)
    shape = math.ceil(height / MAP_MM) + 1, math.ceil(width / MAP_MM) + 1
    y, x = np.arange(shape[0]) * MAP_MM - height / 2, np.arange(shape[1]) * MAP_MM - width / 2
    radius = np.hypot(x[None], y[:, None]).astype(np.float32) / height
    while True:
        yield _mono(look, rng, shape, radius)


def _mono(look: Look, rng: np.random.Generator, shape: tuple[int, int], radius: NDArray[np.float32]) -> FloatImage:
    scale = 1 / MAP_MM
    core = look.core_drop * rng.uniform(0.3, 1.6)
    texture = np.asarray(-core * np.exp(-((radius / np.float32(rng.uniform(0.2, 0.4))) ** 2)), np.float32)
    # Striations: rings about the ingot's axis, uneven in depth and distance.
    rings = 0.004 * look.texture * rng.uniform(0, 1) ** 2 + 0.12 * core * rng.uniform(0, 1)
    wave = np.cumsum(1 + 0.5 * rng.standard_normal(256)) * rng.uniform(0.3, 0.8)
    profile = (np.sin(wave) * (1 + 0.5 * rng.standard_normal(256))).astype(np.float32)
    texture += np.float32(rings) * np.interp(radius, np.linspace(0, 0.8, 256), profile).astype(np.float32)
    texture += np.float32(0.010 * look.texture) * cloudy(rng, shape, 45 * scale)
    texture += np.float32(0.004 * look.texture) * cloudy(rng, shape, 9 * scale)
    texture += np.float32(0.003 * look.texture) * cloudy(rng, shape, 2.5 * scale)
    if core > 0.05:
        texture += np.float32(0.3 * core) * cloudy(rng, shape, 6 * scale) * np.exp(-((radius / 0.3) ** 2))
    return np.asarray(texture, np.float32)
