"""Finger interruptions: straight dark streaks in finger direction, between busbars."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Value
from elinspect.detectors.broken_bundle import Bundle
from elinspect.detectors.chunks import over_cells
from elinspect.detectors.finger_chance import demand_of
from elinspect.detectors.flat import COARSE, streaks_of, stretches_of
from elinspect.detectors.nearness import with_least
from elinspect.detectors.rings import Rings, run_along
from elinspect.detectors.streaks import fields_of, streak_depth
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, Points, read_only
from elinspect.settings import FingerInterruptionSettings

_ON_CRACK_MM = 1.5

_RING_LIKENESS, _RING_DEPTHS, _ALONG_RING_MM = 0.2, 6.0, 3.0
"""Cells as alike in all directions have rings, trough to crest up to so many of their standard deviations; a streak
that leaves its ring by no more lies on it. On simulated panels without rings the likeness is 0.1, streaks are ten times
as deep."""

_WIDEST_MM = 12.0
"""Across so much the width of a streak is looked for."""

_WIRE_MM = 2.1
"""So much of a wire hides the cell, blur included. Of 96 streaks on simulated cells with 16 wires at 0.5 and 0.8 mm/px
23 are found; 12 where a wire is bridged with its feet."""

_LEAST_ROWS = 5
"""So many rows of streaks between two busbars tell where one ends."""

_BESIDE_MM, _BESIDE_SHARE = 2.5, 0.2
"""A streak that begins so near to a busbar, and within that share of the way to the next, broke beside its ribbon."""


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """Deepest run of coarse rows of every column of a cell: sum, first row, end row, whether it reaches the rim."""

    amount: NDArray[np.float32]
    start: NDArray[np.int16]
    stop: NDArray[np.int16]
    at_rim: NDArray[np.bool_]


_OfField = tuple[NDArray[np.float32], NDArray[np.int16], NDArray[np.int16]]
"""The same of one field and some cells, arrays of shape (cells, columns)."""


def detect(view: PanelView, settings: FingerInterruptionSettings, wires_off: PanelView | None = None) -> Detection:
    """Find finger interruptions.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : FingerInterruptionSettings
        Contrast and length.
    wires_off : PanelView, optional
        The same with its wires taken off, where it has many: fingers break beside them, and are seen up to them.

    Returns
    -------
    Detection
        One finding per bundle of neighbouring streaks, its outline the middle line; measurements say how wide the
        bundle is and whether it begins beside a busbar (soldering) or in mid field (print).
    """
    scores = np.zeros(len(view.flat), np.float32)
    findings: list[Finding] = []
    seen = view if wires_off is None else replace(wires_off, busbar_rows=_cores(view))
    bundles = _bundles(seen, settings)
    demand = demand_of(seen, bundles, _bundles, settings)
    for cell, found in enumerate(bundles):
        if not view.judged[cell] or not found:
            continue
        ranked = sorted((_demanding(one, demand) for one in found), key=lambda finding: -finding.score)
        scores[cell] = ranked[0].score
        findings += [finding for finding in ranked[: settings.most_findings] if finding.score >= settings.threshold]
    nearness = with_least(scores, _darkest(view, scores, settings), settings.threshold) * view.judged
    return Detection(Kind.FINGER_INTERRUPTION, read_only(scores), tuple(findings), nearness)


def _darkest(view: PanelView, scores: NDArray[np.float32], settings: FingerInterruptionSettings) -> NDArray[np.float64]:
    """How dark the darkest place of a streak is, over the depth a streak has to keep and itself; of cells without."""
    darkest = np.zeros(len(scores))
    for cell in np.flatnonzero(scores == 0):
        depth = max(-float(view.streaks[cell].min()), 0.0)
        darkest[cell] = depth / (depth + settings.least_contrast)
    return darkest


def _demanding(streak: Finding, demand: float) -> Finding:
    """Return a streak with the score it has where so many times the usual evidence is asked for."""
    return replace(streak, score=streak.score / (streak.score + (1 - streak.score) * demand))


def with_bundles(
    streaks: Detection, bundles: Sequence[tuple[int, Bundle]], view: PanelView, settings: FingerInterruptionSettings
) -> Detection:
    """Add bundles wider than any streak, which the crack search came upon, in place of streaks at their sides."""
    scores, findings, fields = streaks.cell_scores.copy(), list(streaks.findings), fields_of(view)
    nearness = None if streaks.nearness is None else streaks.nearness.copy()
    added: list[Finding] = []
    for cell, bundle in sorted(bundles, key=lambda found: -found[1].depth):
        middle = (bundle.top + bundle.bottom) / 2 / COARSE
        field = next((own for own in fields if own[0] <= middle < own[1]), (0, view.streaks.shape[1]))
        streak = ((bundle.left + bundle.right) / 2, bundle.top, bundle.bottom)
        score = bundle.depth / (bundle.depth + settings.half_bundle_depth)
        field_mm = (field[1] - field[0]) * COARSE * view.mm_per_px
        found = _bundle(view, cell, streak, bundle.depth, bundle.right - bundle.left + 1, score, field_mm)
        if score >= settings.threshold and not any(_overlap(own, found, view) for own in added):
            scores[cell] = max(scores[cell], score)
            if nearness is not None:
                nearness[cell] = 1
            findings = [own for own in findings if not _overlap(own, found, view)]
            added.append(found)
    return replace(streaks, cell_scores=read_only(scores), findings=(*findings, *added), nearness=nearness)


def _overlap(one: Finding, other: Finding, view: PanelView) -> bool:
    """Whether two bundles of one cell stand within each other's width and rows."""
    if one.cell != other.cell:
        return False
    width_mm = sum(float(bundle.measurements["bundle_mm"] or 0) for bundle in (one, other))
    beside = abs(one.outline[0, 1] - other.outline[0, 1]) > width_mm / 2 / view.pictures.mm_per_px
    return not beside and bool(
        max(one.outline[0, 0], other.outline[0, 0]) < min(one.outline[-1, 0], other.outline[-1, 0])
    )


