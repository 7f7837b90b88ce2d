"""Whether an exposure is good enough to judge by, measured on the raw image."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.imaging.noise import noise_of, patches_of
from elinspect.imaging.sharpness import edge_spread
from elinspect.recipe import QualityLimits
from elinspect.records import CellPictures, ElImage, FloatImage, ImageQuality, Points
from elinspect.vision import cv2

_SAMPLES = 300
_BLOCK_PX = 16
_FEWEST_BLOCKS = 16
_STRUCTURE = 2.5
"""Variance of block means over that of white noise, from which on a picture shows something. White noise gives 1 within
sqrt(2 / blocks); a panel whose cells stand one quarter of the pixel noise above the dark gives 5."""
_SATURATED_PICTURE = 0.9
_SOFT_PX = 3.0
_MARGIN = 1.04


@dataclass(frozen=True, slots=True)
class _Figures:
    """What was measured; None where it could not be."""

    signal_to_noise: float | None
    sharpness_px: float | None
    saturated_fraction: float
    mm_per_px: float | None


def blank_reason(image: ElImage) -> Message | None:
    """Say why an exposure shows nothing that a panel could be looked for in.

    Parameters
    ----------
    image : ElImage
        The exposure.

    Returns
    -------
    Message or None
        Black, white, one value everywhere, saturated nearly everywhere, or noise without any structure; None for
        everything else, which is for the geometry to judge. No absolute grey level decides.
    """
    counts = image.counts
    darkest, brightest = cv2.minMaxLoc(counts)[:2]
    if darkest == brightest:
        if brightest <= 0:
            return Message("quality.black")
        return Message("quality.white" if brightest >= image.saturation else "quality.one_value", {"counts": brightest})
    sample = _sampled(counts)
    share = float(np.mean(sample >= image.saturation))
    if share >= _SATURATED_PICTURE:
        return Message("quality.overexposed", {"percent": 100 * share})
    if _only_noise(counts, sample):
        return Message("quality.only_noise")
    return None


def assess(image: ElImage, pictures: CellPictures | None, limits: QualityLimits) -> ImageQuality:
    """Judge an exposure by its raw pixels.

    Parameters
    ----------
    image : ElImage
        The exposure, neither filtered nor resampled: filtering improves the looks, not the signal.
    pictures : CellPictures or None
        Where the cells lie; None if no panel was found.
    limits : QualityLimits
        The plant's limits.

    Returns
    -------
    ImageQuality
        Signal-to-noise of one pixel is the median over the cells of their luminance above the surroundings of the
        panel, over the median noise within the cells. Sharpness is the spread of the cells' edges in file pixels, the
        aperture of the pixel included. Every reason why the image is not usable says what to do. Without a panel the
        image is not usable and nothing but gross overexposure is said.
    """
    if pictures is None:
        share = float(np.mean(_sampled(image.counts) >= image.saturation))
        note = Message("quality.saturated_picture", {"percent": 100 * share})
        return ImageQuality(usable=False, notes=(note,) if share > limits.max_saturated_fraction else ())
    corners = pictures.grid.corners_px
    figures = _Figures(
        _signal_to_noise(image.counts, pictures),
        edge_spread(image.counts, corners),
        _saturated_fraction(image, corners),
        _mm_per_px(pictures) if pictures.scale_known else None,
    )
    reasons = _reasons_against(figures, limits)
    return ImageQuality(
        usable=not reasons,
        signal_to_noise=figures.signal_to_noise,
        sharpness_px=figures.sharpness_px,
        saturated_fraction=figures.saturated_fraction,
        mm_per_px=figures.mm_per_px,
        notes=(*reasons, *_remarks(figures)),
    )


def _reasons_against(figures: _Figures, limits: QualityLimits) -> tuple[Message, ...]:
    reasons = []
    ratio = figures.signal_to_noise
    if ratio is None:
        reasons.append(Message("quality.cells_too_small"))
    elif ratio < limits.min_signal_to_noise:
        values = {"ratio": ratio, "limit": limits.min_signal_to_noise}
        reasons.append(Message("quality.weak_signal", values))
    if figures.saturated_fraction > limits.max_saturated_fraction:
        percent, allowed = 100 * figures.saturated_fraction, 100 * limits.max_saturated_fraction
        reasons.append(Message("quality.saturated", {"percent": percent, "limit": allowed}))
    return tuple(reasons)


def _remarks(figures: _Figures) -> tuple[Message, ...]:
    if figures.sharpness_px is not None and figures.sharpness_px > _SOFT_PX:
        return (Message("quality.soft", {"spread_px": figures.sharpness_px}),)
    return ()


def _sampled(counts: FloatImage) -> FloatImage:
    """Return about `_SAMPLES` rows and columns, evenly spread."""
    return counts[:: max(counts.shape[0] // _SAMPLES, 1), :: max(counts.shape[1] // _SAMPLES, 1)]


def _only_noise(counts: FloatImage, sample: FloatImage) -> bool:
    rows, columns = (size // _BLOCK_PX for size in counts.shape)
    if rows * columns < _FEWEST_BLOCKS:
        return False
    whole = counts[: rows * _BLOCK_PX, : columns * _BLOCK_PX]
    means = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    return float(means.var(dtype=np.float64)) * _BLOCK_PX**2 < _STRUCTURE * float(sample.var(dtype=np.float64))


def _signal_to_noise(counts: FloatImage, pictures: CellPictures) -> float | None:
    patches = patches_of(counts, pictures.grid.corners_px)
    if patches.size == 0:
        return None
    luminance = np.median(patches.reshape(len(patches), -1), axis=1)
    signal = float(np.median(luminance)) - _surroundings(counts, pictures.grid.panel_corners_px)
    return max(signal, 0.0) / float(np.median(noise_of(patches)))


def _surroundings(counts: FloatImage, panel_corners_px: Points) -> float:
    """Return the counts where no cell is: the median outside the panel or, in a picture full of cells, the darkest."""
    height, width = counts.shape
    middle = panel_corners_px.mean(axis=0)
    outline = middle + _MARGIN * (panel_corners_px - middle)
    rows, columns = np.arange(0, height, max(height // _SAMPLES, 1)), np.arange(0, width, max(width // _SAMPLES, 1))
    sample = counts[np.ix_(rows, columns)]
    outside = sample[~_inside(outline, rows, columns)]
    if outside.size >= sample.size // 500 + 50:
        return float(np.median(outside))
    return float(np.percentile(sample, 1))


def _inside(outline: Points, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether each point of a raster lies within a convex outline, shape (rows, columns)."""
    edges = np.roll(outline, -1, axis=0) - outline
    sides = [
        dx * (rows[:, None] - y) - dy * (columns[None] - x) for (x, y), (dx, dy) in zip(outline, edges, strict=True)
    ]
    stacked = np.stack(sides)
    return np.asarray(np.all(stacked >= 0, axis=0) | np.all(stacked <= 0, axis=0))


def _saturated_fraction(image: ElImage, corners_px: Points) -> float:
    """Share of every second raw pixel, both ways, within the cells."""
    full = image.counts[::2, ::2] >= image.saturation
    if not full.any():
        return 0.0
    cells = np.zeros(full.shape, np.uint8)
    for corners in corners_px:
        cv2.fillConvexPoly(cells, np.round(corners / 2).astype(np.int32), 1)
    covered = np.count_nonzero(cells)
    return float(np.count_nonzero(full & (cells > 0)) / covered) if covered else 0.0


def _mm_per_px(pictures: CellPictures) -> float:
    """Return the size of a file pixel, the median over all sides of all cells."""
    corners = pictures.grid.corners_px
    length_px = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    rows, columns = pictures.full_current.shape[1:]
    # A cell's corners are the centres of the outermost pixels of its picture.
    along_mm, across_mm = (columns - 1) * pictures.mm_per_px, (rows - 1) * pictures.mm_per_px
    return float(np.median(np.array([along_mm, across_mm, along_mm, across_mm]) / length_px))
