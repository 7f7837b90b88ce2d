"""Oriented filters for dark lines.

Second derivatives across, short smoothing along, less the mean over angles; steered from three derivatives (Freeman and
Adelson 1991, doi 10.1109/34.93808).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import as_one
from elinspect.records import FloatImage, PanelView
from elinspect.settings import CrackSettings
from elinspect.vision import cv2

POOL = 3
"""Path search works on every third pixel, each holding the strongest response of its 3 x 3 pixels."""
_SPACER = 16
"""Rows of zeros between cells: more than half the widest filter and half a line together."""


@dataclass(frozen=True, slots=True, eq=False)
class FilterBank:
    """Kernels: per width a smoothing, a first and a second derivative; per angle a short line."""

    derivatives: tuple[tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]], ...]
    lines: tuple[NDArray[np.float32], ...]


@dataclass(frozen=True, slots=True, eq=False)
class LineResponses:
    """Strength of dark line on every third pixel.

    Attributes
    ----------
    strength : ndarray of float32, shape (angles, cells, rows, columns)
        The strongest of 3 x 3 pixels, in multiples of the cell's texture; 0 outside the cells.
    bridged : ndarray of bool, shape (rows,)
        Rows in which a busbar was bridged: nothing is to be seen there.
    unevenness : ndarray of float64, shape (cells,)
        Upper quartile of the strongest response over its median: noise alone gives 1.3, grains more.
    """

    strength: FloatImage
    bridged: NDArray[np.bool_]
    unevenness: NDArray[np.float64]


def filter_bank(settings: CrackSettings) -> FilterBank:
    """Make the kernels once for all cells."""
    angles = np.pi * np.arange(settings.angles) / settings.angles
    return FilterBank(
        tuple(_derivatives(width) for width in settings.widths_px), tuple(_line(angle, settings) for angle in angles)
    )


def _derivatives(width_px: float) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Gaussian and its derivatives, so scaled that white noise of 1 gives a second derivative of 1."""
    reach = int(np.ceil(3.5 * width_px))
    x = np.arange(-reach, reach + 1)
    smooth = np.exp(-(x**2) / (2 * width_px**2))
    smooth /= smooth.sum()
    first = -x / width_px**2 * smooth
    second = (x**2 / width_px**4 - 1 / width_px**2) * smooth
    second -= second.mean()
    scale = 1 / np.sqrt(np.linalg.norm(second) * np.linalg.norm(smooth))
    smooth, first, second = (scale * kernel for kernel in (smooth, first, second))
    return smooth.astype(np.float32), first.astype(np.float32), second.astype(np.float32)


def _line(angle: float, settings: CrackSettings) -> NDArray[np.float32]:
    """Short line with Gaussian weights, drawn without steps; sums to 1."""
    size = settings.line_px
    half = size // 2
    kernel = np.zeros((size + 1, size + 1))
    for step in np.linspace(-half, half, 8 * half + 1):
        row, column = half + step * np.sin(angle), half + step * np.cos(angle)
        top, left = int(row + 1e-9), int(column + 1e-9)
        down, right = row - top, column - left
        weight = np.exp(-(step**2) / (2 * settings.line_sigma_px**2))
        corner = np.outer([1 - down, down], [1 - right, right])
        kernel[top : top + 2, left : left + 2] += weight * corner
    kernel = kernel[:size, :size]
    kernel[kernel < 0.02 * kernel.max()] = 0
    return np.asarray(kernel / kernel.sum(), np.float32)


def line_responses(view: PanelView, part: slice, bank: FilterBank, settings: CrackSettings) -> LineResponses:
    """Strength of dark line per angle, cell and pooled place, in multiples of the cell's own texture.

    Parameters
    ----------
    view : PanelView
        The panel.
    part : slice
        Which cells.
    bank : FilterBank
        From `filter_bank`.
    settings : CrackSettings
        Angles, least texture.
    """
    level = _without_streaks(view, part)
    rows = view.flat.shape[1]
    tall = as_one(level)
    along = np.zeros((3, *tall.shape), np.float32)
    for smooth, first, second in bank.derivatives:
        for total, (x, y) in zip(along, ((second, smooth), (smooth, second), (first, first)), strict=True):
            total += cv2.sepFilter2D(tall, cv2.CV_32F, x, y)
    responses = [_steered(along, angle, kernel) for angle, kernel in zip(_angles(settings), bank.lines, strict=True)]
    mean = responses[0].copy()
    for response in responses[1:]:
        cv2.add(mean, response, dst=mean)
    differences = (np.asarray(cv2.scaleAdd(mean, -1 / len(responses), own), np.float32) for own in responses)
    pooled = np.stack([_pooled(difference.reshape(level.shape), rows) for difference in differences])
    row_places = np.arange(first_place(rows), rows, POOL)
    column_places = np.arange(first_place(level.shape[2]), level.shape[2], POOL)
    inside = view.inside[np.ix_(row_places, column_places)]
    bridged = view.busbar_rows[row_places]
    seen = inside & ~bridged[:, None]
    strongest = pooled.max(axis=0)[:, seen if seen.any() else np.ones_like(seen)]
    middle, upper = np.quantile(strongest, [0.5, 0.75], axis=1)
    pooled *= inside
    pooled /= np.maximum(middle, settings.least_texture)[:, None, None]
    return LineResponses(pooled, bridged, upper / np.maximum(middle, 1e-6))


def _angles(settings: CrackSettings) -> NDArray[np.float64]:
    return np.pi * np.arange(settings.angles) / settings.angles


def _without_streaks(view: PanelView, part: slice) -> FloatImage:
    """Flat cells less their streaks, with rows of zeros between them so that no filter reaches from cell to cell."""
    flat = view.flat[part]
    cells, rows, columns = flat.shape
    out = np.zeros((cells, rows + _SPACER, columns), np.float32)
    for cell, streaks in enumerate(view.streaks[part]):
        level = out[cell, :rows]
        np.subtract(flat[cell], cv2.resize(streaks, (columns, rows)), out=level)
        # In a dark region the logarithm blows the noise up; what counts there is the contrast in counts.
        level *= np.exp(np.minimum(view.background[part][cell], 0))
        level *= view.inside
    return out


def _steered(along: FloatImage, angle: float, line: NDArray[np.float32]) -> FloatImage:
    x, y = -np.sin(angle), np.cos(angle)
    across = cv2.addWeighted(along[0], x * x, along[1], y * y, 0)
    across = cv2.scaleAdd(along[2], 2 * x * y, across)
    return np.asarray(cv2.filter2D(across, cv2.CV_32F, line))


def _pooled(stack: FloatImage, rows: int) -> FloatImage:
    strongest = cv2.dilate(as_one(stack), np.ones((POOL, POOL), np.uint8)).reshape(stack.shape)
    return np.asarray(strongest[:, first_place(rows) : rows : POOL, first_place(stack.shape[2]) :: POOL])


def first_place(size: int) -> int:
    """Where the places begin, so that they lie alike from both edges."""
    return (size - 1) % POOL // 2