def not_on_cracks(streaks: Detection, cracks: Detection, view: PanelView) -> Detection:
    """Leave out streaks that lie on a crack for most of their length: an upright crack darkens finger by finger."""
    reach = _ON_CRACK_MM / view.pictures.mm_per_px
    lines: dict[int, list[Points]] = {}
    for crack in cracks.findings:
        lines.setdefault(crack.cell, []).append(crack.outline)
    kept = tuple(
        streak
        for streak in streaks.findings
        if not any(_share_near(streak.outline, line, reach) > 0.7 for line in lines.get(streak.cell, ()))
    )
    return replace(streaks, findings=kept)


def not_on_rings(streaks: Detection, rings: Rings | None, view: PanelView) -> Detection:
    """Leave out streaks along a ring about the ingot's axis and not much deeper: where rings run as fingers do."""
    if rings is None:
        return streaks
    kept = tuple(streak for streak in streaks.findings if not _is_ring(streak, rings, view.pictures.mm_per_px))
    return replace(streaks, findings=kept)


def _is_ring(streak: Finding, rings: Rings, mm_per_px: float) -> bool:
    """Whether a streak is a stretch of a ring."""
    depth = -np.log(1 - float(streak.measurements["contrast_share"] or 0.0))
    ringed = rings.alike[streak.cell] >= _RING_LIKENESS and depth <= _RING_DEPTHS * rings.depth[streak.cell]
    (first, column), (last, _) = streak.outline * mm_per_px
    return bool(ringed and run_along(rings, streak.cell, first, last, column) <= _ALONG_RING_MM)


