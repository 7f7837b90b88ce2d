"""The maps that all detectors share, computed once per panel."""

import math

import numpy as np
from numpy.typing import NDArray

from elinspect.circuit import branches_of, circuit_facts
from elinspect.detectors.chunks import ROWS_PER_CHUNK, as_one, median_of, middle_of, over_cells, over_slices
from elinspect.detectors.flat import flatten
from elinspect.detectors.shrinking import area_mean
from elinspect.detectors.soft_cells import soft_cells
from elinspect.recipe import CutEdge, Product
from elinspect.records import (
    CellPictures,
    ExposureConditions,
    FloatImage,
    PanelMeasures,
    PanelView,
    Unjudged,
    read_only,
)
from elinspect.settings import ViewSettings
from elinspect.vision import cv2

REFERENCE_CELLS = 8
"""From so many cells on the panel's typical cell is a reference; fewer say more about themselves than about a type."""

HALF = 2
"""Map pixels per pixel of `PanelView.deviation`, each way."""

_LOG_FLOOR = 0.03

_LIKE_OTHERS = 0.15
"""Share of the dip of most wires from which on another dip is one."""

_COMB, _OFF_COMB = 4, 0.15
"""So many wires say where others stand, to this share of their distance."""

_BLACK = 1e-3
_SURELY_LIT = 0.5
_PATTERN_SIDE = 24
_LEAST_PATTERN = 0.01


def prepare(
    pictures: CellPictures,
    product: Product,
    settings: ViewSettings | None = None,
    conditions: ExposureConditions | None = None,
    measures: PanelMeasures | None = None,
) -> PanelView:
    """Compute the maps that all detectors share.

    Parameters
    ----------
    pictures : CellPictures
        The cells.
    product : Product
        What the panel is: which cells carry the same current, whether a long edge was cut.
    settings : ViewSettings, optional
        How.
    conditions : ExposureConditions, optional
        Current and voltage, if a side file gives them.
    measures : PanelMeasures, optional
        Where cells and ribbons lie.

    Returns
    -------
    PanelView
        Maps at `ViewSettings.map_mm_per_px` or at the scale of the pictures, whichever is coarser.
    """
    settings = settings or ViewSettings()
    counts = _at_map_scale(pictures, settings.map_mm_per_px)
    mm_per_px = pictures.mm_per_px * (pictures.full_current.shape[2] / counts.shape[2])
    luminance = _luminance(counts)
    usual = same_current_level(luminance, product)
    relative = np.asarray(np.maximum(luminance, 0) / usual, np.float32)
    reference = np.maximum(luminance, settings.dark_level_share * usual)
    log_cells = _log(counts, reference)
    lit = relative > settings.dark_level_share
    typical = _median_cell(log_cells, lit)
    busbar_rows = find_busbar_rows(typical, mm_per_px, settings)
    inside = _inside(log_cells, lit if lit.any() else np.ones_like(lit), busbar_rows, product, mm_per_px, settings)
    noise = _noise(log_cells)
    saturated = _saturated_share(counts, pictures.saturation)
    # Darker cells are flagged as dark, which they are whatever the noise.
    weak = (noise > settings.max_noise) & ((relative > _SURELY_LIT) | (len(counts) == 1))
    soft = np.zeros(len(counts), np.bool_)
    if len(counts) >= REFERENCE_CELLS:
        soft = soft_cells(log_cells, typical, relative, mm_per_px, settings)
    unjudged = {
        int(cell): why
        for why, cells in (
            (Unjudged.SOFT, soft),
            (Unjudged.NOISY, weak),
            (Unjudged.SATURATED, saturated > settings.max_saturated_share),
            (Unjudged.NO_LIGHT, np.full(len(counts), not np.median(luminance) > 0)),
            (Unjudged.MASKED, pictures.masked),
        )
        for cell in np.flatnonzero(cells)
    }
    flat, background, streaks = flatten(log_cells, inside, busbar_rows, mm_per_px, settings)
    # In an all but black cell the logarithm shows nothing but noise.
    flat[~lit], streaks[~lit] = 0, 0
    return PanelView(
        pictures=pictures,
        inside=read_only(inside),
        log_cells=read_only(log_cells),
        background=read_only(background),
        busbar_rows=read_only(busbar_rows),
        noise=read_only(noise),
        typical=read_only(typical if len(counts) >= REFERENCE_CELLS else np.zeros_like(typical)),
        luminance=read_only(luminance),
        relative_luminance=read_only(relative),
        flat=read_only(flat),
        streaks=read_only(streaks),
        deviation=read_only(_deviation(flat, background)),
        mm_per_px=mm_per_px,
        own_light=read_only(own_light(counts, luminance, relative)),
        circuit=circuit_facts(product, conditions),
        measures=measures,
        unjudged=unjudged,
    )


