"""What one finding explains of another: a black place is dark along busbars and fingers, and has an outline.

The graver, more certain kind stands; what it brings along would be answered twice and counted twice.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Detection, Finding, Points
from elinspect.vision import cv2


def without_explained(
    detection: Detection, by: Sequence[Detection], least_share: float, reach_px: float = 0.0, closed: bool = False
) -> Detection:
    """Leave out findings that closed outlines of other detections cover.

    Parameters
    ----------
    detection : Detection
        Whose findings are looked through; scores of cells stay.
    by : sequence of Detection
        Whose findings explain them.
    least_share : float
        Share of a finding's length (of its outline, of an area's inner places) that must be covered.
    reach_px : float
        How far outside an outline still counts as covered, pixels of the cell picture.
    closed : bool
        Whether the findings looked through are areas; lines otherwise.
    """
    regions: dict[int, list[Points]] = {}
    for other in by:
        for finding in other.findings:
            if not finding.cells:
                regions.setdefault(finding.cell, []).append(finding.outline)
    kept = tuple(
        finding
        for finding in detection.findings
        if finding.cell not in regions
        or _covered(_places(finding, closed), regions[finding.cell], reach_px) < least_share
    )
    return replace(detection, findings=kept)


def _places(finding: Finding, closed: bool) -> Points:
    return _within(finding.outline) if closed else along(finding.outline)


def along(line: Points) -> Points:
    """Return points every two pixels or so along a polyline."""
    pieces = [np.linspace(a, b, int(np.linalg.norm(b - a) / 2) + 2) for a, b in pairwise(line)]
    return np.concatenate(pieces)


def _within(outline: Points) -> Points:
    """Points of a coarse raster in a closed outline, at least its middle."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    rows, columns = (np.linspace(a, b, 12) for a, b in zip(low, high, strict=True))
    raster = np.array([[row, column] for row in rows for column in columns])
    inside = raster[depth_within(raster, outline) >= 0]
    return inside if len(inside) else outline.mean(axis=0, keepdims=True)


def _covered(points: Points, regions: Sequence[Points], reach_px: float) -> float:
    return float(np.mean(np.max([depth_within(points, region) for region in regions], axis=0) >= -reach_px))


def depth_within(points: Points, outline: Points) -> NDArray[np.float64]:
    """Return how far each point lies within a closed outline, pixels; negative outside."""
    contour = outline[:, ::-1].astype(np.float32)
    return np.array([cv2.pointPolygonTest(contour, (float(x), float(y)), True) for y, x in points])