def _share_near(streak: Points, line: Points, reach: float) -> float:
    """Share of a streak that lies within `reach` pixels of a polyline."""
    along = np.linspace(streak[0], streak[-1], 20)
    starts, steps = line[:-1], np.diff(line, axis=0)
    squares = np.maximum((steps**2).sum(axis=1), 1e-9)
    at = np.clip(((along[:, None] - starts[None]) * steps[None]).sum(axis=2) / squares, 0, 1)
    distance = np.linalg.norm(along[:, None] - (starts[None] + at[..., None] * steps[None]), axis=2).min(axis=1)
    return float((distance <= reach).mean())


def _bundles(view: PanelView, settings: FingerInterruptionSettings) -> list[list[Finding]]:
    """Return the bundles of every cell, also those below the threshold."""
    height = _height_of_rows(view)
    view = view if height == COARSE else replace(view, streaks=_finer_streaks(view, height))
    fields, row_mm = fields_of(view, height), height * view.mm_per_px
    texture = np.empty(len(view.streaks), np.float32)
    shortest_mm = min(settings.least_rim_length_mm, settings.least_length_mm, settings.textured_length_mm)

    def fewest(field_rows: int) -> float:
        return min(shortest_mm / row_mm, settings.least_field_share * field_rows)

    def work(part: slice) -> list[_OfField]:
        depth, texture[part] = streak_depth(view, part, fields)
        least = np.maximum(settings.least_contrast, settings.texture_multiple * texture[part])
        return [_deepest_runs(depth[:, first:end], least, fewest(end - first)) for first, end in fields]

    runs_of_parts = over_cells(work, len(texture))
    # Grains line up by chance more often than noise does.
    unevenness = texture / np.maximum(view.noise, 1e-6)
    bounds = [settings.smooth_unevenness, settings.textured_unevenness]
    grain = np.interp(unevenness, bounds, [settings.smooth_demand, settings.textured_demand])
    own_texture = (texture + settings.least_texture) * grain
    found: list[list[Finding]] = [[] for _ in texture]
    least_mm = np.interp(unevenness, bounds, [settings.least_length_mm, settings.textured_length_mm])
    rims = _rim_rows(view) / height
    for field, parts in zip(fields, zip(*runs_of_parts, strict=True), strict=True):
        amount, start, stop = (np.concatenate(arrays) for arrays in zip(*parts, strict=True))
        at_rim = _at_rim(start + field[0], stop + field[0], rims, settings.rim_mm / row_mm)
        shortest = np.where(at_rim, np.float64(settings.least_rim_length_mm), least_mm[:, None])
        long_enough = stop - start >= np.minimum(shortest / row_mm, settings.least_field_share * (field[1] - field[0]))
        for cell in np.flatnonzero(long_enough.any(axis=1)).tolist():
            runs = _Runs(amount[cell], start[cell] + field[0], stop[cell] + field[0], at_rim[cell])
            texture_of_cell = float(own_texture[cell])
            found[cell] += _grouped(view, cell, runs, long_enough[cell], field, height, texture_of_cell, settings)
    return found


def _cores(view: PanelView) -> NDArray[np.bool_]:
    """Return the rows of the wires themselves: through their feet the cell is seen."""
    cores, width = np.zeros_like(view.busbar_rows), round(_WIRE_MM / view.mm_per_px)
    for first, end in stretches_of(view.busbar_rows):
        start = first + max(end - first - width, 0) // 2
        cores[start : min(start + width, end)] = True
    return cores


