"""Edges of the cells measured in the file itself, in narrow windows across every gap and every outer edge."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.gap_model import GapFit, fitted_gaps
from elinspect.geometry.lattice import Lattice
from elinspect.records import FloatImage, Points
from elinspect.vision import cv2

SECTIONS = 7
"""Stretches of an edge measured each for itself: tilt shows, and a crack or a busbar spoils only one or two."""
_LINES_PER_SECTION = 6
_ENDS = 0.1
_SAMPLES = 37
_FLANK_MM = 4.0
_LEAST_CONTRAST = 0.12
_LEAST_LIGHT = 0.04
_WORST_MISFIT = 0.12


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Narrow windows across lines of one axis.

    Attributes
    ----------
    axis : int
        0 for lines of constant u, 1 for lines of constant v.
    before, after : ndarray of int, shape (n,)
        Index of the cell (row-major) before and after the line; -1 where there is none.
    middle : ndarray, shape (n, sections, 2)
        File point (x, y) on the expected line in each section.
    normal : ndarray, shape (n, sections, 2)
        Unit vector across the line, towards larger u or v.
    px_per_pitch : ndarray, shape (n,)
        File pixels per pitch across the line.
    profiles : ndarray, shape (n, sections, samples)
        Counts across the line, mean over the section.
    places : ndarray, shape (n, samples)
        Distance of each sample from the line, file pixels.
    """

    axis: int
    before: NDArray[np.intp]
    after: NDArray[np.intp]
    middle: Points
    normal: Points
    px_per_pitch: NDArray[np.float64]
    profiles: NDArray[np.float64]
    places: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class EdgeSightings:
    """Edges of one axis as measured, section by section.

    Attributes
    ----------
    windows : Windows
        Where they were measured.
    end, begin : ndarray, shape (n, sections)
        Distance from the expected line to where the cell before it ends and the cell after it begins, file pixels; NaN
        where it was not seen.
    gap : float
        Typical gap of the axis, pitches.
    gap_in_blurs : float
        The same in standard deviations of the edges' blur.
    """

    windows: Windows
    end: NDArray[np.float64]
    begin: NDArray[np.float64]
    gap: float
    gap_in_blurs: float


@dataclass(frozen=True, slots=True)
class GapShape:
    """The typical gap of one axis.

    Attributes
    ----------
    width_px, blur_px : float
        Distance of the cells and spread of their edges, file pixels.
    dark_share, ground_share : float
        Light in the middle of the gap and beside the field, as a share of the cells'.
    rim : tuple of float
        Depth (share) and reach (file pixels) of the cells' dimming towards their edges.
    """

    width_px: float
    blur_px: float
    dark_share: float
    ground_share: float
    rim: tuple[float, float]


def line_windows(counts: FloatImage, lattice: Lattice, axis: int, mm_per_pitch: float, floor: float) -> Windows:
    """Sample the file across all lines of one axis.

    Parameters
    ----------
    counts : ndarray of float32, shape (rows, columns)
        The exposure.
    lattice : Lattice
        Fitted; its gap says how wide the windows must be.
    axis : {0, 1}
        0 for lines of constant u, 1 for lines of constant v.
    mm_per_pitch : float
        Pitch across the lines.
    floor : float
        Background, taken off.
    """
    places, before, after = _lines(lattice, axis)
    count = lattice.layout.grid_shape[axis]
    lines = SECTIONS * _LINES_PER_SECTION
    along = _ENDS + (1 - 2 * _ENDS) * (np.arange(lines) + 0.5) / lines
    starts = np.arange(count, dtype=np.float64) if axis == 0 else lattice.columns_from
    line = np.repeat(places, count)
    run = np.tile(starts, places.size)[:, None] + along
    across = np.broadcast_to(line[:, None], run.shape)
    plane = np.stack([across, run] if axis == 0 else [run, across], axis=-1)
    middle, normal, px_per_pitch = _frames(lattice, plane, axis)
    gap_mm = lattice.gaps[axis] * mm_per_pitch
    reach = ((max(gap_mm, 0) / 2 + _FLANK_MM) / mm_per_pitch) * px_per_pitch
    offsets = np.linspace(-1, 1, _SAMPLES) * reach[:, None]
    points = (middle[:, :, None] + offsets[:, None, :, None] * normal[:, :, None]).astype(np.float32)
    flat = points.reshape(-1, _SAMPLES, 2)
    seen = cv2.remap(counts, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profiles = seen.reshape(-1, SECTIONS, _LINES_PER_SECTION, _SAMPLES).mean(axis=2) - floor
    by_section = (-1, SECTIONS, _LINES_PER_SECTION, 2)
    return Windows(
        axis=axis,
        before=before,
        after=after,
        middle=middle.reshape(by_section).mean(axis=2),
        normal=normal.reshape(by_section).mean(axis=2),
        px_per_pitch=px_per_pitch,
        profiles=profiles,
        places=offsets,
    )


def _lines(lattice: Lattice, axis: int) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp]]:
    """Return the places of the lines of one axis and the cells (row-major) before and after each of their segments."""
    rows, columns = lattice.layout.grid_shape
    cells = np.arange(rows * columns).reshape(rows, columns)
    none = np.full((1, columns if axis == 1 else rows), -1)
    if axis == 1:
        places = np.arange(rows + 1, dtype=np.float64)
        before, after = np.concatenate([none, cells]), np.concatenate([cells, none])
        return places, before.ravel(), after.ravel()
    per_block = lattice.layout.cells_per_string
    places_list, before_list, after_list = [], [], []
    by_column = cells.T
    for b in range(lattice.layout.blocks):
        block = by_column[b * per_block : (b + 1) * per_block]
        places_list.append(b * per_block + lattice.shifts[b] + np.arange(per_block + 1))
        before_list.append(np.concatenate([none, block]))
        after_list.append(np.concatenate([block, none]))
    return (
        np.concatenate(places_list),
        np.concatenate(before_list).ravel().astype(np.intp),
        np.concatenate(after_list).ravel().astype(np.intp),
    )


