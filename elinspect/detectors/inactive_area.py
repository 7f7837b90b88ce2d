"""Inactive areas: regions far darker than the cell and the panel's typical cell let expect."""

import math

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import over_cells
from elinspect.detectors.view import REFERENCE_CELLS
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, read_only
from elinspect.settings import InactiveAreaSettings
from elinspect.vision import cv2

_HALF = 2


def detect(view: PanelView, settings: InactiveAreaSettings) -> Detection:
    """Find inactive areas.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : InactiveAreaSettings
        How dark, how large.

    Returns
    -------
    Detection
        Findings with a closed outline and their share of the cell.
    """
    missing, inside = _missing(view, settings)
    n_inside = max(int(inside.sum()), 1)
    depth = np.clip(
        (-math.log(settings.rim_share) - missing) / math.log(settings.core_share / settings.rim_share), 0, 1
    )
    areas = (depth * inside).sum(axis=(1, 2)) / n_inside
    scores = np.array([_score(float(area), settings) for area in areas]) * view.judged
    findings = [
        finding
        for cell in np.flatnonzero(view.judged & (areas > 0))
        for finding in _regions(view, int(cell), missing[cell], inside, n_inside, settings)
    ]
    return Detection(Kind.INACTIVE_AREA, read_only(scores.astype(np.float32)), tuple(findings))


def _score(area: float, settings: InactiveAreaSettings) -> float:
    return area / (area + settings.half_area_fraction)


def _missing(view: PanelView, settings: InactiveAreaSettings) -> tuple[FloatImage, NDArray[np.bool_]]:
    """How much darker than expected, natural logarithm, at half the map scale; narrow stripes closed."""
    cells, rows, columns = view.flat.shape
    small = (-(-columns // _HALF), -(-rows // _HALF))
    inside = cv2.resize(view.inside.astype(np.float32), small, interpolation=cv2.INTER_AREA) > 0.99
    luminance = np.empty((cells, small[1], small[0]), np.float32)

    def shrink(part: slice) -> None:
        for cell in range(part.start, part.stop):
            whole = view.background[cell] + view.flat[cell]
            cv2.resize(whole, small, dst=luminance[cell], interpolation=cv2.INTER_AREA)

    over_cells(shrink, cells)
    if cells >= REFERENCE_CELLS:
        luminance -= np.median(luminance[:: max(cells // 31, 1)], axis=0)
    size = round(settings.narrowest_mm / view.mm_per_px / _HALF) | 1
    kernel = np.ones((size, size), np.uint8)
    out = np.empty_like(luminance)

    def work(part: slice) -> None:
        for cell in range(part.start, part.stop):
            full = np.quantile(luminance[cell][inside], settings.bright_quantile) if inside.any() else 0.0
            lifted = np.where(inside, luminance[cell] - full, 0).astype(np.float32)
            out[cell] = -cv2.morphologyEx(lifted, cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REPLICATE)

    over_cells(work, cells)
    return out, inside


def _regions(
    view: PanelView,
    cell: int,
    missing: FloatImage,
    inside: NDArray[np.bool_],
    n_inside: int,
    settings: InactiveAreaSettings,
) -> list[Finding]:
    dark = ((missing > -math.log(settings.rim_share)) & inside).astype(np.uint8)
    count, label, _, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    found = []
    for region in range(1, count):
        here = label == region
        deepest = float(missing[here].max())
        area = float(here.sum()) / n_inside
        score = _score(area, settings)
        if deepest < -math.log(settings.core_share) or score < settings.threshold:
            continue
        contours, _ = cv2.findContours(here.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        contour = max(contours, key=cv2.contourArea)[:, 0, ::-1].astype(np.float64)
        outline = view.to_picture((contour + 0.5) * _HALF - 0.5)
        found.append(
            Finding(
                Kind.INACTIVE_AREA,
                cell,
                score,
                outline,
                area_fraction=area,
                measurements={"remaining_luminance_share": round(float(np.exp(-np.median(missing[here]))), 3)},
            )
        )
    return found
