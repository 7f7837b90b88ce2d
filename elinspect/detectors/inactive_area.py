"""Inactive areas: regions far darker than the cell and the panel's typical cell let expect."""

import math

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.black_places import spread_places
from elinspect.detectors.chunks import middle_of, over_cells
from elinspect.detectors.flat import nearest_inside
from elinspect.detectors.view import HALF
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, read_only
from elinspect.settings import InactiveAreaSettings
from elinspect.vision import cv2


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
    texture = _texture(missing, inside, settings)
    rim = np.maximum(-math.log(settings.rim_share), settings.texture_multiple * texture)[:, None, None]
    depth = (missing - rim) / np.float32(math.log(settings.rim_share / settings.core_share))
    np.clip(depth, 0, 1, out=depth)
    depth *= inside
    dark = depth.any(axis=(1, 2)) & view.judged
    regions = {
        cell: _regions(view, cell, missing[cell], depth[cell], inside, settings)
        for cell in np.flatnonzero(dark).tolist()
    }
    scores = _hints(missing, texture, inside, settings)
    for cell, found in regions.items():
        scores[cell] = max([scores[cell], *(region.score for region in found)])
    # A cell without any light of its own has no active part to be compared with: reported as dark, and all inactive.
    scores[view.relative_luminance < settings.core_share] = _score(1.0, settings)
    scores *= view.judged
    findings = [region for found in regions.values() for region in found if region.score >= settings.threshold]
    return Detection(Kind.INACTIVE_AREA, read_only(scores.astype(np.float32)), tuple(findings))


def _hints(
    missing: FloatImage, texture: NDArray[np.float32], inside: NDArray[np.bool_], settings: InactiveAreaSettings
) -> NDArray[np.float64]:
    """Scores below the threshold, of parts that are dim, not dark: poorly connected, or a shade of the wafer."""
    least = np.maximum(-math.log(settings.dim_share), settings.texture_multiple * texture)[:, None, None]
    dim = np.count_nonzero((missing > least) & inside, axis=(1, 2)) / inside.size
    return np.asarray(0.98 * settings.threshold * dim / (dim + settings.half_dim_fraction))


def _texture(missing: FloatImage, inside: NDArray[np.bool_], settings: InactiveAreaSettings) -> NDArray[np.float32]:
    """Robust spread of each cell's active places: a half-dead cell must not pass for a textured one."""
    texture = np.zeros(len(missing), np.float32)
    chosen = spread_places(inside, 3)
    for cell, places in enumerate(missing.reshape(len(missing), -1)[:, chosen]):
        active = places[places < -math.log(settings.rim_share)]
        if active.size:
            texture[cell] = 1.4826 * middle_of(np.abs(active - middle_of(active)))
    return texture


def _score(area: float, settings: InactiveAreaSettings) -> float:
    return area / (area + settings.half_area_fraction)


def _missing(view: PanelView, settings: InactiveAreaSettings) -> tuple[FloatImage, NDArray[np.bool_]]:
    """How much darker than expected, natural logarithm, at half the map scale; narrow stripes closed."""
    cells = len(view.deviation)
    small = view.deviation.shape[:0:-1]
    inside = cv2.resize(view.inside.astype(np.float32), small, interpolation=cv2.INTER_AREA) > 0.99
    size = round(settings.narrowest_mm / view.mm_per_px / HALF) | 1
    kernel = np.ones((size, size), np.uint8)
    out = np.empty_like(view.deviation)
    nearest, chosen = nearest_inside(inside), spread_places(inside, 2)
    bright = round(settings.bright_quantile * (len(chosen) - 1))

    def work(part: slice) -> None:
        for cell in range(part.start, part.stop):
            places = view.deviation[cell].ravel()
            full = np.partition(places[chosen], bright)[bright] if len(chosen) else np.float32(0)
            # Beyond the rim, which is not looked at, the last places inside go on: areas at the edge stay whole.
            lifted = places[nearest].reshape(inside.shape)
            closed = cv2.morphologyEx(lifted, cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REPLICATE)
            np.subtract(full, closed, out=out[cell])

    over_cells(work, cells)
    return out, inside


def _regions(
    view: PanelView,
    cell: int,
    missing: FloatImage,
    depth: FloatImage,
    inside: NDArray[np.bool_],
    settings: InactiveAreaSettings,
) -> list[Finding]:
    _, label, boxes, _ = cv2.connectedComponentsWithStats((depth > 0).astype(np.uint8), connectivity=4)
    found = []
    for region in range(1, len(boxes)):
        # What is smaller than that can not come near the threshold.
        if boxes[region, cv2.CC_STAT_AREA] < settings.half_area_fraction / 4 * inside.size:
            continue
        here = label == region
        area = float((depth * here).sum()) / inside.size
        mean_depth = float(depth[here].mean())
        score = _score(area, settings)
        if mean_depth < settings.least_mean_depth or _is_rim(view, boxes[region], inside, settings):
            # Grains are dark in spots, a rim fades: both rank a cell, and make no finding.
            score = min(score * mean_depth, 0.98 * settings.threshold)
        whole = _to_the_edge(here, inside, view.mm_per_px * HALF)
        contours, _ = cv2.findContours(whole.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        contour = max(contours, key=cv2.contourArea)[:, 0, ::-1].astype(np.float64)
        found.append(
            Finding(
                Kind.INACTIVE_AREA,
                cell,
                score,
                view.to_picture((contour + 0.5) * HALF - 0.5),
                area_fraction=float(whole.sum()) / whole.size,
                measurements={"remaining_luminance_share": round(float(np.exp(-np.median(missing[here]))), 3)},
            )
        )
    return found


def _is_rim(view: PanelView, box: NDArray[np.int32], inside: NDArray[np.bool_], settings: InactiveAreaSettings) -> bool:
    """Whether a region is a thin strip along a whole edge: shading of the rim, or a cell out of place."""
    left, top, width, height = (int(value) for value in box[:4])
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    thin = settings.rim_mm / (HALF * view.mm_per_px)
    upright = width <= thin and (left <= columns[0] + 1 or left + width >= columns[-1])
    lying = height <= thin and (top <= rows[0] + 1 or top + height >= rows[-1])
    return (upright and height >= settings.rim_length_share * len(rows)) or (
        lying and width >= settings.rim_length_share * len(columns)
    )


def _to_the_edge(region: NDArray[np.bool_], inside: NDArray[np.bool_], mm_per_px: float) -> NDArray[np.bool_]:
    """Let a region that reaches the rim, which is not looked at, go on to the edge of the cell."""
    outside = (~inside).astype(np.uint8)
    distance, label = cv2.distanceTransformWithLabels(outside, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    touched = np.zeros(label.max() + 1, bool)
    touched[label[region]] = True
    return np.asarray(region | (touched[label] & (outside > 0) & (distance * mm_per_px < 5.0)))
