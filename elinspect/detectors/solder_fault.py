"""Ribbons without contact: a stretch along a busbar darker than along its neighbours, darkest at the busbar itself.

Where ribbon and busbar are not joined, current reaches the fingers from the neighbouring busbars only, and fades
towards the one without contact. The wafer's own pattern can look alike in one exposure; the ratio to an exposure at low
current, in which resistances hardly count, does not show it. The same along a whole busbar of the first or last cell of
a string is a joint to the bussing ribbon.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.view import HALF, REFERENCE_CELLS
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, Points, read_only
from elinspect.settings import SolderFaultSettings
from elinspect.vision import cv2


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Columns (at half the scale, end not included) along one busbar, their depth, and how much evidence they are."""

    busbar: int
    first: int
    end: int
    depth: float
    evidence_mm: float


def detect(view: PanelView, settings: SolderFaultSettings) -> tuple[Detection, Detection]:
    """Find solder faults and faults of joints to the bussing ribbon.

    Parameters
    ----------
    view : PanelView
        The panel; better with cells at low current.
    settings : SolderFaultSettings
        How deep, how long.

    Returns
    -------
    tuple of Detection
        Solder faults, and bussing joint faults. Outlines are closed rectangles along the busbar; measurements name the
        busbar, counted from 1 from the top of the gate view. Without busbars, and with fewer than eight cells, nothing.
    """
    n = len(view.flat)
    scores = {kind: np.zeros(n, np.float32) for kind in (Kind.SOLDER_FAULT, Kind.BUSSING_JOINT_FAULT)}
    findings: dict[Kind, list[Finding]] = {kind: [] for kind in scores}
    bars = _busbars(view.busbar_rows)
    if n >= REFERENCE_CELLS and len(bars) >= 2:
        shade, paired = _shade(view)
        depths = np.stack([_depths(own, bars, view, settings) for own in shade])
        usual = _spread(depths[view.judged]) if view.judged.any() else 0.0
        for cell in np.flatnonzero(view.judged).tolist():
            stretches = _stretches(depths[cell], usual, view, settings)
            for stretch in stretches:
                kind = _kind(view, cell, stretch)
                score = stretch.evidence_mm / (stretch.evidence_mm + _half(settings, paired))
                scores[kind][cell] = max(scores[kind][cell], score)
                if score >= settings.threshold:
                    findings[kind].append(_finding(view, cell, kind, stretch, bars, score, paired))
    detections = [Detection(kind, read_only(scores[kind]), tuple(findings[kind])) for kind in scores]
    return detections[0], detections[1]


def not_on_areas(faults: Detection, areas: Detection) -> Detection:
    """Leave out stretches that an inactive area covers for a third and more: it explains them."""
    kept = tuple(
        fault
        for fault in faults.findings
        if not any(area.cell == fault.cell and _covered(fault.outline, area.outline) > 1 / 3 for area in areas.findings)
    )
    return Detection(faults.kind, faults.cell_scores, kept)


def _covered(fault: Points, area: Points) -> float:
    """Share of a stretch's length at which its middle line lies in a closed outline."""
    low, high = fault.min(axis=0), fault.max(axis=0)
    contour = area[:, ::-1].astype(np.float32)
    columns = np.linspace(low[1], high[1], 30)
    rows = np.linspace(low[0], high[0], 5)
    inside = [[cv2.pointPolygonTest(contour, (float(x), float(y)), False) >= 0 for y in rows] for x in columns]
    return float(np.any(inside, axis=1).mean())


def _half(settings: SolderFaultSettings, paired: bool) -> float:
    return settings.half_evidence_paired_mm if paired else settings.half_evidence_mm


