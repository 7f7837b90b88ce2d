"""The typical gaps and outer edges of a panel: the median of all sections, laid over each other, and what they show."""

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.edge_spread import TypicalEdge, fitted_spread
from elinspect.geometry.edges import EdgeSightings, GapShape, Windows

_LEAST_CONTRAST = 0.12
_FLANK = 8
"""Samples at each end of a window that lie on the cell, or on the ground."""
_LIT = 0.3
_ALIKE = 0.6
_USUAL_BLUR_PX = 1.5


def gap_shapes(
    windows: tuple[Windows, Windows],
    gaps: tuple[float, float],
    mm_per_pitch: tuple[float, float],
    seen: tuple[EdgeSightings, EdgeSightings] | None = None,
) -> tuple[GapShape, GapShape] | None:
    """Measure the typical gap of both axes; None if no edge shows.

    Parameters
    ----------
    windows : tuple of Windows
        Across the lines of each axis.
    gaps : tuple of float
        Expected gaps in pitches.
    mm_per_pitch : tuple of float
        Pitch across the lines.
    seen : tuple of EdgeSightings, optional
        The edges as measured before: sections are then laid over each other edge on edge, so that cells that lie off
        their places do not pass for blur.
    """
    typical: list[TypicalEdge] = []
    outer = _outer(windows, gaps, seen)
    if outer is not None:
        typical.append(outer)
    inner = [_inner(windows[k], gaps[k], None if seen is None else seen[k]) for k in (0, 1)]
    typical += [edge for edge in inner if edge is not None]
    if not typical:
        return None
    px_per_mm = _px_per_pitch(windows[0]) / mm_per_pitch[0]
    spread = fitted_spread(typical, _slope_width(typical[0]) or _USUAL_BLUR_PX, px_per_mm)
    found = dict(zip(map(id, typical), zip(spread.place_px, spread.dark_share, strict=True), strict=True))
    ground = spread.dark_share[0]
    shapes = []
    for k, edge in enumerate(inner):
        width, dark = found[id(edge)] if edge is not None else (gaps[k] * _px_per_pitch(windows[k]), ground)
        shapes.append(GapShape(width, spread.blur_px, dark, ground if outer is not None else dark, spread.rim))
    return shapes[0], shapes[1]


def _px_per_pitch(windows: Windows) -> float:
    return float(np.median(windows.px_per_pitch))


def _outer(
    windows: tuple[Windows, Windows],
    gaps: tuple[float, float],
    seen: tuple[EdgeSightings, EdgeSightings] | None,
) -> TypicalEdge | None:
    """Return the typical outer edge of the axis with the darker ground; None if none shows ground outside.

    Bussing ribbons run beside the strings' ends and shine.
    """
    answers = []
    for k, here in enumerate(windows):
        begins = here.before < 0
        outer = begins | (here.after < 0)
        profiles = np.where(begins[outer, None, None], here.profiles[outer][..., ::-1], here.profiles[outer])
        expected = -gaps[k] / 2 * here.px_per_pitch[outer, None]
        away = None if seen is None else np.where(begins[:, None], -seen[k].begin, seen[k].end)[outer] - expected
        light = _typical_light(profiles, here.places[outer], away, profiles[..., :_FLANK].mean(axis=2))
        if light is None:
            continue
        places = np.median(here.places[outer], axis=0)
        edge = TypicalEdge(light, places, -gaps[k] / 2 * _px_per_pitch(here), outer=True)
        dark = float(light[-_FLANK:].mean())
        if dark < 1 - _LEAST_CONTRAST and _slope_width(edge) is not None:
            answers.append((dark, k, edge))
    return min(answers)[2] if answers else None


def _inner(windows: Windows, gap: float, seen: EdgeSightings | None) -> TypicalEdge | None:
    """Return the typical gap of one axis; None if there is none."""
    inner = (windows.before >= 0) & (windows.after >= 0)
    if not inner.any():
        return None
    profiles = windows.profiles[inner]
    sides = profiles[..., :_FLANK].mean(axis=2), profiles[..., -_FLANK:].mean(axis=2)
    level, alike = np.maximum(*sides), np.minimum(*sides) > _ALIKE * np.maximum(*sides)
    away = None if seen is None else ((seen.end + seen.begin) / 2)[inner]
    if alike.any():
        level = np.where(alike, level, 0.0)
    light = _typical_light(profiles, windows.places[inner], away, level)
    if light is None:
        return None
    places = np.median(windows.places[inner], axis=0)
    return TypicalEdge((light + light[::-1]) / 2, places, gap * _px_per_pitch(windows), outer=False)


def _typical_light(
    profiles: NDArray[np.float64],
    places: NDArray[np.float64],
    away: NDArray[np.float64] | None,
    level: NDArray[np.float64],
) -> NDArray[np.float64] | None:
    """Return the median over all bright sections of their light over their cells', shape (samples,); None if dark.

    Parameters
    ----------
    profiles : ndarray, shape (n, sections, samples)
        Counts.
    places : ndarray, shape (n, samples)
        Where they lie, file pixels.
    away : ndarray, shape (n, sections), optional
        How far each section lies from where it is expected; NaN leaves it out.
    level : ndarray, shape (n, sections)
        Light of the cell; sections with 0 are left out.
    """
    usual = float(np.median(level[level > 0])) if (level > 0).any() else 0.0
    bright = level > max(_LIT * usual, 1e-6)
    if away is not None and (bright & np.isfinite(away)).any():
        bright &= np.isfinite(away)
        profiles = _moved(profiles, (away / (places[:, 1] - places[:, 0])[:, None]))
    if not bright.any():
        return None
    return np.asarray(np.median(profiles[bright] / level[bright][:, None], axis=0))


def _moved(profiles: NDArray[np.float64], samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return profiles moved back by so many samples each, linear in between, the last values repeated."""
    count = profiles.shape[-1]
    at = np.clip(np.arange(count) + np.nan_to_num(samples)[..., None], 0, count - 1)
    first = np.minimum(at.astype(np.intp), count - 2)
    share = at - first
    before, after = (np.take_along_axis(profiles, first + k, axis=-1) for k in (0, 1))
    return np.asarray(before * (1 - share) + after * share)


def _slope_width(edge: TypicalEdge) -> float | None:
    """Return the standard deviation of a blurred step from the width of its slope at half height."""
    slope = -np.gradient(edge.light, edge.places)
    top = int(np.argmax(slope))
    half = slope[top] / 2
    below_left = np.flatnonzero(slope[: top + 1] < half)
    below_right = np.flatnonzero(slope[top:] < half)
    if half <= 0 or below_left.size == 0 or below_right.size == 0:
        return None
    left, right = int(below_left[-1]), top + int(below_right[0])
    start = np.interp(half, slope[left : left + 2], edge.places[left : left + 2])
    stop = np.interp(-half, -slope[right - 1 : right + 1], edge.places[right - 1 : right + 1])
    # 2.3548 standard deviations lie between the half heights of a normal distribution.
    return max(float(stop - start) / 2.3548, 0.35)
