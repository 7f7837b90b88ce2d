"""Cells that lie out of place, are turned, or come too near to a neighbour."""

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Value
from elinspect.detectors.nearness import near
from elinspect.records import Detection, Finding, Kind, PanelView, read_only
from elinspect.settings import MisplacedCellSettings

_NARROWEST_MM = 0.5


def detect(view: PanelView, settings: MisplacedCellSettings) -> Detection:
    """Find misplaced cells.

    Parameters
    ----------
    view : PanelView
        The panel with its measures.
    settings : MisplacedCellSettings
        How far is far.

    Returns
    -------
    Detection
        `length_mm` of a finding is the way of the farthest corner. Outlines are the cells' own. Cells whose edges
        were not seen, and a single cell, score 0.
    """
    measures, n = view.measures, len(view.judged)
    if measures is None:
        return Detection(Kind.MISPLACED_CELL, read_only(np.zeros(n, np.float32)), (), seen=False)
    rows, columns = view.pictures.full_current.shape[1:]
    half = np.array([columns - 1, rows - 1]) / 2 * view.pictures.mm_per_px
    turn = np.radians(np.nan_to_num(measures.rotation_deg))
    # The farthest corner: the way of the middle, and a quarter of a turn of the half diagonal on top, both ways.
    way = np.hypot(
        np.abs(measures.along_mm) + np.abs(turn) * half[1], np.abs(measures.across_mm) + np.abs(turn) * half[0]
    )
    # Where the cell size is only assumed, a millimetre may be two thirds of one.
    half_mm = settings.half_mm * (1 if view.pictures.scale_known else 2)
    missing_mm, closed_mm = _closing(view, half_mm)
    beyond = np.fmax((way - measures.uncertainty_mm) / half_mm, (missing_mm - _gap_uncertainty(view)) / closed_mm)
    scores = _score(beyond) * view.judged
    # Ways within the uncertainty rank too; at the threshold both are the same.
    ranked = np.fmax(way / (half_mm + measures.uncertainty_mm), missing_mm / (closed_mm + _gap_uncertainty(view)))
    outline = np.array([[0, 0], [0, columns - 1], [rows - 1, columns - 1], [rows - 1, 0]], dtype=np.float64)
    findings = []
    for cell in np.flatnonzero(scores >= settings.threshold):
        figures = {
            "shift_mm": np.hypot(measures.along_mm[cell], measures.across_mm[cell]),
            "along_mm": measures.along_mm[cell],
            "across_mm": measures.across_mm[cell],
            "rotation_deg": abs(measures.rotation_deg[cell]),
            "gap_mm": measures.least_gap_mm[cell],
            "uncertainty_mm": measures.uncertainty_mm[cell],
        }
        known: dict[str, Value] = {
            name: round(float(value), 2) if np.isfinite(value) else None for name, value in figures.items()
        }
        length = float(way[cell]) if np.isfinite(way[cell]) else None
        score = float(scores[cell])
        findings.append(Finding(Kind.MISPLACED_CELL, int(cell), score, outline, length, measurements=known))
    nearness = near(_score(ranked) * view.judged, settings.threshold)
    return Detection(Kind.MISPLACED_CELL, read_only(scores.astype(np.float32)), tuple(findings), nearness)


def _score(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """0.5 at a ratio of 1; 0 for what is not known."""
    square = np.nan_to_num(np.maximum(ratio, 0)) ** 2
    return np.asarray(square / (1 + square))


def _gap_uncertainty(view: PanelView) -> float:
    assert view.measures is not None
    return float(max(view.measures.gap_uncertainty_mm))


def _closing(view: PanelView, half_mm: float) -> tuple[NDArray[np.float64], float]:
    """Return how far the narrowest gap of each cell has closed, and how far gives a score of 0.5, mm.

    That is half the usual gap where it is less than `half_mm`; 0 has closed where cells lie edge to edge by design.
    """
    measures, layout = view.measures, view.pictures.grid.layout
    assert measures is not None
    in_string = np.arange(1, layout.grid_shape[1]) % layout.cells_per_string != 0
    both = measures.gaps_along_mm[:, in_string], measures.gaps_across_mm
    usual = min((float(np.nanmedian(gaps)) for gaps in both if np.isfinite(gaps).any()), default=0.0)
    if usual < _NARROWEST_MM:
        return np.zeros(layout.n_cells), half_mm
    half = float(np.clip(usual / 2, _NARROWEST_MM, half_mm))
    return usual - measures.least_gap_mm, half
