"""Where each gap and each outer edge shows in the flat picture, segment by segment."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.flat import Bands, FlatPicture, Profile, edge_likeness, gap_likeness, reaches
from elinspect.geometry.lattice import Sightings
from elinspect.records import Points

FAINTEST = 0.04
"""Gap-likeness below which a segment counts as not seen, as a share of the cells' light (chosen on the free panels)."""


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """The lines of one axis: between neighbours and at the ends of blocks.

    Attributes
    ----------
    nominal : ndarray, shape (lines,)
        Place in pitches, shift of the block not added.
    block : ndarray of int, shape (lines,)
        Block of the line.
    kind : ndarray of int, shape (lines,)
        0 between two cells, 1 where cells begin, -1 where they end.
    cell : ndarray of int, shape (lines,)
        Cell along the axis that lies before the line; for a line where cells begin, the cell after it.
    """

    nominal: NDArray[np.float64]
    block: NDArray[np.intp]
    kind: NDArray[np.intp]
    cell: NDArray[np.intp]


def _lines(blocks: int, per_block: int, gap: float) -> Lines:
    index = np.arange(per_block + 1)
    kind = np.where(index == 0, 1, np.where(index == per_block, -1, 0))
    nominal, block = index + kind * gap / 2, np.arange(blocks)
    first = block[:, None] * per_block
    return Lines(
        nominal=np.asarray(nominal + first, np.float64).ravel(),
        block=np.repeat(block, per_block + 1),
        kind=np.tile(kind, blocks),
        cell=np.asarray(np.maximum(index - 1, 0) + first).ravel(),
    )


def lines_along_u(flat: FlatPicture) -> Lines:
    """Return the lines of constant u: every block begins and ends for itself."""
    layout = flat.lattice.layout
    return _lines(layout.blocks, layout.cells_per_string, flat.lattice.gaps[0])


def lines_along_v(flat: FlatPicture) -> Lines:
    """Return the lines of constant v."""
    return _lines(1, flat.lattice.layout.grid_shape[0], flat.lattice.gaps[1])


@dataclass(frozen=True, slots=True, eq=False)
class AxisSightings:
    """Lines of one axis seen band by band.

    Attributes
    ----------
    lines : Lines
        The lines.
    place : ndarray, shape (bands, lines)
        Where each was seen, pixels of the profile.
    likeness : ndarray, shape (bands, lines)
        How gap-like or edge-like it is there, about 0..1.
    """

    lines: Lines
    place: NDArray[np.float64]
    likeness: NDArray[np.float64]


def sought(
    profiles: Profile, lines: Lines, places: NDArray[np.float64], pitch_px: float, window: float, noise: float
) -> AxisSightings:
    """Seek every line of one axis near its expected place in every band.

    Parameters
    ----------
    profiles : ndarray, shape (bands, length)
        Counts above background across the lines.
    lines : Lines
        What is sought.
    places : ndarray, shape (lines,)
        Expected places, pixels of the profile.
    pitch_px : float
        Pixels per pitch.
    window : float
        How far from the expected place, in pitches.
    noise : float
        Of one value of the profiles.
    """
    sides = reaches(pitch_px)
    gap = gap_likeness(profiles, sides, noise)
    edge = edge_likeness(profiles, max(2, sides[0] - 1), noise)
    half = max(2, round(window * pitch_px))
    offsets = np.arange(-half, half + 1)
    index = np.clip(np.round(places).astype(int)[:, None] + offsets, 0, profiles.shape[1] - 1)
    kind = lines.kind[:, None]
    values = np.where(kind == 0, gap[:, index], kind * edge[:, index])
    # Nearer places are more likely: between equal lines (busbars beside a gap) the nearest one wins.
    favoured = values * (1 - 0.5 * (offsets / (half + 1)) ** 2)
    best = np.argmax(favoured, axis=2)
    likeness = np.take_along_axis(values, best[..., None], axis=2)[..., 0]
    inner = np.clip(best, 1, offsets.size - 2)
    before, here, after = (np.take_along_axis(values, (inner + k)[..., None], axis=2)[..., 0] for k in (-1, 0, 1))
    curvature = before - 2 * here + after
    shift = np.where(np.abs(curvature) > 1e-6, 0.5 * (before - after) / np.where(curvature == 0, 1, curvature), 0.0)
    place = np.round(places) + offsets[inner] + np.clip(shift, -1, 1)
    return AxisSightings(lines, place, likeness)


def seen_in(flat: FlatPicture, bands: Bands, window: tuple[float, float]) -> tuple[AxisSightings, AxisSightings]:
    """Seek all lines of both axes; `window` is in pitches along u and v."""
    lines_u, lines_v = lines_along_u(flat), lines_along_v(flat)
    places_u = flat.column_px(lines_u.nominal + flat.lattice.shifts[lines_u.block])
    pitch_u, pitch_v = flat.px_per_pitch
    return (
        sought(bands.along_u, lines_u, places_u, pitch_u, window[0], bands.noise_u),
        sought(bands.along_v, lines_v, flat.row_px(lines_v.nominal), pitch_v, window[1], bands.noise_v),
    )


def as_sightings(flat: FlatPicture, bands: Bands, seen_u: AxisSightings, seen_v: AxisSightings) -> Sightings:
    """Bring what was seen in the flat picture to points of the file."""
    layout = flat.lattice.layout
    cell = np.repeat(np.arange(layout.grid_shape[1]), bands.u.size // layout.grid_shape[1])
    cell_block = cell // layout.cells_per_string

    def points(u: NDArray[np.float64], v: NDArray[np.float64]) -> Points:
        return np.stack(np.broadcast_arrays(u, v), axis=-1).reshape(-1, 2)

    lines_u, lines_v = seen_u.lines, seen_v.lines
    file_u = flat.lattice.to_file(points(flat.u_at(seen_u.place), bands.v[:, None]))
    file_v = flat.lattice.to_file(points(bands.u[:, None], flat.v_at(seen_v.place)))
    nominal_columns = bands.u - flat.lattice.shifts[cell_block]
    plane = np.concatenate(
        [points(lines_u.nominal[None], bands.v[:, None]), points(nominal_columns[:, None], lines_v.nominal[None])]
    )
    block = np.concatenate(
        [np.broadcast_to(lines_u.block, seen_u.place.shape).ravel(), np.repeat(cell_block, lines_v.nominal.size)]
    )
    across = np.concatenate([np.ones(seen_u.place.size, bool), np.zeros(seen_v.place.size, bool)])
    likeness = np.concatenate([seen_u.likeness.ravel(), seen_v.likeness.ravel()])
    weight = np.where(likeness >= FAINTEST, np.sqrt(np.clip(likeness, 0, 1)), 0.0)
    return Sightings(plane, block, across, np.concatenate([file_u, file_v]), weight)
