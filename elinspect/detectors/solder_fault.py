"""Ribbons without contact: a stretch along a busbar darker than along its neighbours, darkest at the busbar itself.

Where ribbon and busbar are not joined, current reaches the fingers from the neighbouring busbars only, and fades
towards the one without contact. The wafer's own pattern can look alike in one exposure; the ratio to an exposure at low
current, in which resistances hardly count, does not show it. The same along a whole busbar of the first or last cell of
a string is a joint to the bussing ribbon.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.chunks import middle_of
from elinspect.detectors.flat import stretches_of
from elinspect.detectors.nearness import near
from elinspect.detectors.view import HALF, REFERENCE_CELLS
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, read_only
from elinspect.settings import SolderFaultSettings
from elinspect.vision import cv2

_BANDS = ((-1, 0.1, 0.4), (1, 0.1, 0.4), (-1, 0.7, 1.3), (1, 0.7, 1.3))
"""Side of a busbar, and from where to where in multiples of their spacing: beside it, and about its neighbours."""

_RIM_MM, _SMOOTH_MM = 3.0, 5.0
_LONGEST_LEAST_MM = 18.0

_END_SHARE, _END_SPREADS = 0.15, 1.5
"""Of its depth, and in multiples of the panel's spread: what a stretch keeps at its ends, at most half of its depth."""

_LONGEST_PART = 0.45
"""Share of the cell up to which a stretch can be compared with the rest of its own busbar."""


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Columns (at half the scale, end not included) along one busbar, their depth, and how much it stands out.

    `core` columns of them keep half the depth.
    """

    busbar: int
    first: int
    end: int
    core: int
    depth: float
    multiple: float


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
    nearness = {kind: np.zeros(n, np.float32) for kind in scores}
    findings: dict[Kind, list[Finding]] = {kind: [] for kind in scores}
    bars = _busbars(view.busbar_rows)
    seen = n >= REFERENCE_CELLS and len(bars) >= 2
    if seen:
        shade, paired = _shade(view)
        single = {Kind.SOLDER_FAULT: settings.half_multiple, Kind.BUSSING_JOINT_FAULT: settings.half_multiple_joint}
        half = dict.fromkeys(scores, settings.half_multiple_paired) if paired else single
        pitch_mm = HALF * view.mm_per_px * float(np.median(np.diff(bars)))
        least_mm = min(settings.least_pitches * pitch_mm, _LONGEST_LEAST_MM)
        least = settings.least_depth_paired if paired else settings.least_depth
        found, multiples = _stretches(_depths(shade, bars, view), view, least, settings)
        ends = _at_ends(view)
        for kind, multiple in (
            (Kind.SOLDER_FAULT, multiples.max(axis=0)),
            (Kind.BUSSING_JOINT_FAULT, multiples[-1] * ends),
        ):
            nearness[kind] = near(_score(multiple, half[kind]) * view.judged, settings.threshold)
        for cell, stretches in enumerate(found):
            for stretch in stretches if view.judged[cell] else ():
                if stretch.core * HALF * view.mm_per_px < least_mm:
                    continue
                kind = _kind(view, cell, stretch)
                # From one exposure a joint counts by its whole length: wafers do have shorter patterns.
                by_length = kind is Kind.BUSSING_JOINT_FAULT and not paired
                multiple = min(stretch.multiple, float(multiples[-1, cell])) if by_length else stretch.multiple
                score = float(_score(multiple, half[kind]))
                scores[kind][cell] = max(scores[kind][cell], score)
                if score >= settings.threshold:
                    findings[kind].append(_finding(view, cell, kind, stretch, bars, score, paired))
    detections = [
        Detection(kind, read_only(scores[kind]), tuple(findings[kind]), nearness[kind], seen) for kind in scores
    ]
    return detections[0], detections[1]


def _score(multiple: NDArray[np.floating] | float, half: float) -> NDArray[np.float64]:
    square = np.square(multiple, dtype=np.float64)
    return np.asarray(square / (square + half**2))


def _at_ends(view: PanelView) -> NDArray[np.bool_]:
    """Whether each cell is the first or the last of its string."""
    n = view.pictures.grid.layout.cells_per_string
    return np.isin(np.arange(len(view.flat)) % n, (0, n - 1))


def _busbars(busbar_rows: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Middle of each busbar, rows at half the scale."""
    middles = np.array([(first + end - 1) / 2 for first, end in stretches_of(busbar_rows)])
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


