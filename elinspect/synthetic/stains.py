"""What is seen on sound cells and fools detectors: specks, smudges, belt marks, stains, scratches.

None of it breaks a conductor. Specks, smudges, belt marks and stains raise the recombination; a scratch only takes
light away.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Points
from elinspect.synthetic.brick import MAP_MM
from elinspect.synthetic.wandering import stroke, wandering
from elinspect.vision import cv2

_LEAST_MARKED = 0.05
"""Drop from which a pattern is written down as such."""


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """A pattern that is no defect of the panel: the cell supplier's.

    Attributes
    ----------
    outlines_mm : tuple of ndarray, each of shape (n, 2)
        Polygons (x, y) in mm of the cell.
    contrast : float
        Depth, natural logarithm.
    """

    outlines_mm: tuple[Points, ...]
    contrast: float


def draw_stains(
    rng: np.random.Generator, shape: tuple[int, int], often: float
) -> tuple[FloatImage, tuple[Pattern, ...]]:
    """Draw the stains of one cell.

    Parameters
    ----------
    rng : numpy.random.Generator
        Draws them.
    shape : tuple of int
        Rows and columns of the cell's map.
    often : float
        How often they occur; 1 is usual.

    Returns
    -------
    drop : ndarray of float32, shape `shape`
        What they take from the natural logarithm of luminance.
    patterns : tuple of Pattern
        Those that are seen well.
    """
    drop = np.zeros(shape, np.float32)
    patterns = []
    drawn: tuple[tuple[float, Callable[..., Pattern]], ...] = (
        (1.6, _speck), (0.9, _smudge), (0.06, _belt_mark), (0.03, _stain), (0.12, _scratch),
    )  # fmt: skip
    for mean, draw in drawn:
        for _ in range(int(rng.poisson(mean * often))):
            pattern = draw(rng, drop)
            if draw is not _speck and pattern.contrast >= _LEAST_MARKED:
                patterns.append(pattern)
    return drop, tuple(patterns)


def _size_mm(drop: FloatImage) -> tuple[float, float]:
    return (drop.shape[1] - 1) * MAP_MM, (drop.shape[0] - 1) * MAP_MM


def _spot(drop: FloatImage, x: float, y: float, spread: tuple[float, float], depth: float) -> None:
    """Add a Gaussian spot; places in mm."""
    reach_x, reach_y = (math.ceil(3 * s / MAP_MM) for s in spread)
    column, row = round(x / MAP_MM), round(y / MAP_MM)
    rows = np.arange(max(row - reach_y, 0), min(row + reach_y + 1, drop.shape[0]))
    columns = np.arange(max(column - reach_x, 0), min(column + reach_x + 1, drop.shape[1]))
    if len(rows) and len(columns):
        down = np.exp(-((((rows * MAP_MM) - y) / spread[1]) ** 2) / 2)
        along = np.exp(-((((columns * MAP_MM) - x) / spread[0]) ** 2) / 2)
        drop[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += (depth * np.outer(down, along)).astype(np.float32)


def _box(x: float, y: float, half_x: float, half_y: float) -> Points:
    return np.array(
        [[x - half_x, y - half_y], [x + half_x, y - half_y], [x + half_x, y + half_y], [x - half_x, y + half_y]]
    )


def _speck(rng: np.random.Generator, drop: FloatImage) -> Pattern:
    wide, high = _size_mm(drop)
    x, y, size = rng.uniform(0, wide), rng.uniform(0, high), rng.uniform(0.4, 1.2)
    depth = float(np.exp(rng.uniform(math.log(0.02), math.log(0.3))))
    _spot(drop, x, y, (size, size * rng.uniform(0.7, 2.0)), depth)
    return Pattern((_box(x, y, 2 * size, 2 * size),), depth)


def _smudge(rng: np.random.Generator, drop: FloatImage) -> Pattern:
    """Add a soft dark place, oftener at the rim, where cells are gripped."""
    wide, high = _size_mm(drop)
    at = np.array([rng.uniform(0, wide), rng.uniform(0, high)])
    if rng.random() < 0.7:
        side = int(rng.integers(2))
        at[side] = (wide, high)[side] * float(rng.choice([rng.uniform(0, 0.06), rng.uniform(0.94, 1)]))
    depth = float(np.exp(rng.uniform(math.log(0.02), math.log(0.35))))
    size = np.exp(rng.uniform(math.log(1.0), math.log(8.0), 2))
    for _ in range(int(rng.integers(1, 6))):
        x, y = at + rng.normal(0, 1, 2) * size
        _spot(drop, x, y, tuple(size * rng.uniform(0.3, 0.8, 2)), depth * rng.uniform(0.3, 0.8))
    return Pattern((_box(*at, *(1.5 * size)),), depth)


def _belt_mark(rng: np.random.Generator, drop: FloatImage) -> Pattern:
    """Add rows of dots, where a conveyor's belt carried the wafer."""
    wide, high = _size_mm(drop)
    upright = rng.random() < 0.5
    length, across = (high, wide) if upright else (wide, high)
    step, depth = rng.uniform(2.0, 9.0), float(rng.uniform(0.03, 0.18))
    start = rng.uniform(0.1, 0.9) * across
    lines = start + np.arange(int(rng.integers(1, 4))) * rng.uniform(3, 8)
    begin, end = np.sort(rng.uniform(0, length, 2))
    for line in lines:
        for place in np.arange(begin, end, step):
            at = place + rng.normal(0, 0.3), line + rng.normal(0, 0.3)
            x, y = at[::-1] if upright else at
            _spot(drop, x, y, (rng.uniform(0.4, 0.9), rng.uniform(0.4, 0.9)), depth * rng.uniform(0.2, 1.0))
    middle, half = ((begin + end) / 2, (lines[0] + lines[-1]) / 2), ((end - begin) / 2, (lines[-1] - lines[0]) / 2 + 1)
    box = _box(*(middle[::-1] if upright else middle), *(half[::-1] if upright else half))
    return Pattern((box,), depth)


