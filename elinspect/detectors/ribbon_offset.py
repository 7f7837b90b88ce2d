"""Ribbons or wires that lie beside their busbar, or do not run straight."""

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Value
from elinspect.detectors.nearness import near
from elinspect.records import Detection, Finding, Kind, PanelView, Points, read_only
from elinspect.settings import RibbonOffsetSettings

_BESIDE_MM = 2.0


def detect(view: PanelView, settings: RibbonOffsetSettings) -> Detection:
    """Find ribbons that are off.

    Parameters
    ----------
    view : PanelView
        The panel with its measures.
    settings : RibbonOffsetSettings
        How far is far.

    Returns
    -------
    Detection
        One finding a cell, its worst ribbon; `length_mm` is how far that one lies off. Cells that show no ribbons score
        0.
    """
    measures, n = view.measures, len(view.judged)
    if measures is None or measures.ribbon_offset_mm.shape[1] == 0:
        return Detection(Kind.RIBBON_OFFSET, read_only(np.zeros(n, np.float32)), (), seen=False)
    beside = np.abs(measures.ribbon_offset_mm) - measures.ribbon_uncertainty_mm[:, None]
    off = np.nan_to_num(np.fmax(beside, measures.ribbon_bow_mm)).clip(0)
    spacing = np.diff(measures.ribbon_places_mm).mean() if off.shape[1] > 1 else np.inf
    half = min(settings.half_mm, settings.half_share * float(spacing))
    # Where the cell size is only assumed, a millimetre may be two thirds of one.
    half *= 1 if view.pictures.scale_known else 2
    worst = off.argmax(axis=1)
    farthest = off[np.arange(n), worst]
    scores = _score(farthest / half) * view.judged
    findings = []
    for cell in np.flatnonzero(scores >= settings.threshold):
        ribbon = int(worst[cell])
        offset, bow = measures.ribbon_offset_mm[cell, ribbon], measures.ribbon_bow_mm[cell, ribbon]
        figures: dict[str, Value] = {
            "ribbon": ribbon + 1,
            "offset_mm": round(abs(float(offset)), 2),
            "bow_mm": round(float(bow), 2),
        }
        place = float(measures.ribbon_places_mm[ribbon] + offset) / view.pictures.mm_per_px
        outline = _around(place, view.pictures.full_current.shape[1:], view.pictures.mm_per_px)
        score, length = float(scores[cell]), float(np.fmax(abs(offset), bow))
        findings.append(Finding(Kind.RIBBON_OFFSET, int(cell), score, outline, length, measurements=figures))
    # Offsets within the uncertainty rank too; at the threshold both are the same.
    beside = np.abs(measures.ribbon_offset_mm) / (half + measures.ribbon_uncertainty_mm[:, None])
    ranked = np.nan_to_num(np.fmax(beside, measures.ribbon_bow_mm / half)).max(axis=1)
    nearness = near(_score(ranked) * view.judged, settings.threshold)
    return Detection(Kind.RIBBON_OFFSET, read_only(scores.astype(np.float32)), tuple(findings), nearness)


def _score(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(ratio**2 / (1 + ratio**2))


def _around(row: float, shape: tuple[int, ...], mm_per_px: float) -> Points:
    top, bottom = (float(np.clip(row + way * _BESIDE_MM / mm_per_px, 0, shape[0] - 1)) for way in (-1, 1))
    right = shape[1] - 1
    corners: NDArray[np.float64] = np.array([[top, 0], [top, right], [bottom, right], [bottom, 0]], np.float64)
    return corners