def _depths(shade: FloatImage, bars: NDArray[np.float64], view: PanelView) -> FloatImage:
    """How much darker both sides of each busbar are than what lies a busbar further, per column looked at.

    They must be darker above as below, and than either side: what a crack cuts off lies on one side of a busbar, and a
    cell that is darker on the whole towards one edge is none.

    Returns
    -------
    ndarray, shape (cells, busbars, columns)
        Below zero where a busbar has no neighbour that could be looked at.
    """
    rows = shade.shape[1]
    pitch = float(np.median(np.diff(bars)))
    weights = np.stack([[_weights(bar, pitch, band, rows) for bar in bars] for band in _BANDS])
    first, end = _columns(view)
    bands = np.matmul(weights.reshape(-1, rows), shade[:, :, first:end]).reshape(len(shade), *weights.shape[:2], -1)
    known = np.any(weights > 0, axis=2, keepdims=True)
    near = np.where(known[:2], bands[:, :2], -np.inf).max(axis=1)
    sides = np.where(known[2:], bands[:, 2:], np.inf).min(axis=1)
    depth = sides - near
    return np.asarray(np.where(np.isfinite(depth), depth, -1.0), np.float32)


def _weights(bar: float, pitch: float, band: tuple[int, float, float], rows: int) -> NDArray[np.float32]:
    """Rows of a band, to take a mean by; all zero where less than half of the band belongs to the cell."""
    side, near, far = band
    low, high = sorted((bar + side * near * pitch, bar + side * far * pitch))
    top, bottom = max(round(low), 0), min(round(high) + 1, rows)
    weights = np.zeros(rows, np.float32)
    if bottom - top >= 0.5 * (high - low):
        weights[top:bottom] = 1 / (bottom - top)
    return weights


def _columns(view: PanelView) -> tuple[int, int]:
    """First and end column looked at, at half the scale; beside the rim light falls off in ways of its own."""
    inside = np.flatnonzero(view.inside.any(axis=0))
    if not inside.size:
        return 0, view.deviation.shape[2]
    rim = round(_RIM_MM / (HALF * view.mm_per_px))
    return int(inside[0]) // HALF + rim, int(inside[-1]) // HALF + 1 - rim


def _stretches(
    depth: FloatImage, view: PanelView, least: float, settings: SolderFaultSettings
) -> tuple[list[list[_Stretch]], NDArray[np.float64]]:
    """Return the stretch of each busbar that stands out most, per cell, and how much any stands out, deep or not.

    The second has shape (lengths, cells); what is too shallow to be a stretch counts for less, the shallower the less.

    Means over windows of several lengths are measured in multiples of their spread over all busbars of the panel, the
    more so in cells of more texture. A stretch that is not too long is compared with the rest of its busbar too: that
    leaves the wafer's pattern out, which lies along busbars as well.
    """
    mm, columns = HALF * view.mm_per_px, depth.shape[2]
    usual = middle_of(depth)[:, :, None]
    # From place to place: a stretch without contact changes depth at its two ends only, grains everywhere.
    apart = max(round(settings.lengths_mm[0] / mm), 1)
    grain = middle_of(np.abs(depth[:, :, apart:] - depth[:, :, :-apart]).reshape(len(depth), -1))
    rough = np.maximum(grain / max(float(np.median(grain)), settings.least_spread), 1)[:, None, None]
    best, most, spreads = np.zeros((*depth.shape[:2], 4)), [], []
    for length_mm in settings.lengths_mm:
        window = min(max(2 * round(length_mm / mm / 2), 2), columns - columns % 2)
        mean = _in_both_halves(depth, window)
        spreads.append(_spread(mean, view, settings))
        multiple = mean / spreads[-1]
        if window <= _LONGEST_PART * columns:
            beside = mean - usual
            multiple = np.maximum(multiple, np.minimum(beside, mean) / _spread(beside, view, settings))
        multiple /= rough
        most.append((multiple * np.clip(mean / least, 0, 1)).max(axis=(1, 2)))
        multiple = np.where(mean >= least, multiple, 0)
        at = multiple.argmax(axis=2)
        top, deep = (np.take_along_axis(of, at[..., None], axis=2)[..., 0] for of in (multiple, mean))
        better = top > best[..., 0]
        best[better] = np.stack([top, deep, at, at + window], axis=2)[better]
        if window >= columns - 1:
            break
    grown = [_grown(depth[cell], best[cell], view, mm, spreads[0]) for cell in range(len(depth))]
    return grown, np.maximum(np.array(most), 0)


