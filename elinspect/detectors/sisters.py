"""Sister wafers: cells cut from one brick show the same grains, and what they share is not a crack.

Multi cells of a panel often come from neighbouring wafers of one brick, some turned by 180 degrees. The best-matching
cells of the panel are registered and their median is taken off; what is left is the cell's own.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import median_of, middle_of, over_cells
from elinspect.detectors.flat import streaks_of
from elinspect.detectors.shrinking import area_mean
from elinspect.detectors.view import HALF, REFERENCE_CELLS
from elinspect.records import FloatImage, PanelView
from elinspect.settings import SisterSettings
from elinspect.vision import cv2

_SMALL = 50
_RIM = 3
_FARTHEST = 3.0
"""So many spreads from the middle of a cell the grains reach; in real multi cells all that had sisters still have."""

_COARSE = 4
"""How strongly grains show changes slowly over a cell: it is told on so much coarser a picture."""


@dataclass(frozen=True, slots=True, eq=False)
class Left:
    """What is left of one cell: its maps `flat`, `streaks` and `deviation`, and how many sisters were taken off."""

    flat: FloatImage
    streaks: FloatImage
    deviation: FloatImage
    count: int


@dataclass(frozen=True, slots=True, eq=False)
class Sisters:
    """A panel less what its sister wafers share.

    Attributes
    ----------
    view : PanelView
        The panel as it is.
    left : mapping from int to Left
        The cells that have sisters; all others stay as they are.
    """

    view: PanelView
    left: Mapping[int, Left]

    def of(self, part: slice) -> PanelView:
        """Return some cells as a view of their own, the sisters taken off."""
        alone = only(self.view, part)
        changed = [cell for cell in range(part.start, part.stop) if cell in self.left]
        if not changed:
            return alone
        flat, streaks, deviation = alone.flat.copy(), alone.streaks.copy(), alone.deviation.copy()
        for cell in changed:
            left, place = self.left[cell], cell - part.start
            flat[place], streaks[place], deviation[place] = left.flat, left.streaks, left.deviation
        return replace(alone, flat=flat, streaks=streaks, deviation=deviation)


def only(view: PanelView, cells: NDArray[np.intp] | slice) -> PanelView:
    """Return the maps of some cells as a view of their own."""
    return replace(
        view,
        flat=view.flat[cells],
        background=view.background[cells],
        streaks=view.streaks[cells],
        deviation=view.deviation[cells],
        noise=view.noise[cells],
    )


def without_sisters(view: PanelView, settings: SisterSettings) -> Sisters:
    """Take off from each cell what it shares with its sisters.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : SisterSettings
        How alike sisters are, how many.
    """
    if len(view.flat) < REFERENCE_CELLS:
        return Sisters(view, {})
    alike, turned_alike = _likeness(view, settings.least_likeness)
    best = np.maximum(alike, turned_alike)
    cells = np.flatnonzero(best.max(axis=1) >= settings.least_likeness)
    if not cells.size:
        return Sisters(view, {})
    fine = np.concatenate(over_cells(lambda part: np.stack([_fine(own) for own in view.deviation[part]]), len(best)))
    inside = np.flatnonzero(view.inside.ravel())

    def work(part: slice) -> list[Left | None]:
        return [_left_of(view, fine, inside, cell, _pairs(cell), settings) for cell in cells[part].tolist()]

    def _pairs(cell: int) -> list[tuple[int, bool]]:
        ranked = np.argsort(-best[cell], kind="stable")[: settings.most]
        pairs = [(int(other), bool(turned_alike[cell, other] > alike[cell, other])) for other in ranked]
        return [(other, turned) for other, turned in pairs if best[cell, other] >= settings.least_likeness]

    of_cells = [left for part in over_cells(work, len(cells)) for left in part]
    return Sisters(view, {cell: left for cell, left in zip(cells.tolist(), of_cells, strict=True) if left})


def _likeness(view: PanelView, least: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Correlation of every two cells, as they lie and with one turned by 180 degrees; -1 where grains say no."""

    def work(part: slice) -> FloatImage:
        small = [cv2.resize(own, (_SMALL, _SMALL), interpolation=cv2.INTER_AREA) for own in view.deviation[part]]
        return np.stack(small)

    small = np.concatenate(over_cells(work, len(view.deviation)))
    alike, turned_alike = _correlations(small, _without_clouds)
    if max(alike.max(), turned_alike.max()) < least:
        return alike, turned_alike
    of_grains, turned_of_grains = _correlations(small, lambda part: _without_clouds(_grains(part)))
    return np.where(of_grains >= least, alike, -1), np.where(turned_of_grains >= least, turned_alike, -1)


def _without_clouds(small: FloatImage) -> FloatImage:
    return np.stack([own - cv2.GaussianBlur(own, (0, 0), 6) for own in small])[:, _RIM:-_RIM, _RIM:-_RIM]


