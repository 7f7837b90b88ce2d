"""Cells with many wires as a crack search sees them: wires taken off, not bridged.

Where wires stand close, bridging them hides a fifth of the cell and more, every crack that runs along one, and what is
left between the bridges looks as uneven as grains. A wire is narrow and lets light of the cell beside it through, so it
is taken off instead: its rows lose what the cells of a string share there (pads, ends), each row its own median, and
where wires still differ from cell to cell they are bridged by so much.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import median_of, middle_of, over_cells, over_slices
from elinspect.detectors.flat import go_on_outside, nearest_inside, streaks_of, stretches_of
from elinspect.detectors.view import REFERENCE_CELLS
from elinspect.records import FloatImage, PanelView
from elinspect.vision import cv2

_FEWEST_WIRES = 6
"""Fewer are busbars: of several millimetres, nothing is to be seen through them. Common practice, no source."""
_FEWEST_CELLS = 6
"""So many cells of a string say what their wires share; else the whole panel does."""
_FOOT = 2
"""Rows beside a wire that belong to it."""
_ALONG = 9
"""Places along a wire that are taken together."""
_RIM_MM = 10.0
"""So far from the left and right rim cells are shaded along it."""


def takes_wires_off(view: PanelView) -> bool:
    """Return whether a panel has many wires, and cells enough to say how they look."""
    enough = len(stretches_of(view.busbar_rows)) >= _FEWEST_WIRES and len(view.flat) >= REFERENCE_CELLS
    return enough and bool(view.inside.any())


def without_wires(view: PanelView) -> PanelView:
    """Return the panel with wires taken off `flat` and `streaks`, for one of which `takes_wires_off` is true."""
    columns = np.flatnonzero(view.inside.any(axis=0))
    flat = np.asarray(view.log_cells - view.background, np.float32)
    _less_wires(flat, view)
    _less_rows(flat, columns)
    _half_bridge(flat, view)
    outside = np.flatnonzero(~view.inside.ravel())
    source = nearest_inside(view.inside)[outside]
    rim, streaks = round(_RIM_MM / view.mm_per_px), np.empty_like(view.streaks)

    def work(part: slice) -> None:
        level = flat[part]
        level *= view.inside
        _straighten_sides(level, view.inside, columns, rim)
        streaks[part] = streaks_of(level, view.inside)
        go_on_outside(level, outside, source)

    over_cells(work, len(flat))
    black = np.flatnonzero(~view.flat.any(axis=(1, 2)))
    flat[black], streaks[black] = 0, 0
    return replace(view, flat=flat, streaks=streaks)


def _less_wires(level: FloatImage, view: PanelView) -> None:
    """Take off, in place, what wires of a string share along them: pads, and ends."""
    per_string = view.pictures.grid.layout.cells_per_string
    # Wires end left in one string and right in the next.
    size = per_string if per_string >= _FEWEST_CELLS else len(level)

    def work(wires: slice) -> None:
        for rows in _rows_of_wires(view)[wires]:
            for start in range(0, len(level), size):
                own = np.ascontiguousarray(level[start : start + size, rows])
                level[start : start + size, rows] = own - median_of(own, np.arange(len(own)))

    over_slices(work, len(_rows_of_wires(view)), 1)


def _less_rows(level: FloatImage, columns: NDArray[np.intp]) -> None:
    """Take each row's own median off, in place: wires lie a little aside in each cell, and rims are shaded."""

    def work(part: slice) -> None:
        level[part] -= middle_of(level[part][:, :, columns])[:, :, None]

    over_cells(work, len(level))


def _half_bridge(level: FloatImage, view: PanelView) -> None:
    """Bridge wires, in place, by as much as they differ from cell to cell more than noise does."""
    noise, every = float(np.median(view.noise)), np.arange(len(level))

    def work(wires: slice) -> None:
        for rows in _rows_of_wires(view)[wires]:
            spread = 1.4826 * cv2.blur(median_of(np.abs(level[:, rows]), every), (_ALONG, 1))
            bridged = view.flat[:, rows]
            level[:, rows] = bridged + np.minimum(noise / np.maximum(spread, 1e-9), 1.0) * (level[:, rows] - bridged)

    over_slices(work, len(_rows_of_wires(view)), 1)


def _rows_of_wires(view: PanelView) -> list[slice]:
    rows = len(view.busbar_rows)
    return [slice(max(first - _FOOT, 0), min(end + _FOOT, rows)) for first, end in stretches_of(view.busbar_rows)]


def _straighten_sides(level: FloatImage, inside: NDArray[np.bool_], columns: NDArray[np.intp], rim: int) -> None:
    """Take shading along the left and right rim off: each column there loses its own median, in place."""
    rows = np.flatnonzero(inside.any(axis=1))
    sides = np.unique(np.concatenate([columns[:rim], columns[-rim:]]))
    part = level[:, :, sides]
    level[:, :, sides] = part - middle_of(part[:, rows].transpose(0, 2, 1))[:, None] * inside[:, sides]
