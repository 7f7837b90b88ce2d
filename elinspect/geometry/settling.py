"""The lattice fitted to the lines of the coarse picture, from a first outline to where it stands still."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.coarse import CoarsePicture
from elinspect.geometry.comb import axis_evidence, best_comb
from elinspect.geometry.flat import Bands, FlatPicture, bands_of, flattened
from elinspect.geometry.lattice import Lattice, fitted
from elinspect.geometry.sightings import as_sightings, seen_in

_MARGIN = 0.35
_STILL_PX = 0.7
_PASSES = (((0.12, 0.09), False), ((0.08, 0.06), True), ((0.04, 0.04), True))
"""Windows along u and v in pitches, and whether the lens is fitted: it would fit itself to wrong lines at first."""


def settled(coarse: CoarsePicture, lattice: Lattice) -> tuple[Lattice, FlatPicture, Bands]:
    """Fit the lattice to the lines that show, from wide windows to narrow ones, until it stands still."""
    flat = flattened(coarse, lattice, _MARGIN)
    combed = _combed(flat, bands_of(flat))
    if _moved_px(lattice, combed) > _STILL_PX * coarse.factor:
        lattice, flat = combed, flattened(coarse, combed, _MARGIN)
    bands = bands_of(flat)
    for window, with_lens in _PASSES:
        seen = as_sightings(flat, bands, *seen_in(flat, bands, window))
        fit, _ = fitted(lattice, seen, with_lens)
        moved_px = _moved_px(lattice, fit)
        lattice = fit
        if moved_px > _STILL_PX * coarse.factor:
            flat = flattened(coarse, lattice, _MARGIN)
            bands = bands_of(flat)
        elif with_lens:
            break
    return lattice, flat, bands


def _moved_px(before: Lattice, after: Lattice) -> float:
    """Return the largest distance (file px) by which a corner of a cell has moved."""
    return float(np.linalg.norm(before.cell_corners() - after.cell_corners(), axis=-1).max())


def _combed(flat: FlatPicture, bands: Bands) -> Lattice:
    """Move and stretch the lattice along its axes to where the lines are; each block for itself."""
    lattice = flat.lattice
    layout = lattice.layout
    rows, _ = layout.grid_shape
    n = layout.cells_per_string
    slack_u, slack_v = 0.2 * flat.px_per_pitch[0], 0.2 * flat.px_per_pitch[1]
    along_u = axis_evidence(bands.along_u, flat.px_per_pitch[0], bands.noise_u)
    along_v = axis_evidence(bands.along_v, flat.px_per_pitch[1], bands.noise_v)
    begins, ends = [], []
    for b in range(layout.blocks):
        expected = flat.column_px(b * n + lattice.shifts[b] + np.array([0, n]))
        side_begin = along_u.outer_begins if b == 0 else along_u.begins
        side_end = along_u.outer_ends if b == layout.blocks - 1 else along_u.ends
        comb = best_comb(along_u.gap, (side_begin, side_end), n, (expected[0], expected[1]), slack_u, 1.0)
        begins.append(float(flat.u_at(comb.first)))
        ends.append(float(flat.u_at(comb.last)))
    sides_v = along_v.outer_begins, along_v.outer_ends
    comb = best_comb(along_v.gap, sides_v, rows, (float(flat.row_px(0)), float(flat.row_px(rows))), slack_v, 0.0)
    top, bottom = float(flat.v_at(comb.first)), float(flat.v_at(comb.last))
    return _rescaled(lattice, np.array(begins), np.array(ends), (top, bottom))


def _rescaled(
    lattice: Lattice, begins: NDArray[np.float64], ends: NDArray[np.float64], rows: tuple[float, float]
) -> Lattice:
    n = lattice.layout.cells_per_string
    pitch = float((ends - begins).mean()) / n
    shifts = (begins - begins[0]) / pitch - np.arange(begins.size) * n
    stretch_v = (rows[1] - rows[0]) / lattice.layout.grid_shape[0]
    old_from_new = np.array([[pitch, 0, begins[0]], [0, stretch_v, rows[0]], [0, 0, 1.0]])
    return replace(lattice, file_from_plane=lattice.file_from_plane @ old_from_new, shifts=shifts)
