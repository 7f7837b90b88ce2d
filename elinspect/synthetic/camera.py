"""The gate's camera: where it stands, how sharp and noisy it is, how it stores the picture."""

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Orientation, Points
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
    lens : float
        Radial distortion: share by which a corner of the picture moves outwards (negative: inwards, a barrel).
    motion_px : float
        How far the conveyor moves during the exposure, along the picture's width.
    hot_pixels : float
        Share of pixels with a dark current of their own.
    sensor : int
        Which sensor: its hot pixels are the same in all its pictures.
    seam : float
        Step of brightness where two half pictures were joined, share; 0 for a picture taken at once.
    enlarged : float
        Scale at which the sensor saw the panel over that of the stored picture; below 1 the picture was enlarged.
    tiles : tuple of int
        Rows and columns of exposures that are taken one after the other; the whole picture is kept beside them.
    tile_overlap : float
        Share of a tile that its neighbour shows again.
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
    lens: float = 0.0
    motion_px: float = 0.0
    hot_pixels: float = 0.0
    sensor: int = 0
    seam: float = 0.0
    enlarged: float = 1.0
    tiles: tuple[int, int] = (1, 1)
    tile_overlap: float = 0.1

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
            "lens": (-0.1, 0.1),
            "motion_px": (0.0, 50.0),
            "hot_pixels": (0.0, 0.01),
            "seam": (-0.3, 0.3),
            "enlarged": (0.2, 1.0),
            "tile_overlap": (0.0, 0.5),
        }
        for name in (field.name for field in fields(self)):
            value = getattr(self, name)
            if name in bounds and value is not None and not bounds[name][0] <= value <= bounds[name][1]:
                raise ValueError(f"{name} must lie in {bounds[name][0]}..{bounds[name][1]}, not {value}")
        if self.bit_depth not in (8, 12, 16):
            raise ValueError(f"bit_depth must be 8, 12 or 16, not {self.bit_depth}")
        if len(self.tiles) != 2 or not all(1 <= n <= 8 for n in self.tiles):
            raise ValueError(f"tiles must be rows and columns of 1..8, not {self.tiles}")


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
        lens=float(rng.choice([0.0, 0.0, 1.0])) * float(rng.uniform(-0.02, 0.01)),
        motion_px=float(rng.choice([0.0, 0.0, 0.0, 1.0])) * float(rng.uniform(0.5, 2.5)),
        hot_pixels=float(rng.choice([0.0, 1.0])) * float(np.exp(rng.uniform(-12, -8))),
        sensor=int(rng.integers(2**31)),
        seam=float(rng.choice([0.0, 0.0, 0.0, 1.0])) * float(rng.uniform(-0.05, 0.05)),
        enlarged=float(rng.choice([1.0, 1.0, rng.uniform(0.55, 0.95)])),
    )


def bent(camera: CameraSettings, points: Points, size: tuple[int, int]) -> Points:
    """Return where the lens brings points (x, y) of the straight picture of this width and height."""
    if camera.lens == 0:
        return points
    middle = (np.array(size) - 1) / 2
    away = (points - middle) / np.hypot(*middle)
    return np.asarray(middle + (points - middle) * (1 + camera.lens * (away**2).sum(axis=-1, keepdims=True)))


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
