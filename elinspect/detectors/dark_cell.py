"""Cells that are dark as a whole, against what cells with the same current give at that place of the panel."""

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Detection, Finding, Kind, Layout, PanelView, read_only
from elinspect.settings import DarkCellSettings

_FEWEST_CELLS = 24
"""From so many lit cells on a panel tells its own fall-off of light from a dark cell."""

_ROUNDS = 8
_TUKEY = 4.685
"""Tuning constant of Tukey's biweight for 95 % efficiency at normal errors (Huber, Robust Statistics, 1981; from
memory)."""


def detect(view: PanelView, settings: DarkCellSettings) -> Detection:
    """Find dark cells.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : DarkCellSettings
        How dark is dark.

    Returns
    -------
    Detection
        Outlines are the cells' own; a single cell has nothing to be compared with and scores 0. `relative_luminance` is
        the luminance over that of the cells with the same current, `of_expected_share` over what such a cell gives at
        this place of the panel.
    """
    relative = view.relative_luminance.astype(np.float64)
    expected = expected_luminance(relative, view.judged, view.pictures.grid.layout, settings)
    share = relative / expected
    spread = 1.4826 * np.median(np.abs(share - np.median(share)))
    half = max(1 - settings.dark_share, settings.spreads * spread)
    missing = np.maximum(1 - share, 0) / half
    scores = missing**2 / (1 + missing**2) * view.judged
    rows, columns = view.pictures.full_current.shape[1:]
    outline = np.array([[0, 0], [0, columns - 1], [rows - 1, columns - 1], [rows - 1, 0]], dtype=np.float64)
    findings = tuple(
        Finding(
            Kind.DARK_CELL,
            int(cell),
            float(scores[cell]),
            outline,
            area_fraction=1.0,
            measurements={
                "relative_luminance": round(float(relative[cell]), 3),
                "of_expected_share": round(float(share[cell]), 3),
            },
        )
        for cell in np.flatnonzero(scores >= settings.threshold)
    )
    return Detection(Kind.DARK_CELL, read_only(scores.astype(np.float32)), findings, seen=len(scores) > 1)


def expected_luminance(
    relative: NDArray[np.float64], judged: NDArray[np.bool_], layout: Layout, settings: DarkCellSettings
) -> NDArray[np.float64]:
    """Return what a sound cell gives at each place, over the median of the cells that carry the same current.

    A surface of second order over the panel, fitted robustly to the logarithm (iteratively reweighted least squares
    with Tukey's biweight): light falls off towards the corners, and no camera sees all cells at the same angle. Cells
    that are dark themselves do not bend it, and it may not bend far: a whole region that is dim is no fall-off.

    Parameters
    ----------
    relative : ndarray, shape (n_cells,)
        Luminance over the median of the cells with the same current.
    judged : ndarray of bool
        Cells that count.
    layout : Layout
        Where cells lie in the gate view.
    settings : DarkCellSettings
        How far the surface may bend.

    Returns
    -------
    ndarray, shape (n_cells,)
        1 everywhere on panels of few cells.
    """
    lit = judged & (relative > 1 - settings.most_fall_off)
    if np.count_nonzero(lit) < _FEWEST_CELLS:
        return np.ones_like(relative)
    x, y = _places(layout)
    terms = np.column_stack([np.ones_like(x), x, y, x * x, y * y, x * y])
    known = np.linalg.matrix_rank(terms[lit])
    if known < terms.shape[1]:
        return np.ones_like(relative)
    light = np.log(np.maximum(relative, 1e-6))
    weights = lit.astype(np.float64)
    fitted = np.zeros_like(light)
    for _ in range(_ROUNDS):
        root = np.sqrt(weights)
        fitted = terms @ np.linalg.lstsq(terms * root[:, None], light * root, rcond=None)[0]
        off = light - fitted
        spread = max(1.4826 * float(np.median(np.abs(off[lit]))), 1e-3)
        weights = lit * np.maximum(1 - (off / (_TUKEY * spread)) ** 2, 0) ** 2
    bend = np.log(1 - settings.most_fall_off)
    return np.asarray(np.exp(np.clip(fitted - np.median(fitted), bend, -bend)))


def _places(layout: Layout) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Column and row of each cell in the gate view, -1 to 1."""
    cell = np.arange(layout.n_cells)
    string, position = np.divmod(cell, layout.cells_per_string)
    block, row = np.divmod(string, layout.strings_per_block)
    column = block * layout.cells_per_string + position
    sides = (layout.blocks * layout.cells_per_string - 1, layout.strings_per_block - 1)
    return column / max(sides[0], 1) * 2 - 1, row / max(sides[1], 1) * 2 - 1