def _stain(rng: np.random.Generator, drop: FloatImage) -> Pattern:
    """Add a black stain with a smooth border, wherever busbars run."""
    wide, high = _size_mm(drop)
    at = np.array([rng.uniform(0, wide), rng.uniform(0, high)])
    angle = np.linspace(0, 2 * math.pi, 48, endpoint=False)
    reach = np.exp(rng.uniform(math.log(3), math.log(18)))
    bent = sum(rng.normal(0, 0.25 / n) * np.cos(n * angle + rng.uniform(0, 6)) for n in range(1, 6))
    outline = at + (reach * (1 + bent))[:, None] * np.stack([np.cos(angle) * rng.uniform(0.5, 1.5), np.sin(angle)], 1)
    depth = float(np.exp(rng.uniform(math.log(0.1), math.log(0.9))))
    ink = np.zeros(drop.shape, np.uint8)
    cv2.fillPoly(ink, [np.round(outline / MAP_MM).astype(np.int32)], 255)
    soft = cv2.GaussianBlur(ink.astype(np.float32) / 255, (0, 0), rng.uniform(0.4, 2.0) / MAP_MM)
    drop += np.float32(depth) * soft
    return Pattern((np.clip(outline, 0, (wide, high)),), depth)


def _scratch(rng: np.random.Generator, drop: FloatImage) -> Pattern:
    """Add a thin line that breaks nothing."""
    wide, high = _size_mm(drop)
    start, angle = rng.uniform(0, 1, 2) * (wide, high), rng.uniform(0, 2 * math.pi)
    reach = np.exp(rng.uniform(math.log(8), math.log(100)))
    line = wandering(rng, start, start + reach * np.array([math.cos(angle), math.sin(angle)]), 0.02)
    line = np.clip(line, 0, (wide, high))
    depth = float(np.exp(rng.uniform(math.log(0.01), math.log(0.12))))
    drop += np.float32(depth) * drawn_line(rng, drop.shape, line / MAP_MM, 0.25 / MAP_MM, 8 / MAP_MM)
    return Pattern((stroke(line, 0.6),), depth)


def drawn_line(
    rng: np.random.Generator, shape: tuple[int, int], line_px: Points, sigma_px: float, patch_px: float
) -> NDArray[np.float32]:
    """Return a line of about unit depth that comes and goes, in patches of this size."""
    ink = np.zeros(shape, np.uint8)
    cv2.polylines(ink, [np.round(line_px * 16).astype(np.int32)], False, 255, 1, cv2.LINE_AA, 4)
    sigma = max(sigma_px, 0.4)
    kernel = cv2.getGaussianKernel(2 * max(1, round(4 * sigma)) + 1, sigma)
    soft = cv2.GaussianBlur(ink.astype(np.float32), (0, 0), sigma) / np.float32(255 * kernel.max())
    size = max(2, math.ceil(shape[0] / patch_px)) + 1, max(2, math.ceil(shape[1] / patch_px)) + 1
    patches = cv2.resize(rng.standard_normal(size, dtype=np.float32), shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.minimum(soft, 1.4) * np.clip(0.75 + 0.4 * patches, 0.0, 1.2), np.float32)
