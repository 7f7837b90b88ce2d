"""From light to counts: scatter, optics, sensor, and the frames that belong to a camera."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, read_only
from elinspect.synthetic.camera import CameraSettings
from elinspect.vision import cv2

Picture = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """One exposure of several: the picture, and where its top left pixel lies in the whole one."""

    picture: Picture
    left: int
    top: int


def expose(camera: CameraSettings, luminance: FloatImage, rng: np.random.Generator) -> Picture:
    """Take the picture.

    Parameters
    ----------
    camera : CameraSettings
        Optics and sensor.
    luminance : ndarray of float32, shape (rows, columns)
        As the sharp, noiseless camera sees it; 1 is a good place of a usual cell.
    rng : numpy.random.Generator
        Draws the noise.

    Returns
    -------
    ndarray of uint8 or uint16, shape (rows, columns)
        The stored counts.
    """
    return _stored(camera, through_optics(camera, luminance), rng)


def in_tiles(camera: CameraSettings, luminance: FloatImage, rng: np.random.Generator) -> tuple[Tile, ...]:
    """Take the panel in several exposures, row by row; each has noise and fall-off of its own."""
    rows, columns = camera.tiles
    height, width = luminance.shape

    def spans(count: int, length: int) -> list[tuple[int, int]]:
        each = length / (count - (count - 1) * camera.tile_overlap)
        starts = [n * each * (1 - camera.tile_overlap) for n in range(count)]
        return [(round(start), min(length, round(start + each))) for start in starts]

    return tuple(
        Tile(read_only(expose(camera, np.ascontiguousarray(luminance[top:bottom, left:right]), rng)), left, top)
        for top, bottom in spans(rows, height)
        for left, right in spans(columns, width)
    )


def dark_frame(camera: CameraSettings, shape: tuple[int, int], rng: np.random.Generator) -> Picture:
    """Return a picture of this shape without any light: dark level, hot pixels, read noise."""
    return _stored(camera, np.zeros(shape, np.float32), rng)


def flat_field(camera: CameraSettings, shape: tuple[int, int], rng: np.random.Generator) -> Picture:
    """Return a picture of an even light source: the fall-off towards the corners, and noise."""
    return _stored(camera, _vignette(camera.vignetting, shape) * _seam(camera, shape), rng)


def through_optics(camera: CameraSettings, luminance: FloatImage) -> FloatImage:
    """Return the light on the sensor: scattered, bent by the lens, blurred, smeared, weaker in the corners."""
    seen = luminance + _glow(camera, luminance)
    if camera.lens != 0:
        seen = _through_lens(camera.lens, seen)
    if camera.blur_px > 0:
        seen = np.asarray(cv2.GaussianBlur(seen, (0, 0), camera.blur_px), np.float32)
    if camera.motion_px > 0:
        seen = np.asarray(cv2.filter2D(seen, -1, _smear(camera.motion_px)), np.float32)
    seen *= _vignette(camera.vignetting, seen.shape) * _seam(camera, seen.shape)
    return np.asarray(seen, np.float32)


def _stored(camera: CameraSettings, light: FloatImage, rng: np.random.Generator) -> Picture:
    shape = light.shape
    seen = light
    if camera.enlarged < 1:
        seen = np.asarray(cv2.resize(light, None, fx=camera.enlarged, fy=camera.enlarged, interpolation=cv2.INTER_AREA))
    # Noise variance over that of a usual cell: shot noise grows with the signal, read noise does not.
    noise = np.sqrt(np.float32(0.8) * np.maximum(seen, 0) + np.float32(0.2))
    noise *= rng.standard_normal(seen.shape, dtype=np.float32)
    noise /= np.float32(camera.signal_to_noise)
    seen = seen + noise
    if camera.hot_pixels > 0:
        of_sensor = np.random.default_rng(camera.sensor)
        count = round(camera.hot_pixels * seen.size)
        rows, columns = of_sensor.integers(seen.shape[0], size=count), of_sensor.integers(seen.shape[1], size=count)
        seen[rows, columns] += of_sensor.exponential(0.6, count).astype(np.float32)
    if seen.shape != shape:
        seen = np.asarray(cv2.resize(seen, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)
    full = 2**camera.bit_depth - 1
    seen *= np.float32(camera.exposure * full)
    seen += np.float32(camera.dark_level * full)
    np.clip(np.rint(seen, out=seen), 0, full, out=seen)
    return seen.astype(np.uint8) if camera.bit_depth == 8 else seen.astype(np.uint16)


def _smear(length_px: float) -> FloatImage:
    """Return the kernel of an even movement: a box of this length, its ends in part."""
    half = math.ceil((length_px - 1) / 2) if length_px > 1 else 1
    places = np.arange(-half, half + 1)
    share = np.clip((length_px + 1) / 2 - np.abs(places), 0, 1).astype(np.float32)[None]
    return np.asarray(share / share.sum(), np.float32)


def _through_lens(lens: float, straight: FloatImage) -> FloatImage:
    """Return the picture bent: each pixel is looked up where the lens took it from."""
    height, width = straight.shape
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    half = float(np.hypot(*middle))
    x, y = (np.arange(n, dtype=np.float32) - np.float32(m) for n, m in ((width, middle[0]), (height, middle[1])))
    wanted = ((x[None] ** 2 + y[:, None] ** 2) / half**2).astype(np.float32)
    # Squared radius before the lens, from that behind it: r'^2 = r^2 (1 + k r^2)^2, by fixed point.
    before = wanted.copy()
    for _ in range(6):
        before = wanted / (1 + np.float32(lens) * before) ** 2
    shrink = 1 / (1 + np.float32(lens) * before)
    at_x, at_y = x[None] * shrink + np.float32(middle[0]), y[:, None] * shrink + np.float32(middle[1])
    return np.asarray(cv2.remap(straight, at_x, at_y, cv2.INTER_LINEAR), np.float32)


def _glow(camera: CameraSettings, luminance: FloatImage) -> FloatImage:
    """Return the scattered light: near each cell, and over the whole picture."""
    height, width = luminance.shape
    factor = max(1, min(8, min(height, width) // 32))
    size = (math.ceil(width / factor), math.ceil(height / factor))
    small = np.asarray(cv2.resize(luminance, size, interpolation=cv2.INTER_AREA), np.float32)
    near = cv2.GaussianBlur(small, (0, 0), camera.glow_mm * camera.px_per_mm / factor, borderType=cv2.BORDER_CONSTANT)
    far = cv2.GaussianBlur(small, (0, 0), 60 * camera.px_per_mm / factor, borderType=cv2.BORDER_CONSTANT)
    scattered = np.asarray(camera.glow * (0.7 * near + 0.3 * far), np.float32)
    return np.asarray(cv2.resize(scattered, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


def _vignette(loss: float, shape: tuple[int, ...]) -> FloatImage:
    y, x = (np.linspace(-1, 1, n, dtype=np.float32) for n in shape)
    return np.asarray(1 - (loss / 2) * (y[:, None] ** 2 + x[None] ** 2), np.float32)


def _seam(camera: CameraSettings, shape: tuple[int, ...]) -> FloatImage:
    """Return the gain of each column, shape (1, columns)."""
    gain = np.ones((1, shape[1]), np.float32)
    gain[:, shape[1] // 2 :] += np.float32(camera.seam)
    return gain
