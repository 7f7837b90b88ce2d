"""Oriented filters for dark lines.

Second derivatives across, short smoothing along, less the mean over angles; steered from three derivatives (Freeman and
Adelson 1991, doi 10.1109/34.93808).
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import as_one
from elinspect.detectors.shrinking import area_mean
from elinspect.detectors.spread import spread_places
from elinspect.records import FloatImage, PanelView
from elinspect.settings import CrackSettings
from elinspect.vision import cv2

POOL = 3
"""Each place of the path search holds the strongest response of its 3 x 3 pixels, at half the scale of the maps."""
_SPACER = 15
"""Rows of zeros between cells: more than half the widest filter and half a line together; a cell's rows and these are
an even number."""
_HALVING = 0.9
"""Smoothing before every second pixel is left out, pixels: what is lost to aliasing is below the noise."""
_PITCH = 2
"""Pixels at half the scale from place to place, for lines."""


@dataclass(frozen=True, slots=True, eq=False)
class FilterBank:
    """Kernels.

    Attributes
    ----------
    narrow, wide : tuple
        A smoothing, a first and a second derivative each: for hairlines, and (at half the scale) for wide lines.
    halving : ndarray of float32
        Smoothing before every second pixel is left out.
    lines, step_lines : tuple of ndarray of float32
        Per angle a short line, for lines and (at half the scale) for steps.
    steady : tuple of ndarray of float32
        Per angle a line over places.
    """

    narrow: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]
    wide: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]
    halving: NDArray[np.float32]
    lines: tuple[NDArray[np.float32], ...]
    step_lines: tuple[NDArray[np.float32], ...]
    steady: tuple[NDArray[np.float32], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """Where the places of the path search lie.

    Attributes
    ----------
    inside : ndarray of bool, shape (rows, columns)
        Which places count.
    bridged : ndarray of bool, shape (rows,)
        Rows in which a busbar was bridged: nothing is to be seen there.
    pitch_px : ndarray, shape (2,)
        Map pixels from place to place, down and right.
    first_px : ndarray, shape (2,)
        Row and column of the first place, map pixels.
    step : int
        Places per step of a path.
    """

    inside: NDArray[np.bool_]
    bridged: NDArray[np.bool_]
    pitch_px: NDArray[np.float64]
    first_px: NDArray[np.float64]
    step: int


@dataclass(frozen=True, slots=True, eq=False)
class Responses:
    """Strength of dark line, or of step, at the places of the path search.

    Attributes
    ----------
    strength : ndarray of float32, shape (angles, cells, rows, columns)
        In multiples of the cell's texture; 0 outside the cells.
    textured : ndarray of float32, shape (cells,)
        0 for a cell that shows nothing but noise, 1 for one full of grains.
    lattice : Lattice
        Where the places lie.
    """

    strength: FloatImage
    textured: NDArray[np.float32]
    lattice: Lattice


@cache
def filter_bank(settings: CrackSettings) -> FilterBank:
    """Make the kernels once for all cells."""
    angles = angles_of(settings)
    return FilterBank(
        _derivatives(settings.widths_px[0]),
        _halved(settings.widths_px[1]),
        _smoothing(_HALVING),
        tuple(_line(angle, settings.line_px, settings.line_sigma_px) for angle in angles),
        tuple(_line(angle, settings.step_line_px, settings.step_line_sigma_px) for angle in angles),
        tuple(_line(angle, settings.steady_places, settings.steady_sigma_places) for angle in angles),
    )


def _smoothing(width_px: float) -> NDArray[np.float32]:
    reach = int(np.ceil(3 * width_px))
    smooth = np.exp(-(np.arange(-reach, reach + 1) ** 2) / (2 * width_px**2))
    return np.asarray(smooth / smooth.sum(), np.float32)


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


def _halved(width_px: float) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Derivatives for every second pixel of a picture smoothed by `_HALVING`, scaled as for the whole picture."""
    half = float(np.sqrt(width_px**2 - _HALVING**2)) / 2
    # What white noise gives falls with the third power of the width; a second derivative per two pixels is four times
    # that per pixel. Each kernel of a pair takes the root.
    scale = np.sqrt((width_px / half) ** 3 / 4)
    smooth, first, second = (np.asarray(scale * kernel, np.float32) for kernel in _derivatives(half))
    return smooth, first, second


