"""The gate's camera: where it stands, how sharp and noisy it is, how it stores the picture."""

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Orientation
from elinspect.vision import cv2


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """How a simulated panel is photographed.

    Attributes
    ----------
    px_per_mm : float
        Scale at the panel's middle.
    margin_mm : float or None
        Dark ground around the cells; None: 40 mm, but none around a single string, whose picture is a crop.
    turn_deg : float
        Turn of the panel in the picture, clockwise.
    tilt_x_deg, tilt_y_deg : float
        Tilt about the horizontal and the vertical axis; the camera stands 1.5 times the panel's longer side away.
    blur_px : float
        Standard deviation of the point spread.
    signal_to_noise : float
        Signal of a usual cell over the noise of one pixel there; four fifths of the noise power are shot noise.
    vignetting : float
        Share of light lost in the corners.
    glow : float
        Share of the panel's light scattered over the picture, gaps and ground included.
    glow_mm : float
        How far most of it reaches (standard deviation); little before lamination, more through glass.
    exposure : float
        Signal of a usual cell, share of the full scale.
    dark_level : float
        Counts without light, share of the full scale.
    bit_depth : {8, 12, 16}
        12 bits are stored in 16, values up to 4095.
    orientation : Orientation or None
        Turn that brings the stored picture to the gate view; None: the recipe's.
    """

    px_per_mm: float = 2.0
    margin_mm: float | None = None
    turn_deg: float = 0.0
    tilt_x_deg: float = 0.0
    tilt_y_deg: float = 0.0
    blur_px: float = 0.7
    signal_to_noise: float = 40.0
    vignetting: float = 0.1
    glow: float = 0.03
    glow_mm: float = 5.0
    exposure: float = 0.5
    dark_level: float = 0.01
    bit_depth: int = 12
    orientation: Orientation | None = None

    def __post_init__(self) -> None:
        bounds = {
            "px_per_mm": (0.2, 20.0),
            "margin_mm": (0.0, 1000.0),
            "turn_deg": (-45.0, 45.0),
            "tilt_x_deg": (-40.0, 40.0),
            "tilt_y_deg": (-40.0, 40.0),
            "blur_px": (0.0, 20.0),
            "signal_to_noise": (0.5, 10_000.0),
            "vignetting": (0.0, 0.9),
            "glow": (0.0, 0.8),
            "glow_mm": (0.2, 50.0),
            "exposure": (0.001, 10.0),
            "dark_level": (0.0, 0.5),
        }
        for name in (field.name for field in fields(self)):
            value = getattr(self, name)
            if name in bounds and value is not None and not bounds[name][0] <= value <= bounds[name][1]:
                raise ValueError(f"{name} must lie in {bounds[name][0]}..{bounds[name][1]}, not {value}")
        if self.bit_depth not in (8, 12, 16):
            raise ValueError(f"bit_depth must be 8, 12 or 16, not {self.bit_depth}")


def draw_camera(rng: np.random.Generator, px_per_mm: float = 2.0, bit_depth: int = 12) -> CameraSettings:
    """Draw a camera as a gate may have it: nearly straight, usually sharp."""
    turn, tilt_x, tilt_y = rng.uniform(-1.5, 1.5, 3)
    return CameraSettings(
        px_per_mm=px_per_mm,
        margin_mm=float(rng.uniform(20, 60)),
        turn_deg=float(turn),
        tilt_x_deg=float(tilt_x),
        tilt_y_deg=float(tilt_y),
        blur_px=float(rng.uniform(0.6, 1.3)),
        signal_to_noise=float(np.exp(rng.uniform(math.log(30), math.log(150)))),
        vignetting=float(rng.uniform(0.02, 0.2)),
        glow=float(rng.uniform(0.02, 0.12)),
        exposure=float(rng.uniform(0.35, 0.6)),
        dark_level=float(rng.uniform(0.005, 0.02)),
        bit_depth=bit_depth,
    )


