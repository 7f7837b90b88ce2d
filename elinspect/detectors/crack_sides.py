"""What lies on either side of a line: which side is darker, how much, and whether rim or streak make it so."""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.crack_shape import CrackLine
from elinspect.records import CrackMode, PanelView, Points
from elinspect.settings import CrackSettings
from elinspect.vision import cv2

_CLOSE_MM, _FAR_MM = 1.5, 4.0
"""From a line: a crack's is all but left behind at the first distance, most smudges are at the second."""


def along_rim(view: PanelView, cell: int, line: CrackLine, settings: CrackSettings) -> bool:
    """Return whether the darker side of a step reaches the rim: there cells get darker on their own."""
    dark = _darker_way(view, cell, line.points) * settings.rim_mm / view.mm_per_px
    return not view.inside.any() or float(within(view.inside, line.points + dark).mean()) < 0.5


def of_streak(view: PanelView, cell: int, line: CrackLine, settings: CrackSettings) -> bool:
    """Return whether a step is one side of a streak along the fingers: a little further it is bright again."""
    down, right = np.abs(line.points[-1] - line.points[0])
    if right > np.tan(np.deg2rad(settings.streak_lean_deg)) * down:
        return False
    across = _darker_way(view, cell, line.points)
    bright, *dark = (
        _sample(view, cell, line.points + across * distance / view.mm_per_px)
        for distance in (-2.0, 2.0, *settings.streak_mm)
    )
    if not bright.size or not dark[0].size:
        return False
    height = float(np.median(bright) - np.median(dark[0]))
    return any(float(np.median(bright) - np.median(level)) < 0.5 * height for level in dark[1:] if level.size)


def least_contrast(
    view: PanelView, cell: int, line: CrackLine, settings: CrackSettings, textured: float = 1.0
) -> float:
    """How much darker than both its sides a line must be: more among grains, or as the foot of a busbar."""
    rows = np.clip(np.round(line.points[:, 0]).astype(int), 0, len(view.busbar_rows) - 1)
    foot = cv2.dilate(view.busbar_rows.astype(np.uint8)[:, None], np.ones((5, 1), np.uint8))[:, 0] > 0
    down, right = np.abs(line.points[-1] - line.points[0])
    oblique = down > np.tan(np.deg2rad(settings.along_busbar_deg)) * right
    smooth = settings.smooth_contrast if oblique else settings.least_contrast
    usual = smooth + textured * (settings.least_contrast - smooth)
    usual = settings.busbar_contrast if foot[rows].mean() > 0.7 else usual
    return max(usual, settings.noise_multiple * float(view.noise[cell]))


def sharpness_of(view: PanelView, cell: int, points: Points) -> float:
    """Return how much of its depth a line has close by: 1 for one as sharp as the picture, far less for a smudge."""
    along = np.gradient(points, axis=0)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.maximum(np.linalg.norm(along, axis=1), 1e-9)[:, None]

    def level(distance_mm: float) -> float:
        found = _sample(view, cell, points + across * distance_mm / view.mm_per_px)
        return float(np.median(found)) if found.size else np.nan

    middle = level(0.0)
    close, far = (level(distance) + level(-distance) - 2 * middle for distance in (_CLOSE_MM, _FAR_MM))
    # Beside the rim there may be nothing far away.
    return close / max(far, 1e-9) if np.isfinite(far) else 1.0


def mode_of(view: PanelView, cell: int, points: Points, settings: CrackSettings) -> tuple[float, CrackMode]:
    """Return the darker side's luminance over the brighter one's, and the mode it speaks for."""
    middles = (points[1:] + points[:-1]) / 2
    step = np.diff(points, axis=0)
    normal = np.stack([-step[:, 1], step[:, 0]], axis=1) / np.maximum(np.linalg.norm(step, axis=1), 1e-9)[:, None]
    sides = []
    for sign in (1, -1):
        samples = [
            _sample(view, cell, middles + sign * distance * normal)
            for distance in np.array([2.5, 3.5, 4.5]) / view.mm_per_px
        ]
        levels = np.concatenate(samples)
        # Beside a crack along the rim one side can lie wholly outside the cell.
        sides.append(float(np.median(levels)) if levels.size else np.nan)
    step_size = abs(sides[0] - sides[1])
    if not np.isfinite(step_size):
        return 1.0, CrackMode.A
    share = float(np.exp(-step_size))
    if share < settings.mode_c_share:
        return share, CrackMode.C
    return share, CrackMode.B if share < settings.mode_b_share else CrackMode.A


def _darker_way(view: PanelView, cell: int, points: Points) -> Points:
    """Unit vector across a line, towards its darker side; beyond the rim the maps go on as they end there."""
    along = points[-1] - points[0]
    across = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-9)
    last = np.array(view.inside.shape) - 1
    sides = [np.clip(points + sign * across * 2.0 / view.mm_per_px, 0, last) for sign in (1, -1)]
    one, other = (_levels(view, cell, side) for side in sides)
    return np.asarray(across if np.median(one) < np.median(other) else -across)


def within(inside: NDArray[np.bool_], points: Points) -> NDArray[np.bool_]:
    """Return whether points lie inside."""
    nearest = np.round(points).astype(int)
    on_map = np.logical_and(nearest >= 0, nearest < inside.shape).all(axis=1)
    kept = np.zeros(len(points), bool)
    kept[on_map] = inside[tuple(nearest[on_map].T)]
    return kept


def _sample(view: PanelView, cell: int, points: Points) -> NDArray[np.float32]:
    return _levels(view, cell, points[within(view.inside, points)])


def _levels(view: PanelView, cell: int, points: Points) -> NDArray[np.float32]:
    row, column = np.round(points).astype(int).T
    return np.asarray(view.flat[cell, row, column] + view.background[cell, row, column])
