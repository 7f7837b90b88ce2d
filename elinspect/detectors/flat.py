"""Flat cells: busbars bridged, background and shading taken off, streaks in finger direction apart."""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import as_one, middle_of, over_cells, padded
from elinspect.detectors.shrinking import area_mean
from elinspect.records import FloatImage
from elinspect.settings import ViewSettings
from elinspect.vision import cv2

COARSE = 4
"""Background and streaks are computed on every fourth row (and column)."""

_COMB = 4
"""So many wires say how far a cell lies off."""


def flatten(
    log_cells: FloatImage,
    inside: NDArray[np.bool_],
    busbar_rows: NDArray[np.bool_],
    mm_per_px: float,
    settings: ViewSettings,
) -> tuple[FloatImage, FloatImage, FloatImage]:
    """Return the maps `flat`, `background` and `streaks` of `PanelView`."""
    flat, background = np.empty_like(log_cells), np.empty_like(log_cells)
    streaks = np.empty((len(log_cells), -(-log_cells.shape[1] // COARSE), log_cells.shape[2]), np.float32)
    bars, reach = stretches_of(busbar_rows), round(1.6 / mm_per_px)
    filler = _nearest_inside(inside)
    outside = np.flatnonzero(~inside.ravel())
    source = nearest_inside(inside)[outside]
    rim, beside_bar = round(10.0 / mm_per_px), round(3.0 / mm_per_px)
    weight = inside.astype(np.float32)

    def work(part: slice) -> None:
        level = flat[part]
        _bridge(level, log_cells[part], bars, reach)
        _background(background[part], level, weight, filler, mm_per_px, settings.background_mm)
        level -= background[part]
        level *= weight
        _straighten(level, inside, bars, rim, beside_bar)
        streaks[part] = streaks_of(level, inside)
        go_on_outside(level, outside, source)

    over_cells(work, len(log_cells))
    return flat, background, streaks


def stretches_of(chosen: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the first place and the end of each stretch of chosen places, such as the rows of each busbar."""
    steps = np.diff(np.concatenate([[0], chosen.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True))


def _bridge(out: FloatImage, stack: FloatImage, bars: list[tuple[int, int]], reach: int) -> None:
    """Copy cells to `out` and replace busbar rows there by a straight line between the rows above and below.

    The grid is good to about a pixel and cells lie a little turned, so every cell's busbars are looked for anew, up to
    `reach` rows from their usual place.
    """
    out[:] = stack
    rows, columns = stack.shape[1:]
    left = columns // 8
    profiles = stack[:, :, left : columns - left].mean(axis=2)
    for cell, profile in zip(out, profiles, strict=True):
        shifts = [_shift_of_bar(profile, *bar, reach) for bar in bars]
        if len(bars) >= _COMB:
            # Wires lie in line: what pulls one of them aside is a dark place beside it.
            usual = round(float(np.median(shifts)))
            shifts = [min(max(shift, usual - 1), usual + 1) for shift in shifts]
        for (usual_first, usual_end), shift in zip(bars, shifts, strict=True):
            first, end = max(usual_first + shift - 1, 2), min(usual_end + shift + 1, rows - 2)
            if first >= end:
                continue
            above, below = cell[first - 2 : first].mean(axis=0), cell[end : end + 2].mean(axis=0)
            weight = ((np.arange(first, end) - first + 1) / (end - first + 1)).astype(np.float32)[:, None]
            cell[first:end] = above * (1 - weight) + below * weight


def _shift_of_bar(profile: NDArray[np.float32], first: int, end: int, reach: int) -> int:
    """Rows by which the darkest part of the profile lies off the usual place, whole rows, ties to the smallest."""
    width = end - first
    low, high = max(first - reach, 0), min(end + reach, len(profile))
    sums = np.convolve(profile[low:high], np.ones(width), mode="valid")
    shifts = np.arange(len(sums)) + low - first
    return int(shifts[np.lexsort((np.abs(shifts), sums.round(4)))[0]])


def _nearest_inside(inside: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the nearest coarse place that is well inside, for every coarse place."""
    rows, columns = (-(-size // COARSE) for size in inside.shape)
    return nearest_inside(cv2.resize(inside.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA) >= 0.5)


def nearest_inside(inside: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the flat index of the nearest place inside, for every place; its own where nothing is inside."""
    if not inside.any():
        return np.arange(inside.size)
    outside = (~inside).astype(np.uint8)
    _, label = cv2.distanceTransformWithLabels(outside, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    place_of_label = np.zeros(label.max() + 1, np.intp)
    place_of_label[label[inside]] = np.flatnonzero(inside.ravel())
    return np.asarray(place_of_label[label].ravel())


def go_on_outside(level: FloatImage, outside: NDArray[np.intp], source: NDArray[np.intp]) -> None:
    """Let the last places inside go on beyond the rim, in place: a dark rim has no bright side outside."""
    every = level.reshape(len(level), -1)
    every[:, outside] = every[:, source]


def _background(
    out: FloatImage,
    stack: FloatImage,
    weight: FloatImage,
    filler: NDArray[np.intp],
    mm_per_px: float,
    background_mm: float,
) -> None:
    """Put what changes slowly over each cell into `out`; `weight` is 1 inside and 0 outside."""
    rows, columns = stack.shape[1:]
    small = (-(-rows // COARSE), -(-columns // COARSE))
    share = np.maximum(area_mean(weight, *small), np.float32(1e-6))
    means = np.stack([area_mean(cell * weight, *small) / share for cell in stack])
    coarse = np.asarray(means.reshape(len(stack), -1)[:, filler].reshape(means.shape), np.float32)
    margin = 6
    wide = padded(coarse, margin, margin)
    size = 5 if background_mm / (COARSE * mm_per_px) >= 4 else 3
    smooth = cv2.GaussianBlur(cv2.medianBlur(as_one(wide), size), (5, 5), 1.0).reshape(wide.shape)
    smooth = smooth[:, margin:-margin, margin:-margin]
    for cell, own in zip(smooth, out, strict=True):
        cv2.resize(cell, (columns, rows), dst=own, interpolation=cv2.INTER_LINEAR)


def _straighten(
    level: FloatImage, inside: NDArray[np.bool_], bars: list[tuple[int, int]], rim: int, beside_bar: int
) -> None:
    """Take shading along edges and busbars off: each row and column there loses its own median, in place."""
    in_rows, in_columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if not in_rows.size:
        return
    near_bar = [row for first, end in bars for row in range(first - beside_bar, end + beside_bar)]
    rows = np.intersect1d(np.concatenate([in_rows[:rim], in_rows[-rim:], np.array(near_bar, np.intp)]), in_rows)
    columns = np.unique(np.concatenate([in_columns[:rim], in_columns[-rim:]]))
    part = level[:, rows]
    level[:, rows] = part - middle_of(part[:, :, in_columns])[:, :, None] * inside[rows]
    part = level[:, :, columns]
    level[:, :, columns] = part - middle_of(part[:, in_rows].transpose(0, 2, 1))[:, None] * inside[:, columns]


def streaks_of(level: FloatImage, inside: NDArray[np.bool_], height: int = COARSE) -> FloatImage:
    """Return what runs straight in finger direction: median along it, less its surroundings across it.

    A row of it is as high as so many of the map.
    """
    rows, columns = level.shape[1:]
    coarse_rows = -(-rows // height)
    coarse = np.stack([area_mean(cell, coarse_rows, columns) for cell in level])
    wide = np.pad(coarse, ((0, 0), (2, 2), (0, 0)), mode="symmetric")
    along = _median_of_five([wide[:, shift : shift + coarse_rows] for shift in range(5)])
    in_columns = np.flatnonzero(inside.any(axis=0))
    if not in_columns.size:
        return np.zeros_like(along)
    # Beyond the rim the last columns go on, so that a dark rim is no streak with a bright side outside.
    clamped = np.clip(np.arange(-7, columns + 7), in_columns[0], in_columns[-1])
    around = cv2.blur(as_one(along[:, :, clamped]), (15, 1)).reshape(*along.shape[:2], -1)[:, :, 7:-7]
    return np.asarray(along - around)


def _median_of_five(five: list[FloatImage]) -> FloatImage:
    a, b, c, d, e = five
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    return np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), e))
