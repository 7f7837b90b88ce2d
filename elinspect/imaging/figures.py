"""What can be measured on the raw exposures once the cells are known: signal, noise, blur, saturation, darkness."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.imaging.grey_steps import grey_steps
from elinspect.imaging.noise import noise_of, patches_of, signal_to_noise_from_pair, unsmoothed_noise
from elinspect.imaging.sharpness import edge_spread
from elinspect.records import CellPictures, ElImage, Exposures, FloatImage, Points, Tile
from elinspect.vision import cv2

SAMPLES = 300
"""Rows and columns, at most, that stand for a picture where every pixel need not be looked at."""

_MARGIN = 1.04
_DARK_SHARE = 0.1
_SAME_LEVEL = 0.05
_CLIPPED = 0.25

_CRACK_WIDTH_MM = 0.1
_CRACK_LENGTH_MM = 20.0
_SURE = 7.0
_LEAST_CONTRAST = 0.02
_FEWEST_WIDTHS = 6.0

_WELL_LIT = 0.7
_POORLY_LIT = 0.25
_USUAL_SPREAD = 1.4
_MOST_STEPS = 8.0


@dataclass(frozen=True, slots=True)
class Figures:
    """What was measured; None where it could not be. Of several files the worst figure counts.

    Attributes
    ----------
    signal_to_noise : float or None
        Of one pixel; None where the cells are too small, or saturated in good part.
    clipped : bool
        Whether so much is saturated that the noise cannot be measured.
    from_pair : bool
        Whether two exposures told the noise.
    smoothed : bool
        Whether the noise was hidden by smoothing or compression, and the ratio stems from coarser structures.
    sharpness_px : float or None
        Spread of the cells' edges.
    saturated_fraction, dark_fraction : float
        Shares of the cells' pixels.
    mm_per_px : float or None
        Size of a file pixel.
    exposure_factor : float or None
        Factor by which the exposure should be longer or shorter; None where it is well chosen.
    grey_steps : float or None
        Steps of grey between ground and light; None where the noise covers them.
    notes : tuple of Message
        What was noticed while measuring.
    """

    signal_to_noise: float | None
    clipped: bool
    from_pair: bool
    smoothed: bool
    sharpness_px: float | None
    saturated_fraction: float
    dark_fraction: float
    mm_per_px: float | None
    exposure_factor: float | None
    grey_steps: float | None = None
    notes: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True)
class _Light:
    """Of one file: the ratio, how it was found, counts without and with light, notes."""

    ratio: float | None
    from_pair: bool
    smoothed: bool
    ground: float
    signal: float
    notes: tuple[Message, ...] = ()
    clipped: bool = False


def measure(exposures: Exposures, tiles: Sequence[Tile], pictures: CellPictures) -> Figures:
    """Measure an exposure set.

    Parameters
    ----------
    exposures : Exposures
        As read: what is measured is the raw picture. Filtering improves the looks, not the signal.
    tiles : sequence of Tile
        The same, corrected; noise is measured on them where the dark frame is known, for its pattern is no noise.
    pictures : CellPictures
        Where the cells lie.
    """
    corners = pictures.corners_in_files()
    lights, spreads, full, dark, covered, factors, steps = [], [], 0, 0, 0, [], []
    for number, tile in enumerate(tiles):
        own = corners[pictures.tile == number]
        if not len(own):
            continue
        # Beside its own cells a tile may show those of its neighbour.
        field = pictures.grid.corners_px if tile.place is None else tile.place.to_file(pictures.grid.corners_px)
        lights.append(_light(exposures, tile, number, own, field))
        spreads.append(edge_spread(tile.full_current.counts, own))
        counted = _counted(tile.full_current, own, lights[-1])
        full, dark, covered = full + counted[0], dark + counted[1], covered + counted[2]
        factors.append(exposure_factor(exposures.full_current[number], own, field))
        steps.append(_grey_steps(exposures.full_current[number], own, field))
    ratios = [light.ratio for light in lights]
    known = [spread for spread in spreads if spread is not None]
    asked = [factor for factor in factors if factor is not None]
    counted_steps = [count for count in steps if count is not None]
    return Figures(
        signal_to_noise=None if None in ratios else min(ratio for ratio in ratios if ratio is not None),
        clipped=any(light.clipped for light in lights),
        from_pair=all(light.from_pair for light in lights),
        smoothed=any(light.smoothed for light in lights),
        sharpness_px=max(known) if known else None,
        saturated_fraction=full / covered if covered else 0.0,
        dark_fraction=dark / covered if covered else 0.0,
        mm_per_px=_mm_per_px(pictures, corners) if pictures.scale_known else None,
        # Too bright anywhere counts before too dim somewhere.
        exposure_factor=min(asked) if asked else None,
        grey_steps=min(counted_steps) if counted_steps else None,
        notes=tuple({note.code: note for light in lights for note in light.notes}.values()),
    )


def sampled(counts: FloatImage) -> FloatImage:
    """Return about `SAMPLES` rows and columns, evenly spread."""
    return counts[:: max(counts.shape[0] // SAMPLES, 1), :: max(counts.shape[1] // SAMPLES, 1)]


def exposure_factor(image: ElImage, corners_px: Points, field_px: Points | None = None) -> float | None:
    """Return by how much the exposure should be longer (above 1) or shorter, None where it is well chosen.

    Parameters
    ----------
    image : ElImage
        A raw exposure.
    corners_px : ndarray, shape (n_cells, 4, 2)
        Corners (x, y) of its cells.
    field_px : ndarray, shape (n, 4, 2), optional
        Those of all cells of the panel, where they are more.

    Returns
    -------
    float or None
        Brings the brightest parts of the cells (99th percentile) to seven tenths of full scale; at most eightfold
        either way in one step.
    """
    patches = patches_of(image.counts, corners_px)
    if patches.size == 0:
        return None
    ground = surroundings(image.counts, corners_px if field_px is None else field_px)
    bright = float(np.percentile(patches, 99))
    if bright >= image.saturation:
        # How bright the saturated parts were is not known; cells vary by so much about their middle.
        middle = float(np.median(patches))
        bright = (
            image.saturation * _USUAL_SPREAD
            if middle >= image.saturation
            else ground + _USUAL_SPREAD * (middle - ground)
        )
        bright = max(bright, image.saturation)
    elif bright - ground >= _POORLY_LIT * (image.saturation - ground):
        return None
    if bright <= ground:
        return _MOST_STEPS
    factor = (_WELL_LIT * image.saturation - ground) / (bright - ground)
    return float(np.clip(factor, 1 / _MOST_STEPS, _MOST_STEPS))


def _grey_steps(image: ElImage, corners_px: Points, field_px: Points) -> float | None:
    # A quarter of the places is enough to see which values occur.
    patches = patches_of(image.counts, corners_px)[:, ::4]
    if patches.size == 0:
        return None
    return grey_steps(patches, surroundings(image.counts, field_px), float(np.median(noise_of(patches))))


def smallest_crack(
    signal_to_noise: float, spread_px: float, mm_per_px: float, steps: float | None = None
) -> tuple[float, float]:
    """Return length and width (mm) of the smallest crack that an image supports a judgement on.

    A crack is a dark line, blurred by the spread of the edges; summed along it with the weights of the blur its
    evidence is the signal-to-noise ratio times ``width * sqrt(length / (2 sqrt(pi) spread))``, all in pixels (matched
    filter for a line of Gaussian profile; derivation). Seven times the noise stand out among some 100,000 places
    where a line may lie.

    Parameters
    ----------
    signal_to_noise : float
        Of one pixel.
    spread_px : float
        Standard deviation of the blur.
    mm_per_px : float
        Size of a pixel.
    steps : float, optional
        Steps of grey that the light is stored in, where the noise does not cover them.

    Returns
    -------
    length_mm : float
        Of a crack as dark as a gap of 0.1 mm, and at least six blur widths, or its direction cannot be told.
    width_mm : float
        Dark width of a crack of 20 mm; at least what gives two per cent contrast, below which texture hides it, and one
        step of grey. Both figures: an estimate for even cells; grains hide more.
    """
    per_length = signal_to_noise / math.sqrt(2 * math.sqrt(math.pi) * spread_px)
    width_px = _CRACK_WIDTH_MM / mm_per_px
    length_px = max((_SURE / (per_length * width_px)) ** 2, _FEWEST_WIDTHS * spread_px)
    narrowest_px = max(
        _SURE / (per_length * math.sqrt(_CRACK_LENGTH_MM / mm_per_px)),
        max(_LEAST_CONTRAST, 1 / steps if steps else 0.0) * math.sqrt(2 * math.pi) * spread_px,
    )
    return length_px * mm_per_px, narrowest_px * mm_per_px


def _light(exposures: Exposures, tile: Tile, number: int, corners: Points, field: Points) -> _Light:
    counts = tile.full_current.counts
    patches = patches_of(counts, corners)
    ground = surroundings(counts, field)
    if patches.size == 0:
        return _Light(None, False, False, ground, 0.0)
    signal = float(np.median(np.median(patches.reshape(len(patches), -1), axis=1))) - ground
    # A full sensor shows no noise: any figure would be far too good.
    if float(np.mean(patches >= tile.full_current.saturation)) > _CLIPPED:
        return _Light(None, False, False, ground, signal, clipped=True)
    notes: tuple[Message, ...] = ()
    if exposures.repeat:
        ratio, problem = _pair_ratio(exposures, number, corners, field, tile, ground)
        if ratio is not None:
            return _Light(ratio, True, False, ground, signal)
        notes = (problem,) if problem is not None else ()
    coarse = unsmoothed_noise(patches)
    noise = float(np.median(noise_of(patches))) if coarse is None else coarse
    return _Light(max(signal, 0.0) / noise, False, coarse is not None, ground, signal, notes)


def _pair_ratio(
    exposures: Exposures, number: int, corners: Points, field: Points, tile: Tile, ground: float
) -> tuple[float | None, Message | None]:
    raw, again = exposures.full_current[number], exposures.repeat[number]
    first, second = patches_of(raw.counts, corners), patches_of(again.counts, corners)
    levels = float(np.median(first)), float(np.median(second))
    if abs(levels[1] - levels[0]) > _SAME_LEVEL * max(levels[0], 1e-6):
        return None, Message("quality.pair_differs", {"file": str(again.path)})
    # What a dark frame takes off is the background of the raw pair; without one it is the ground beside the panel.
    dark = exposures.dark[number].counts if exposures.dark else None
    background = np.float32(ground) if dark is None else patches_of(dark, corners)
    if dark is None and raw.counts is not tile.full_current.counts:
        background = np.float32(surroundings(raw.counts, field))
    shape = (-1, first.shape[-1])
    base = np.broadcast_to(background, first.shape).reshape(shape)
    ratio = signal_to_noise_from_pair(first.reshape(shape), second.reshape(shape), base)
    if ratio is None:
        return None, Message("quality.pair_copied", {"file": str(again.path)})
    return max(ratio, 0.0), None


def surroundings(counts: FloatImage, corners_px: Points) -> float:
    """Return the counts where no cell is: the median outside the field, or the darkest in a picture full of cells.

    Parameters
    ----------
    counts : ndarray of float32, shape (height, width)
        A picture.
    corners_px : ndarray, shape (n_cells, 4, 2)
        Corners (x, y) of all cells of the panel; those of a tile's neighbours lie outside it.
    """
    height, width = counts.shape
    points = corners_px.reshape(-1, 2)
    middle = points.mean(axis=0)
    hull = cv2.convexHull((middle + _MARGIN * (points - middle)).astype(np.float32))
    step = max(height // SAMPLES, 1), max(width // SAMPLES, 1)
    sample = counts[:: step[0], :: step[1]]
    inside = np.zeros(sample.shape, np.uint8)
    cv2.fillConvexPoly(inside, np.round(hull / np.array(step[::-1])).astype(np.int32), 1)
    outside = sample[inside == 0]
    if outside.size >= sample.size // 500 + 50:
        return float(np.median(outside))
    return float(np.percentile(sample, 1))


def _counted(image: ElImage, corners_px: Points, light: _Light) -> tuple[int, int, int]:
    """Count every second raw pixel, both ways, within the cells: saturated ones, dark ones, all."""
    part = image.counts[::2, ::2]
    cells = np.zeros(part.shape, np.uint8)
    for corners in corners_px:
        cv2.fillConvexPoly(cells, np.round(corners / 2).astype(np.int32), 1)
    within = part[cells > 0]
    full = int(np.count_nonzero(within >= image.saturation))
    dark = int(np.count_nonzero(within < light.ground + _DARK_SHARE * max(light.signal, 0.0)))
    return full, dark, int(within.size)


def _mm_per_px(pictures: CellPictures, corners: Points) -> float:
    """Return the size of a file pixel, the median over all sides of all cells."""
    length_px: NDArray[np.float64] = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    rows, columns = pictures.full_current.shape[1:]
    # A cell's corners are the centres of the outermost pixels of its picture.
    along_mm, across_mm = (columns - 1) * pictures.mm_per_px, (rows - 1) * pictures.mm_per_px
    return float(np.median(np.array([along_mm, across_mm, along_mm, across_mm]) / length_px))
