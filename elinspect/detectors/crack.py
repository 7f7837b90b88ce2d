"""Cracks: dark lines that run any way but straight along a finger.

Oriented second-derivative filters find pieces of dark line, a search over paths that may bend a little from piece to
piece adds them up, and what a path collects, in multiples of the cell's own texture, is the score. The filters are
steered from three derivatives (Freeman and Adelson 1991, doi 10.1109/34.93808); the path search is the dynamic
programming of minimal paths with angles as states.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import as_one, over_cells
from elinspect.detectors.crack_paths import Paths, best_paths, find_paths
from elinspect.detectors.crack_shape import CrackLine, follow_line, joined, tour
from elinspect.records import CrackMode, Detection, Finding, FloatImage, Kind, PanelView, Points, read_only
from elinspect.settings import CrackSettings
from elinspect.vision import cv2

_POOL = 3
"""Path search works on every third pixel, each holding the strongest response of its 3 x 3 pixels."""
_SPACER = 16
"""Rows of zeros between cells: more than half the widest filter and half a line together."""


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
    bank = _filter_bank(settings)

    def work(part: slice) -> list[tuple[float, list[Finding]]]:
        responses = _responses(view, part, bank, settings)
        half_totals = _half_totals(responses, settings)
        paths = find_paths(responses, settings)
        return [
            _of_cell(view, paths, place, cell, float(half_totals[place]), settings)
            for place, cell in enumerate(range(part.start, part.stop))
        ]

    cells = [of_cell for part in over_cells(work, len(view.flat)) for of_cell in part]
    scores = np.array([score for score, _ in cells], np.float32) * view.judged
    findings = [finding for _, found in cells for finding in found if view.judged[finding.cell]]
    return Detection(Kind.CRACK, read_only(scores), tuple(findings))


def _half_totals(responses: FloatImage, settings: CrackSettings) -> NDArray[np.float64]:
    """What a path must collect for a score of 0.5, per cell: more where the texture itself is full of lines."""
    strongest = responses.max(axis=0).reshape(responses.shape[1], -1)
    middle, upper = np.quantile(strongest, [0.5, 0.75], axis=1)
    unevenness = upper / np.maximum(middle, 1e-6)
    marks = [settings.smooth_unevenness, settings.textured_unevenness]
    return np.asarray(np.interp(unevenness, marks, [settings.half_total_smooth, settings.half_total_textured]))


def score_of(total: float, half_total: float) -> float:
    """Return the score 0..1 of what a path collected; 0.5 at `half_total`."""
    share = max(total, 0.0) / half_total
    return share**2 / (1 + share**2)


@dataclass(frozen=True, slots=True, eq=False)
class _FilterBank:
    """Kernels: per width a smoothing, a first and a second derivative; per angle a short line."""

    derivatives: tuple[tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]], ...]
    lines: tuple[NDArray[np.float32], ...]


def _filter_bank(settings: CrackSettings) -> _FilterBank:
    angles = np.pi * np.arange(settings.angles) / settings.angles
    return _FilterBank(
        tuple(_derivatives(width) for width in settings.widths_px), tuple(_line(angle, settings) for angle in angles)
    )


def _derivatives(width_px: float) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Gaussian and its derivatives, so scaled that white noise of 1 gives a second derivative of 1."""
    reach = int(np.ceil(3.5 * width_px))
    x = np.arange(-reach, reach + 1)
    smooth = np.exp(-(x**2) / (2 * width_px**2))
    smooth /= smooth.sum()
    first = -x / width_px**2 * smooth
    second = (x**2 / width_px**4 - 1 / width_px**2) * smooth
    second -= second.mean()
    scale = 1 / np.sqrt(np.linalg.norm(second) * np.linalg.norm(smooth))
    smooth, first, second = (scale * kernel for kernel in (smooth, first, second))
    return smooth.astype(np.float32), first.astype(np.float32), second.astype(np.float32)


def _line(angle: float, settings: CrackSettings) -> NDArray[np.float32]:
    """Short line with Gaussian weights, drawn without steps; sums to 1."""
    size = settings.line_px
    half = size // 2
    kernel = np.zeros((size + 1, size + 1))
    for step in np.linspace(-half, half, 8 * half + 1):
        row, column = half + step * np.sin(angle), half + step * np.cos(angle)
        top, left = int(row + 1e-9), int(column + 1e-9)
        down, right = row - top, column - left
        weight = np.exp(-(step**2) / (2 * settings.line_sigma_px**2))
        corner = np.outer([1 - down, down], [1 - right, right])
        kernel[top : top + 2, left : left + 2] += weight * corner
    kernel = kernel[:size, :size]
    kernel[kernel < 0.02 * kernel.max()] = 0
    return np.asarray(kernel / kernel.sum(), np.float32)


