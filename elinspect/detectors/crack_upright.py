"""Cracks that run nearly along the fingers.

The oriented filters leave finger direction out, where every broken finger answers. A crack there betrays itself by
leaving the line: it leans or wanders by more than a finger ever does and goes on beyond the next busbar in step, while
streaks of fingers are upright and end at busbars.
"""

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.crack_paths import CrackPath
from elinspect.detectors.flat import COARSE
from elinspect.detectors.streaks import streak_depth
from elinspect.records import FloatImage, PanelView, Points
from elinspect.settings import CrackSettings

_FEWEST_PLACES = 5


def upright_paths(
    view: PanelView, part: slice, fields: list[tuple[int, int]], settings: CrackSettings
) -> list[CrackPath | None]:
    """Return the strongest path from busbar to busbar of each cell, or None where it is too short or weak for a crack.

    Parameters
    ----------
    view : PanelView
        The panel.
    part : slice
        Which cells.
    fields : list of (int, int)
        From `fields_of`.
    settings : CrackSettings
        Toll, cap, shortest path.

    Returns
    -------
    list of CrackPath or None
        Points in map pixels, totals in multiples of the cell's streak texture.
    """
    depth, texture = streak_depth(view, part, fields)
    multiples = depth / (texture + np.float32(settings.upright_least_texture))[:, None, None]
    gain = np.minimum(multiples, np.float32(settings.upright_cap)) - np.float32(settings.upright_place_toll)
    between = np.ones(gain.shape[1], bool)
    for first, end in fields:
        between[first:end] = False
    gain[:, between] = np.maximum(gain[:, between], np.float32(-settings.upright_place_toll / 4))
    total = _collected(gain)
    least_rows = settings.upright_shortest_mm / (COARSE * view.mm_per_px)
    enough = settings.upright_scale * min(settings.half_total_smooth, settings.half_total_textured)
    enough *= float(np.sqrt(settings.threshold / (1 - settings.threshold)))
    paths = [_traced(*own) if own[0].max() >= enough else None for own in zip(total, gain, strict=True)]
    return [path if path is not None and len(path.points) >= least_rows else None for path in paths]


def _collected(gain: FloatImage) -> FloatImage:
    """Sum of the best path from above into each place, shifting by a column per row at most; walls left and right."""
    cells, rows, columns = gain.shape
    total = np.full((cells, rows, columns + 2), -np.inf, np.float32)
    total[:, 0, 1:-1] = gain[:, 0]
    best = np.empty((cells, columns), np.float32)
    for row in range(1, rows):
        above = total[:, row - 1]
        np.maximum(above[:, :-2], above[:, 2:], out=best)
        np.maximum(best, above[:, 1:-1], out=best)
        np.maximum(best, 0, out=best)
        np.add(best, gain[:, row], out=total[:, row, 1:-1])
    return total


def _traced(total: FloatImage, gain: FloatImage) -> CrackPath | None:
    row, column = (int(index) for index in np.unravel_index(int(total.argmax()), total.shape))
    best = float(total[row, column])
    points: list[tuple[float, float]] = []
    while True:
        points.append(((row + 0.5) * COARSE - 0.5, float(column - 1)))
        if row == 0 or total[row, column] <= gain[row, column - 1]:
            break
        # Straight on wins a tie.
        options = total[row - 1, [column, column - 1, column + 1]]
        row, column = row - 1, column + (0, -1, 1)[int(options.argmax())]
    if len(points) < 2:
        return None
    return CrackPath(np.array(points[::-1]), best, best)


def strayed_mm(points: Points, fields: list[tuple[int, int]], mm_per_px: float) -> float:
    """Return how far a line leaves an upright straight line within the fields it crosses, on average.

    Parameters
    ----------
    points : ndarray, shape (m, 2)
        (row, column) along the line, map pixels, exact.
    fields : list of (int, int)
        Coarse rows between busbars.
    mm_per_px : float
        Scale of the maps.

    Returns
    -------
    float
        0 for a line that crosses no busbar.
    """
    strayed, rows = [], []
    for first, end in fields:
        within = points[(points[:, 0] >= first * COARSE) & (points[:, 0] < end * COARSE)]
        if len(within) > 5:
            strayed.append(float(np.ptp(np.convolve(within[:, 1], np.ones(5) / 5, mode="valid"))))
            rows.append(float(np.ptp(within[:, 0])))
    return float(np.average(strayed, weights=rows)) * mm_per_px if len(rows) > 1 else 0.0


def leaning_deg(points: Points, busbar_rows: NDArray[np.bool_], fewest: int) -> float:
    """Return by how much a line leans within the fields between busbars, all of them together.

    Between wires that lie close no field is high enough for a line to stray in it. But broken fingers in a row stand
    upright in each field and jump from finger to finger at a busbar, while a crack leans on within.

    Parameters
    ----------
    points : ndarray, shape (m, 2)
        (row, column) along the line, map pixels, exact.
    busbar_rows : ndarray of bool, shape (rows,)
        Which rows busbars cover.
    fewest : int
        Fields that the line must cross.

    Returns
    -------
    float
        Degrees; 0 for a line that crosses fewer fields.
    """
    moved, height = _of_fields(points, busbar_rows)
    return float(np.degrees(np.arctan2(abs(moved.sum()), height.sum()))) if len(height) >= fewest else 0.0


def wandering_deg(points: Points, busbar_rows: NDArray[np.bool_], fewest: int) -> float:
    """Return by how much a line leans otherwise in one field than in the next; arguments as `leaning_deg`.

    Fingers are parallel.

    Returns
    -------
    float
        Root mean square about what the fields have in common, degrees; 0 for a line that crosses fewer fields.
    """
    moved, height = _of_fields(points, busbar_rows)
    if len(height) < fewest:
        return 0.0
    leans = moved / height
    return float(np.degrees(np.sqrt(np.average((leans - np.average(leans, weights=height)) ** 2, weights=height))))


def _of_fields(points: Points, busbar_rows: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far a line goes to the right, and down, in each field between busbars that it crosses."""
    rows = np.clip(np.round(points[:, 0]).astype(int), 0, len(busbar_rows) - 1)
    field = np.cumsum(np.diff(busbar_rows.astype(np.int8), prepend=0) == 1)[rows]
    field[busbar_rows[rows]] = -1
    moved, height = [], []
    for own in np.unique(field[field >= 0]):
        row, column = points[field == own].T
        if len(row) >= _FEWEST_PLACES:
            spread = row - row.mean()
            height.append(float(np.ptp(row)))
            moved.append(float(spread @ column / (spread @ spread)) * height[-1])
    return np.array(moved), np.array(height)
