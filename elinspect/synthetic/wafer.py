"""The wafer's own texture, as a map of the natural logarithm of luminance."""

import math

import numpy as np
from numpy.typing import NDArray

from elinspect.recipe import CellFormat, Wafer
from elinspect.records import FloatImage
from elinspect.synthetic.look import Look
from elinspect.vision import cv2


def wafer_texture(
    cell: CellFormat, look: Look, rng: np.random.Generator, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]
) -> FloatImage:
    """Draw one wafer.

    Parameters
    ----------
    cell : CellFormat
        Kind of wafer and size.
    look : Look
        What the panel's cells have in common.
    rng : numpy.random.Generator
        Draws this wafer.
    x_mm, y_mm : ndarray, shapes (columns,) and (rows,)
        Places of the pixels, from the cell's top left corner.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        Natural logarithm of luminance; about 0 in a good place.
    """
    draw = _multi if cell.wafer is Wafer.MULTI else _mono
    texture = draw(cell, look, rng, x_mm, y_mm)
    slope = rng.normal(0, 0.045, 2).astype(np.float32)
    texture += slope[0] * np.linspace(-1, 1, len(x_mm), dtype=np.float32)
    texture += slope[1] * np.linspace(-1, 1, len(y_mm), dtype=np.float32)[:, None]
    return texture


def cloudy(rng: np.random.Generator, shape: tuple[int, int], scale_px: float) -> FloatImage:
    """Return smooth noise of about unit spread whose blobs are `scale_px` wide."""
    size = max(2, math.ceil(shape[0] / scale_px) + 1), max(2, math.ceil(shape[1] / scale_px) + 1)
    coarse = rng.standard_normal(size, dtype=np.float32)
    return np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def streaky(rng: np.random.Generator, shape: tuple[int, int], scale_px: float, angle: float) -> FloatImage:
    """Return noise as `cloudy`, twice as long in the direction `angle` (radians) as across it."""
    side = math.ceil(math.hypot(*shape))
    coarse = rng.standard_normal(
        (math.ceil(side / scale_px) + 2, math.ceil(side / (2 * scale_px)) + 2), dtype=np.float32
    )
    cos, sin = math.cos(angle), math.sin(angle)
    # From picture to coarse noise: turn about the middle, then shrink unequally.
    turn = np.array([[cos / (2 * scale_px), sin / (2 * scale_px)], [-sin / scale_px, cos / scale_px]])
    middle = np.array([coarse.shape[1] / 2, coarse.shape[0] / 2]) - turn @ (shape[1] / 2, shape[0] / 2)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    matrix = np.column_stack([turn, middle])
    return np.asarray(
        cv2.warpAffine(coarse, matrix, shape[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT), np.float32
    )


def _mono(
    cell: CellFormat, look: Look, rng: np.random.Generator, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]
) -> FloatImage:
    shape, scale = (len(y_mm), len(x_mm)), _px_per_mm(x_mm)
    # The ingot's axis: the middle of the full wafer, which for a half cell is its cut edge.
    centre = cell.along_mm / 2 if cell.along_mm > 0.7 * cell.across_mm else 0.0
    radius = np.hypot(x_mm[None] - centre, y_mm[:, None] - cell.across_mm / 2).astype(np.float32) / cell.across_mm
    core = look.core_drop * rng.uniform(0.3, 1.6)
    texture = -core * np.exp(-((radius / 0.28) ** 2))
    rings = 0.004 * look.texture * rng.uniform(0, 1)
    texture += rings * np.sin(radius * (2 * math.pi * rng.uniform(12, 25)) + rng.uniform(0, 6))
    texture += 0.012 * look.texture * cloudy(rng, shape, 45 * scale)
    if core > 0.05:
        texture += (0.3 * core) * cloudy(rng, shape, 6 * scale) * np.exp(-((radius / 0.3) ** 2))
    return np.asarray(texture + _specks(rng, shape, scale, 1.0), np.float32)


def _multi(
    cell: CellFormat, look: Look, rng: np.random.Generator, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]
) -> FloatImage:
    shape, scale = (len(y_mm), len(x_mm)), _px_per_mm(x_mm)
    level, share = _grains(cell, rng, x_mm, y_mm)
    angle = rng.uniform(0, math.pi)
    fine = share * streaky(rng, shape, 2.2 * scale, angle)
    fine += (1 - share) * streaky(rng, shape, 2.2 * scale, angle + 0.5 * math.pi)
    mottle = cloudy(rng, shape, 1.7 * scale)
    fine += 0.6 * mottle
    clusters = cloudy(rng, shape, 30 * scale) + 0.7 * cloudy(rng, shape, 11 * scale)
    dislocations = np.maximum(fine + 0.9 * clusters - rng.uniform(0.9, 1.6), 0)
    texture = -0.11 * look.texture * np.minimum(dislocations, 3.0)
    texture -= 0.09 * look.texture * np.maximum(clusters, 0)
    texture += look.texture * (0.02 * level + 0.02 * mottle + 0.022 * cloudy(rng, shape, 4.5 * scale))
    return np.asarray(texture + _specks(rng, shape, scale, 3.0), np.float32)


def _grains(
    cell: CellFormat, rng: np.random.Generator, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]
) -> tuple[FloatImage, FloatImage]:
    """Return the level of each grain, and a share in 0..1 by which its streaks take one direction or the other."""
    count = int(rng.integers(70, 160))
    seeds = rng.uniform(0, (cell.along_mm, cell.across_mm), (count, 2)).astype(np.float32)
    stretch = np.exp(rng.normal(0, 0.5, count)).astype(np.float32)
    columns, rows = (max(2, round(side / 1.6)) for side in (cell.along_mm, cell.across_mm))
    x = np.linspace(0, cell.along_mm, columns, dtype=np.float32)
    y = np.linspace(0, cell.across_mm, rows, dtype=np.float32)
    far = ((x[:, None] - seeds[:, 0]) ** 2 * stretch)[None] + ((y[:, None] - seeds[:, 1]) ** 2 / stretch)[:, None]
    nearest = np.argmin(far, axis=2)
    values = rng.standard_normal(count).astype(np.float32), rng.random(count, dtype=np.float32)
    size = (len(x_mm), len(y_mm))
    level, share = (
        np.asarray(cv2.resize(of_grain[nearest], size, interpolation=cv2.INTER_LINEAR), np.float32)
        for of_grain in values
    )
    return level, share


def _specks(rng: np.random.Generator, shape: tuple[int, int], scale: float, often: float) -> FloatImage:
    """Return a few small dark spots that are no defects."""
    spots = np.zeros(shape, np.float32)
    for _ in range(int(rng.poisson(often))):
        size = rng.uniform(0.5, 1.4) * scale
        reach = math.ceil(3 * size)
        row, column = int(rng.integers(shape[0])), int(rng.integers(shape[1]))
        y, x = np.arange(max(row - reach, 0), row + reach + 1), np.arange(max(column - reach, 0), column + reach + 1)
        y, x = y[y < shape[0]], x[x < shape[1]]
        spot = np.exp(-((y[:, None] - row) ** 2 + (x[None] - column) ** 2) / (2 * size**2))
        spots[y[0] : y[-1] + 1, x[0] : x[-1] + 1] -= np.float32(rng.uniform(0.05, 0.25)) * spot.astype(np.float32)
    return spots


def _px_per_mm(x_mm: NDArray[np.float64]) -> float:
    return float((len(x_mm) - 1) / (x_mm[-1] - x_mm[0]))
