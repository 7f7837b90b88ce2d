"""Inactive areas: regions far darker than the cell and the panel's typical cell let expect."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import middle_of, over_cells
from elinspect.detectors.explained import along
from elinspect.detectors.flat import nearest_inside
from elinspect.detectors.nearness import in_turn
from elinspect.detectors.silicon import Silicon, silicon_of
from elinspect.detectors.spread import spread_places
from elinspect.detectors.view import HALF, REFERENCE_CELLS
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, Points, read_only
from elinspect.settings import InactiveAreaSettings
from elinspect.vision import cv2

_FIRST_STEP = 0.05
"""Part of the way to a finding that is how dark the darkest places are; the rest is how large what is dark is."""


def detect(
    view: PanelView,
    settings: InactiveAreaSettings,
    silicon: Silicon | None = None,
    cracks: tuple[Finding, ...] = (),
) -> Detection:
    """Find inactive areas.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : InactiveAreaSettings
        How dark, how large.
    silicon : Silicon, optional
        The panel's, where it is known already.
    cracks : tuple of Finding, optional
        A region that cracks bound counts where it is dim only: grains have no such border.

    Returns
    -------
    Detection
        Findings with a closed outline and their share of the cell.
    """
    missing, inside, known = _missing(view, settings, silicon)
    texture = np.concatenate(over_cells(lambda part: _texture(missing[part], inside, settings), len(missing)))
    grainy = np.interp(texture, [settings.smooth_texture, settings.grainy_texture], [0.0, 1.0]).astype(np.float32)
    depth, weight = np.empty_like(missing), known.astype(np.float32)
    dark, scores, darkest = view.judged.copy(), np.empty(len(missing)), np.empty(len(missing), np.float32)

    def work(part: slice) -> None:
        np.multiply(_depth(missing[part], texture[part], grainy[part], settings), weight, out=depth[part])
        dark[part] &= depth[part].any(axis=(1, 2))
        scores[part] = _hints(missing[part], texture[part], inside, settings)
        darkest[part] = _darkest(missing[part], inside, settings)

    over_cells(work, len(missing))
    where = _Where(inside, known)
    lines: dict[int, list[Points]] = {crack.cell: [] for crack in cracks}
    for crack in cracks:
        lines[crack.cell].append(along(crack.outline))
    regions = {
        cell: _regions(
            view, cell, missing[cell], depth[cell], where, float(grainy[cell]), lines.get(cell, []), settings
        )
        for cell in np.flatnonzero(dark).tolist()
    }
    for cell, found in regions.items():
        scores[cell] = max([scores[cell], *(region.score for region in found)])
    # A cell without any light of its own has no active part to be compared with: reported as dark, and all inactive.
    scores[view.relative_luminance < settings.core_share] = 1 / (1 + settings.half_area_fraction)
    scores *= view.judged
    findings = [region for found in regions.values() for region in found if region.score >= settings.threshold]
    nearness = in_turn(darkest, scores, settings.threshold, _FIRST_STEP)
    return Detection(Kind.INACTIVE_AREA, read_only(scores.astype(np.float32)), tuple(findings), nearness * view.judged)


def _darkest(missing: FloatImage, inside: NDArray[np.bool_], settings: InactiveAreaSettings) -> NDArray[np.float32]:
    """How near the darkest hundredth of each cell comes to counting as dim, 0 to 1."""
    chosen = spread_places(inside, 3)
    if not len(chosen):
        return np.zeros(len(missing), np.float32)
    at = len(chosen) - 1 - len(chosen) // 100
    darkest = np.partition(missing.reshape(len(missing), -1)[:, chosen], at, axis=1)[:, at]
    return np.asarray(np.clip(darkest / -math.log(settings.dim_share), 0, 1), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Where:
    """Where a cell can be trusted, and where it is known at all: up to the edge. Half the map scale."""

    inside: NDArray[np.bool_]
    known: NDArray[np.bool_]


def _depth(
    missing: FloatImage, texture: NDArray[np.float32], grainy: NDArray[np.float32], settings: InactiveAreaSettings
) -> FloatImage:
    """How far each place is inactive, 0..1; in smooth cells less dark places count."""
    least = -np.log(settings.smooth_rim_share + grainy * (settings.rim_share - settings.smooth_rim_share))
    most = -np.log(settings.smooth_core_share + grainy * (settings.core_share - settings.smooth_core_share))
    rim = np.maximum(least, settings.texture_multiple * texture)[:, None, None]
    depth = missing - rim
    depth /= (most - least)[:, None, None]
    return np.asarray(np.clip(depth, 0, 1, out=depth))


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


@dataclass(frozen=True, slots=True, eq=False)
class _Rim:
    """Silicon beyond `inside`, at half the map scale: where it is seen, how bright it usually is there, all of it."""

    seen: NDArray[np.bool_]
    usual: FloatImage
    whole: NDArray[np.bool_]

    @classmethod
    def of(cls, view: PanelView, inside: NDArray[np.bool_], silicon: Silicon | None) -> "_Rim":
        """Nothing where there is no typical cell to compare with."""
        if len(view.deviation) < REFERENCE_CELLS:
            return cls(np.zeros_like(inside), np.zeros(inside.shape, np.float32), np.zeros_like(inside))
        silicon, small = silicon or silicon_of(view), inside.shape[::-1]
        present, whole = (
            cv2.resize(part.astype(np.float32), small, interpolation=cv2.INTER_AREA) > 0.99
            for part in (silicon.present, silicon.whole)
        )
        usual = np.asarray(cv2.resize(silicon.usual, small, interpolation=cv2.INTER_LINEAR), np.float32)
        return cls(present & ~inside, usual, whole & ~inside)


def _missing(
    view: PanelView, settings: InactiveAreaSettings, silicon: Silicon | None
) -> tuple[FloatImage, NDArray[np.bool_], NDArray[np.bool_]]:
    """How much darker than expected, natural logarithm, at half the map scale; narrow stripes closed.

    Also where it can be trusted, and where it is known at all: up to the edge.
    """
    cells = len(view.deviation)
    small = view.deviation.shape[:0:-1]
    inside = cv2.resize(view.inside.astype(np.float32), small, interpolation=cv2.INTER_AREA) > 0.99
    size = round(settings.narrowest_mm / view.mm_per_px / HALF) | 1
    kernel, reach = np.ones((size, size), np.uint8), max(size // 2, 1)
    out = np.empty_like(view.deviation)
    rim = _Rim.of(view, inside, silicon)
    nearest, chosen = nearest_inside(inside | rim.seen), spread_places(inside, 2)
    at_rim = np.flatnonzero(rim.seen.ravel()[nearest])
    from_rim = nearest[at_rim]
    usual = rim.usual.ravel()[from_rim]
    bright = round(settings.bright_quantile * (len(chosen) - 1))

    def work(part: slice) -> None:
        for cell in range(part.start, part.stop):
            places = view.deviation[cell].ravel()
            full = np.partition(places[chosen], bright)[bright] if len(chosen) else np.float32(0)
            # Beyond the silicon the last places of it go on: areas at the edge stay whole.
            lifted = places[nearest]
            if len(at_rim):
                # At half the scale the same as the mean over four pixels, and fast for odd sizes too.
                level = cv2.resize(view.log_cells[cell], small, interpolation=cv2.INTER_LINEAR).ravel()
                lifted[at_rim] = level[from_rim] - usual
            # A dark strip at the edge goes on beyond it, and is no narrow stripe.
            wide = cv2.copyMakeBorder(lifted.reshape(inside.shape), *(reach,) * 4, cv2.BORDER_REPLICATE)
            closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REPLICATE)
            np.subtract(full, closed[reach:-reach, reach:-reach], out=out[cell])

    over_cells(work, cells)
    return out, inside, inside | rim.whole


def _regions(
    view: PanelView,
    cell: int,
    missing: FloatImage,
    depth: FloatImage,
    where: _Where,
    grainy: float,
    lines: list[Points],
    settings: InactiveAreaSettings,
) -> list[Finding]:
    inside, known = where.inside, where.known
    half_area = settings.smooth_half_area + grainy * (settings.half_area_fraction - settings.smooth_half_area)
    _, label, boxes, _ = cv2.connectedComponentsWithStats((depth > 0).astype(np.uint8), connectivity=4)
    found = []
    for region in range(1, len(boxes)):
        # What is smaller than that can not come near the threshold.
        if boxes[region, cv2.CC_STAT_AREA] < half_area / 4 * inside.size:
            continue
        here = label == region
        # Grains at the rim pass for a piece that was cut off.
        if (here & inside).sum() < settings.least_inside_share * grainy * boxes[region, cv2.CC_STAT_AREA]:
            continue
        mean_depth = float(depth[here].mean())
        rim_counts = max(
            1 - grainy, float(np.interp(mean_depth, [settings.spotted_depth, settings.solid_depth], [0, 1]))
        )
        area = float(depth[here & inside].sum() + rim_counts * depth[here & ~inside].sum()) / inside.size
        score = area / (area + half_area)
        shallow = mean_depth < settings.least_mean_depth and not _is_bounded(view, here, mean_depth, lines, settings)
        if shallow or _is_rim(view, boxes[region], known, mean_depth, settings):
            # Grains are dark in spots, a rim fades: both rank a cell, and make no finding.
            score = min(score * mean_depth, 0.98 * settings.threshold)
        whole = _to_the_edge(_black_part(here, depth, settings), known, view.mm_per_px * HALF)
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


def _is_bounded(
    view: PanelView,
    region: NDArray[np.bool_],
    mean_depth: float,
    lines: list[Points],
    settings: InactiveAreaSettings,
) -> bool:
    """Whether cracks run along enough of a region's outline; `lines` are points along them in the cell picture."""
    if not lines or mean_depth < settings.least_bounded_depth:
        return False
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = max(contours, key=len)[:, 0, ::-1].astype(np.float64)
    outline = view.to_picture((points + 0.5) * HALF - 0.5)
    apart = np.linalg.norm(outline[:, None] - np.concatenate(lines)[None], axis=2).min(axis=1)
    return bool(np.mean(apart * view.pictures.mm_per_px <= settings.bounded_mm) >= settings.least_bounded_share)


