"""Patterns of the wafer and the cell, not of the panel: shown, so that nobody takes them for defects.

Blotches are soft and dark; a core is a dark round middle as ingots have; shared lines are lines that sister wafers of
one brick have in common.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.black_places import levels
from elinspect.detectors.view import HALF, REFERENCE_CELLS
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, read_only
from elinspect.settings import MaterialPatternSettings
from elinspect.vision import cv2


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
        One blotch or core per cell at most; measurements name the `pattern`: ``blotch``, ``core`` or ``shared_line``.
    """
    scores = np.zeros(len(view.flat), np.float32)
    findings = []
    for line in shared:
        findings.append(replace(line, kind=Kind.MATERIAL_PATTERN, mode=None, measurements={
            "pattern": "shared_line", "shared_by": line.measurements["shared_by"],
        }))  # fmt: skip
        scores[line.cell] = max(scores[line.cell], line.score)
    if len(view.flat) >= REFERENCE_CELLS:
        level, inside, _ = levels(view)
        for cell in np.flatnonzero(view.judged).tolist():
            score, found = _blotch(view, cell, level[cell], inside.astype(np.uint8), settings)
            scores[cell] = max(scores[cell], score)
            findings += found
    return Detection(Kind.MATERIAL_PATTERN, read_only(scores), tuple(findings))


def _blotch(
    view: PanelView, cell: int, level: FloatImage, inside: NDArray[np.uint8], settings: MaterialPatternSettings
) -> tuple[float, list[Finding]]:
    """Score and finding of the largest soft dark region."""
    sigma = settings.soft_mm / (HALF * view.mm_per_px)
    # What is black is no pattern of the wafer.
    soft = cv2.GaussianBlur(np.maximum(level, np.float32(np.log(settings.black_share))), (0, 0), sigma)
    dark = ((soft < -settings.least_depth) & (inside > 0)).astype(np.uint8)
    count, label, stats, middles = cv2.connectedComponentsWithStats(dark, connectivity=4)
    if count < 2:
        return 0.0, []
    largest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    share = float(stats[largest, cv2.CC_STAT_AREA]) / dark.size
    score = share / (share + settings.half_area_fraction)
    if score < settings.threshold:
        return score, []
    region = label == largest
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    contour = max(contours, key=cv2.contourArea)[:, 0, ::-1].astype(np.float64)
    off = np.abs(middles[largest][::-1] / np.array(dark.shape) - 0.5).max()
    round_share = share * dark.size / (np.pi / 4 * np.prod(stats[largest, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]))
    core = off < settings.core_off_middle and round_share > settings.core_roundness
    measurements = {
        "pattern": "core" if core else "blotch",
        "contrast_share": round(1 - float(np.exp(np.median(level[region]))), 3),
    }
    outline = view.to_picture((contour + 0.5) * HALF - 0.5)
    return score, [Finding(Kind.MATERIAL_PATTERN, cell, score, outline, area_fraction=share, measurements=measurements)]
