"""Cells that are dark as a whole, against the cells that carry the same current."""

import numpy as np

from elinspect.records import Detection, Finding, Kind, PanelView, read_only
from elinspect.settings import DarkCellSettings


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
        Outlines are the cells' own; a single cell has nothing to be compared with and scores 0.
    """
    relative = view.relative_luminance.astype(np.float64)
    spread = 1.4826 * np.median(np.abs(relative - np.median(relative)))
    half = max(1 - settings.dark_share, settings.spreads * spread)
    missing = np.maximum(1 - relative, 0) / half
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
            measurements={"relative_luminance": round(float(relative[cell]), 3)},
        )
        for cell in np.flatnonzero(scores >= settings.threshold)
    )
    return Detection(Kind.DARK_CELL, read_only(scores.astype(np.float32)), findings)