def _responses(view: PanelView, part: slice, bank: _FilterBank, settings: CrackSettings) -> FloatImage:
    """Strength of dark line per angle, cell and pooled place, in multiples of the cell's own texture.

    Returns
    -------
    ndarray of float32, shape (angles, cells, rows, columns)
    """
    level = _without_streaks(view, part)
    rows = view.flat.shape[1]
    tall = as_one(level)
    along = np.zeros((3, *tall.shape), np.float32)
    for smooth, first, second in bank.derivatives:
        for total, (x, y) in zip(along, ((second, smooth), (smooth, second), (first, first)), strict=True):
            total += cv2.sepFilter2D(tall, cv2.CV_32F, x, y)
    responses = [_steered(along, angle, kernel) for angle, kernel in zip(_angles(settings), bank.lines, strict=True)]
    mean = responses[0].copy()
    for response in responses[1:]:
        cv2.add(mean, response, dst=mean)
    differences = (np.asarray(cv2.scaleAdd(mean, -1 / len(responses), own), np.float32) for own in responses)
    pooled = np.stack([_pooled(difference.reshape(level.shape), rows) for difference in differences])
    texture = np.median(pooled.max(axis=0).reshape(pooled.shape[1], -1), axis=1)
    pooled *= _pooled(view.inside.astype(np.float32)[None], rows)
    pooled /= np.maximum(texture, settings.least_texture)[:, None, None]
    return pooled


def _angles(settings: CrackSettings) -> NDArray[np.float64]:
    return np.pi * np.arange(settings.angles) / settings.angles


def _without_streaks(view: PanelView, part: slice) -> FloatImage:
    """Flat cells less their streaks, with rows of zeros between them so that no filter reaches from cell to cell."""
    flat = view.flat[part]
    cells, rows, columns = flat.shape
    out = np.zeros((cells, rows + _SPACER, columns), np.float32)
    for cell, streaks in enumerate(view.streaks[part]):
        level = out[cell, :rows]
        np.subtract(flat[cell], cv2.resize(streaks, (columns, rows)), out=level)
        # In a dark region the logarithm blows the noise up; what counts there is the contrast in counts.
        level *= np.exp(np.minimum(view.background[part][cell], 0))
        level *= view.inside
    return out


def _steered(along: FloatImage, angle: float, line: NDArray[np.float32]) -> FloatImage:
    x, y = -np.sin(angle), np.cos(angle)
    across = cv2.addWeighted(along[0], x * x, along[1], y * y, 0)
    across = cv2.scaleAdd(along[2], 2 * x * y, across)
    return np.asarray(cv2.filter2D(across, cv2.CV_32F, line))


def _pooled(stack: FloatImage, rows: int) -> FloatImage:
    strongest = cv2.dilate(as_one(stack), np.ones((_POOL, _POOL), np.uint8)).reshape(stack.shape)
    return np.asarray(strongest[:, _first_place(rows) : rows : _POOL, _first_place(stack.shape[2]) :: _POOL])


def _first_place(size: int) -> int:
    """Where the places begin, so that they lie alike from both edges."""
    return (size - 1) % _POOL // 2


def _of_cell(
    view: PanelView, paths: Paths, place: int, cell: int, half_total: float, settings: CrackSettings
) -> tuple[float, list[Finding]]:
    """Return the score of a cell and its cracks."""
    score = score_of(float(paths.best_totals()[place]), half_total)
    if score < settings.threshold:
        return score, []
    least_total = half_total * float(np.sqrt(settings.threshold / (1 - settings.threshold)))
    level = view.flat[cell] * np.exp(np.minimum(view.background[cell], 0))
    offset = [_first_place(size) for size in level.shape]
    least_contrast = max(settings.least_contrast, settings.noise_multiple * float(view.noise[cell]))
    lines, totals, weak = [], [], 0.0
    for path in best_paths(paths, place, settings, least_total):
        line = follow_line(level, path.points * _POOL + offset)
        # The edge of a dark region answers the filters too, but has no line of its own.
        if line.contrast >= least_contrast:
            lines.append(line)
            totals.append(path.total)
        else:
            weak = max(weak, path.total * max(line.contrast, 0.0) / least_contrast)
    groups = joined(lines, settings.join_mm / view.mm_per_px)
    findings = [
        _finding(view, cell, [lines[i] for i in group], score_of(totals[group[0]], half_total), settings)
        for group in groups
    ]
    return score_of(max([*totals, min(weak, least_total)]), half_total), findings


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