def _is_rim(
    view: PanelView,
    box: NDArray[np.int32],
    known: NDArray[np.bool_],
    mean_depth: float,
    settings: InactiveAreaSettings,
) -> bool:
    """Whether a region is a thin strip along an edge: shading of the rim, or a cell out of place."""
    left, top, width, height, area = (int(value) for value in box)
    rows, columns = np.flatnonzero(known.any(axis=1)), np.flatnonzero(known.any(axis=0))
    most = settings.rim_mm / (HALF * view.mm_per_px)
    share = settings.rim_length_share if mean_depth < settings.black_depth else settings.black_rim_length_share
    at_side = left <= columns[0] + 1 or left + width >= columns[-1]
    at_end = top <= rows[0] + 1 or top + height >= rows[-1]
    upright = at_side and height > 2 * width and area / height <= most and height >= share * len(rows)
    lying = at_end and width > 2 * height and area / width <= most and width >= share * len(columns)
    return upright or lying


def _black_part(region: NDArray[np.bool_], depth: FloatImage, settings: InactiveAreaSettings) -> NDArray[np.bool_]:
    """Return the part of a region that was cut off, where the rest is a shade of the wafer beside it."""
    black = cv2.dilate((region & (depth >= settings.black_depth)).astype(np.uint8), np.ones((3, 3), np.uint8))
    inner = (region & (black > 0)).astype(np.uint8)
    _, label, boxes, _ = cv2.connectedComponentsWithStats(inner, connectivity=4)
    if len(boxes) < 2:
        return region
    part = label == 1 + boxes[1:, cv2.CC_STAT_AREA].argmax()
    rest = region & ~part
    shares = part.sum() / region.sum(), rest.sum() / region.sum()
    beside = min(shares) >= settings.least_part and float(depth[rest].mean()) <= settings.shade_depth
    return np.asarray(part if beside else region)


def _to_the_edge(region: NDArray[np.bool_], inside: NDArray[np.bool_], mm_per_px: float) -> NDArray[np.bool_]:
    """Let a region that reaches the rim, which is not looked at, go on to the edge of the cell."""
    outside = (~inside).astype(np.uint8)
    distance, label = cv2.distanceTransformWithLabels(outside, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    touched = np.zeros(label.max() + 1, bool)
    touched[label[region]] = True
    return np.asarray(region | (touched[label] & (outside > 0) & (distance * mm_per_px < 5.0)))
