"""Noise and signal of raw exposures, from one image and from a pair."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from elinspect.records import FloatImage, Points

PATCH_PX = 24
"""Side of the squares in which noise is measured; smaller in small cells."""

_PLACES = np.array([0.2, 0.4, 0.6, 0.8])
_SMALLEST_PATCH_PX = 7
_QUANTISATION = 1 / math.sqrt(12)
_KEPT_SHARE = 0.75
_KEPT_MEAN = 0.5149033
"""Mean of the smallest `_KEPT_SHARE` of absolute standard normal values: 2 (phi(0) - phi(q)) / 0.75, q = 1.1503."""
_SMALLEST_COARSE = 4
_LEAST_TEXTURED = 5
_SMOOTHED_TWICE, _SMOOTHED_FOURFOLD = 1.45, 2.4
"""From a third of the free real panels with white noise added (signal-to-noise 26 to 77): 1.6 and 3.0 at most, on multi
with little noise; medians and JPEG of quality 80 exceed one of them always, a Gaussian of half a pixel in part."""
_SEPARATION_GAIN = 6.0
"""Root of the sum of squares of the mask 1 -2 1 / -2 4 -2 / 1 -2 1."""


def signal_to_noise_from_pair(
    first: FloatImage, second: FloatImage, background: ArrayLike = 0.0, region: NDArray[np.bool_] | None = None
) -> float | None:
    """Measure the signal-to-noise ratio of one pixel from two images taken at identical settings.

    Sum of the mean signal above the background over sum of the noise of one image, which the difference of the two
    tells: for Gaussian noise of standard deviation s the mean absolute difference is 2 s / sqrt(pi), so the noise is
    estimated by sqrt(pi) / 2 of the absolute difference.

    Parameters
    ----------
    first, second : ndarray of float32, shape (rows, columns)
        Two exposures with the same current, exposure time and gain.
    background : array_like, shape (rows, columns) or a number
        Exposure without current.
    region : ndarray of bool, shape (rows, columns), optional
        Where to measure, usually the cells; everywhere if left out.

    Returns
    -------
    float or None
        The ratio; None if the images do not differ within the region (then they are one exposure, copied), or if the
        region is empty.

    Raises
    ------
    ValueError
        If the shapes differ.

    References
    ----------
    Written as quoted for IEC TS 60904-13:2018 in the literature on outdoor EL (from memory, not checked against the
    standard; the statistics were recomputed). No conformity is claimed.
    """
    if first.shape != second.shape or (region is not None and region.shape != first.shape):
        raise ValueError("the two images and the region must have one shape")
    base = np.broadcast_to(np.asarray(background, np.float64), first.shape)
    where = np.ones(first.shape, bool) if region is None else region
    a, b = first[where].astype(np.float64), second[where].astype(np.float64)
    noise = math.sqrt(math.pi) / 2 * float(np.abs(a - b).sum())
    if noise <= 0:
        return None
    return float(((a + b) / 2 - base[where]).sum()) / noise


def patches_of(counts: FloatImage, corners_px: Points) -> FloatImage:
    """Cut squares of raw pixels out of every cell, evenly spread and clear of its rim.

    Parameters
    ----------
    counts : ndarray of float32, shape (height, width)
        Raw image.
    corners_px : ndarray, shape (n_cells, 4, 2)
        Corners (x, y) of each cell in file pixels, in any order round the cell.

    Returns
    -------
    ndarray of float32, shape (n_cells, places, side, side)
        Empty (side 0) if the cells are too small to measure noise in, or do not lie within the picture.
    """
    side = _patch_side(corners_px)
    if side < _SMALLEST_PATCH_PX:
        return np.empty((len(corners_px), 0, 0, 0), np.float32)
    starts = np.round(place_centres(corners_px)[..., ::-1] - (side - 1) / 2).astype(np.intp)
    last = np.array(counts.shape) - side
    if np.any(last < 0):
        return np.empty((len(corners_px), 0, 0, 0), np.float32)
    starts = np.clip(starts, 0, last)
    windows = np.lib.stride_tricks.sliding_window_view(counts, (side, side))
    return np.asarray(windows[starts[..., 0], starts[..., 1]])


def place_centres(corners_px: Points) -> Points:
    """Return the middles (x, y) of the squares that `patches_of` cuts, shape (n_cells, places, 2)."""
    down, along = (grid.ravel()[:, None] for grid in np.meshgrid(_PLACES, _PLACES))
    a, b, c, d = (corners_px[:, None, k] for k in range(4))
    return np.asarray((1 - down) * ((1 - along) * a + along * b) + down * ((1 - along) * d + along * c))


def noise_of(patches: FloatImage) -> NDArray[np.float64]:
    """Estimate the standard deviation of the noise of one pixel in each patch.

    Second differences both ways cancel everything that changes along rows or columns only: slopes, fingers, busbars,
    cell edges [1]_. The mean is taken without the largest quarter, so that cracks and grain boundaries, which cover a
    small part of a patch, do not count as noise.

    Parameters
    ----------
    patches : ndarray of float32, shape (..., side, side)
        Raw pixels.

    Returns
    -------
    ndarray, shape (...)
        Counts. At least the noise of rounding to whole counts. Noise that a camera or JPEG has smoothed is
        underestimated: a pair of images tells it better.

    References
    ----------
    .. [1] Immerkær, J. (1996). "Fast noise variance estimation", Comput. Vis. Image Underst. 64(2):300-302.
       :doi:`10.1006/cviu.1996.0060`
    """
    return np.maximum(_unrounded(patches), _QUANTISATION)


def _unrounded(patches: FloatImage) -> NDArray[np.float64]:
    """Return the same without the floor that rounding sets."""
    across = patches[..., :, :-2] - 2 * patches[..., :, 1:-1] + patches[..., :, 2:]
    both = across[..., :-2, :] - 2 * across[..., 1:-1, :] + across[..., 2:, :]
    size = np.abs(both).reshape(*patches.shape[:-2], -1)
    kept = round(size.shape[-1] * _KEPT_SHARE)
    smallest = np.partition(size, kept - 1, axis=-1)[..., :kept]
    return np.asarray(smallest.mean(axis=-1) / (_KEPT_MEAN * _SEPARATION_GAIN), np.float64)


def unsmoothed_noise(patches: FloatImage) -> float | None:
    """Estimate the noise of one pixel before the picture was smoothed, if it was.

    Averaging 2 x 2 pixels halves the noise of neighbours that know nothing of each other. Smoothing (a filter in the
    camera, resampling, JPEG) leaves less to average away, so the noise of coarser pixels, scaled back, exceeds that of
    the fine ones everywhere; texture does so only here and there.

    Parameters
    ----------
    patches : ndarray of float32, shape (n_cells, places, side, side)
        Raw pixels.

    Returns
    -------
    float or None
        Counts, from pixels of 4 x 4: smoothing over one or two pixels no longer hides it. None where the picture does
        not look smoothed, or the patches are too small to tell.
    """
    if patches.shape[-1] < 4 * _SMALLEST_COARSE:
        return None
    halved = _averaged(patches)
    coarse = _averaged(halved)
    fine, twice, fourfold = noise_of(patches).ravel(), _unrounded(halved).ravel(), _unrounded(coarse).ravel()
    looks_smoothed = (
        np.percentile(2 * twice / fine, _LEAST_TEXTURED) > _SMOOTHED_TWICE
        or np.percentile(4 * fourfold / fine, _LEAST_TEXTURED) > _SMOOTHED_FOURFOLD
    )
    return float(np.percentile(4 * fourfold, 25)) if looks_smoothed else None


def _averaged(patches: FloatImage) -> FloatImage:
    side = patches.shape[-1] // 2 * 2
    even = patches[..., :side, :side]
    return (even[..., ::2, ::2] + even[..., 1::2, ::2] + even[..., ::2, 1::2] + even[..., 1::2, 1::2]) / np.float32(4)


def _patch_side(corners_px: Points) -> int:
    sides = np.linalg.norm(np.roll(corners_px, -1, axis=1) - corners_px, axis=2)
    return min(PATCH_PX, int(np.min(sides) * (_PLACES[1] - _PLACES[0])))
