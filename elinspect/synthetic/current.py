"""How the fingers feed a cell: luminance lost on the way from the busbars, and behind broken fingers.

Each finger is fed by the busbars it meets and loses voltage along its way; under uniform current density the loss grows
as ``l d - d^2 / 2`` with the distance ``d`` from the busbar that feeds a piece of length ``l`` (textbook result for a
finger with distributed current). The emitter carries current a little sideways. This stands for the full network of
emitter, fingers and busbars.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage
from elinspect.vision import cv2

FLOATING_DROP = 2.6
"""Drop (natural logarithm) of a piece that no busbar feeds: 7 % of the luminance is left, stray light included."""
_SIDEWAYS_MM = 1.5
"""How far the emitter carries current across the fingers, standard deviation."""


@dataclass(frozen=True, slots=True, eq=False)
class FingerGrid:
    """Fingers of one cell on its pixel grid.

    Attributes
    ----------
    rows_mm : ndarray, shape (rows,)
        Place of each pixel row across the string, from the cell's top edge.
    busbars_mm : ndarray, shape (busbars,)
        Place of each busbar.
    across_mm : float
        Height of the cell.
    finger : ndarray of int, shape (columns,)
        Number of the finger that feeds each pixel column.
    middle_drop : float
        Drop half way between two busbars, natural logarithm.
    """

    rows_mm: NDArray[np.float64]
    busbars_mm: NDArray[np.float64]
    across_mm: float
    finger: NDArray[np.intp]
    middle_drop: float

    @property
    def px_per_mm(self) -> float:
        """Pixels per mm."""
        return float((len(self.rows_mm) - 1) / (self.rows_mm[-1] - self.rows_mm[0]))

    @property
    def strip(self) -> NDArray[np.intp]:
        """Number of the strip (between busbars, or busbar and edge) in which each pixel row lies."""
        return np.searchsorted(self.busbars_mm, self.rows_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Effect:
    """What broken fingers do to a cell.

    Attributes
    ----------
    drop : ndarray of float32, shape (rows, columns)
        Further drop of the luminance, natural logarithm; negative where the cell becomes brighter.
    floating : ndarray of bool, shape (rows, columns)
        Pieces that no busbar feeds.
    """

    drop: FloatImage
    floating: NDArray[np.bool_]


def intact_drop(grid: FingerGrid) -> NDArray[np.float32]:
    """Return the drop along an unbroken finger, natural logarithm, shape (rows,)."""
    if not len(grid.busbars_mm):
        return np.zeros(len(grid.rows_mm), np.float32)
    strip, last = grid.strip, len(grid.busbars_mm)
    ends = np.concatenate([[0.0], grid.busbars_mm, [grid.across_mm]])
    above, below = np.maximum(grid.rows_mm - ends[strip], 0), np.maximum(ends[strip + 1] - grid.rows_mm, 0)
    length = above + below
    only_below, only_above = _one_sided(below, length), _one_sided(above, length)
    shape = np.where(strip == 0, only_below, np.where(strip == last, only_above, _two_sided(above, below)))
    return np.asarray(_steepness(grid) * shape, np.float32)


def effect_of(grid: FingerGrid, cuts: NDArray[np.float32]) -> Effect:
    """Return what cuts through fingers do.

    Parameters
    ----------
    grid : FingerGrid
        The cell's fingers.
    cuts : ndarray of float32, shape (rows, columns)
        0 where nothing is cut, else how completely (1: wholly).
    """
    weight = np.zeros(cuts.shape, np.float32)
    if not len(grid.busbars_mm) or not cuts.any():
        return Effect(weight, np.zeros(cuts.shape, bool))
    strip = grid.strip
    for number in np.unique(strip[cuts.any(axis=1)]):
        rows = strip == number
        weight[rows] = cuts[rows].max(axis=0)
    above, fed_above = _nearest(grid.rows_mm, grid.busbars_mm, cuts > 0)
    # A cut lies at the upper side of its pixel: seen from below it is the pixel's own, seen from above it is not.
    flipped = grid.across_mm - grid.rows_mm[::-1]
    below, fed_below = _nearest(flipped, grid.across_mm - grid.busbars_mm[::-1], _one_later((cuts > 0)[::-1]))
    below, fed_below = below[::-1], fed_below[::-1]
    length = above + below
    steepness = _steepness(grid)
    broken = np.where(
        fed_above & fed_below,
        _two_sided(above, below),
        np.where(fed_above, _one_sided(above, length), _one_sided(below, length)),
    )
    floating = ~fed_above & ~fed_below
    # However long a piece, the emitter and the neighbours keep it above one that is not fed at all.
    drop = np.where(floating, FLOATING_DROP, np.minimum(steepness * broken, 0.7 * FLOATING_DROP))
    further = (weight * (drop - intact_drop(grid)[:, None])).astype(np.float32)
    sigma = _SIDEWAYS_MM * grid.px_per_mm
    smooth = cv2.GaussianBlur(further, (0, 0), sigmaX=sigma, sigmaY=0.3 * sigma, borderType=cv2.BORDER_REPLICATE)
    return Effect(np.asarray(smooth, np.float32), floating & (weight > 0.7))


def _steepness(grid: FingerGrid) -> float:
    distance = grid.across_mm / len(grid.busbars_mm)
    return 8 * grid.middle_drop / distance**2


def _two_sided(above: NDArray[np.float64], below: NDArray[np.float64]) -> NDArray[np.float64]:
    return above * below / 2


def _one_sided(distance: NDArray[np.float64], length: NDArray[np.float64] | float) -> NDArray[np.float64]:
    return length * distance - distance**2 / 2


def _one_later(cut: NDArray[np.bool_]) -> NDArray[np.bool_]:
    later = np.zeros_like(cut)
    later[1:] = cut[:-1]
    return later


def _nearest(
    rows_mm: NDArray[np.float64], busbars_mm: NDArray[np.float64], cut: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the distance of each pixel to the nearest cut, busbar or edge above it, and whether it is a busbar."""
    with_busbar = np.concatenate([[-np.inf], busbars_mm])
    busbar = with_busbar[np.searchsorted(busbars_mm, rows_mm, side="right")][:, None]
    last_cut = np.maximum.accumulate(np.where(cut, rows_mm[:, None], 0.0), axis=0)
    fed = busbar >= last_cut
    return np.maximum(rows_mm[:, None] - np.where(fed, busbar, last_cut), 0.0), fed
