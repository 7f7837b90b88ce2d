"""Cracks: dark lines that run any way but straight along a finger.

Oriented filters find pieces of dark line, a search over paths that may bend a little from piece to piece adds them up
(dynamic programming with angles as states), and what a path collects, in multiples of the cell's own texture, is the
score. Each line is then followed to the pixel and must be darker than both its sides.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import over_cells
from elinspect.detectors.crack_filters import POOL, filter_bank, first_place, line_responses
from elinspect.detectors.crack_paths import CrackPath, Paths, best_paths, find_paths
from elinspect.detectors.crack_shape import CrackLine, follow_line, joined, share_beside, tour
from elinspect.detectors.crack_upright import strayed_mm, upright_paths
from elinspect.detectors.streaks import fields_of
from elinspect.records import CrackMode, Detection, Finding, Kind, PanelView, Points, read_only
from elinspect.settings import CrackSettings
from elinspect.vision import cv2


def detect(view: PanelView, settings: CrackSettings) -> Detection:
    """Find cracks.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : CrackSettings
        Filters, path search, threshold.

    Returns
    -------
    Detection
        Findings with polyline outline, length and mode; no findings if there are no cracks.
    """
    bank, fields = filter_bank(settings), fields_of(view)

    def work(part: slice) -> list[tuple[float, list[Finding]]]:
        responses = line_responses(view, part, bank, settings)
        half_totals = _half_totals(responses.unevenness, settings)
        paths = find_paths(responses, settings)
        upright = upright_paths(view, part, fields, settings)
        return [
            _of_cell(view, cell, _Candidates(paths, place, upright[place], float(half_totals[place])), fields, settings)
            for place, cell in enumerate(range(part.start, part.stop))
        ]

    cells = [of_cell for part in over_cells(work, len(view.flat)) for of_cell in part]
    scores = np.array([score for score, _ in cells], np.float32) * view.judged
    findings = [finding for _, found in cells for finding in found if view.judged[finding.cell]]
    return Detection(Kind.CRACK, read_only(scores), tuple(findings))


def _half_totals(unevenness: NDArray[np.float64], settings: CrackSettings) -> NDArray[np.float64]:
    """What a path must collect for a score of 0.5, per cell: more where the texture itself is full of lines."""
    marks = [settings.smooth_unevenness, settings.textured_unevenness]
    return np.asarray(np.interp(unevenness, marks, [settings.half_total_smooth, settings.half_total_textured]))


def score_of(total: float, half_total: float) -> float:
    """Return the score 0..1 of what a path collected; 0.5 at `half_total`."""
    share = max(total, 0.0) / half_total
    return share**2 / (1 + share**2)


@dataclass(frozen=True, slots=True, eq=False)
class _Candidates:
    """What the searches found for one cell: oblique paths of place `place`, the best upright path, the half total."""

    paths: Paths
    place: int
    upright: CrackPath | None
    half_total: float


def _of_cell(
    view: PanelView, cell: int, found: _Candidates, fields: list[tuple[int, int]], settings: CrackSettings
) -> tuple[float, list[Finding]]:
    """Return the score of a cell and its cracks."""
    odds = float(np.sqrt(settings.threshold / (1 - settings.threshold)))
    oblique = score_of(float(found.paths.best_totals()[found.place]), found.half_total)
    upright = score_of(found.upright.total / settings.upright_scale, found.half_total) if found.upright else 0.0
    if max(oblique, upright) < settings.threshold:
        return oblique, []
    level = view.flat[cell] * np.exp(np.minimum(view.background[cell], 0))
    lines: list[tuple[float, CrackLine]] = []
    weak = min(oblique, settings.threshold)
    if oblique >= settings.threshold:
        offset = [first_place(size) for size in level.shape]
        followed = [
            (path.total, follow_line(level, path.points * POOL + offset))
            for path in best_paths(found.paths, found.place, settings, odds * found.half_total)
        ]
        # The edge of a dark region answers the filters too, but has no line of its own.
        clear = [min(line.contrast / _least_contrast(view, cell, line, settings), 1.0) for _, line in followed]
        lines = [
            (score_of(total, found.half_total), line)
            for (total, line), share in zip(followed, clear, strict=True)
            if share == 1.0
        ]
        near = [total * max(share, 0.0) for (total, _), share in zip(followed, clear, strict=True)]
        weak = min(score_of(max(near, default=0.0), found.half_total), settings.threshold)
    if found.upright and upright >= settings.threshold:
        line = follow_line(level, found.upright.points)
        strayed = strayed_mm(line.points, fields, view.mm_per_px) >= settings.upright_stray_mm
        clear_enough = line.contrast >= _least_contrast(view, cell, line, settings)
        if clear_enough and strayed and line.steadiness >= settings.upright_steadiness:
            # What the oblique search saw of it is the same line.
            lines = [(score, other) for score, other in lines if share_beside(other, line, reach=3.0) < 0.5]
            lines.append((upright, line))
    lines.sort(key=lambda scored: -scored[0])
    groups = joined([line for _, line in lines], settings.join_mm / view.mm_per_px)
    findings = [_finding(view, cell, [lines[i][1] for i in group], lines[group[0]][0], settings) for group in groups]
    return max([score for score, _ in lines], default=weak), findings


def _least_contrast(view: PanelView, cell: int, line: CrackLine, settings: CrackSettings) -> float:
    """How much darker than both its sides a line must be: more where it could be the foot of a busbar."""
    rows = np.clip(np.round(line.points[:, 0]).astype(int), 0, len(view.busbar_rows) - 1)
    foot = cv2.dilate(view.busbar_rows.astype(np.uint8)[:, None], np.ones((5, 1), np.uint8))[:, 0] > 0
    usual = settings.busbar_contrast if foot[rows].mean() > 0.7 else settings.least_contrast
    return max(usual, settings.noise_multiple * float(view.noise[cell]))


def _finding(view: PanelView, cell: int, lines: list[CrackLine], score: float, settings: CrackSettings) -> Finding:
    main = lines[0]
    darker, mode = _mode(view, cell, main.points, settings)
    along, across = main.points[-1] - main.points[0]
    return Finding(
        Kind.CRACK,
        cell,
        score,
        view.to_picture(tour(lines)),
        length_mm=sum(line.length for line in lines) * view.mm_per_px,
        mode=mode,
        measurements={
            "main_line_mm": round(main.length * view.mm_per_px, 1),
            "lines": len(lines),
            "orientation_deg": round(float(np.degrees(np.arctan2(-along, across)) % 180), 1),
            "contrast_share": round(1 - float(np.exp(-main.contrast)), 3),
            "darker_side_share": round(darker, 3),
        },
    )


def _mode(view: PanelView, cell: int, points: Points, settings: CrackSettings) -> tuple[float, CrackMode]:
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


def _sample(view: PanelView, cell: int, points: Points) -> NDArray[np.float32]:
    rows, columns = view.inside.shape
    nearest = np.round(points).astype(int)
    inside = (nearest >= 0).all(axis=1) & (nearest[:, 0] < rows) & (nearest[:, 1] < columns)
    row, column = nearest[inside].T
    kept = view.inside[row, column]
    row, column = row[kept], column[kept]
    return np.asarray(view.flat[cell, row, column] + view.background[cell, row, column])