def same_current_level(luminance: NDArray[np.float32], product: Product) -> NDArray[np.float32]:
    """Return for each cell the median luminance of the cells that carry the same current.

    Parameters
    ----------
    luminance : ndarray, shape (n_cells,)
        Median counts of each cell.
    product : Product
        Its circuit says which strings are in series; without one each block is a series circuit.

    Returns
    -------
    ndarray of float32, shape (n_cells,)
        Above 0; where all of these cells are black, a small share of the brightest cell of the panel.
    """
    string_of_cell = np.arange(len(luminance)) // product.recipe.layout.cells_per_string + 1
    level = np.empty_like(luminance)
    for branch in branches_of(product.recipe):
        same = np.isin(string_of_cell, branch.strings)
        # Of two strings one may be dark: the upper of the two middle cells still is a lit one.
        level[same] = np.quantile(luminance[same], 0.5, method="higher")
    return np.maximum(level, max(_BLACK * float(luminance.max()), float(np.finfo(np.float32).tiny) * 2**64))


def own_light(counts: FloatImage, luminance: NDArray[np.float32], relative: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the light each cell gives itself, without what its neighbours scatter onto it.

    Light of its own shows the pattern that all cells of the panel share (busbars, shaded rim, fall-off from busbar to
    busbar); scattered light does not. So a dark cell's own light is how strongly that pattern stands in it.

    Parameters
    ----------
    counts : ndarray of float32, shape (n_cells, rows, columns)
        Cells.
    luminance, relative : ndarray, shape (n_cells,)
        Median counts of each cell, and over those of the same current. Cells of which a tenth or more shines at half of
        that are taken as they are, and so are all cells where they have no pattern, or where there is none to compare
        with.

    Returns
    -------
    ndarray of float32, shape (n_cells,)
        Counts, between 0 and `luminance`.
    """
    own = np.maximum(luminance, 0)
    lit, dim = np.flatnonzero(relative >= _SURELY_LIT), np.flatnonzero(relative < _SURELY_LIT)
    if not len(dim) or len(lit) < 2:
        return own
    sides = (min(_PATTERN_SIDE, counts.shape[2]), min(_PATTERN_SIDE, counts.shape[1]))
    small = np.stack([cv2.resize(cell, sides, interpolation=cv2.INTER_AREA) for cell in counts])
    # The outermost places are half gap, and lit by the neighbour.
    small = small[:, 2:-2, 2:-2].reshape(len(counts), -1).astype(np.float64)
    # Where a part is cut off the rest may be all the brighter, and the pattern is upset.
    brightest_tenth = np.quantile(small[dim], 0.9, axis=1) / np.maximum(luminance[dim], 1e-9) * relative[dim]
    dim = dim[brightest_tenth < _SURELY_LIT]
    brightest = lit[np.argsort(luminance[lit])[len(lit) // 2 :]]
    pattern = np.median(small[brightest] / luminance[brightest, None], axis=0)
    pattern -= pattern.mean()
    strength = float(np.sum(pattern**2))
    if strength < _LEAST_PATTERN**2 * pattern.size:
        return own
    own[dim] = np.clip(small[dim] @ pattern / strength, 0, own[dim])
    return own


def _at_map_scale(pictures: CellPictures, map_mm_per_px: float) -> FloatImage:
    stack = pictures.full_current
    shrink = pictures.mm_per_px / map_mm_per_px
    # Within a tenth of the map scale resampling costs sharpness and gains nothing.
    if shrink > 0.9:
        return stack
    rows, columns = (max(round(size * shrink), 1) for size in stack.shape[1:])
    out = np.empty((len(stack), rows, columns), np.float32)

    def work(part: slice) -> None:
        for cell in range(part.start, part.stop):
            out[cell] = area_mean(stack[cell], rows, columns)

    over_cells(work, len(stack))
    return out


def _luminance(counts: FloatImage) -> NDArray[np.float32]:
    rows, columns = (_every_third(size) for size in counts.shape[1:])

    def work(part: slice) -> FloatImage:
        middle = counts[part, rows, columns]
        return middle_of(middle.reshape(len(middle), -1))

    return np.concatenate(over_cells(work, len(counts)))


def _saturated_share(counts: FloatImage, saturation: float) -> NDArray[np.float64]:
    """Share of each cell's pixels that are saturated, from every second one each way."""

    def work(part: slice) -> NDArray[np.float64]:
        return np.asarray(np.mean(counts[part, ::2, ::2] >= saturation, axis=(1, 2)))

    return np.concatenate(over_cells(work, len(counts)))


def _every_third(size: int) -> slice:
    """Every third place away from the rim, the same ones counted from either side: a flip changes nothing."""
    rim = size // 10
    rim += 2 * ((size - 2 * rim - 1) % 3) % 3
    return slice(rim, size - rim, 3)


def _log(counts: FloatImage, reference: NDArray[np.float32]) -> FloatImage:
    out = np.empty_like(counts)

    def work(part: slice) -> None:
        shares = counts[part] / reference[part, None, None]
        cv2.log(as_one(np.clip(shares, _LOG_FLOOR, np.inf)), dst=as_one(out[part]))

    over_cells(work, len(counts))
    return out


def _median_cell(log_cells: FloatImage, lit: NDArray[np.bool_]) -> FloatImage:
    """Median over at most 31 lit cells, evenly spread: more change nothing that anyone looks at."""
    chosen = np.flatnonzero(lit) if lit.any() else np.arange(len(log_cells))
    chosen = chosen[np.linspace(0, len(chosen) - 1, min(len(chosen), 31)).round().astype(int)]
    return median_of(log_cells, chosen)


def _deviation(flat: FloatImage, background: FloatImage) -> FloatImage:
    """Luminance against the panel's typical cell, busbars bridged, at half the scale."""
    cells, rows, columns = flat.shape
    small = (-(-rows // HALF), -(-columns // HALF))
    out = np.empty((cells, *small), np.float32)

    def work(part: slice) -> None:
        for cell in range(part.start, part.stop):
            out[cell] = area_mean(flat[cell] + background[cell], *small)

    over_cells(work, cells)
    if cells >= REFERENCE_CELLS:
        out -= median_of(out, np.arange(0, cells, max(cells // 31, 1)))
    return out


def find_busbar_rows(typical: FloatImage, mm_per_px: float, settings: ViewSettings) -> NDArray[np.bool_]:
    """Find the rows that busbars, wires or ribbons cover.

    Parameters
    ----------
    typical : ndarray, shape (rows, columns)
        Typical cell, logarithm of luminance.
    mm_per_px : float
        Scale.
    settings : ViewSettings
        Smallest dip and largest width.

    Returns
    -------
    ndarray of bool, shape (rows,)
        All False for a cell without busbars.
    """
    rows, columns = typical.shape
    left = columns // 8
    # The mean along the row, not the median: a busbar may be dark only between its soldering pads.
    profile = typical[:, left : columns - left].mean(axis=1).astype(np.float32)
    size = round(settings.widest_busbar_mm / mm_per_px) | 1
    kernel = np.ones((size, 1), np.uint8)
    closed = cv2.morphologyEx(profile[:, None], cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REPLICATE)[:, 0]
    dip = closed - profile
    edge = round(2.0 / mm_per_px)
    window = [profile[max(row - size // 2, 0) : row + size // 2 + 1] for row in range(rows)]
    bottoms = np.array([row for row in range(edge, rows - edge) if profile[row] == window[row].min()], np.intp)
    sure = bottoms[dip[bottoms] >= settings.busbar_dip]
    # Halfway between wires the light dips too, though far less: wires of one cell are all about as dark.
    sure = sure[dip[sure] >= _LIKE_OTHERS * np.quantile(dip[sure], 0.75)] if len(sure) else sure
    faint = bottoms[(dip[bottoms] >= settings.faint_busbar_dip) & (dip[bottoms] < settings.busbar_dip)]
    # The foot of a busbar belongs to it down to an eighth of its depth: what is left would look like a crack.
    found = np.zeros(rows, bool)
    for row in (*sure, *_in_comb(faint, sure)):
        first = last = int(row)
        while first > 0 and dip[first - 1] > dip[row] / 8:
            first -= 1
        while last < rows - 1 and dip[last + 1] > dip[row] / 8:
            last += 1
        found[max(first - 1, 0) : last + 2] = True
    return found


def _in_comb(faint: NDArray[np.intp], sure: NDArray[np.intp]) -> NDArray[np.intp]:
    """Of faint dips those that stand in line with wires: these lie evenly, and coarse pictures hardly show some.

    Where they show none well, faint ones that all lie as far from each other.
    """
    if not len(sure) and len(faint) >= _COMB:
        apart = np.diff(faint)
        return faint if (np.abs(apart / np.median(apart) - 1) <= _OFF_COMB).all() else faint[:0]
    if len(sure) < _COMB:
        return faint[:0]
    pitch = float(np.median(np.diff(sure)))
    number = np.round((sure - sure[0]) / pitch)
    slope, start = np.polyfit(number, sure, 1)
    off = (faint - start) / slope
    return np.asarray(faint[np.abs(off - np.round(off)) <= _OFF_COMB])


def _inside(
    log_cells: FloatImage,
    lit: NDArray[np.bool_],
    busbar_rows: NDArray[np.bool_],
    product: Product,
    mm_per_px: float,
    settings: ViewSettings,
) -> NDArray[np.bool_]:
    layout = product.recipe.layout
    string_of_cell = np.arange(len(log_cells)) // layout.cells_per_string
    if product.recipe.cell.cut_edge is CutEdge.NONE:
        # A cell is its own mirror image: a defect in a corner must not pass for a chamfer.
        own = _share_bright(log_cells, np.flatnonzero(lit), settings.rim_share)
        shares = [np.mean([own, own[::-1], own[:, ::-1], own[::-1, ::-1]], axis=0)]
    else:
        # A cut one only up-down. Every second string lies turned, with its chamfers at the other end, and inside is
        # what all strings have.
        strings = [np.flatnonzero(lit & (string_of_cell == string)) for string in range(layout.n_strings)]
        bright = [_share_bright(log_cells, own, settings.rim_share) for own in strings if len(own)]
        shares = [(own + own[::-1]) / 2 for own in bright]
    solid = np.min([_solid(share, busbar_rows) for share in shares], axis=0)
    rim = 2 * round(settings.rim_mm / mm_per_px) + 1
    eroded = cv2.erode(np.pad(solid, 1), np.ones((rim, rim), np.uint8))[1:-1, 1:-1]
    return np.asarray(eroded > 0)


def _share_bright(log_cells: FloatImage, chosen: NDArray[np.intp], least: float) -> NDArray[np.float64]:
    """Share of some cells that are brighter than the least share of their luminance, place by place."""

    def work(rows: slice) -> NDArray[np.float64]:
        return np.asarray((log_cells[chosen, rows] > math.log(least)).mean(axis=0))

    return np.concatenate(over_slices(work, log_cells.shape[1], ROWS_PER_CHUNK))


def _solid(share: NDArray[np.floating], busbar_rows: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Where most of some cells are bright, or anything further out is: busbars and dark regions lie inside."""
    return _filled_outwards((share > 0.5).astype(np.uint8), busbar_rows)


def _filled_outwards(solid: NDArray[np.uint8], busbar_rows: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Fill everything between the first and the last bright place of each row, and likewise of each column."""
    filled = solid.astype(bool)
    rows = np.logical_or.accumulate(filled, axis=1) & np.logical_or.accumulate(filled[:, ::-1], axis=1)[:, ::-1]
    both = rows | (np.logical_or.accumulate(filled, axis=0) & np.logical_or.accumulate(filled[::-1], axis=0)[::-1])
    for row in np.flatnonzero(busbar_rows):
        above = np.flatnonzero(~busbar_rows[:row])
        if above.size:
            both[row] |= both[above[-1]]
    return both.astype(np.uint8)


def _noise(log_cells: FloatImage) -> NDArray[np.float32]:
    """Standard deviation of one pixel's noise.

    From second differences both ways, which cancel planes and straight edges (Immerkær 1996,
    doi 10.1006/cviu.1996.0060), with the median instead of the mean against texture. Correlated noise of resampled
    pictures is underestimated.
    """
    rows, columns = log_cells.shape[1:]

    def work(part: slice) -> NDArray[np.float32]:
        middle = log_cells[part, rows // 8 : rows - rows // 8, columns // 8 : columns - columns // 8]
        along = middle[:, :, :-2] - 2 * middle[:, :, 1:-1] + middle[:, :, 2:]
        both = along[:, :-2:2, ::2] - 2 * along[:, 1:-1:2, ::2] + along[:, 2::2, ::2]
        return middle_of(np.abs(both).reshape(len(middle), -1))

    return np.asarray(1.4826 / 6 * np.concatenate(over_cells(work, len(log_cells))), np.float32)
