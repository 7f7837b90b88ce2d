"""Paths through oriented line responses: dynamic programming with the angle as state."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import FloatImage, Points
from elinspect.settings import CrackSettings


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """What the best path through each state collects.

    Attributes
    ----------
    gain : ndarray of float32, shape (angles, cells, rows, columns)
        What one state itself adds.
    ahead, behind : ndarray of float32, same shape
        What the best continuation adds, towards growing and falling columns (rows for the upright angle).
    total : ndarray of float32, same shape
        All three together.
    """

    gain: FloatImage
    ahead: FloatImage
    behind: FloatImage
    total: FloatImage


@dataclass(frozen=True, slots=True, eq=False)
class CrackPath:
    """One piece of dark line in a cell.

    Attributes
    ----------
    points : ndarray, shape (m, 2)
        (row, column), at least two.
    total : float
        What the path through it collected.
    """

    points: Points
    total: float


def find_paths(responses: FloatImage, settings: CrackSettings) -> Paths:
    """Add responses up along paths that may turn by one angle per step.

    Parameters
    ----------
    responses : ndarray of float32, shape (angles, cells, rows, columns)
        In multiples of the cell's texture.
    settings : CrackSettings
        Toll per state, cap, steps.
    """
    gain = np.minimum(responses, np.float32(settings.cap)) - np.float32(settings.toll)
    gain[_upright(settings)] -= np.float32(settings.upright_toll)
    ahead, behind = _collected(gain, settings)
    return Paths(gain, ahead, behind, gain + ahead + behind)


def _upright(settings: CrackSettings) -> list[int]:
    """Angles at which a finger streak answers."""
    middle = settings.angles // 2
    return [middle - 1, middle, middle + 1]


def _offset(angle: int, sign: int, settings: CrackSettings) -> tuple[int, int]:
    turn = np.pi * angle / settings.angles
    return sign * round(settings.step * np.sin(turn)), sign * round(settings.step * np.cos(turn))


def _collected(gain: FloatImage, settings: CrackSettings) -> tuple[FloatImage, FloatImage]:
    """What the best path of a few steps beyond each state adds, either way; never below 0."""
    angles = len(gain)
    collected = {1: np.zeros_like(gain), -1: np.zeros_like(gain)}
    for _ in range(settings.steps):
        worth = {sign: np.maximum(gain + further, 0) for sign, further in collected.items()}
        for sign in (1, -1):
            seen = np.zeros((angles + 2, *gain.shape[1:]), gain.dtype)
            for angle in range(angles):
                _shifted(worth[sign][angle], _offset(angle, sign, settings), seen[angle + 1])
            # Beyond half a turn the same line runs the other way.
            _shifted(worth[-sign][-1], _offset(angles - 1, -sign, settings), seen[0])
            _shifted(worth[-sign][0], _offset(0, -sign, settings), seen[-1])
            collected[sign] = np.maximum(np.maximum(seen[:-2], seen[2:]), seen[1:-1])
    return collected[1], collected[-1]


def _shifted(source: FloatImage, offset: tuple[int, int], target: FloatImage) -> None:
    """Write into each place of `target` what `source` holds `offset` further on."""
    rows, columns = source.shape[-2:]
    down, right = offset
    target[..., max(0, -down) : rows - max(0, down), max(0, -right) : columns - max(0, right)] = source[
        ..., max(0, down) : rows - max(0, -down), max(0, right) : columns - max(0, -right)
    ]


def best_paths(paths: Paths, cell: int, settings: CrackSettings, least_total: float) -> list[CrackPath]:
    """Return the dark lines of one cell, the strongest first, each place in one of them only."""
    gain, total = paths.gain[:, cell], paths.total[:, cell].copy()
    taken = np.zeros(total.shape[1:], bool)
    found: list[CrackPath] = []
    for _ in range(settings.most_paths):
        angle, at_row, at_column = (int(index) for index in np.unravel_index(int(total.argmax()), total.shape))
        best = float(total[angle, at_row, at_column])
        if best < least_total:
            break
        points = _traced(paths, gain, cell, (angle, at_row, at_column), settings)
        for piece in _new_pieces(points, taken):
            if len(piece) * settings.step >= settings.least_places:
                found.append(CrackPath(np.array(piece, dtype=np.float64), best))
        for row, column in points:
            reach = settings.step
            top, left = max(row - reach, 0), max(column - reach, 0)
            taken[top : row + reach + 1, left : column + reach + 1] = True
            total[:, top : row + reach + 1, left : column + reach + 1] = 0
    return found


def _new_pieces(points: list[tuple[int, int]], taken: NDArray[np.bool_]) -> list[list[tuple[int, int]]]:
    """Cut a path where it runs along one already found."""
    pieces: list[list[tuple[int, int]]] = [[]]
    for point in points:
        if not taken[point]:
            pieces[-1].append(point)
        elif pieces[-1]:
            pieces.append([])
    return [piece for piece in pieces if piece]


def _traced(
    paths: Paths, gain: FloatImage, cell: int, start: tuple[int, int, int], settings: CrackSettings
) -> list[tuple[int, int]]:
    ahead = _follow(paths, gain, cell, start, 1, settings)
    behind = _follow(paths, gain, cell, start, -1, settings)
    return [*behind[::-1], start[1:], *ahead]


def _follow(
    paths: Paths, gain: FloatImage, cell: int, start: tuple[int, int, int], sign: int, settings: CrackSettings
) -> list[tuple[int, int]]:
    angle, row, column = start
    angles, rows, columns = gain.shape
    points: list[tuple[int, int]] = []
    visited = {(row, column)}
    while True:
        best, best_worth = None, 0.0
        for turn in (0, -1, 1):
            wrapped = (angle + turn) % angles
            way = sign if wrapped == angle + turn else -sign
            down, right = _offset(wrapped, way, settings)
            place = (row + down, column + right)
            if not (0 <= place[0] < rows and 0 <= place[1] < columns) or place in visited:
                continue
            beyond = paths.ahead if way == 1 else paths.behind
            worth = float(gain[(wrapped, *place)] + beyond[(wrapped, cell, *place)])
            if worth > best_worth:
                best, best_worth = (wrapped, way, *place), worth
        if best is None:
            return points
        angle, sign, row, column = best
        visited.add((row, column))
        points.append((row, column))