def _frames(lattice: Lattice, plane: Points, axis: int) -> tuple[Points, Points, NDArray[np.float64]]:
    """Return file points, unit normals towards larger u or v, and file pixels per pitch along the normal."""
    step = 1e-3
    ahead, aside = np.zeros(2), np.zeros(2)
    ahead[axis], aside[1 - axis] = step, step
    here = lattice.to_file(plane)
    along = lattice.to_file(plane + aside) - here
    towards = (lattice.to_file(plane + ahead) - here) / step
    normal = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    rise = (normal * towards).sum(axis=-1)
    normal *= np.sign(rise)[..., None]
    return here, normal, np.abs(rise).mean(axis=1)


def measured_edges(windows: Windows, shape: GapShape, noise: float) -> EdgeSightings:
    """Fit every section of every line; what is too faint or does not look like an edge is NaN."""
    n, sections, samples = windows.profiles.shape
    half = np.full(n, shape.width_px / 2)
    left = np.where(windows.before >= 0, -half, -np.inf)
    right = np.where(windows.after >= 0, half, np.inf)
    # An outer edge is expected half a gap inside its line, like any other.
    fit = fitted_gaps(
        windows.profiles.reshape(-1, samples),
        np.repeat(windows.places, sections, axis=0),
        (np.repeat(left, sections), np.repeat(right, sections)),
        shape.blur_px,
        np.repeat(np.where((windows.before < 0) | (windows.after < 0), shape.ground_share, shape.dark_share), sections),
        np.repeat(windows.places[:, -1], sections) / 2,
        shape.rim,
    )
    noise_here = noise / np.sqrt(_LINES_PER_SECTION)
    end = _believed(fit, fit.left_edge, fit.left_level, noise_here, windows, shape).reshape(n, sections)
    begin = _believed(fit, fit.right_edge, fit.right_level, noise_here, windows, shape).reshape(n, sections)
    end[windows.before < 0] = np.nan
    begin[windows.after < 0] = np.nan
    gap = shape.width_px / float(np.median(windows.px_per_pitch))
    return EdgeSightings(windows, end, begin, gap, shape.width_px / shape.blur_px)


def _believed(
    fit: GapFit,
    edge: NDArray[np.float64],
    level: NDArray[np.float64],
    noise: float,
    windows: Windows,
    shape: GapShape,
) -> NDArray[np.float64]:
    reach = np.repeat(windows.places[:, -1], windows.profiles.shape[1]) - shape.blur_px
    contrast = level - fit.dark
    good = (
        # What glares in from bright neighbours is no cell's own light.
        (level > _LEAST_LIGHT * float(np.median(np.maximum(fit.left_level, fit.right_level))))
        & (contrast > _LEAST_CONTRAST * np.maximum(level, 1e-6))
        & (contrast > 6 * noise)
        & (np.abs(edge) < reach)
        & (fit.misfit * np.maximum(fit.left_level, fit.right_level) < _WORST_MISFIT * contrast + 2 * noise)
    )
    return np.where(good, edge, np.nan)