def _line(angle: float, size: int, sigma: float) -> NDArray[np.float32]:
    """Short line with Gaussian weights, drawn without steps; sums to 1."""
    half = size // 2
    kernel = np.zeros((size + 1, size + 1))
    for step in np.linspace(-half, half, 8 * half + 1):
        row, column = half + step * np.sin(angle), half + step * np.cos(angle)
        top, left = int(row + 1e-9), int(column + 1e-9)
        down, right = row - top, column - left
        weight = np.exp(-(step**2) / (2 * sigma**2))
        corner = np.outer([1 - down, down], [1 - right, right])
        kernel[top : top + 2, left : left + 2] += weight * corner
    kernel = kernel[:size, :size]
    kernel[kernel < 0.02 * kernel.max()] = 0
    return np.asarray(kernel / kernel.sum(), np.float32)


def line_responses(view: PanelView, part: slice, bank: FilterBank, settings: CrackSettings) -> Responses:
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

    Returns
    -------
    Responses
        On every fourth pixel, the strongest of 3 x 3 pixels at half the scale.
    """
    level = _without_streaks(view, part)
    along = _halved_derivatives(level, bank)
    rows, columns = along.shape[2:]
    rows -= _SPACER // 2
    angles = angles_of(settings)
    tall = along.reshape(3, -1, columns)
    responses = [_steered(tall, angle, kernel) for angle, kernel in zip(angles, bank.lines, strict=True)]
    pooled = less_mean_pooled(responses, along.shape[1:], rows, _PITCH)
    return in_multiples(pooled, _lattice(view, (rows, columns), settings), bank, settings, settings.least_texture)


def _halved_derivatives(level: FloatImage, bank: FilterBank) -> FloatImage:
    """Second derivatives (down, right, mixed) of stacked cells, summed over widths, on every second pixel."""
    tall = as_one(level)
    out = np.empty((3, len(level), level.shape[1] // 2, (level.shape[2] + 1) // 2), np.float32)
    # What a wide filter sees can be told from every second pixel, if these are smoothed a little first.
    small = np.ascontiguousarray(cv2.sepFilter2D(tall, cv2.CV_32F, bank.halving, bank.halving)[::2, ::2])
    for total, narrow, wide in zip(out, _pairs(*bank.narrow), _pairs(*bank.wide), strict=True):
        full = cv2.sepFilter2D(tall, cv2.CV_32F, *narrow)
        cv2.add(full[::2, ::2], cv2.sepFilter2D(small, cv2.CV_32F, *wide), dst=as_one(total))
    return out


def _pairs(
    smooth: NDArray[np.float32], first: NDArray[np.float32], second: NDArray[np.float32]
) -> tuple[tuple[NDArray[np.float32], NDArray[np.float32]], ...]:
    """Kernels in x and y of the three second derivatives."""
    return (second, smooth), (smooth, second), (first, first)


def _lattice(view: PanelView, half: tuple[int, int], settings: CrackSettings) -> Lattice:
    rows, columns = half
    inside = area_mean(view.inside.astype(np.float32), rows, columns) > 0.5
    bars = cv2.resize(view.busbar_rows.astype(np.float32)[:, None], (1, rows), interpolation=cv2.INTER_AREA)[:, 0]
    scale = np.array([(full - 1) / (size - 1) for full, size in zip(view.inside.shape, half, strict=True)])
    kept = inside[::_PITCH, ::_PITCH]
    return Lattice(kept, bars[::_PITCH] > 0.5, _PITCH * scale, np.zeros(2), settings.line_step)


def less_mean_pooled(responses: list[FloatImage], shape: tuple[int, ...], rows: int, pitch: int) -> FloatImage:
    """Take the mean over angles off, in place, and of each place's 3 x 3 pixels keep the strongest."""
    mean = responses[0].copy()
    for response in responses[1:]:
        cv2.add(mean, response, dst=mean)
    pooled = []
    for own in responses:
        cv2.scaleAdd(mean, -1 / len(responses), own, dst=own)
        pooled.append(_pooled(own.reshape(shape), rows, pitch))
    return np.stack(pooled)


def in_multiples(
    pooled: FloatImage,
    lattice: Lattice,
    bank: FilterBank,
    settings: CrackSettings,
    least_texture: float,
    textured: NDArray[np.float32] | None = None,
) -> Responses:
    """Divide responses by each cell's texture; in grainy cells average them along their direction first.

    Grains answer in spots, a crack all along: averaging over some places keeps the one and loses the other. In a cell
    that shows only noise it would cost short cracks and gain nothing. How grainy a cell is (`textured`) is told from
    the responses where it is not given.
    """
    inside = lattice.inside
    seen = _every_second(inside & ~lattice.bridged[:, None])
    middle, upper = _quartiles(_strongest(pooled), seen)
    pooled *= inside / np.maximum(middle, least_texture).astype(np.float32)[:, None, None]
    if textured is None:
        marks = [settings.smooth_unevenness, settings.textured_unevenness]
        textured = np.interp(upper / np.maximum(middle, 1e-6), marks, [0.0, 1.0]).astype(np.float32)
    grainy = np.flatnonzero(textured > 0)
    if grainy.size:
        steady = _steadied(np.minimum(pooled[:, grainy], np.float32(settings.grain_cap)), inside, bank)
        steady /= np.maximum(_quartiles(_strongest(steady), seen)[0], 1e-6)[:, None, None]
        share = textured[grainy][:, None, None]
        pooled[:, grainy] += share * (steady - pooled[:, grainy])
    return Responses(pooled, textured, lattice)


