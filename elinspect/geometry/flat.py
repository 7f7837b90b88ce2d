"""The coarse picture laid flat on the lattice, its profiles across the lines, and how gap-like each place is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from elinspect.geometry.coarse import CoarsePicture
from elinspect.geometry.lattice import Lattice
from elinspect.records import FloatImage
from elinspect.vision import cv2

Profile = NDArray[np.float32]
_MESH_PX = 32


@dataclass(frozen=True, slots=True, eq=False)
class FlatPicture:
    """The coarse picture seen square-on: columns run along u, rows along v.

    Attributes
    ----------
    lattice : Lattice
        The lattice it was flattened by.
    counts : ndarray of float32, shape (rows, columns)
        Counts above the picture's background.
    known : ndarray of bool, shape (rows, columns)
        False outside the file.
    px_per_pitch : tuple of float
        Pixels per pitch along u and v.
    margin : float
        Pitches of surroundings on every side.
    noise : float
        Standard deviation of one pixel, counts.
    """

    lattice: Lattice
    counts: FloatImage
    known: NDArray[np.bool_]
    px_per_pitch: tuple[float, float]
    margin: float
    noise: float

    def column_px(self, u: ArrayLike) -> NDArray[np.float64]:
        """Return the column at which u lies."""
        return np.asarray((np.asarray(u) + self.margin) * self.px_per_pitch[0] - 0.5)

    def row_px(self, v: ArrayLike) -> NDArray[np.float64]:
        """Return the row at which v lies."""
        return np.asarray((np.asarray(v) + self.margin) * self.px_per_pitch[1] - 0.5)

    def u_at(self, column_px: ArrayLike) -> NDArray[np.float64]:
        """Return u at a column; the inverse of `column_px`."""
        return np.asarray((np.asarray(column_px) + 0.5) / self.px_per_pitch[0] - self.margin)

    def v_at(self, row_px: ArrayLike) -> NDArray[np.float64]:
        """Return v at a row; the inverse of `row_px`."""
        return np.asarray((np.asarray(row_px) + 0.5) / self.px_per_pitch[1] - self.margin)


def flattened(
    coarse: CoarsePicture,
    lattice: Lattice,
    px_per_pitch: tuple[float, float],
    margin: float,
    floor: float,
    noise: float,
) -> FlatPicture:
    """Lay the coarse picture flat; `floor` is the background in counts, taken off."""
    width, height = lattice.extent
    columns = max(8, round((width + 2 * margin) * px_per_pitch[0]))
    rows = max(8, round((height + 2 * margin) * px_per_pitch[1]))
    flat = FlatPicture(lattice, coarse.counts, np.ones((1, 1), bool), px_per_pitch, margin, noise)
    # The lattice bends smoothly: a sparse mesh of exact points, interpolated, serves all pixels.
    mesh_x = (np.arange(-1.0, columns // _MESH_PX + 2) + 0.5) * _MESH_PX - 0.5
    mesh_y = (np.arange(-1.0, rows // _MESH_PX + 2) + 0.5) * _MESH_PX - 0.5
    plane = np.stack(np.meshgrid(flat.u_at(mesh_x), flat.v_at(mesh_y)), axis=-1)
    mesh = coarse.from_file(lattice.to_file(plane)).astype(np.float32)
    dense = cv2.resize(mesh, (mesh_x.size * _MESH_PX, mesh_y.size * _MESH_PX), interpolation=cv2.INTER_LINEAR)
    spread_x, spread_y = cv2.split(dense[_MESH_PX : _MESH_PX + rows, _MESH_PX : _MESH_PX + columns])
    counts = cv2.remap(coarse.counts, spread_x, spread_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    known = (spread_x > -1) & (spread_x < coarse.width) & (spread_y > -1) & (spread_y < coarse.height)
    return FlatPicture(lattice, counts - np.float32(floor), known, px_per_pitch, margin, noise)


def profiles_along_u(flat: FlatPicture, tops: NDArray[np.float64], bottoms: NDArray[np.float64]) -> Profile:
    """Return the mean over bands of rows, one profile per band, shape (bands, columns); bounds are in v."""
    return _banded(flat.counts, flat.row_px(tops), flat.row_px(bottoms))


def profiles_along_v(flat: FlatPicture, lefts: NDArray[np.float64], rights: NDArray[np.float64]) -> Profile:
    """Return the mean over bands of columns, one profile per band, shape (bands, rows); bounds are in u."""
    return _banded(flat.counts.T, flat.column_px(lefts), flat.column_px(rights))


def _banded(counts: FloatImage, starts: NDArray[np.float64], stops: NDArray[np.float64]) -> Profile:
    first = np.clip(np.round(starts).astype(int), 0, counts.shape[0] - 1)
    last = np.clip(np.round(stops).astype(int), first + 1, counts.shape[0])
    return np.stack([counts[a:b].mean(axis=0) for a, b in zip(first, last, strict=True)])


def reaches(pitch_px: float) -> tuple[int, ...]:
    """Return the distances at which the sides of a gap are looked for, pixels; the gap is about 1 to 7 % of a pitch."""
    return tuple(sorted({max(3, round(share * pitch_px)) for share in (0.02, 0.04)}))


def gap_likeness(profiles: Profile, distances: tuple[int, ...], noise: float) -> NDArray[np.float32]:
    """Return how much darker each place is than both its sides, as a share of the brighter side.

    Parameters
    ----------
    profiles : ndarray, shape (n, length)
        Counts above background.
    distances : tuple of int
        Distances of the sides that are compared with; the largest answer counts.
    noise : float
        Of one value of the profile; sides not well above it give no answer.

    Returns
    -------
    ndarray, shape (n, length)
        About 1 for a black line between bright sides, 0 on even ground, at least -1.
    """
    best = np.full(profiles.shape, -1, np.float32)
    for reach in distances:
        left, right = _sides(profiles, reach)
        share = (np.minimum(left, right) - profiles) / (np.maximum(left, right) + 8 * noise + 1e-6)
        best = np.maximum(best, share)
    return np.clip(best, -1, 1)


def edge_likeness(profiles: Profile, reach: int, noise: float) -> NDArray[np.float32]:
    """Return how much brighter the place ahead is than the place behind, as a share of the light nearby; -1..1.

    Its extremes lie half way up an edge: the light nearby is taken from a wider stretch than the edge.
    """
    left, right = _sides(profiles, reach)
    nearby = cv2.dilate(np.maximum(left, right), np.ones((1, 8 * reach + 1), np.uint8))
    return np.asarray(np.clip((right - left) / (np.maximum(nearby, 0) + 8 * noise + 1e-6), -1, 1))


def _sides(profiles: Profile, reach: int) -> tuple[Profile, Profile]:
    padded = np.pad(profiles, ((0, 0), (reach + 1, reach + 1)), mode="edge")
    smooth = (padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]) / np.float32(3)
    length = profiles.shape[1]
    return smooth[:, :length], smooth[:, 2 * reach : 2 * reach + length]
