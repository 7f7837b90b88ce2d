"""Multicrystalline bricks: wafers cut one after the other show the same grains and dislocations, a little evolved.

A wafer is a map of the natural logarithm of luminance, about 0 in a good place. Dislocations raise the recombination,
so the map is ``-log(1 + density)`` of fields of noise that are oriented within each grain.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage
from elinspect.vision import cv2

MAP_MM = 0.4
"""Scale of a wafer's map: half of what carriers diffuse in silicon of this kind, and finer than the camera sees."""
_DIRECTIONS = 4
_SOFT = 0.4
_DIFFUSION_MM = 0.5
_SEED_MM = 2.0


@dataclass(frozen=True, slots=True)
class MultiStyle:
    """What the multicrystalline wafers of one panel have in common.

    Attributes
    ----------
    grain_mm : float
        Mean size of a grain.
    grain_spread : float
        Spread of the grains' own luminance, natural logarithm.
    boundary : float
        Depth of grain boundaries, natural logarithm.
    cluster_mm, fine_mm : float
        Size of dislocation clusters, and of the lines and knots in them.
    cluster_level : float
        How rare clusters are, in spreads of their field.
    density : float
        Recombination of a cluster over that of a good place.
    streaks : float
        Share of lines, the rest is granular, 0..1.
    haze : float
        Recombination of the thin network between the clusters.
    edge : float
        Depth of the dark seam of wafers from the brick's side, natural logarithm.
    """

    grain_mm: float
    grain_spread: float
    boundary: float
    cluster_mm: float
    fine_mm: float
    cluster_level: float
    density: float
    streaks: float
    haze: float
    edge: float


def draw_multi_style(rng: np.random.Generator) -> MultiStyle:
    """Draw a style; the ranges hold the statistics of real wafers (see tests/long/texture_statistics.py)."""
    return MultiStyle(
        grain_mm=float(np.exp(rng.uniform(math.log(7), math.log(22)))),
        grain_spread=float(rng.uniform(0.004, 0.025)),
        boundary=float(rng.uniform(0.0, 0.05)),
        cluster_mm=float(np.exp(rng.uniform(math.log(3.5), math.log(12)))),
        fine_mm=float(rng.uniform(0.7, 1.6)),
        cluster_level=float(rng.uniform(-0.2, 1.5)),
        density=float(np.exp(rng.uniform(math.log(0.03), math.log(0.3)))),
        streaks=float(rng.uniform(0.1, 0.9)),
        haze=float(rng.uniform(0.005, 0.035)),
        edge=float(rng.choice([0.0, 1.0])) * float(rng.uniform(0.1, 0.6)),
    )


