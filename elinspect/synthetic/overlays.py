"""What lies over a laid-up panel before lamination, between the cells and the camera.

All of it belongs there or is harmless; it makes cells look other than they are. Lengths are in mm of the gate view.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Points
from elinspect.vision import cv2


@dataclass(frozen=True, slots=True)
class Overlays:
    """What lies over one panel.

    Attributes
    ----------
    milkiness : float
        Share of the light that a loose encapsulant sheet scatters, 0 (none) to 0.9.
    embossing : float
        Unevenness of that sheet's pattern, share.
    folds : int
        Folds in it.
    tapes : int
        Strips of fixing tape across string gaps.
    insulation : bool
        Strips of insulation over the bussing ribbons; they reach over the outermost cells.
    labels : int
        Labels with a code.
    probes : int
        Contact probes that reach in from the panel's short sides.
    """

    milkiness: float = 0.0
    embossing: float = 0.02
    folds: int = 0
    tapes: int = 0
    insulation: bool = False
    labels: int = 0
    probes: int = 0

    def __post_init__(self) -> None:
        for name, high in (("milkiness", 0.9), ("embossing", 0.3)):
            if not 0 <= getattr(self, name) <= high:
                raise ValueError(f"{name} must lie in 0..{high}, not {getattr(self, name)}")
        for name in ("folds", "tapes", "labels", "probes"):
            if not 0 <= getattr(self, name) <= 50:
                raise ValueError(f"{name} must lie in 0..50, not {getattr(self, name)}")


@dataclass(frozen=True, slots=True, eq=False)
class Overlaid:
    """One thing that lies over the panel: what it is, and its outline (x, y)."""

    what: str
    outline: Points


def draw_overlays(rng: np.random.Generator) -> Overlays:
    """Draw what lies over a panel: nothing on half of them."""
    if rng.random() < 0.5:
        return Overlays()
    sheet = rng.random() < 0.6
    return Overlays(
        milkiness=float(rng.uniform(0.1, 0.6)) if sheet else 0.0,
        embossing=float(rng.uniform(0.005, 0.05)),
        folds=int(rng.poisson(0.8)) if sheet else 0,
        tapes=int(rng.poisson(2)),
        insulation=bool(rng.random() < 0.5),
        labels=int(rng.random() < 0.4),
        probes=int(rng.choice([0, 2])),
    )


def lay_over(
    luminance: FloatImage,
    overlays: Overlays,
    rng: np.random.Generator,
    size_mm: tuple[float, float],
    px_per_mm: float,
    margin_mm: float,
) -> tuple[FloatImage, tuple[Overlaid, ...]]:
    """Lay things over the panel.

    Parameters
    ----------
    luminance : ndarray of float32, shape (rows, columns)
        The panel seen straight and sharp.
    overlays : Overlays
        What lies over it.
    rng : numpy.random.Generator
        Draws where.
    size_mm : tuple of float
        Width and height of the field of cells.
    px_per_mm : float
        Scale.
    margin_mm : float
        Ground around the field in `luminance`.

    Returns
    -------
    luminance : ndarray of float32, shape (rows, columns)
        What is seen through it all.
    laid : tuple of Overlaid
        What lies where; outlines in mm of the field. The sheet itself covers everything and is not listed.
    """
    seen = _through_sheet(luminance, overlays, rng, px_per_mm) if overlays.milkiness > 0 else luminance.copy()
    laid: list[Overlaid] = []
    width, height = size_mm

    def cover(what: str, outline: Points, left: float, shine: float = 0.0) -> None:
        ink = np.zeros(seen.shape, np.uint8)
        cv2.fillPoly(ink, [np.round((outline + margin_mm) * px_per_mm * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        on = ink > 0
        share = ink[on].astype(np.float32) / 255
        seen[on] = seen[on] * (1 - share * np.float32(1 - left)) + share * np.float32(shine)
        laid.append(Overlaid(what, outline))

    for _ in range(overlays.folds if overlays.milkiness > 0 else 0):
        laid.append(_fold(seen, rng, size_mm, px_per_mm, margin_mm))
    for _ in range(overlays.tapes):
        middle = np.array([rng.uniform(0.05, 0.95) * width, rng.uniform(0.05, 0.95) * height])
        cover("tape", _turned_box(rng, middle, (rng.uniform(8, 15), rng.uniform(20, 50)), 4), rng.uniform(0.5, 0.85))
    if overlays.insulation:
        for x in (rng.uniform(-10, -6), width + rng.uniform(-4, 0)):
            cover("insulation", _box((x, 2.0), (x + 10, height - 2.0)), 0.03, 0.01)
    for _ in range(overlays.labels):
        _label(cover, rng, size_mm)
    for number in range(overlays.probes):
        y, reach = rng.uniform(0.1, 0.9) * height, rng.uniform(2, 14)
        low, high = (-margin_mm, reach) if number % 2 == 0 else (width - reach, width + margin_mm)
        cover("probe", _box((low, y - 3), (high, y + 3)), 0.0, 0.005)
    return seen, tuple(laid)


def _box(low: tuple[float, float], high: tuple[float, float]) -> Points:
    return np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])


def _turned_box(rng: np.random.Generator, middle: Points, size: tuple[float, float], turn_deg: float) -> Points:
    angle = math.radians(rng.normal(0, turn_deg))
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    half = np.array(size) / 2
    return np.asarray(_box((-half[0], -half[1]), (half[0], half[1])) @ turn.T + middle)


def _label(cover, rng: np.random.Generator, size_mm: tuple[float, float]) -> None:  # type: ignore[no-untyped-def]
    """Lay a label with bars on it."""
    start = np.array([rng.uniform(0, size_mm[0] - 62), rng.uniform(0, size_mm[1] - 16)])
    cover("label", _box((0, 0), (60, 14)) + start, 0.0, 0.015)
    at = 4.0
    while at < 54:
        wide = float(rng.choice([0.5, 1.0, 1.5]))
        cover("label", _box((at, 3), (at + wide, 11)) + start, 0.2, 0.0)
        at += wide + float(rng.choice([0.5, 1.0, 1.5]))


def _through_sheet(luminance: FloatImage, overlays: Overlays, rng: np.random.Generator, px_per_mm: float) -> FloatImage:
    """Scatter a share of the light over millimetres and over centimetres, and emboss what passes."""
    near = cv2.GaussianBlur(luminance, (0, 0), rng.uniform(0.5, 1.2) * px_per_mm)
    factor = max(1, round(2 * px_per_mm))
    small = cv2.resize(luminance, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    far = cv2.resize(cv2.GaussianBlur(small, (0, 0), 12 * px_per_mm / factor), luminance.shape[::-1])
    milky = np.float32(overlays.milkiness)
    seen = (1 - milky) * near + milky * (np.float32(0.45) * cv2.GaussianBlur(near, (0, 0), 2.5 * px_per_mm))
    seen += milky * np.float32(0.35) * far
    # The embossed pattern: little pyramids in rows, at an angle to the panel, deeper in some places.
    pitch, angle = rng.uniform(1.2, 2.5), rng.uniform(-0.3, 0.3)
    rows, columns = luminance.shape
    x, y = np.arange(columns, dtype=np.float32) / px_per_mm, np.arange(rows, dtype=np.float32)[:, None] / px_per_mm
    along, across = x * math.cos(angle) + y * math.sin(angle), y * math.cos(angle) - x * math.sin(angle)
    pattern = np.cos(2 * math.pi * along / pitch) * np.cos(2 * math.pi * across / pitch)
    if pitch * px_per_mm > 2.2:  # finer than that the camera cannot see it, and would only alias
        seen *= (1 + np.float32(overlays.embossing) * pattern).astype(np.float32)
    return np.asarray(seen, np.float32)


def _fold(
    seen: FloatImage, rng: np.random.Generator, size_mm: tuple[float, float], px_per_mm: float, margin_mm: float
) -> Overlaid:
    """Draw a fold: a long, slightly bent dark line with a brighter one beside it."""
    start = rng.uniform(0, 1, 2) * size_mm
    angle, reach = rng.uniform(0, 2 * math.pi), rng.uniform(0.2, 0.8) * max(size_mm)
    at = np.linspace(0, 1, 40)[:, None]
    way = np.array([math.cos(angle), math.sin(angle)])
    side = np.array([-way[1], way[0]])
    line = start + at * reach * way + np.sin(at * math.pi) * rng.normal(0, 0.03) * reach * side
    for offset, depth in ((0.0, -rng.uniform(0.03, 0.15)), (rng.uniform(1.0, 3.0), rng.uniform(0.02, 0.08))):
        points = (line + offset * side + margin_mm) * px_per_mm
        low = np.maximum(np.floor(points.min(axis=0) - 6 * px_per_mm), 0).astype(int)
        high = np.ceil(points.max(axis=0) + 6 * px_per_mm).astype(int)
        part = seen[low[1] : high[1], low[0] : high[0]]
        if not part.size:
            continue
        ink = np.zeros(part.shape, np.uint8)
        cv2.polylines(ink, [np.round((points - low) * 16).astype(np.int32)], False, 255, 1, cv2.LINE_AA, 4)
        soft = cv2.GaussianBlur(ink.astype(np.float32), (0, 0), max(0.6 * px_per_mm, 0.5))
        part *= 1 + np.float32(depth) * soft / max(float(soft.max()), 1e-6)
    return Overlaid("fold", np.concatenate([line - 2 * side, (line + 4 * side)[::-1]]))


def points_moved(laid: tuple[Overlaid, ...], matrix: NDArray[np.float64]) -> tuple[Overlaid, ...]:
    """Return the same things with their outlines brought through a homography."""
    return tuple(
        Overlaid(one.what, np.asarray(cv2.perspectiveTransform(one.outline[:, None], matrix)[:, 0])) for one in laid
    )