def _height_of_rows(view: PanelView) -> int:
    """Map rows that are taken together: fewer where wires lie so close that few rows would lie between them."""
    between = [end - first for first, end in stretches_of(~view.busbar_rows)]
    return min(max(int(np.median(between)) // _LEAST_ROWS, 1), COARSE) if len(between) > 2 else COARSE


def _finer_streaks(view: PanelView, height: int) -> FloatImage:
    """Streaks of the view, of rows so high."""
    out = np.empty((len(view.flat), -(-view.flat.shape[1] // height), view.flat.shape[2]), np.float32)

    def work(part: slice) -> None:
        out[part] = streaks_of(view.flat[part] * view.inside, view.inside, height)

    over_cells(work, len(out))
    return out


def _rim_rows(view: PanelView) -> NDArray[np.float64]:
    """First and end row inside of every column, shape (2, columns); of a column without any, none."""
    inside = view.inside
    ends = np.stack([inside.argmax(axis=0), len(inside) - inside[::-1].argmax(axis=0)])
    return np.where(inside.any(axis=0), ends, np.nan)


def _at_rim(
    start: NDArray[np.int16], stop: NDArray[np.int16], rims: NDArray[np.float64], near: float
) -> NDArray[np.bool_]:
    """Whether runs of coarse rows reach the rim: a finger that broke once is dark from the break to there."""
    return np.asarray((start - rims[0] <= near) | (rims[1] - stop <= near))


def _deepest_runs(depth: FloatImage, least: NDArray[np.float32], fewest: float) -> _OfField:
    """Return the run of rows above `least` with the largest sum, per cell and column: sum, first row, end row.

    0 in columns with fewer such rows than `fewest`.
    """
    cells, rows, columns = depth.shape
    on = depth > least[:, None, None]
    chosen = np.nonzero(on.sum(axis=1, dtype=np.int16) >= fewest)
    amount, start, end = (np.zeros((cells, columns), kind) for kind in (np.float32, np.int16, np.int16))
    if chosen[0].size:
        off = ~on.transpose(0, 2, 1)[chosen]
        sums = np.cumsum(np.where(off, np.float32(0), depth.transpose(0, 2, 1)[chosen]), axis=1)
        before = np.maximum.accumulate(np.where(off, sums, np.float32(0)), axis=1)
        last_off = np.maximum.accumulate(np.where(off, np.arange(rows), -1), axis=1)
        last = np.argmax(sums - before, axis=1)
        at = np.arange(len(last)), last
        amount[chosen], start[chosen], end[chosen] = (sums - before)[at], last_off[at] + 1, last + 1
    return amount, start, end


def _grouped(
    view: PanelView,
    cell: int,
    runs: _Runs,
    long_enough: NDArray[np.bool_],
    field: tuple[int, int],
    height: int,
    texture: float,
    settings: FingerInterruptionSettings,
) -> list[Finding]:
    """Make one finding of neighbouring columns that are long enough."""
    row_mm, field_rows = height * view.mm_per_px, _field_rows(view, field, height, settings)
    found = []
    for first, end in stretches_of(long_enough):
        column = first + int(runs.amount[first:end].argmax())
        top, bottom = int(runs.start[column]), int(runs.stop[column])
        # Whole fingers between two busbars are the rule: half as much again for a streak that spans its field.
        length = (bottom - top) * row_mm * (0.5 + (bottom - top) / field_rows)
        if float(runs.amount[column]) / (bottom - top) / texture * length < settings.half_evidence_mm / 3:
            continue
        depths = _depths(view.flat[cell, top * height : bottom * height], column, view.mm_per_px)
        # A streak is dark in nearly all of its rows, a stain is not.
        ordered = np.sort(depths)
        usual = _quantile(ordered, 0.5)
        evidence = max(_quantile(ordered, 0.25), 0.0) / texture * length
        rows = _dark_rows(depths, usual, top * height)
        if not runs.at_rim[column]:
            slender = (rows[1] - rows[0]) / _width_px(view.flat[cell], column, rows, view.mm_per_px)
            evidence *= float(np.interp(slender, settings.speck_slenderness, (0.0, 1.0)))
        score = evidence / (evidence + settings.half_evidence_mm)
        field_mm = (field[1] - field[0]) * row_mm
        found.append(_bundle(view, cell, (column, *rows), usual, end - first, score, field_mm))
    return found


def _field_rows(view: PanelView, field: tuple[int, int], height: int, settings: FingerInterruptionSettings) -> float:
    """Coarse rows that a streak has to span to fill its field: a finger may be dark up to the rim, not beyond.

    Of the low fields beside close wires anything would fill what the rim leaves.
    """
    first, end = (edge * height for edge in field)
    rows = float(view.inside[first:end].any(axis=1).sum())
    return rows / height if rows * view.mm_per_px >= settings.least_length_mm else float(field[1] - field[0])


def _width_px(flat: FloatImage, column: int, rows: tuple[int, int], mm_per_px: float) -> int:
    """Columns about the middle of a streak in which it has half of its depth and more, at least one."""
    reach, near = round(_WIDEST_MM / 2 / mm_per_px), round(1.6 / mm_per_px)
    first = max(column - reach, 0)
    profile = flat[rows[0] : rows[1] + 1, first : column + reach + 1].mean(axis=0)
    middle = column - first
    sides = profile[: max(middle - near, 1)].max(), profile[min(middle + near, len(profile) - 1) :].max()
    bright = np.flatnonzero(profile >= (min(sides) + profile[middle]) / 2)
    left, right = bright[bright < middle], bright[bright > middle]
    start, end = (left[-1] if left.size else -1), (right[0] if right.size else len(profile))
    return max(int(end - start) - 1, 1)


def _depths(rows: FloatImage, column: int, mm_per_px: float) -> NDArray[np.float32]:
    """Depth of each row of a streak under the lower of its two sides."""
    near, far = round(1.6 / mm_per_px), round(3.1 / mm_per_px)
    middle = rows[:, max(column - 1, 0) : column + 2].mean(axis=1)
    left, right = rows[:, max(column - far, 0) : max(column - near, 1)], rows[:, column + near + 1 : column + far + 1]
    if not left.size or not right.size:
        return np.zeros_like(middle)
    return np.asarray(np.minimum(left.mean(axis=1), right.mean(axis=1)) - middle)


def _quantile(ordered: NDArray[np.float32], share: float) -> float:
    """Quantile as `numpy.quantile` has it, which is slow for so few values."""
    place = share * (len(ordered) - 1)
    low = int(place)
    high = min(low + 1, len(ordered) - 1)
    return float(ordered[low]) + (place - low) * (float(ordered[high]) - float(ordered[low]))


def _dark_rows(depths: NDArray[np.float32], usual: float, first_row: int) -> tuple[int, int]:
    """First and last row in which the streak has at least half of its usual depth; the coarse search overshoots."""
    smooth = np.convolve(depths, np.ones(5) / 5, mode="same")
    dark = np.flatnonzero(smooth >= 0.5 * usual)
    if dark.size < 2:
        return first_row, first_row + len(depths) - 1
    return first_row + int(dark[0]), first_row + int(dark[-1])


def _bundle(
    view: PanelView,
    cell: int,
    streak: tuple[float, int, int],
    depth: float,
    columns: int,
    score: float,
    field_mm: float,
) -> Finding:
    column, top, bottom = streak
    away = _from_busbar_mm(view, top, bottom)
    # Where no busbar is seen nobody can say whether a finger broke beside one.
    beside = away is not None and away <= min(_BESIDE_MM, _BESIDE_SHARE * field_mm)
    near: dict[str, Value] = {} if away is None else {"at_busbar": beside, "from_busbar_mm": round(away, 1)}
    return Finding(
        Kind.FINGER_INTERRUPTION,
        cell,
        score,
        view.to_picture(np.array([[top, column], [bottom, column]], dtype=np.float64)),
        length_mm=(bottom - top) * view.mm_per_px,
        measurements={
            "bundle_mm": round(columns * view.mm_per_px, 2),
            "contrast_share": round(1 - float(np.exp(-max(depth, 0.0))), 3),
            **near,
        },
    )


def _from_busbar_mm(view: PanelView, top: int, bottom: int) -> float | None:
    """Distance of a streak's nearer end from the busbar it begins at; None without busbars."""
    bars = np.flatnonzero(view.busbar_rows)
    if not bars.size:
        return None
    return float(min(np.abs(bars - top).min(), np.abs(bars - bottom).min())) * view.mm_per_px