def _correlations(
    small: FloatImage, prepared: Callable[[FloatImage], FloatImage]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Correlation of every two cells, as they lie and with one turned; -1 for a cell with itself."""
    fine = np.concatenate(over_cells(lambda part: prepared(small[part]), len(small)))
    # What the whole panel shares makes nobody a sister.
    fine -= median_of(fine, np.arange(len(fine)))
    plain = _unit(fine)
    alike, turned_alike = plain @ plain.T, plain @ plain[:, ::-1].T
    np.fill_diagonal(alike, -1)
    np.fill_diagonal(turned_alike, -1)
    return alike, turned_alike


def _grains(stack: FloatImage) -> FloatImage:
    """Cells without what stands out farther than grains do: a dark piece in the same place makes no sisters."""
    middle, spread = _usual(stack)
    return np.asarray(np.where(np.abs(stack - middle) > _FARTHEST * spread, middle, stack))


def _usual(stack: FloatImage) -> tuple[FloatImage, FloatImage]:
    """Middle and spread of every cell, each shape (cells, 1, 1)."""
    middle = middle_of(stack.reshape(len(stack), -1))[:, None, None]
    return middle, np.asarray(1.4826 * middle_of(np.abs(stack - middle).reshape(len(stack), -1))[:, None, None])


def _unit(stack: FloatImage) -> NDArray[np.float32]:
    middle, spread = _usual(stack)
    # Grains are everywhere: a dark area or a few broken fingers at the same place must not make sisters.
    flat = np.clip(stack - middle, -2 * spread, 2 * spread).reshape(len(stack), -1)
    flat = flat - flat.mean(axis=1, keepdims=True)
    return np.asarray(flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-9), np.float32)


def _left_of(
    view: PanelView,
    fine: FloatImage,
    inside: NDArray[np.intp],
    cell: int,
    pairs: list[tuple[int, bool]],
    settings: SisterSettings,
) -> Left | None:
    """What is left once the median of the registered sisters is taken off; None if none fits.

    `fine` are the grains of all cells, `inside` the flat indices of the places inside.
    """
    flats, deviations = [], []
    own, own_half = view.flat[cell], view.deviation[cell]
    own_inside = own.ravel()[inside]
    for other, turned in pairs:
        maps = view.flat[other], view.deviation[other], fine[other]
        sister, sister_half, sister_fine = (np.ascontiguousarray(one[::-1, ::-1]) if turned else one for one in maps)
        shift = _shift(fine[cell], sister_fine, settings.most_shift_mm / view.mm_per_px / HALF)
        if shift is None:
            continue
        moved = _moved(sister, shift * HALF)
        if _correlation(moved.ravel()[inside], own_inside) < settings.least_correlation:
            continue
        flats.append(moved * _gain(own, moved, settings, view.mm_per_px))
        moved_half = _moved(sister_half, shift)
        deviations.append(moved_half * _gain(own_half, moved_half, settings, view.mm_per_px * HALF))
    if not flats:
        return None
    flat = np.asarray(own - _middle(flats), np.float32)
    streaks = streaks_of(flat[None], view.inside)[0]
    return Left(flat, streaks, np.asarray(own_half - _middle(deviations), np.float32), len(flats))


def _middle(cells: list[FloatImage]) -> FloatImage:
    """Median of one to three pictures, without sorting."""
    if len(cells) > 3:
        return np.asarray(np.median(cells, axis=0), np.float32)
    if len(cells) < 3:
        return np.asarray((cells[0] + cells[-1]) / 2, np.float32)
    low, high = cv2.min(cells[0], cells[1]), cv2.max(cells[0], cells[1])
    return np.asarray(cv2.max(low, cv2.min(high, cells[2])), np.float32)


def _correlation(one: NDArray[np.float32], other: NDArray[np.float32]) -> float:
    one, other = one - one.mean(), other - other.mean()
    size = float(np.linalg.norm(one) * np.linalg.norm(other))
    return float(one @ other) / size if size > 0 else 0.0


def _fine(half: FloatImage) -> FloatImage:
    """Grains alone: neither shading nor noise."""
    return np.asarray(cv2.GaussianBlur(half - cv2.GaussianBlur(half, (0, 0), 5), (0, 0), 1), np.float32)


@cache
def _window(columns: int, rows: int) -> FloatImage:
    return np.asarray(cv2.createHanningWindow((columns, rows), cv2.CV_32F), np.float32)


def _shift(own: FloatImage, sister: FloatImage, most_px: float) -> NDArray[np.float64] | None:
    """(x, y) by which the sister has to be moved, pixels at half the scale; None where it would be too far."""
    # Pictures whose sides suit the Fourier transform as they are it multiplies with the window in place.
    (x, y), _ = cv2.phaseCorrelate(sister.copy(), own.copy(), _window(own.shape[1], own.shape[0]))
    return np.array([x, y]) if max(abs(x), abs(y)) <= most_px else None


def _moved(cell: FloatImage, shift: NDArray[np.float64]) -> FloatImage:
    matrix = np.array([[1, 0, shift[0]], [0, 1, shift[1]]])
    size = (cell.shape[1], cell.shape[0])
    return np.asarray(cv2.warpAffine(cell, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _gain(own: FloatImage, sister: FloatImage, settings: SisterSettings, mm_per_px: float) -> FloatImage:
    """How strongly the sister's grains show in the cell, place by place."""
    size = round(settings.gain_window_mm / mm_per_px / _COARSE) | 1
    rows, columns = own.shape
    small = -(-rows // _COARSE), -(-columns // _COARSE)
    products = (area_mean(one * sister, *small) for one in (own, sister))
    both, square = (cv2.blur(product, (size, size)) for product in products)
    gain = np.clip(both / np.maximum(square, 1e-5), settings.least_gain, settings.most_gain)
    return np.asarray(cv2.resize(gain, (columns, rows)), np.float32)
