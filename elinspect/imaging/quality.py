"""Whether an exposure is good enough to judge by, measured on the raw image."""

from collections.abc import Sequence

import numpy as np

from elinspect.catalogue import Message
from elinspect.imaging.figures import Figures, measure, sampled, smallest_crack
from elinspect.recipe import QualityLimits
from elinspect.records import CellPictures, ElImage, Exposures, FloatImage, ImageQuality, Tile
from elinspect.vision import cv2

_BLOCK_PX = 16
_FEWEST_BLOCKS = 16
_STRUCTURE = 2.5
"""Variance of block means over that of white noise, from which on a picture shows something. White noise gives 1 within
sqrt(2 / blocks); a panel whose cells stand one quarter of the pixel noise above the dark gives 5."""
_SATURATED_PICTURE = 0.9
_SOFT_PX = 3.0
_FEW_TIMES = 2.0
"""Times the least number of grey steps, up to which the inspector is told what they hide."""


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
    sample = sampled(counts)
    share = float(np.mean(sample >= image.saturation))
    if share >= _SATURATED_PICTURE:
        return Message("quality.overexposed", {"percent": 100 * share})
    if _only_noise(counts, sample):
        return Message("quality.only_noise")
    return None


def assess(
    exposures: Exposures, tiles: Sequence[Tile], pictures: CellPictures | None, limits: QualityLimits
) -> ImageQuality:
    """Judge an exposure set by its raw pixels.

    Parameters
    ----------
    exposures : Exposures
        As read, neither filtered nor resampled: filtering improves the looks, not the signal.
    tiles : sequence of Tile
        The same, corrected.
    pictures : CellPictures or None
        Where the cells lie; None if no panel was found.
    limits : QualityLimits
        The plant's limits.

    Returns
    -------
    ImageQuality
        Signal-to-noise of one pixel: from a pair of exposures where there is one, else the median over the cells of
        their luminance above the surroundings of the panel, over the median noise within the cells. Sharpness is the
        spread of the cells' edges in file pixels, the aperture of the pixel included. Every reason why the image is not
        usable says what to do. Without a panel the image is not usable and nothing but gross overexposure is said.
    """
    if pictures is None:
        share = max(float(np.mean(sampled(image.counts) >= image.saturation)) for image in exposures.full_current)
        note = Message("quality.saturated_picture", {"percent": 100 * share})
        return ImageQuality(usable=False, notes=(note,) if share > limits.max_saturated_fraction else ())
    figures = measure(exposures, tiles, pictures)
    reasons = _reasons_against(figures, limits)
    spread_px, mm_per_px, ratio = figures.sharpness_px, figures.mm_per_px, figures.signal_to_noise
    length_mm = width_mm = None
    if mm_per_px is not None and spread_px is not None and ratio is not None and ratio > 0:
        length_mm, width_mm = smallest_crack(ratio, spread_px, mm_per_px, figures.grey_steps)
    return ImageQuality(
        usable=not reasons,
        signal_to_noise=ratio,
        sharpness_px=spread_px,
        saturated_fraction=figures.saturated_fraction,
        mm_per_px=mm_per_px,
        notes=(*reasons, *_remarks(figures, limits), *figures.notes),
        signal_to_noise_from=None if ratio is None else "pair" if figures.from_pair else "image",
        sharpness_mm=None if spread_px is None or mm_per_px is None else spread_px * mm_per_px,
        dark_fraction=figures.dark_fraction,
        shortest_crack_mm=length_mm,
        narrowest_crack_mm=width_mm,
        exposure_factor=figures.exposure_factor,
        grey_steps=figures.grey_steps,
    )


def _reasons_against(figures: Figures, limits: QualityLimits) -> tuple[Message, ...]:
    reasons = []
    ratio = figures.signal_to_noise
    if ratio is None and not figures.clipped:
        reasons.append(Message("quality.cells_too_small"))
    elif ratio is not None and ratio < limits.min_signal_to_noise:
        reasons.append(Message("quality.weak_signal", {"ratio": ratio, "limit": limits.min_signal_to_noise}))
    steps = figures.grey_steps
    if steps is not None and steps < limits.min_grey_steps:
        reasons.append(Message("quality.too_few_grey_steps", {"steps": steps, "limit": limits.min_grey_steps}))
    if figures.saturated_fraction > limits.max_saturated_fraction:
        percent, allowed = 100 * figures.saturated_fraction, 100 * limits.max_saturated_fraction
        reasons.append(Message("quality.saturated", {"percent": percent, "limit": allowed}))
    if figures.dark_fraction > limits.max_dark_fraction:
        percent, allowed = 100 * figures.dark_fraction, 100 * limits.max_dark_fraction
        reasons.append(Message("quality.dark", {"percent": percent, "limit": allowed}))
    if figures.mm_per_px is not None:
        if figures.mm_per_px > limits.max_mm_per_px:
            reasons.append(Message("quality.coarse", {"mm": figures.mm_per_px, "limit": limits.max_mm_per_px}))
        spread_mm = (figures.sharpness_px or 0.0) * figures.mm_per_px
        if spread_mm > limits.max_edge_spread_mm:
            reasons.append(Message("quality.blurred", {"mm": spread_mm, "limit": limits.max_edge_spread_mm}))
    return tuple(reasons)


def _remarks(figures: Figures, limits: QualityLimits) -> tuple[Message, ...]:
    remarks = []
    if figures.smoothed and figures.signal_to_noise is not None:
        remarks.append(Message("quality.smoothed", {"ratio": figures.signal_to_noise}))
    if figures.sharpness_px is not None and figures.sharpness_px > _SOFT_PX:
        remarks.append(Message("quality.soft", {"spread_px": figures.sharpness_px}))
    steps = figures.grey_steps
    coarse_grey = steps is not None and steps < _FEW_TIMES * limits.min_grey_steps
    if steps is not None and limits.min_grey_steps <= steps < _FEW_TIMES * limits.min_grey_steps:
        remarks.append(Message("quality.few_grey_steps", {"steps": steps, "percent": 100 / steps}))
    factor = figures.exposure_factor
    # Where little light does no harm yet, it is not worth a word to the inspector.
    noisy = figures.signal_to_noise is not None and figures.signal_to_noise < 3 * limits.min_signal_to_noise
    needs_light = noisy or coarse_grey
    if factor is not None and factor < 1:
        remarks.append(Message("quality.expose_shorter", {"factor": 1 / factor}))
    elif factor is not None and needs_light:
        remarks.append(Message("quality.expose_longer", {"factor": factor}))
    return tuple(remarks)


def _only_noise(counts: FloatImage, sample: FloatImage) -> bool:
    rows, columns = (size // _BLOCK_PX for size in counts.shape)
    if rows * columns < _FEWEST_BLOCKS:
        return False
    whole = counts[: rows * _BLOCK_PX, : columns * _BLOCK_PX]
    means = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    return float(means.var(dtype=np.float64)) * _BLOCK_PX**2 < _STRUCTURE * float(sample.var(dtype=np.float64))
