"""The coarse picture laid flat on the lattice, its profiles across the lines, and how gap-like each place is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from elinspect.geometry.coarse import CoarsePicture
from elinspect.geometry.homography import side_lengths
from elinspect.geometry.lattice import Lattice
from elinspect.records import FloatImage
from elinspect.vision import cv2

Profile = NDArray[np.float32]
_MESH_PX = 32
_RIM = 0.15
_FEWEST_BANDS = 4


@dataclass(frozen=True, slots=True, eq=False)
class FlatPicture:
    """The coarse picture seen square-on: columns run along u, rows along v.

    Attributes
    ----------
    lattice : Lattice
        The lattice it was flattened by.
    counts : ndarray of float32, shape (rows, columns)
        Counts above the picture's background.
    px_per_pitch : tuple of float
        Pixels per pitch along u and v.
    margin : float
        Pitches of surroundings on every side; beyond the file the border is repeated.
    noise : float
        Standard deviation of one pixel, counts.
    """

    lattice: Lattice
    counts: FloatImage
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


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """Profiles of the flat picture, each the mean over a band inside a row or a column of cells.

    Attributes
    ----------
    along_u : ndarray of float32, shape (bands, columns)
        Across the lines of constant u; the same number of bands for every row of cells.
    along_v : ndarray of float32, shape (bands, rows)
        Across the lines of constant v; the same number of bands for every column of cells.
    v, u : ndarray, shape (bands,)
        Middle of each band of `along_u` and of `along_v`.
    noise_u, noise_v : float
        Noise of one value of `along_u` and of `along_v`, counts.
    """

    along_u: Profile
    along_v: Profile
    v: NDArray[np.float64]
    u: NDArray[np.float64]
    noise_u: float
    noise_v: float


def flattened(coarse: CoarsePicture, lattice: Lattice, margin: float) -> FlatPicture:
    """Lay the coarse picture flat, about as fine as it is.

    Parameters
    ----------
    coarse : CoarsePicture
        The picture.
    lattice : Lattice
        Where its plane lies.
    margin : float
        Pitches of surroundings on every side.
    """
    wide, high = side_lengths(lattice.field_corners())
    width, height = lattice.extent
    px_per_pitch = wide / width / coarse.factor, high / height / coarse.factor
    columns = max(8, round((width + 2 * margin) * px_per_pitch[0]))
    rows = max(8, round((height + 2 * margin) * px_per_pitch[1]))
    flat = FlatPicture(lattice, coarse.counts, px_per_pitch, margin, coarse.noise)
    # The lattice bends smoothly: a sparse mesh of exact points, interpolated, serves all pixels.
    mesh_x = (np.arange(-1.0, columns // _MESH_PX + 2) + 0.5) * _MESH_PX - 0.5
    mesh_y = (np.arange(-1.0, rows // _MESH_PX + 2) + 0.5) * _MESH_PX - 0.5
    plane = np.stack(np.meshgrid(flat.u_at(mesh_x), flat.v_at(mesh_y)), axis=-1)
    mesh = coarse.from_file(lattice.to_file(plane)).astype(np.float32)
    dense = cv2.resize(mesh, (mesh_x.size * _MESH_PX, mesh_y.size * _MESH_PX), interpolation=cv2.INTER_LINEAR)
    points = dense[_MESH_PX : _MESH_PX + rows, _MESH_PX : _MESH_PX + columns]
    # The two-channel map spares a split of two million points; OpenCV's stubs do not know it.
    seen = cv2.remap(coarse.counts, points, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    counts = np.asarray(seen, np.float32) - np.float32(coarse.floor)
    return FlatPicture(lattice, counts, px_per_pitch, margin, coarse.noise)


def bands_of(flat: FlatPicture) -> Bands:
    """Take profiles over the inner part of every row and every column of cells.

    Few cells are parted into several bands each: one band could not show how a line is tilted.
    """
    tops, bottoms = _band_ends(np.arange(flat.lattice.layout.grid_shape[0], dtype=np.float64))
    lefts, rights = _band_ends(flat.lattice.columns_from)
    return Bands(
        along_u=profiles_along_u(flat, tops, bottoms),
        along_v=profiles_along_v(flat, lefts, rights),
        v=(tops + bottoms) / 2,
        u=(lefts + rights) / 2,
        noise_u=flat.noise / float(np.sqrt(max(1.0, (bottoms - tops)[0] * flat.px_per_pitch[1]))),
        noise_v=flat.noise / float(np.sqrt(max(1.0, (rights - lefts)[0] * flat.px_per_pitch[0]))),
    )


def _band_ends(starts: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    parts = -(-_FEWEST_BANDS // starts.size)
    length = (1 - 2 * _RIM) / parts
    begins = (starts[:, None] + _RIM + length * np.arange(parts)).ravel()
    return begins, begins + length


def profiles_along_u(flat: FlatPicture, tops: NDArray[np.float64], bottoms: NDArray[np.float64]) -> Profile:
    """Return the mean over bands of rows, one profile per band, shape (bands, columns); bounds are in v."""
    ends = _whole(flat.row_px(tops), flat.row_px(bottoms), flat.counts.shape[0])
    return np.concatenate([cv2.reduce(flat.counts[a:b], 0, cv2.REDUCE_AVG) for a, b in ends]).astype(np.float32)


def profiles_along_v(flat: FlatPicture, lefts: NDArray[np.float64], rights: NDArray[np.float64]) -> Profile:
    """Return the mean over bands of columns, one profile per band, shape (bands, rows); bounds are in u."""
    ends = _whole(flat.column_px(lefts), flat.column_px(rights), flat.counts.shape[1])
    parts = [cv2.reduce(flat.counts[:, a:b], 1, cv2.REDUCE_AVG) for a, b in ends]
    return np.ascontiguousarray(np.concatenate(parts, axis=1).T, np.float32)


def _whole(starts: NDArray[np.float64], stops: NDArray[np.float64], length: int) -> list[tuple[int, int]]:
    first = np.clip(np.round(starts).astype(int), 0, length - 1)
    last = np.clip(np.round(stops).astype(int), first + 1, length)
    return list(zip(first.tolist(), last.tolist(), strict=True))


def reaches(pitch_px: float) -> tuple[int, ...]:
    """Return the distances at which the sides of a gap are looked for, pixels; the gap is about 1 to 7 % of a pitch."""
    return tuple(sorted({max(3, round(share * pitch_px)) for share in (0.02, 0.04)}))


def gap_likeness(profiles: Profile, distances: tuple[int, ...], noise: float) -> Profile:
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
        share = (np.minimum(left, right) - profiles) / _at_least(np.maximum(left, right), noise)
        best = np.maximum(best, share)
    return np.clip(best, -1, 1)


def edge_likeness(profiles: Profile, reach: int, noise: float) -> Profile:
    """Return how much brighter the place ahead is than the place behind, as a share of the light nearby; -1..1.

    Its extremes lie half way up an edge: the light nearby is taken from a wider stretch than the edge.
    """
    left, right = _sides(profiles, reach)
    nearby = np.asarray(cv2.dilate(np.maximum(left, right), np.ones((1, 8 * reach + 1), np.uint8)), np.float32)
    return np.asarray(np.clip((right - left) / _at_least(nearby, noise), -1, 1), np.float32)


def _at_least(light: Profile, noise: float) -> Profile:
    return np.maximum(light, 0) + np.float32(8 * noise + 1e-6)


def _sides(profiles: Profile, reach: int) -> tuple[Profile, Profile]:
    padded = np.pad(profiles, ((0, 0), (reach + 1, reach + 1)), mode="edge")
    smooth = (padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]) / np.float32(3)
    length = profiles.shape[1]
    return smooth[:, :length], smooth[:, 2 * reach : 2 * reach + length]
