"""Patterns of the wafer and the cell, not of the panel: shown, so that nobody takes them for defects.

Blotches are soft, dark and large, stains smaller with a smooth closed border; a core is a dark round middle as ingots
have, rings lie about the ingot's axis; shared lines are lines that sister wafers of one brick have in common. A scratch
is not among them: in one picture nothing tells it from a hairline crack, and it is flagged as one.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Value
from elinspect.detectors.black_places import Levels, levels
from elinspect.detectors.chunks import over_cells
from elinspect.detectors.nearness import with_least
from elinspect.detectors.rings import Rings, rings_of
from elinspect.detectors.shrinking import area_mean
from elinspect.detectors.view import HALF, REFERENCE_CELLS
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, Points, read_only
from elinspect.settings import MaterialPatternSettings
from elinspect.vision import cv2

_COARSE = 2
"""Places of `PanelView.deviation` per place of the map on which blotches are looked for, each way."""


_LESS_DEEP = 0.65
"""Share of its depth at which the border of a stain is looked at again."""


@dataclass(frozen=True, slots=True)
class PatternSearch:
    """Patterns of a panel.

    Attributes
    ----------
    detection : Detection
        What `detect` gives.
    rings : Rings or None
        How strong rings are in every cell, shown or not; None for panels of few cells.
    """

    detection: Detection
    rings: Rings | None


def detect(view: PanelView, settings: MaterialPatternSettings, shared: tuple[Finding, ...] = ()) -> Detection:
    """Find material patterns.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : MaterialPatternSettings
        How deep, how large.
    shared : tuple of Finding
        Lines that sister wafers share, as the crack search met them.

    Returns
    -------
    Detection
        One dark place or set of rings per cell at most; measurements name the `pattern`: ``blotch``, ``core``,
        ``stain``, ``rings`` or ``shared_line``.
    """
    return search(view, settings, shared).detection


def search(
    view: PanelView,
    settings: MaterialPatternSettings,
    shared: tuple[Finding, ...] = (),
    known: Levels | None = None,
) -> PatternSearch:
    """Find material patterns, and how strong rings are; arguments as `detect`, and `levels` where they are known."""
    scores = np.zeros(len(view.flat), np.float32)
    findings = []
    for line in shared:
        findings.append(replace(line, kind=Kind.MATERIAL_PATTERN, mode=None, measurements={
            "pattern": "shared_line", "shared_by": line.measurements["shared_by"],
        }))  # fmt: skip
        scores[line.cell] = max(scores[line.cell], line.score)
    rings, nearness = None, None
    if len(view.flat) >= REFERENCE_CELLS:
        level, inside, texture = known or levels(view)
        rings = found_rings = rings_of(level, inside, HALF * view.mm_per_px)
        small = (-(-inside.shape[0] // _COARSE), -(-inside.shape[1] // _COARSE))
        coarse_inside = area_mean(inside.astype(np.float32), *small) > 0.99

        def work(part: slice) -> list[list[Finding]]:
            return [_patterns_of(cell) if view.judged[cell] else [] for cell in range(part.start, part.stop)]

        def _patterns_of(cell: int) -> list[Finding]:
            coarse = area_mean(level[cell], *small)
            dark = _blotch(view, cell, coarse, coarse_inside, settings)
            if dark is None or dark.score < settings.threshold:
                dark = _stain(view, cell, coarse, coarse_inside, float(texture[cell]), settings) or dark
            # What is dark about the middle looks alike in all directions too: then rings say nothing new.
            rings_there = _rings(view, cell, found_rings, settings)
            return [rings_there] if dark is None or dark.score < rings_there.score / 2 else [dark]

        for found in [of_cell for part in over_cells(work, len(level)) for of_cell in part]:
            for one in found:
                scores[one.cell] = max(scores[one.cell], one.score)
            findings += [one for one in found if one.score >= settings.threshold]
        # Where opposite quarters of a cell differ, the less they do the nearer it is to rings.
        nearness = with_least(scores, 1 + found_rings.alike, settings.threshold) * view.judged
    seen = len(view.flat) >= REFERENCE_CELLS
    return PatternSearch(
        Detection(Kind.MATERIAL_PATTERN, read_only(scores), tuple(findings), nearness, seen=seen), rings
    )


def _blotch(
    view: PanelView, cell: int, level: FloatImage, inside: NDArray[np.bool_], settings: MaterialPatternSettings
) -> Finding | None:
    """Return the largest soft dark region, as a core where it is one."""
    sigma = settings.soft_mm / (_COARSE * HALF * view.mm_per_px)
    # What is black is no pattern of the wafer.
    soft = cv2.GaussianBlur(np.maximum(level, np.float32(np.log(settings.black_share))), (0, 0), sigma)
    dark = ((soft < -settings.least_depth) & inside).astype(np.uint8)
    if np.count_nonzero(dark) < settings.half_area_fraction / 4 * dark.size:
        return None
    _, label, stats, middles = cv2.connectedComponentsWithStats(dark, connectivity=4)
    largest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    share = float(stats[largest, cv2.CC_STAT_AREA]) / dark.size
    region = label == largest
    off = np.abs(middles[largest][::-1] / np.array(dark.shape) - 0.5).max()
    round_share = share * dark.size / (np.pi / 4 * np.prod(stats[largest, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]))
    core = off < settings.core_off_middle and round_share > settings.core_roundness
    score = share / (share + settings.half_area_fraction)
    return _region(view, cell, "core" if core else "blotch", level, region, score)


def _stain(
    view: PanelView,
    cell: int,
    level: FloatImage,
    inside: NDArray[np.bool_],
    texture: float,
    settings: MaterialPatternSettings,
) -> Finding | None:
    """Return the largest dark place with a smooth closed border that neither fingers nor busbars bound."""
    place_mm2 = (_COARSE * HALF * view.mm_per_px) ** 2
    deep, shallow = (
        max(settings.stain_depth, multiple * texture)
        for multiple in (settings.stain_texture_multiple, settings.sharp_texture_multiple)
    )
    region = _smooth_place(level, inside, deep, place_mm2, settings)
    if region is None:
        region = _smooth_place(level, inside, shallow, place_mm2, settings)
        if region is None or not _is_sharp(level, inside, region, shallow, settings):
            return None
    area_mm2 = np.count_nonzero(region) * place_mm2
    return _region(view, cell, "stain", level, region, area_mm2 / (area_mm2 + settings.stain_area_mm2))


def _smooth_place(
    level: FloatImage, inside: NDArray[np.bool_], depth: float, place_mm2: float, settings: MaterialPatternSettings
) -> NDArray[np.bool_] | None:
    """Return the largest place so far below what is usual, if it is neither small, slim, ragged nor black."""
    dark = ((level < -depth) & inside).astype(np.uint8)
    if np.count_nonzero(dark) * place_mm2 < settings.stain_area_mm2:
        return None
    contours, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=cv2.contourArea)
    area, hull = float(cv2.contourArea(contour)), float(cv2.contourArea(cv2.convexHull(contour)))
    _, sides, _ = cv2.minAreaRect(contour)
    slim = max(sides) > settings.stain_ratio * max(min(sides), 1.0)
    if area * place_mm2 < settings.stain_area_mm2 or slim or area < settings.stain_solidity * hull:
        return None
    region = np.zeros_like(dark)
    cv2.drawContours(region, [contour], -1, 1, cv2.FILLED)
    return region > 0 if float(np.exp(np.median(level[region > 0]))) >= settings.blackest_share else None


def _is_sharp(
    level: FloatImage,
    inside: NDArray[np.bool_],
    region: NDArray[np.bool_],
    depth: float,
    settings: MaterialPatternSettings,
) -> bool:
    """Whether a place so deep hardly grows where less depth is asked for: clouds of the wafer fade out."""
    _, label = cv2.connectedComponents(((level < -_LESS_DEEP * depth) & inside).astype(np.uint8), connectivity=4)
    wider = np.isin(label, np.setdiff1d(label[region], 0))
    return bool(np.count_nonzero(region) >= settings.stain_sharpness * np.count_nonzero(wider))


def _rings(view: PanelView, cell: int, rings: Rings, settings: MaterialPatternSettings) -> Finding:
    """Return rings about the ingot's axis: the same from the middle outwards in every direction."""
    alike = max(float(rings.alike[cell]), 0.0) * min(float(rings.depth[cell]) / settings.ring_depth, 1.0)
    score = alike / (alike + settings.ring_likeness)
    rows, columns = view.pictures.full_current.shape[1:]
    outline = np.array([[0, 0], [0, columns - 1], [rows - 1, columns - 1], [rows - 1, 0]], dtype=np.float64)
    measurements: dict[str, Value] = {"pattern": "rings", "contrast_share": round(float(rings.depth[cell]), 4)}
    return Finding(Kind.MATERIAL_PATTERN, cell, score, outline, measurements=measurements)


def _region(
    view: PanelView, cell: int, pattern: str, level: FloatImage, region: NDArray[np.bool_], score: float
) -> Finding:
    measurements: dict[str, Value] = {
        "pattern": pattern,
        "contrast_share": round(1 - float(np.exp(np.median(level[region]))), 3),
    }
    outline = view.to_picture(_outline(region))
    return Finding(
        Kind.MATERIAL_PATTERN, cell, score, outline, area_fraction=float(region.mean()), measurements=measurements
    )


def _outline(region: NDArray[np.bool_]) -> Points:
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    contour = max(contours, key=cv2.contourArea)[:, 0, ::-1].astype(np.float64)
    return np.asarray((contour + 0.5) * HALF * _COARSE - 0.5)
