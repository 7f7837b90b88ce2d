"""Sister wafers: cells cut from one brick show the same grains, and what they share is not a crack.

Multi cells of a panel often come from neighbouring wafers of one brick, some turned by 180 degrees. The best-matching
cells of the panel are registered and their median is taken off; what is left is the cell's own.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.flat import streaks_of
from elinspect.detectors.view import HALF, REFERENCE_CELLS
from elinspect.records import FloatImage, PanelView
from elinspect.settings import SisterSettings
from elinspect.vision import cv2

_SMALL = 50
_RIM = 3


@dataclass(frozen=True, slots=True, eq=False)
class Sisters:
    """What is left of the cells that have sisters.

    Attributes
    ----------
    view : PanelView
        The panel with the sisters taken off; cells without sisters as they were.
    counts : ndarray of int, shape (n_cells,)
        How many sisters were taken off.
    """

    view: PanelView
    counts: NDArray[np.intp]


def without_sisters(view: PanelView, settings: SisterSettings) -> Sisters:
    """Take off from each cell what it shares with its sisters.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : SisterSettings
        How alike sisters are, how many.
    """
    counts = np.zeros(len(view.flat), np.intp)
    if len(view.flat) < REFERENCE_CELLS:
        return Sisters(view, counts)
    alike, turned_alike = _likeness(view)
    best = np.maximum(alike, turned_alike)
    flat, streaks, deviation = view.flat, view.streaks, view.deviation
    for cell in np.flatnonzero(best.max(axis=1) >= settings.least_likeness).tolist():
        ranked = np.argsort(-best[cell], kind="stable")[: settings.most]
        pairs = [(int(other), bool(turned_alike[cell, other] > alike[cell, other])) for other in ranked]
        pairs = [(other, turned) for other, turned in pairs if best[cell, other] >= settings.least_likeness]
        left = _left_of(view, cell, pairs, settings)
        if left is None:
            continue
        if flat is view.flat:
            flat, streaks, deviation = flat.copy(), streaks.copy(), deviation.copy()
        flat[cell], deviation[cell], counts[cell] = left
        streaks[cell] = streaks_of(flat[cell][None], view.inside)[0]
    return Sisters(replace(view, flat=flat, streaks=streaks, deviation=deviation), counts)


def _likeness(view: PanelView) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Correlation of every two cells, as they lie and with one turned by 180 degrees; -1 for a cell with itself."""
    small = np.stack([cv2.resize(own, (_SMALL, _SMALL), interpolation=cv2.INTER_AREA) for own in view.deviation])
    small = np.stack([own - cv2.GaussianBlur(own, (0, 0), 6) for own in small])[:, _RIM:-_RIM, _RIM:-_RIM]
    # What the whole panel shares makes nobody a sister.
    small -= np.median(small, axis=0)
    plain, turned = _unit(small), _unit(small[:, ::-1, ::-1])
    alike, turned_alike = plain @ plain.T, plain @ turned.T
    np.fill_diagonal(alike, -1)
    np.fill_diagonal(turned_alike, -1)
    return alike, turned_alike


def _unit(stack: FloatImage) -> NDArray[np.float32]:
    middle = np.median(stack, axis=(1, 2), keepdims=True)
    spread = 1.4826 * np.median(np.abs(stack - middle), axis=(1, 2), keepdims=True)
    # Grains are everywhere: a dark area or a few broken fingers at the same place must not make sisters.
    flat = np.clip(stack - middle, -2 * spread, 2 * spread).reshape(len(stack), -1)
    flat = flat - flat.mean(axis=1, keepdims=True)
    return np.asarray(flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-9), np.float32)


def _left_of(
    view: PanelView, cell: int, pairs: list[tuple[int, bool]], settings: SisterSettings
) -> tuple[FloatImage, FloatImage, int] | None:
    """Flat and deviation less the median of the registered sisters, and their number; None if none fits."""
    flats, deviations = [], []
    own, own_half = view.flat[cell], view.deviation[cell]
    for other, turned in pairs:
        sister, sister_half = view.flat[other], view.deviation[other]
        if turned:
            sister, sister_half = sister[::-1, ::-1], sister_half[::-1, ::-1]
        shift = _shift(own_half, np.ascontiguousarray(sister_half), settings.most_shift_mm / view.mm_per_px / HALF)
        if shift is None:
            continue
        moved = _moved(np.ascontiguousarray(sister), shift * HALF)
        if _correlation(moved[view.inside], own[view.inside]) < settings.least_correlation:
            continue
        flats.append(moved * _gain(own, moved, settings, view.mm_per_px))
        moved_half = _moved(np.ascontiguousarray(sister_half), shift)
        deviations.append(moved_half * _gain(own_half, moved_half, settings, view.mm_per_px * HALF))
    if not flats:
        return None
    return own - _middle(flats), own_half - _middle(deviations), len(flats)


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


def _shift(own: FloatImage, sister: FloatImage, most_px: float) -> NDArray[np.float64] | None:
    """(x, y) by which the sister has to be moved, pixels at half the scale; None where it would be too far."""
    window = cv2.createHanningWindow((own.shape[1], own.shape[0]), cv2.CV_32F)
    fine = [cell - cv2.GaussianBlur(cell, (0, 0), 5) for cell in (sister, own)]
    (x, y), _ = cv2.phaseCorrelate(cv2.GaussianBlur(fine[0], (0, 0), 1), cv2.GaussianBlur(fine[1], (0, 0), 1), window)
    return np.array([x, y]) if max(abs(x), abs(y)) <= most_px else None


def _moved(cell: FloatImage, shift: NDArray[np.float64]) -> FloatImage:
    matrix = np.array([[1, 0, shift[0]], [0, 1, shift[1]]])
    size = (cell.shape[1], cell.shape[0])
    return np.asarray(cv2.warpAffine(cell, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _gain(own: FloatImage, sister: FloatImage, settings: SisterSettings, mm_per_px: float) -> FloatImage:
    """How strongly the sister's grains show in the cell, place by place."""
    size = round(settings.gain_window_mm / mm_per_px) | 1
    both = cv2.blur(own * sister, (size, size))
    square = cv2.blur(sister * sister, (size, size))
    return np.asarray(np.clip(both / np.maximum(square, 1e-5), settings.least_gain, settings.most_gain), np.float32)
