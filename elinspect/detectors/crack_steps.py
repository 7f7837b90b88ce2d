"""Oriented filters for luminance steps: a crack that parts a bright from a darker region without a dark line between.

First derivatives across a direction, short smoothing along, less the mean over angles, at half the scale of the maps.
The panel's typical cell is taken off first: what all cells share (the end of a busbar, shading) is no step.

These are weighed with the same derivative over several mm: the edge of a grain or of a dark spot is as
sharp as a crack's step, but what lies on its two sides differs a few mm from it no more than anywhere else.
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import as_one, middle_of
from elinspect.detectors.crack_filters import (
    POOL,
    FilterBank,
    Lattice,
    Responses,
    angles_of,
    in_multiples,
    less_mean_pooled,
    places,
)
from elinspect.detectors.crack_shape import CrackLine, follow_step
from elinspect.detectors.shrinking import area_mean
from elinspect.detectors.view import HALF
from elinspect.records import FloatImage, PanelView
from elinspect.settings import CrackSettings
from elinspect.vision import cv2

_SPACER = 8
_RIM_PX = 5
"""The step from the rim to what lies beyond it is no crack: so many pixels at half the scale are left out there."""


def step_responses(
    view: PanelView, part: slice, bank: FilterBank, textured: NDArray[np.float32], settings: CrackSettings
) -> Responses:
    """Strength of step per angle, cell and place, either way up, in multiples of the cell's own texture.

    Parameters
    ----------
    view : PanelView
        The panel.
    part : slice
        Which cells.
    bank : FilterBank
        From `filter_bank`.
    textured : ndarray of float32, shape (cells,)
        How grainy each cell is, as its lines say.
    settings : CrackSettings
        Width, angles, least texture.

    Returns
    -------
    Responses
        On every sixth pixel, the strongest of 3 x 3 pixels at half the scale.
    """
    level = _level(view, part)
    rows, columns = view.deviation.shape[1:]
    smooth, first = _kernels(settings.step_width_px)
    scale = np.float32(1 / np.sqrt(np.linalg.norm(first) * np.linalg.norm(smooth)))
    tall = as_one(level)
    across, down = cv2.sepFilter2D(tall, cv2.CV_32F, first, smooth), cv2.sepFilter2D(tall, cv2.CV_32F, smooth, first)
    responses = []
    for turn, line in zip(angles_of(settings), bank.step_lines, strict=True):
        step = cv2.addWeighted(across, -scale * np.sin(turn), down, scale * np.cos(turn), 0)
        responses.append(np.abs(cv2.filter2D(step, cv2.CV_32F, line)))
    pooled = less_mean_pooled(responses, level.shape, rows, POOL)
    pooled *= _wide_steps(level[:, :rows], settings)
    inside = area_mean(view.inside.astype(np.float32), rows, columns) > 0.99
    inside = cv2.erode(np.pad(inside.astype(np.uint8), 1), np.ones((_RIM_PX, _RIM_PX), np.uint8))[1:-1, 1:-1] > 0
    bars = cv2.resize(view.busbar_rows.astype(np.float32)[:, None], (1, rows), interpolation=cv2.INTER_AREA)[:, 0]
    kept = inside[np.ix_(places(rows, POOL), places(columns, POOL))]
    # The middle of a pixel at half the scale lies between two pixels of the maps.
    first_px = np.array([places(rows, POOL)[0], places(columns, POOL)[0]]) * HALF + (HALF - 1) / 2
    lattice = Lattice(kept, bars[places(rows, POOL)] > 0.5, np.full(2, float(POOL * HALF)), first_px, settings.step)
    out = in_multiples(pooled, lattice, bank, settings, settings.step_least_texture, textured)
    out.strength[[-1, 0, 1]] -= settings.along_busbar_toll * _near(lattice.bridged)[:, None]
    return out


def _kernels(width: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Gaussian of this width, and its first derivative in units of that."""
    reach = int(np.ceil(3 * width))
    x = np.arange(-reach, reach + 1)
    smooth = np.exp(-(x**2) / (2 * width**2)).astype(np.float32)
    smooth /= smooth.sum()
    return smooth, (-x / width * smooth).astype(np.float32)


def _wide_steps(level: FloatImage, settings: CrackSettings) -> FloatImage:
    """Weight of each angle, cell and place: the step between what lies on both sides, over that of the usual place."""
    rows, columns = level.shape[1:]
    smooth, first = _kernels(settings.wide_places)
    at = np.ix_(np.arange(len(level)), places(rows, POOL), places(columns, POOL))
    means = np.stack([cv2.boxFilter(own, -1, (POOL, POOL)) for own in level])[at]
    across, down = (
        np.stack([cv2.sepFilter2D(own, cv2.CV_32F, *kernels) for own in means])
        for kernels in ((first, smooth), (smooth, first))
    )
    usual = middle_of(np.hypot(across, down).reshape(len(means), -1))[:, None, None]
    usual = np.maximum(usual, np.float32(settings.wide_least_texture))
    tall_across, tall_down = as_one(across / usual), as_one(down / usual)
    out = np.empty((settings.angles, *means.shape), np.float32)
    for turn, own in zip(angles_of(settings), out, strict=True):
        step = cv2.absdiff(tall_down * np.float32(np.cos(turn)), tall_across * np.float32(np.sin(turn)))
        cv2.pow(step, settings.wide_power, dst=as_one(own))
    least, most = (np.float32(bound**settings.wide_power) for bound in settings.wide_bounds)
    return np.asarray(np.clip(out, least, most, out=out))


def _near(bridged: NDArray[np.bool_]) -> NDArray[np.float32]:
    """1 for rows of places at a busbar and beside one."""
    return np.asarray(cv2.dilate(bridged.astype(np.float32)[:, None], np.ones((3, 1), np.uint8))[:, 0])


def _level(view: PanelView, part: slice) -> FloatImage:
    """Deviation from the typical cell less the streaks, in counts where it is dark; rows of zeros between cells."""
    deviation = view.deviation[part]
    cells, rows, columns = deviation.shape
    out = np.zeros((cells, rows + _SPACER, columns), np.float32)
    for cell, own in enumerate(deviation):
        level = out[cell, :rows]
        small = (columns, rows)
        streaks = view.streaks[part][cell]
        streaks = cv2.resize(streaks, (columns, len(streaks)), interpolation=cv2.INTER_AREA)
        np.subtract(own, cv2.resize(streaks, small), out=level)
        # Contrast in counts: where it is dark the logarithm blows the noise up.
        np.expm1(level, out=level, where=level < 0)
        # Shading along an edge and sections between busbars that carry unlike currents are no cracks.
        level -= middle_of(level[:, places(columns, POOL)])[:, None]
        level -= middle_of(level[places(rows, POOL)].T)
    return out


def own_height(line: CrackLine, left: FloatImage | None) -> float:
    """Return the height of a step; where sisters show one there, too, only what they leave of it.

    Parameters
    ----------
    line : CrackLine
        Followed in the cell as it is, map pixels.
    left : ndarray, shape (rows, columns), or None
        Deviation of the cell from the typical one, its sisters taken off, at the scale of the maps; None for a cell
        without sisters.
    """
    return line.contrast if left is None else min(line.contrast, follow_step(left, line.points).contrast)
