"""Ribbons or wires on every cell: where each lies, section by section along the string, and how straight it is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.recipe import Product
from elinspect.records import CellPictures, FloatImage, read_only
from elinspect.vision import cv2

SECTIONS = 6
_MOST = 24
_CONTRADICTING = 0.3
_ENDS = 0.08
_LEAST_DIP = 0.015
_LEAST_LIGHT = 0.25
"""Light of a cell over the usual one, below which its ribbons are not looked for."""
_LEAST_SHARE = 0.4
_FEWEST = 4
_REACH_SHARE, _REACH_MM = 0.35, 6.0
_FOOT = 0.3
_BESIDE_SHARE, _WIDEST_MM = 0.6, 6.0
"""What lies beside a ribbon: within so much of their spacing, and so near that the valley of light half way between
ribbons, where fingers lead badly, is no line."""


@dataclass(frozen=True, slots=True, eq=False)
class RibbonLines:
    """Ribbons of all cells.

    Attributes
    ----------
    nominal_mm : ndarray, shape (ribbons,)
        Their even places, from the cell's upper edge in the gate view.
    offset_mm, bow_mm : ndarray, shape (n_cells, ribbons)
        Distance of each from its place, down in the gate view, and how far it strays from a straight line within the
        cell; NaN where it is not seen well enough.
    count : int or None
        Ribbons the picture shows where it contradicts a recipe or there is none; None where it does not, or they make
        no even lines.
    """

    nominal_mm: NDArray[np.float64]
    offset_mm: NDArray[np.float64]
    bow_mm: NDArray[np.float64]
    count: int | None = None


def ribbon_lines(pictures: CellPictures, product: Product) -> RibbonLines:
    """Trace the ribbons.

    Parameters
    ----------
    pictures : CellPictures
        The cells, strings horizontal.
    product : Product
        Cell size and, where it is more than assumed, the number of busbars; otherwise they are counted.
    """
    n, rows = pictures.full_current.shape[:2]
    mm = product.recipe.cell.across_mm / (rows - 1)
    dips = _dips(pictures.full_current, min(_BESIDE_SHARE * rows / (product.recipe.cell.busbars or 1), _WIDEST_MM / mm))
    usual = np.median(dips.reshape(-1, rows), axis=0)
    told = product.recipe.cell.busbars
    seen = counted(usual) if not product.scale_known or contradicts(usual, told) else None
    count = told if product.scale_known else seen
    lines = _usual_places(usual, count, mm) if count else None
    if lines is None:
        return RibbonLines(read_only(np.zeros(0)), read_only(np.zeros((n, 0))), read_only(np.zeros((n, 0))), seen)
    places, nominal = lines
    reach = round(min(_REACH_SHARE * rows / places.size, _REACH_MM / mm))
    offset, bow = np.empty((n, places.size)), np.empty((n, places.size))
    for k, (place, even) in enumerate(zip(places, nominal, strict=True)):
        centres = _centres(dips, place, reach, float(usual[round(place)]))
        offset[:, k], bow[:, k] = _straight(centres)
        offset[:, k] -= even
    # Where a cell gives no light there is nothing for a ribbon to shade: what is seen there is noise and stray light.
    light = np.median(pictures.full_current[:, ::4, ::4], axis=(1, 2))
    unlit = light < _LEAST_LIGHT * np.median(light)
    offset[unlit], bow[unlit] = np.nan, np.nan
    return RibbonLines(read_only(nominal * mm), read_only(offset * mm), read_only(bow * mm), seen)


def counted(dips: NDArray[np.floating]) -> int | None:
    """Count the busbars or wires of a cell.

    Parameters
    ----------
    dips : ndarray, shape (length,)
        How much darker each place across the cell is than what lies beside it.

    Returns
    -------
    int or None
        None where there are no evenly spaced lines.
    """
    contrasts = _contrasts(dips)
    strongest = max(contrasts.values())
    if strongest < _LEAST_DIP:
        return None
    # A part of the busbars has the contrast of all of them; three times as many have a third of it.
    return max(count for count, contrast in contrasts.items() if contrast > 0.6 * strongest)


def contradicts(dips: NDArray[np.floating], count: int) -> bool:
    """Whether evenly spaced lines are seen, but not so many."""
    contrasts = _contrasts(dips)
    strongest = max(contrasts.values())
    return strongest >= _LEAST_DIP and 2 <= count <= _MOST and contrasts[count] < _CONTRADICTING * strongest


def _contrasts(dips: NDArray[np.floating]) -> dict[int, float]:
    lines = dips.clip(0)
    contrasts = {}
    for count in range(2, _MOST + 1):
        on = (np.arange(count) + 0.5) / count
        between = np.arange(1, count) / count
        contrasts[count] = float(_highest(lines, on, count).mean() - _highest(lines, between, count).mean())
    return contrasts


def _highest(dips: NDArray[np.floating], places: NDArray[np.float64], count: int) -> NDArray[np.floating]:
    reach = max(1, min(round(dips.size / 128), round(0.12 * dips.size / count)))
    index = np.round(places * dips.size - 0.5).astype(int)[:, None] + np.arange(-reach, reach + 1)
    return np.asarray(dips[np.clip(index, 0, dips.size - 1)].max(axis=1))


def _dips(cells: FloatImage, beside_rows: float) -> NDArray[np.float32]:
    """Return how much darker each place across the cells is than what lies beside, shape (cells, sections, rows)."""
    n, rows, columns = cells.shape
    ends = np.linspace(_ENDS * columns, (1 - _ENDS) * columns, SECTIONS + 1).round().astype(int)
    profiles = np.empty((n, SECTIONS, rows), np.float32)
    for cell, profile in zip(cells, profiles, strict=True):
        for section, start, stop in zip(profile, ends, ends[1:], strict=False):
            section[:] = cv2.reduce(cell[:, start:stop], 1, cv2.REDUCE_AVG)[:, 0]
    flat = profiles.reshape(-1, rows)
    kernel = np.ones((1, max(5, round(beside_rows)) | 1), np.uint8)
    beside = cv2.morphologyEx(flat, cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(1 - profiles / np.maximum(beside, 1e-6).reshape(profiles.shape), np.float32)


def _usual_places(
    usual: NDArray[np.float32], count: int, mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return where the panel's ribbons usually lie and the even places, rows; None if they are not seen."""
    rows = usual.size
    reach = round(_REACH_SHARE * rows / count)
    places: NDArray[np.float64] = np.empty(count)
    for k in range(count):
        middle = round((k + 0.5) / count * (rows - 1))
        window = usual[max(0, middle - reach) : middle + reach + 1]
        top = int(np.argmax(window))
        if window[top] < _LEAST_DIP:
            return None
        around = max(0, middle - reach) + top
        places[k] = _centres(usual[None, None], around, max(2, reach // 2), float(window[top]))[0, 0]
    order = np.arange(count) - (count - 1) / 2
    spacing = float((order @ (places - places.mean())) / (order @ order)) if count > 1 else 0.0
    nominal = np.asarray((rows - 1) / 2 + order * spacing, np.float64)
    # A line between the ribbons, a finger, a scratch common to all cells: not what was looked for.
    return None if np.abs(places - nominal).max() > max(3.0 / mm, 2.0) else (places, nominal)


def _centres(dips: NDArray[np.float32], place: float, reach: int, usual: float) -> NDArray[np.float64]:
    """Return the middle of the dip near a place, rows, shape (cells, sections); NaN where it is too weak."""
    first = max(0, round(place) - reach)
    window = dips[:, :, first : round(place) + reach + 1].astype(np.float64)
    at = np.arange(window.shape[2])
    padded = np.pad(window, ((0, 0), (0, 0), (1, 1)), constant_values=-np.inf)
    peaks = (window >= padded[..., :-2]) & (window >= padded[..., 2:])
    peaks &= window >= max(_LEAST_DIP, _LEAST_SHARE * usual)
    # The nearest one: a crack or a dark finger beside the ribbon may be deeper, but the ribbon is there too.
    away = np.where(peaks, np.abs(at - (place - first)), np.inf)
    chosen = away.argmin(axis=2)[..., None]
    top = np.take_along_axis(window, chosen, axis=2)
    near = np.abs(at - chosen) <= max(2, reach // 2)
    weight = np.clip(window - _FOOT * top, 0, None) * near
    centre = first + (weight * at).sum(axis=2) / np.maximum(weight.sum(axis=2), 1e-9)
    return np.where(peaks.any(axis=2), centre, np.nan)


def _straight(centres: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return middle and largest stray of a straight line through the sections of each cell."""
    along = np.arange(centres.shape[1]) - (centres.shape[1] - 1) / 2
    first, second = np.triu_indices(along.size, 1)
    enough = np.isfinite(centres).sum(axis=1) >= _FEWEST
    middle, bow = np.full(len(centres), np.nan), np.full(len(centres), np.nan)
    seen = centres[enough]
    if len(seen):
        # Theil-Sen: the median slope over pairs, so that one section spoilt by a crack does not turn the line.
        slope = np.nanmedian((seen[:, second] - seen[:, first]) / (along[second] - along[first]), axis=1)
        level = np.nanmedian(seen - slope[:, None] * along, axis=1)
        stray = np.abs(seen - level[:, None] - slope[:, None] * along)
        middle[enough] = level
        # The second largest stray: the largest may be the spoilt section's.
        bow[enough] = np.sort(np.nan_to_num(stray), axis=1)[:, -2]
    return middle, bow