def _strongest(pooled: FloatImage) -> FloatImage:
    """Strongest response over the angles."""
    best = np.array(pooled[0])
    for own in pooled[1:]:
        np.maximum(best, own, out=best)
    return best


def _every_second(places_seen: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Flat indices of about every second place seen, each way, alike from all edges; of all places if none is seen."""
    return spread_places(places_seen if places_seen.any() else np.ones_like(places_seen), 2)


def _quartiles(best: FloatImage, seen: NDArray[np.intp]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Middle and upper quartile over the places seen, per cell."""
    own = best.reshape(len(best), -1)[:, seen]
    middle, upper = len(seen) // 2, len(seen) * 3 // 4
    # One at a time: numpy's fast selection knows one place only.
    own.partition(middle, axis=1)
    own[:, middle:].partition(upper - middle, axis=1)
    return np.asarray(own[:, middle]), np.asarray(own[:, upper])


def _steadied(pooled: FloatImage, inside: NDArray[np.bool_], bank: FilterBank) -> FloatImage:
    """Average over places along each direction, over those inside only."""
    _, cells, rows, columns = pooled.shape
    weight = inside.astype(np.float32)
    out, margin = np.empty_like(pooled), len(bank.steady[0]) // 2
    tall = np.zeros((cells, rows + margin, columns), np.float32)
    for own, result, kernel in zip(pooled, out, bank.steady, strict=True):
        tall[:, :rows] = own
        share = np.maximum(cv2.filter2D(weight, cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT), 0.3)
        averaged = cv2.filter2D(as_one(tall), cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT)
        np.divide(averaged.reshape(tall.shape)[:, :rows], share, out=result)
    out *= inside
    return out


def angles_of(settings: CrackSettings) -> NDArray[np.float64]:
    """Return the orientations looked for, radians: half a turn in even steps."""
    return np.pi * np.arange(settings.angles) / settings.angles


def _without_streaks(view: PanelView, part: slice) -> FloatImage:
    """Flat cells less their streaks, with rows of zeros between them so that no filter reaches from cell to cell."""
    flat = view.flat[part]
    cells, rows, columns = flat.shape
    side = _odd_fours(rows), _odd_fours(columns)
    out, weight = np.zeros((cells, side[0] + _SPACER, side[1]), np.float32), view.inside.astype(np.float32)
    for cell, streaks in enumerate(view.streaks[part]):
        # In a dark region the logarithm blows the noise up; what counts there is the contrast in counts.
        level = flat[cell] - cv2.resize(streaks, (columns, rows))
        level *= cv2.exp(np.clip(view.background[part][cell], -np.inf, 0))
        level *= weight
        out[cell, : side[0]] = level if level.shape == side else cv2.resize(level, side[::-1])
    return out


def _odd_fours(size: int) -> int:
    """Return the nearest size of which every second and every fourth pixel lie alike from both edges."""
    return max((size + 1) // 4, 1) * 4 + 1


def _steered(along: FloatImage, angle: float, line: NDArray[np.float32]) -> FloatImage:
    x, y = -np.sin(angle), np.cos(angle)
    across = cv2.addWeighted(along[0], x * x, along[1], y * y, 0)
    cv2.scaleAdd(along[2], 2 * x * y, across, dst=across)
    return np.asarray(cv2.filter2D(across, cv2.CV_32F, line))


def _pooled(stack: FloatImage, rows: int, pitch: int) -> FloatImage:
    strongest = cv2.dilate(as_one(stack), np.ones((POOL, POOL), np.uint8)).reshape(stack.shape)
    down, right = (slice(first_place(size, pitch), size, pitch) for size in (rows, stack.shape[2]))
    return np.ascontiguousarray(strongest[:, down, right])


def places(size: int, pitch: int) -> NDArray[np.intp]:
    """Pixels at which the places lie, alike from both edges."""
    return np.arange(first_place(size, pitch), size, pitch)


def first_place(size: int, pitch: int) -> int:
    """Where the places begin, so that they lie alike from both edges."""
    return (size - 1) % pitch // 2