def draw_any_camera(rng: np.random.Generator) -> CameraSettings:
    """Draw a camera out of all that may be met: 0.15 to 0.6 mm a pixel, sharp or soft, quiet or noisy, 8 to 16 bits."""
    px_per_mm = float(1 / np.exp(rng.uniform(math.log(0.3), math.log(0.6))))
    if rng.random() < 0.1:
        px_per_mm = float(1 / rng.uniform(0.15, 0.3))
    turn, tilt_x, tilt_y = rng.uniform(-2, 2, 3)
    return CameraSettings(
        px_per_mm=px_per_mm,
        margin_mm=float(rng.uniform(5, 20)),
        turn_deg=float(turn),
        tilt_x_deg=float(tilt_x),
        tilt_y_deg=float(tilt_y),
        blur_px=float(np.exp(rng.uniform(math.log(0.6), math.log(2.4)))),
        signal_to_noise=float(np.exp(rng.uniform(math.log(22), math.log(300)))),
        vignetting=float(rng.uniform(0.0, 0.3)),
        glow=float(np.exp(rng.uniform(math.log(0.02), math.log(0.7)))),
        glow_mm=float(rng.uniform(1.0, 6.0)),
        exposure=float(np.exp(rng.uniform(math.log(0.2), math.log(0.7)))),
        dark_level=float(rng.uniform(0.0, 0.02)),
        bit_depth=int(rng.choice([8, 8, 12, 16])),
    )


def view_of(
    camera: CameraSettings, along_mm: float, across_mm: float, margin_mm: float
) -> tuple[NDArray[np.float64], tuple[int, int]]:
    """Return how the camera sees the plane of the cells, before the picture is turned for storing.

    Parameters
    ----------
    camera : CameraSettings
        Scale, turn and tilt.
    along_mm, across_mm : float
        Size of the field of cells; its top left corner is (0, 0).
    margin_mm : float
        Ground around it.

    Returns
    -------
    matrix : ndarray, shape (3, 3)
        From (x, y, 1) in mm of the plane to (x, y, 1) in pixels of the gate view.
    size : tuple of int
        Width and height in pixels; the whole field and its margin lie inside.
    """
    turn, about_x, about_y = np.deg2rad([camera.turn_deg, camera.tilt_x_deg, camera.tilt_y_deg])
    turned = np.array([[math.cos(turn), -math.sin(turn), 0], [math.sin(turn), math.cos(turn), 0], [0, 0, 1.0]])
    cos, sin = math.cos(about_x), math.sin(about_x)
    tilted = np.array([[1.0, 0, 0], [0, cos, -sin], [0, sin, cos]]) @ turned
    cos, sin = math.cos(about_y), math.sin(about_y)
    posed = np.array([[cos, 0, sin], [0, 1.0, 0], [-sin, 0, cos]]) @ tilted
    distance = 1.5 * max(along_mm, across_mm)
    centred = np.array([[1.0, 0, -along_mm / 2], [0, 1.0, -across_mm / 2], [0, 0, 1.0]])
    plane = np.column_stack([posed[:, 0], posed[:, 1], [0, 0, distance]])
    scale = camera.px_per_mm * distance
    matrix = np.diag([scale, scale, 1.0]) @ plane @ centred
    corners = np.array([[0.0, 0], [along_mm, 0], [along_mm, across_mm], [0, across_mm]])
    corners += np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * margin_mm
    seen = cv2.perspectiveTransform(corners[:, None], matrix)[:, 0]
    low, high = seen.min(axis=0), seen.max(axis=0)
    size = math.ceil(high[0] - low[0] - 1e-9) + 1, math.ceil(high[1] - low[1] - 1e-9) + 1
    shift = np.array([[1.0, 0, -low[0]], [0, 1.0, -low[1]], [0, 0, 1.0]])
    matrix = shift @ matrix
    return matrix / matrix[2, 2], size


def expose(
    camera: CameraSettings, luminance: FloatImage, rng: np.random.Generator
) -> NDArray[np.uint8] | NDArray[np.uint16]:
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
    seen = luminance + _glow(camera, luminance)
    if camera.blur_px > 0:
        seen = np.asarray(cv2.GaussianBlur(seen, (0, 0), camera.blur_px), np.float32)
    seen *= _vignette(camera.vignetting, seen.shape)
    # Noise variance over that of a usual cell: shot noise grows with the signal, read noise does not.
    noise = np.sqrt(0.8 * np.maximum(seen, 0) + 0.2)
    noise *= rng.standard_normal(seen.shape, dtype=np.float32)
    noise /= camera.signal_to_noise
    seen += noise
    full = 2**camera.bit_depth - 1
    seen *= camera.exposure * full
    seen += camera.dark_level * full
    np.clip(np.rint(seen, out=seen), 0, full, out=seen)
    return seen.astype(np.uint8) if camera.bit_depth == 8 else seen.astype(np.uint16)


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