class Brick:
    """A brick; its wafers share one field.

    Parameters
    ----------
    style : MultiStyle
        What it looks like.
    width_mm, height_mm : float
        Size of its wafers.
    rng : numpy.random.Generator
        Draws the field.
    """

    def __init__(self, style: MultiStyle, width_mm: float, height_mm: float, rng: np.random.Generator) -> None:
        self.style = style
        self._size_mm = width_mm, height_mm
        self.shape = math.ceil(height_mm / MAP_MM) + 1, math.ceil(width_mm / MAP_MM) + 1
        self._fields = _Fields(self.shape, rng)
        count = max(4, round(width_mm * height_mm / style.grain_mm**2))
        self._seeds = rng.uniform(-0.05, 1.05, (count, 2)) * self._size_mm
        self._drift = rng.normal(0, 0.25, (count, 2))
        self._stretch = np.exp(rng.normal(0, 0.45, count))
        self._level = rng.standard_normal(count)
        self._rich = np.exp(rng.normal(0, 0.8, count) - 0.3)
        self._angle = rng.uniform(0, _DIRECTIONS, count)
        self._edge_side = int(rng.integers(4))
        self._edge_mm = float(rng.uniform(6, 30))

    def wafer(self, number: float) -> FloatImage:
        """Return the map of the n-th wafer, shape `shape`, `MAP_MM` a pixel."""
        style = self.style
        grain = self._grains(number)
        rich = cv2.GaussianBlur(self._rich[grain].astype(np.float32), (0, 0), 2.0)
        clusters = self._fields.smooth(0, number, style.cluster_mm) + 0.6 * self._fields.smooth(1, number, 35.0)
        lines = self._lines(grain, number)
        knots = self._fields.smooth(2, number, 1.3 * style.fine_mm)
        fine = style.streaks * lines + (1 - style.streaks) * knots
        fine *= np.float32(1 / math.hypot(style.streaks, 1 - style.streaks))
        above = clusters + np.float32(0.5) * fine - np.float32(style.cluster_level)
        cluster = np.logaddexp(0.0, above / _SOFT) * _SOFT
        fading = np.maximum(1 + np.float32(0.45) * fine, 0.0)
        density = (style.density * cluster * fading + style.haze * np.maximum(1 + fine, 0)) * rich
        texture = -np.log1p(density)
        texture += np.float32(style.grain_spread) * cv2.GaussianBlur(self._level[grain].astype(np.float32), (0, 0), 1.2)
        if style.boundary > 0:
            texture -= self._boundaries(grain, number)
        texture += self._fields.smooth(3, number, 28.0) * np.float32(0.02)
        if style.edge > 0:
            texture -= self._edge()
        # Carriers diffuse before they recombine or shine.
        return np.asarray(cv2.GaussianBlur(texture.astype(np.float32), (0, 0), _DIFFUSION_MM / MAP_MM), np.float32)

    def _grains(self, number: float) -> NDArray[np.intp]:
        """Return the number of the grain of each pixel."""
        rows, columns = self.shape
        step = max(1, round(_SEED_MM / MAP_MM))
        x = np.arange(0, columns + step, step) * MAP_MM
        y = np.arange(0, rows + step, step) * MAP_MM
        seeds = self._seeds + self._drift * number
        # The nearest seed, each looked at within its reach only; distances are taken from places that wander, or grains
        # would have straight borders.
        shift = self._wander()
        best = np.full(self.shape, np.inf, np.float32)
        nearest = np.zeros(self.shape, np.intp)
        place = np.add.outer(np.arange(rows), np.zeros(columns)) * MAP_MM, np.arange(columns)[None] * MAP_MM
        across, along = (place[0] + shift[0]).astype(np.float32), (place[1] + shift[1]).astype(np.float32)
        for index, ((sx, sy), stretch) in enumerate(zip(seeds, self._stretch, strict=True)):
            reach = 3.2 * self.style.grain_mm
            rows_near = slice(*np.searchsorted(y, (sy - reach, sy + reach)) * step)
            columns_near = slice(*np.searchsorted(x, (sx - reach, sx + reach)) * step)
            near = rows_near, columns_near
            far = (along[near] - np.float32(sx)) ** 2 * np.float32(stretch)
            far += (across[near] - np.float32(sy)) ** 2 * np.float32(1 / stretch)
            nearer = far < best[near]
            best[near][nearer] = far[nearer]
            nearest[near][nearer] = index
        return nearest

    def _wander(self) -> tuple[FloatImage, FloatImage]:
        reach = np.float32(0.14 * self.style.grain_mm)
        scale = 0.5 * self.style.grain_mm
        return self._fields.smooth(4, 0, scale) * reach, self._fields.smooth(5, 0, scale) * reach

    def _lines(self, grain: NDArray[np.intp], number: float) -> FloatImage:
        """Return noise drawn out along each grain's own direction, about unit spread."""
        angle = cv2.GaussianBlur(self._angle[grain].astype(np.float32), (0, 0), 1.0) % _DIRECTIONS
        lines = np.zeros(self.shape, np.float32)
        for direction in range(_DIRECTIONS):
            away = np.abs((angle - direction + _DIRECTIONS / 2) % _DIRECTIONS - _DIRECTIONS / 2)
            share = np.maximum(1 - away, 0)
            lines += share * self._fields.drawn_out(6, number, self.style.fine_mm, math.pi * direction / _DIRECTIONS)
        return lines

    def _boundaries(self, grain: NDArray[np.intp], number: float) -> FloatImage:
        border = np.zeros(self.shape, np.float32)
        border[1:] += grain[1:] != grain[:-1]
        border[:, 1:] += grain[:, 1:] != grain[:, :-1]
        seen = np.maximum(0.5 + self._fields.smooth(7, number, 15.0), 0)
        thin = cv2.GaussianBlur(np.minimum(border, 1), (0, 0), 0.8)
        return np.asarray(thin * seen * np.float32(2 * self.style.boundary), np.float32)

    def _edge(self) -> FloatImage:
        rows, columns = self.shape
        away = [np.arange(rows)[:, None], np.arange(columns)[None], np.arange(rows)[::-1, None],
                np.arange(columns)[None, ::-1]][self._edge_side] * np.float32(MAP_MM / self._edge_mm)  # fmt: skip
        return np.broadcast_to(np.exp(-(away**2)) * np.float32(self.style.edge), self.shape).astype(np.float32)


class _Fields:
    """Fields of noise that change slowly from wafer to wafer."""

    def __init__(self, shape: tuple[int, int], rng: np.random.Generator) -> None:
        self._shape = shape
        self._side = tuple(cv2.getOptimalDFTSize(n + 24) for n in shape)
        self._seeds = rng.integers(2**63, size=8)
        self._turn = float(rng.uniform(0.03, 0.12))
        self._spectra: dict[int, tuple[NDArray[np.complex64], NDArray[np.complex64]]] = {}

    def _spectrum(self, field: int, number: float) -> NDArray[np.complex64]:
        if field not in self._spectra:
            rng = np.random.default_rng(self._seeds[field])
            first, second = rng.standard_normal((2, *self._side), dtype=np.float32)
            self._spectra[field] = np.fft.rfft2(first).astype(np.complex64), np.fft.rfft2(second).astype(np.complex64)
        first, second = self._spectra[field]
        turn = self._turn * number
        return np.asarray(math.cos(turn) * first + math.sin(turn) * second, np.complex64)

    def smooth(self, field: int, number: float, scale_mm: float) -> FloatImage:
        """Return isotropic noise of unit spread; `scale_mm` is about the width of its blobs."""
        return self._filtered(field, number, scale_mm, scale_mm, 0.0)

    def drawn_out(self, field: int, number: float, scale_mm: float, angle: float) -> FloatImage:
        """Return noise of unit spread, four times as long in the direction `angle` as it is wide."""
        return self._filtered(field, number, scale_mm, 4 * scale_mm, angle)

    def _filtered(self, field: int, number: float, wide_mm: float, long_mm: float, angle: float) -> FloatImage:
        rows, columns = self._side
        fy, fx = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None]
        along, across = fx * math.cos(angle) + fy * math.sin(angle), fy * math.cos(angle) - fx * math.sin(angle)
        sigma_long, sigma_wide = long_mm / MAP_MM / 2.4, wide_mm / MAP_MM / 2.4
        gain = np.exp(-2 * math.pi**2 * ((along * sigma_long) ** 2 + (across * sigma_wide) ** 2)).astype(np.float32)
        gain /= math.sqrt(float((gain**2).sum() + (gain[:, 1:-1] ** 2).sum()) / (rows * columns))
        noise = np.fft.irfft2(self._spectrum(field, number) * gain, s=self._side)
        return np.asarray(noise[: self._shape[0], : self._shape[1]], np.float32)
