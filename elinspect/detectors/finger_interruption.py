"""Finger interruptions: straight dark streaks in finger direction, between busbars."""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import over_cells
from elinspect.detectors.flat import COARSE
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, read_only
from elinspect.settings import FingerInterruptionSettings
from elinspect.vision import cv2


def detect(view: PanelView, settings: FingerInterruptionSettings) -> Detection:
    """Find finger interruptions.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : FingerInterruptionSettings
        Contrast and length.

    Returns
    -------
    Detection
        One finding per bundle of neighbouring streaks, its outline the middle line; measurements say how wide the
        bundle is and whether it touches a busbar (soldering) or lies in mid field (print).
    """
    runs = [run for part in over_cells(lambda part: _runs(view, part, settings), len(view.flat)) for run in part]
    scores = np.zeros(len(view.flat), np.float32)
    findings: list[Finding] = []
    for cell, found in enumerate(runs):
        if not view.judged[cell] or not found:
            continue
        ranked = sorted(found, key=lambda finding: -finding.score)
        scores[cell] = ranked[0].score
        findings += [finding for finding in ranked[: settings.most_findings] if finding.score >= settings.threshold]
    return Detection(Kind.FINGER_INTERRUPTION, read_only(scores), tuple(findings))


def _runs(view: PanelView, part: slice, settings: FingerInterruptionSettings) -> list[list[Finding]]:
    return [_bundles(view, cell, settings) for cell in range(part.start, part.stop)]


def _fields(busbar_rows: NDArray[np.bool_], coarse_rows: int) -> list[tuple[int, int]]:
    """Coarse rows between busbars, first and end."""
    padded = np.pad(busbar_rows, (0, coarse_rows * COARSE - len(busbar_rows)), mode="edge")
    free = ~padded.reshape(coarse_rows, COARSE).all(axis=1)
    steps = np.diff(np.concatenate([[0], free.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True))


def _bundles(view: PanelView, cell: int, settings: FingerInterruptionSettings) -> list[Finding]:
    depth = _notch_depth(view.streaks[cell], view.inside, view.mm_per_px)
    texture = float(np.quantile(depth, 0.8))
    least = max(settings.least_contrast, settings.texture_multiple * texture)
    found = []
    for first, end in _fields(view.busbar_rows, len(depth)):
        amount, start, stop = _deepest_runs(depth[first:end], least)
        found += _grouped(view, cell, amount, start + first, stop + first, (first, end), settings)
    return found


def _notch_depth(streaks: FloatImage, inside: NDArray[np.bool_], mm_per_px: float) -> FloatImage:
    """How far a place lies below the lower of its two sides across the streak, 0 where it is not below both.

    The edge of a dark region has one dark side and is no streak.
    """
    columns = np.flatnonzero(inside.any(axis=0))
    if not columns.size:
        return np.zeros_like(streaks)
    reach = round(4.5 / mm_per_px)
    clamped = np.clip(np.arange(-reach, streaks.shape[1] + reach), columns[0], columns[-1])
    wide = streaks[:, clamped]
    depth = np.zeros_like(streaks)
    for width_mm, distance_mm in ((1.0, 2.0), (2.5, 4.0)):
        size, distance = round(width_mm / mm_per_px / 2) * 2 + 1, round(distance_mm / mm_per_px)
        smooth = cv2.blur(wide, (size, 1))
        end = reach + streaks.shape[1]
        left, right = (smooth[:, reach + shift : end + shift] for shift in (-distance, distance))
        depth = np.maximum(depth, np.minimum(left, right) - smooth[:, reach:end])
    return np.asarray(depth)


def _deepest_runs(contrast: FloatImage, least: float) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp]]:
    """Return per column the run of rows above `least` with the largest sum of contrast: sum, first row, end row."""
    rows, columns = contrast.shape
    best, best_start, best_end = np.zeros(columns), np.zeros(columns, np.intp), np.zeros(columns, np.intp)
    running, start = np.zeros(columns), np.zeros(columns, np.intp)
    for row in range(rows):
        on = contrast[row] > least
        start = np.where(running > 0, start, row)
        running = np.where(on, running + contrast[row], 0.0)
        better = running > best
        best = np.where(better, running, best)
        best_start, best_end = np.where(better, start, best_start), np.where(better, row + 1, best_end)
    return best, best_start, best_end


def _grouped(
    view: PanelView,
    cell: int,
    amount: NDArray[np.float64],
    start: NDArray[np.intp],
    stop: NDArray[np.intp],
    field: tuple[int, int],
    settings: FingerInterruptionSettings,
) -> list[Finding]:
    coarse_mm = COARSE * view.mm_per_px
    long_enough = (stop - start) * coarse_mm >= settings.least_length_mm
    steps = np.diff(np.concatenate([[0], long_enough.astype(np.int8), [0]]))
    found = []
    for first, end in zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True):
        column = int(first + amount[first:end].argmax())
        top, bottom = int(start[column]), int(stop[column])
        length_mm = (bottom - top) * coarse_mm
        contrast = float(amount[column]) / (bottom - top)
        evidence = contrast * length_mm
        ends = np.array([[top * COARSE, column], [bottom * COARSE - 1, column]], dtype=np.float64)
        found.append(
            Finding(
                Kind.FINGER_INTERRUPTION,
                cell,
                evidence / (evidence + settings.half_contrast_length_mm),
                view.to_picture(ends),
                length_mm=length_mm,
                measurements={
                    "bundle_mm": round(float(end - first) * view.mm_per_px, 2),
                    "contrast_share": round(1 - float(np.exp(-contrast)), 3),
                    "at_busbar": bool(top <= field[0] + 1 or bottom >= field[1] - 1),
                },
            )
        )
    return found
