"""Paths through oriented line responses: dynamic programming with the angle as state."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.crack_filters import Responses
from elinspect.records import FloatImage, Points
from elinspect.settings import CrackSettings
from elinspect.vision import cv2

_UNIT = 64
"""Gains are counted in 64ths of the cell's texture: 16-bit integers halve the time, and totals stay below 256."""
_WALL, _NOTHING = -(2**14), -(2**15)
_TRIES = 2
"""Around a dark place path after path runs where one has been found, and leaves nothing new."""


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """What the best path through each state collects, in 64ths of the cell's texture.

    Attributes
    ----------
    gain : ndarray of int16, shape (angles, cells, rows, columns)
        What one state itself adds.
    ahead, behind : ndarray of int16, same shape
        What the best continuation adds, towards growing and falling columns (rows for the upright angle).
    total : ndarray of int16, same shape
        All three together.
    strength : ndarray of float32, same shape
        The responses themselves: they decide between states that collect the same, so that a mirrored cell gives the
        mirrored paths.
    step : int
        Places per step.
    """

    gain: NDArray[np.int16]
    ahead: NDArray[np.int16]
    behind: NDArray[np.int16]
    total: NDArray[np.int16]
    strength: FloatImage
    step: int

    def best_totals(self) -> NDArray[np.float64]:
        """Return what the best path of each cell collects, in multiples of its texture; shape (cells,)."""
        return np.asarray(self.total.max(axis=(0, 2, 3)) / _UNIT)


@dataclass(frozen=True, slots=True, eq=False)
class CrackPath:
    """One piece of dark line in a cell.

    Attributes
    ----------
    points : ndarray, shape (m, 2)
        (row, column), at least two.
    total : float
        What the path through it collected, in the steps that the search looks ahead.
    whole : float
        What its trace collected, which goes on as long as the line does.
    """

    points: Points
    total: float
    whole: float


def find_paths(responses: Responses, settings: CrackSettings, upright_toll: float = 0.0) -> Paths:
    """Add responses up along paths that may turn by one angle per step.

    Parameters
    ----------
    responses : Responses
        From `line_responses` or `step_responses`.
    settings : CrackSettings
        Toll per state, cap, steps.
    upright_toll : float
        Further cost of running straight along a finger.
    """
    textured = responses.textured[:, None, None]
    cap = settings.cap + textured * np.float32(settings.grain_cap - settings.cap)
    toll = settings.toll + textured * np.float32(settings.grain_toll - settings.toll)
    units = np.minimum(responses.strength, cap)
    units -= toll
    units *= np.float32(_UNIT)
    units[_upright(settings)] -= upright_toll * _UNIT
    # Nothing can be seen where a busbar was bridged: a crack that crosses it pays less there.
    hidden = units[:, :, responses.lattice.bridged]
    units[:, :, responses.lattice.bridged] = np.maximum(hidden, -settings.busbar_toll * _UNIT)
    margin = responses.lattice.step
    middle = (..., slice(margin, -margin), slice(margin, -margin))
    # Nothing is worth anything in the margin, so that paths end there.
    gain = np.full((*units.shape[:2], *(size + 2 * margin for size in units.shape[2:])), _WALL, np.int16)
    gain[middle] = np.clip(units, -settings.cap * _UNIT, np.inf)
    ahead, behind = _collected(gain, _offsets(settings.angles, margin), settings.steps)
    total = gain + ahead
    total += behind
    return Paths(gain[middle], ahead[middle], behind[middle], total[middle], responses.strength, margin)


def _upright(settings: CrackSettings) -> list[int]:
    """Return the angles at which a finger streak answers."""
    middle = settings.angles // 2
    return [middle - 1, middle, middle + 1]


def _offsets(angles: int, step: int) -> list[tuple[int, int]]:
    """One step ahead, in rows and columns, per angle; mirrored angles give mirrored steps."""
    turns = np.pi * np.arange(angles) / angles
    return [(_whole(step * np.sin(turn)), _whole(step * np.cos(turn))) for turn in turns]


def _whole(number: float) -> int:
    """Round half away from zero, with room for the last bit of a sine."""
    return int(abs(number) + 0.5 + 1e-9) * (1 if number > 0 else -1)


