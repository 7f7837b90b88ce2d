"""Strings whose light fades from one end to the other: the probe at the dim end has poor contact, or is in the way.

A remark on the picture, not a flag: the cells are as good as they were.
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.records import PanelView
from elinspect.settings import ProbeContactSettings


def fading_strings(view: PanelView, settings: ProbeContactSettings) -> tuple[tuple[int, int, float], ...]:
    """Find strings whose light fades along them.

    What the strings side by side have in common (fall-off of light, the camera's place) is taken off first.

    Returns
    -------
    tuple of (string, position, share)
        Number of the string, the position at its dim end, light there over light at the other end.
    """
    layout = view.pictures.grid.layout
    n = layout.cells_per_string
    if n < settings.fewest_cells:
        return ()
    light = view.luminance.astype(np.float64).reshape(layout.n_strings, n)
    if np.any(light <= 0):
        light = np.maximum(light, 1e-3 * light.max() + 1e-9)
    logs = np.log(light)
    logs -= np.median(logs, axis=1, keepdims=True)
    per_block = layout.strings_per_block
    if per_block >= settings.fewest_strings:
        for block in range(layout.blocks):
            rows = slice(block * per_block, (block + 1) * per_block)
            logs[rows] -= np.median(logs[rows], axis=0)
    return _faded(logs, settings.faded_share, settings.least_order)


def fading_blocks(
    view: PanelView, settings: ProbeContactSettings, middle_px: tuple[float, float] | None = None
) -> tuple[tuple[int, int, float], ...]:
    """Find blocks all of whose strings fade alike.

    Fall-off of light goes with the square of the distance from the middle of the picture, a fade goes one way: both are
    fitted together, so that neither is taken for the other.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : ProbeContactSettings
        When light counts as fading.
    middle_px : tuple of float, optional
        Middle (x, y) of the picture in file pixels; that of the field of cells if left out.

    Returns
    -------
    tuple of (block, position, share)
        Number of the block, the position at its dim end, light there over light at the other end.
    """
    layout = view.pictures.grid.layout
    n = layout.cells_per_string
    if n < settings.fewest_cells or layout.strings_per_block < settings.fewest_strings:
        return ()
    shape = (layout.blocks, layout.strings_per_block, n)
    centres = view.pictures.corners_in_files().mean(axis=1)
    away = centres - (centres.mean(axis=0) if middle_px is None else np.array(middle_px))
    square = np.median((away**2).sum(axis=1).reshape(shape), axis=1)
    square /= max(float(square.max()), 1e-9)
    light = view.luminance.astype(np.float64)
    logs = np.median(np.log(np.maximum(light, 1e-3 * light.max() + 1e-9)).reshape(shape), axis=1)
    # An offset and a slope for each block, one fall-off for all, which only darkens what is further out.
    along = np.kron(np.eye(layout.blocks), np.linspace(-0.5, 0.5, n)[:, None])
    levels = np.kron(np.eye(layout.blocks), np.ones((n, 1)))
    fitted = np.linalg.lstsq(np.column_stack([levels, along, square.ravel()]), logs.ravel(), rcond=None)[0]
    flat = logs - min(float(fitted[-1]), 0.0) * square
    return _faded(flat, settings.faded_block_share, settings.least_order)


def contact_notes(
    view: PanelView, settings: ProbeContactSettings, middle_px: tuple[float, float] | None = None
) -> tuple[Message, ...]:
    """Return a note per block whose strings all fade alike, and per string that fades otherwise than its neighbours."""
    each = view.pictures.grid.layout.strings_per_block
    return (
        *(
            Message(
                "quality.all_fade",
                {
                    "first": (block - 1) * each + 1,
                    "last": block * each,
                    "position": position,
                    "percent": 100 * share,
                },
            )
            for block, position, share in fading_blocks(view, settings, middle_px)
        ),
        *(
            Message("quality.probe_contact", {"string": string, "position": position, "percent": 100 * share})
            for string, position, share in fading_strings(view, settings)
        ),
    )


def _faded(logs: NDArray[np.float64], faded_share: float, least_order: float) -> tuple[tuple[int, int, float], ...]:
    """Return number, position of the dim end, and share of light left there, for each row that fades steadily."""
    n, found = logs.shape[1], []
    for number, row in enumerate(logs, start=1):
        slope, order = _trend(row)
        share = float(np.exp(-abs(slope) * (n - 1)))
        if share < faded_share and abs(order) > least_order:
            found.append((number, n if slope < 0 else 1, share))
    return tuple(found)


def _trend(values: NDArray[np.float64]) -> tuple[float, float]:
    """Return the median slope over all pairs (Theil 1950, Sen 1968) and Kendall's rank correlation with the place.

    doi 10.1080/01621459.1968.10480934
    """
    first, second = np.triu_indices(len(values), 1)
    steps = values[second] - values[first]
    return float(np.median(steps / (second - first))), float(np.mean(np.sign(steps)))
