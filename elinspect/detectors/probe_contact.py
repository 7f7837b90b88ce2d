"""Strings whose light fades from one end to the other: the probe at the dim end has poor contact.

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
    found = []
    for number, row in enumerate(logs, start=1):
        slope, order = _trend(row)
        share = float(np.exp(-abs(slope) * (n - 1)))
        if share < settings.faded_share and abs(order) > settings.least_order:
            found.append((number, n if slope < 0 else 1, share))
    return tuple(found)


def contact_notes(view: PanelView, settings: ProbeContactSettings) -> tuple[Message, ...]:
    """Return a note per fading string."""
    return tuple(
        Message("quality.probe_contact", {"string": string, "position": position, "percent": 100 * share})
        for string, position, share in fading_strings(view, settings)
    )


def _trend(values: NDArray[np.float64]) -> tuple[float, float]:
    """Return the median slope over all pairs (Theil 1950, Sen 1968) and Kendall's rank correlation with the place.

    doi 10.1080/01621459.1968.10480934
    """
    first, second = np.triu_indices(len(values), 1)
    steps = values[second] - values[first]
    return float(np.median(steps / (second - first))), float(np.mean(np.sign(steps)))