def _busbars(busbar_rows: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Middle of each busbar, rows at half the scale."""
    steps = np.diff(np.concatenate([[0], busbar_rows.astype(np.int8), [0]]))
    middles = (np.flatnonzero(steps == 1) + np.flatnonzero(steps == -1) - 1) / 2
    return np.asarray((middles + 0.5) / HALF - 0.5)


def _shade(view: PanelView) -> tuple[FloatImage, bool]:
    """What is darker than in the typical cell, and whether an exposure at low current was taken off."""
    low = view.pictures.low_current
    if low is None:
        return view.deviation, False
    small = view.deviation.shape[:0:-1]
    pairs = [(view.pictures.full_current[cell], low[cell]) for cell in range(len(low))]
    ratio = np.stack([_log_ratio(full, other, small) for full, other in pairs])
    return np.asarray(ratio - np.median(ratio, axis=0), np.float32), True


def _log_ratio(full: FloatImage, low: FloatImage, size: tuple[int, int]) -> FloatImage:
    shrunk = [cv2.resize(cell, size, interpolation=cv2.INTER_AREA) for cell in (full, low)]
    floors = [max(0.03 * float(np.median(cell)), 1e-6) for cell in shrunk]
    ratio = np.log(np.maximum(shrunk[0], floors[0])) - np.log(np.maximum(shrunk[1], floors[1]))
    return np.asarray(ratio - np.median(ratio), np.float32)


def _depths(shade: FloatImage, bars: NDArray[np.float64], view: PanelView, settings: SolderFaultSettings) -> FloatImage:
    """Depth along each busbar of a cell, per column inside."""
    pitch = float(np.median(np.diff(bars)))
    depth = np.stack([_depth(shade, bar, pitch) for bar in bars])
    size = max(round(settings.smooth_mm / (HALF * view.mm_per_px)), 1) | 1
    depth = np.asarray(cv2.blur(depth, (size, 1), borderType=cv2.BORDER_REPLICATE), np.float32)
    first, last = _columns(view)
    return depth[:, first : last + 1]


def _columns(view: PanelView) -> tuple[int, int]:
    """First and last column inside, at half the scale."""
    inside = np.flatnonzero(view.inside.any(axis=0))
    return (int(inside[0]) // HALF, int(inside[-1]) // HALF) if inside.size else (0, view.deviation.shape[2] - 1)


def _spread(depths: FloatImage) -> float:
    return 1.4826 * float(np.median(np.abs(depths - np.median(depths))))


def _stretches(depth: FloatImage, usual: float, view: PanelView, settings: SolderFaultSettings) -> list[_Stretch]:
    """Dark stretches along each busbar; evidence is depth in multiples of the usual one times length."""
    mm = HALF * view.mm_per_px
    # Along a busbar a wafer's pattern changes, the lack of a whole ribbon does not.
    own_spread = _spread(depth - np.median(depth, axis=1, keepdims=True))
    least = max(settings.least_depth, settings.usual_multiple * max(usual, own_spread))
    start = _columns(view)[0]
    found = []
    for busbar, own in enumerate(depth):
        steps = np.diff(np.concatenate([[0], (own >= least).astype(np.int8), [0]]))
        for first, end in zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True):
            if (end - first) * mm >= settings.least_length_mm:
                mean = float(own[first:end].mean())
                evidence = mean / least * (end - first) * mm
                found.append(_Stretch(busbar + 1, int(first) + start, int(end) + start, mean, evidence))
    return found


def _depth(shade: FloatImage, bar: float, pitch: float) -> FloatImage:
    """How much darker a busbar's surroundings are than what lies a busbar further, per column.

    They must be darker above as below, and than either side: what a crack cuts off lies on one side of a busbar, and a
    cell that is darker on the whole towards one edge is none.
    """
    near = [_band(shade, bar + sign * 0.1 * pitch, bar + sign * 0.4 * pitch) for sign in (-1, 1)]
    sides = [_band(shade, bar + sign * 0.7 * pitch, bar + sign * 1.3 * pitch) for sign in (-1, 1)]
    known, own = ([band for band in bands if band is not None] for bands in (sides, near))
    if not own or not known:
        return np.zeros(shade.shape[1], np.float32)
    return np.asarray(np.min(known, axis=0) - np.max(own, axis=0), np.float32)


def _band(shade: FloatImage, first: float, last: float) -> FloatImage | None:
    """Mean over rows; None where less than half of them belong to the cell."""
    low, high = sorted((first, last))
    top, bottom = max(round(low), 0), min(round(high) + 1, len(shade))
    if bottom - top < 0.5 * (high - low):
        return None
    return np.asarray(shade[top:bottom].mean(axis=0))


def _kind(view: PanelView, cell: int, stretch: _Stretch) -> Kind:
    """A whole busbar of a cell at the end of a string without current: its ribbon's joint to the bussing ribbon."""
    place = cell % view.pictures.grid.layout.cells_per_string
    at_end = place in (0, view.pictures.grid.layout.cells_per_string - 1)
    first, last = _columns(view)
    whole = stretch.end - stretch.first >= 0.9 * (last + 1 - first)
    return Kind.BUSSING_JOINT_FAULT if at_end and whole else Kind.SOLDER_FAULT


def _finding(
    view: PanelView, cell: int, kind: Kind, stretch: _Stretch, bars: NDArray[np.float64], score: float, paired: bool
) -> Finding:
    reach = 0.35 * float(np.median(np.diff(bars)))
    rows = np.clip([bars[stretch.busbar - 1] - reach, bars[stretch.busbar - 1] + reach], 0, len(view.deviation[0]) - 1)
    corners = np.array([[rows[0], stretch.first], [rows[0], stretch.end - 1.0],
                        [rows[1], stretch.end - 1.0], [rows[1], stretch.first]])  # fmt: skip
    string, place = divmod(cell, view.pictures.grid.layout.cells_per_string)
    at_end = {"at_string": string + 1, "at_position": place + 1} if kind is Kind.BUSSING_JOINT_FAULT else {}
    return Finding(
        kind,
        cell,
        score,
        view.to_picture((corners + 0.5) * HALF - 0.5),
        length_mm=(stretch.end - stretch.first) * HALF * view.mm_per_px,
        measurements={
            "busbar": stretch.busbar,
            "busbars": len(bars),
            "contrast_share": round(1 - float(np.exp(-stretch.depth)), 3),
            "low_current_used": paired,
            **at_end,
        },
    )