def _collected(
    gain: NDArray[np.int16], offsets: list[tuple[int, int]], steps: int
) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """What the best path of a few steps beyond each state adds, either way; never below 0.

    All cells of one angle are one run of memory, in which a step is a fixed shift. Sums are counted from the lowest
    number of 16 bits up: there OpenCV's addition stops, so that none falls below 0.
    """
    angles, width = len(gain), gain.shape[3]
    shifts = [down * width + right for down, right in offsets]
    guard, size = max(max(map(abs, offset)) for offset in offsets) * (width + 1), gain[0].size
    flat_gain = gain.reshape(angles, size)
    worth = {sign: np.full((angles, size + 2 * guard), _NOTHING, np.int16) for sign in (1, -1)}
    collected = {sign: np.full((angles, size), _NOTHING, np.int16) for sign in (1, -1)}

    def seen(angle: int, sign: int) -> NDArray[np.int16]:
        # Beyond half a turn the same line runs the other way.
        way = sign if 0 <= angle < angles else -sign
        start = guard + way * shifts[angle % angles]
        return worth[way][angle % angles, start : start + size]

    beyond = {sign: [seen(angle, sign) for angle in range(-1, angles + 1)] for sign in (1, -1)}
    for _ in range(steps):
        for sign in (1, -1):
            cv2.add(flat_gain, collected[sign], dst=worth[sign][:, guard : guard + size])
        for sign in (1, -1):
            for angle, best in enumerate(collected[sign]):
                np.maximum(beyond[sign][angle], beyond[sign][angle + 2], out=best)
                np.maximum(beyond[sign][angle + 1], best, out=best)
    ahead, behind = (np.subtract(collected[sign], _NOTHING, out=collected[sign]) for sign in (1, -1))
    return ahead.reshape(gain.shape), behind.reshape(gain.shape)


def best_paths(
    paths: Paths, cell: int, settings: CrackSettings, least_total: float, least_points: int
) -> list[CrackPath]:
    """Return the dark lines of one cell, the strongest first, each place in one of them only."""
    own, total = _States.of(paths, cell), paths.total[:, cell].copy()
    taken, around = np.zeros(total.shape[1:], bool), np.ones((2 * paths.step + 1,) * 2, np.uint8)
    found: list[CrackPath] = []
    for _ in range(_TRIES * settings.most_paths):
        highest = total.max()
        best = float(highest) / _UNIT
        if best < least_total or len(found) >= settings.most_paths:
            break
        equals = np.unravel_index(np.flatnonzero(total == highest), total.shape)
        strongest = own.strength[equals].argmax()
        angle, at_row, at_column = (int(index[strongest]) for index in equals)
        states = _traced(own, (angle, at_row, at_column))
        points = [(row, column) for _, row, column in states]
        whole = max(best, sum(own.gain.item(state) for state in states) / _UNIT)
        for piece in _new_pieces(points, taken):
            if len(piece) >= least_points:
                found.append(CrackPath(np.array(piece, dtype=np.float64), best, whole))
        drawn = np.zeros(taken.shape, np.uint8)
        drawn[tuple(np.transpose(points))] = 1
        near = cv2.dilate(drawn, around) > 0
        taken |= near
        np.copyto(total, 0, where=near)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _States:
    """The states of one cell.

    Attributes
    ----------
    gain : ndarray of int16, shape (angles, rows, columns)
        What each itself adds.
    worth : mapping from int to ndarray of int16, same shape
        The same with the best continuation ahead (1) and behind (-1).
    strength : ndarray of float32, same shape
        As in `Paths`.
    offsets : list of (int, int)
        One step ahead, in rows and columns, per angle.
    """

    gain: NDArray[np.int16]
    worth: Mapping[int, NDArray[np.int16]]
    strength: FloatImage
    offsets: list[tuple[int, int]]

    @classmethod
    def of(cls, paths: Paths, cell: int) -> Self:
        gain = paths.gain[:, cell]
        worth = {1: gain + paths.ahead[:, cell], -1: gain + paths.behind[:, cell]}
        return cls(gain, worth, paths.strength[:, cell], _offsets(len(gain), paths.step))


def _new_pieces(points: list[tuple[int, int]], taken: NDArray[np.bool_]) -> list[list[tuple[int, int]]]:
    """Cut a path where it runs along one already found."""
    pieces: list[list[tuple[int, int]]] = [[]]
    for point in points:
        if not taken[point]:
            pieces[-1].append(point)
        elif pieces[-1]:
            pieces.append([])
    return [piece for piece in pieces if piece]


def _traced(own: _States, start: tuple[int, int, int]) -> list[tuple[int, int, int]]:
    return [*_follow(own, start, -1)[::-1], start, *_follow(own, start, 1)]


def _follow(own: _States, start: tuple[int, int, int], sign: int) -> list[tuple[int, int, int]]:
    angle, row, column = start
    angles, rows, columns = own.gain.shape
    states: list[tuple[int, int, int]] = []
    visited = {(row, column)}
    while True:
        best, best_worth, best_strength = None, 0, 0.0
        for turn in (0, -1, 1):
            wrapped = (angle + turn) % angles
            way = sign if wrapped == angle + turn else -sign
            down, right = own.offsets[wrapped]
            at_row, at_column = row + way * down, column + way * right
            if not (0 <= at_row < rows and 0 <= at_column < columns) or (at_row, at_column) in visited:
                continue
            # One number at a time: `item` is twice as fast as an index.
            worth = own.worth[way].item(wrapped, at_row, at_column)
            if worth <= 0 or worth < best_worth:
                continue
            here = own.strength.item(wrapped, at_row, at_column)
            if worth > best_worth or here > best_strength:
                best, best_worth, best_strength = (wrapped, way, at_row, at_column), worth, here
        if best is None:
            return states
        angle, sign, row, column = best
        visited.add((row, column))
        states.append((angle, row, column))