def _in_both_halves(depth: FloatImage, window: int) -> FloatImage:
    """Mean over windows of columns, or twice the lower of its halves where that is less: not one dark spot in it."""
    sums = np.cumsum(np.pad(depth, ((0, 0), (0, 0), (1, 0))), axis=2, dtype=np.float64)
    half = window // 2
    halves = (sums[:, :, half:] - sums[:, :, :-half]) / half
    first, second = np.asarray(halves[:, :, :-half]), np.asarray(halves[:, :, half:])
    return np.asarray(np.minimum((first + second) / 2, 2 * np.minimum(first, second)), np.float32)


def _spread(mean: FloatImage, view: PanelView, settings: SolderFaultSettings) -> float:
    judged = mean[view.judged].ravel()
    spread = 1.4826 * float(middle_of(np.abs(judged - middle_of(judged)))) if judged.size else 0.0
    return max(spread, settings.least_spread)


def _grown(depth: FloatImage, best: NDArray[np.float64], view: PanelView, mm: float, spread: float) -> list[_Stretch]:
    """Let stretches go on along their busbars as far as they stand out: from their middle they fade to both ends."""
    start, (size, columns) = _columns(view)[0], depth.shape
    blur = max(round(_SMOOTH_MM / mm), 1) | 1
    found = []
    for busbar in range(size):
        multiple, deep, first, end = best[busbar]
        if multiple <= 0:
            continue
        smooth = cv2.blur(depth[busbar : busbar + 1], (blur, 1), borderType=cv2.BORDER_REPLICATE)[0]
        low, high = _reach(smooth >= deep / 2, int(first), int(end))
        core = high - low
        low, high = _reach(smooth >= min(max(_END_SHARE * deep, _END_SPREADS * spread), deep / 2), low, high)
        # What reaches the last column looked at goes on to the edge of the cell.
        ends = (low + start if low else 0, high + start if high < columns else view.deviation.shape[2])
        found.append(_Stretch(busbar + 1, *ends, core, float(deep), float(multiple)))
    return found


def _reach(dark: NDArray[np.bool_], low: int, high: int) -> tuple[int, int]:
    """Return how far dark columns go on from a stretch, end not included."""
    while low > 0 and dark[low - 1]:
        low -= 1
    while high < len(dark) and dark[high]:
        high += 1
    return low, high


def _kind(view: PanelView, cell: int, stretch: _Stretch) -> Kind:
    """A whole busbar of a cell at the end of a string without current: its ribbon's joint to the bussing ribbon."""
    first, end = _columns(view)
    whole = min(stretch.end, end) - max(stretch.first, first) >= 0.9 * (end - first)
    return Kind.BUSSING_JOINT_FAULT if _at_ends(view)[cell] and whole else Kind.SOLDER_FAULT


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
