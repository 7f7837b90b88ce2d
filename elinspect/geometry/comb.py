"""One axis of the lattice: where a row of equal cells begins and ends, sought in profiles across it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.flat import Profile, edge_likeness, gap_likeness, reaches
from elinspect.vision import cv2

_SIDE_WEIGHT = 2.0
_FAR_COST = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class AxisEvidence:
    """How gap-like and how edge-like each place along one axis is, over all bands together.

    Attributes
    ----------
    gap : ndarray, shape (length,)
        Mean likeness of the bands to a line between two cells.
    begins, ends : ndarray, shape (length,)
        Mean likeness to the first edge of a block beside another block and to the last one: an edge or a gap.
    outer_begins, outer_ends : ndarray, shape (length,)
        The same for the outer sides of the field: an edge with little light over a quarter of a pitch outside, which a
        busbar does not have.
    """

    gap: NDArray[np.float64]
    begins: NDArray[np.float64]
    ends: NDArray[np.float64]
    outer_begins: NDArray[np.float64]
    outer_ends: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Comb:
    """A row of equal cells along one axis, in pixels of the profile.

    Attributes
    ----------
    first, last : float
        Where the row begins and ends (half a gap outside the outer cells' edges).
    score : float
        Mean evidence over its lines, about 0..1.
    """

    first: float
    last: float
    score: float


def axis_evidence(profiles: Profile, pitch_px: float, noise: float) -> AxisEvidence:
    """Gather evidence from bands of one axis; each line may lie a little off from band to band."""
    sides = reaches(pitch_px)
    slack = max(1, round(0.008 * pitch_px))
    kernel = np.ones((1, 2 * slack + 1), np.uint8)
    gap = np.asarray(cv2.dilate(gap_likeness(profiles, sides, noise), kernel))
    edge = edge_likeness(profiles, sides[-1], noise)
    rising, falling = np.asarray(cv2.dilate(edge, kernel)), np.asarray(cv2.dilate(-edge, kernel))
    # Bands in the dark have nothing to say and must not outvote the others.
    bright = np.median(profiles, axis=1)
    weight = np.clip(bright / max(float(np.median(bright)), 1e-6), 0, 1)
    weight = weight / max(float(weight.sum()), 1e-6)
    step = _wide_step(profiles, pitch_px)
    outer_rising = np.maximum(rising, 0) * np.clip(step, 0, 1)
    outer_falling = np.maximum(falling, 0) * np.clip(-step, 0, 1)
    return AxisEvidence(
        # Beside a dark cell a line is no gap but an edge.
        gap=weight @ np.maximum(gap, np.maximum(outer_rising, outer_falling)),
        begins=weight @ np.maximum(rising, gap),
        ends=weight @ np.maximum(falling, gap),
        outer_begins=weight @ outer_rising,
        outer_ends=weight @ outer_falling,
    )


def _wide_step(profiles: Profile, pitch_px: float) -> NDArray[np.float64]:
    """Return how much brighter the quarter of a pitch ahead of each place is than the one behind, -1..1."""
    near, far = max(1, round(0.04 * pitch_px)), max(3, round(0.25 * pitch_px))
    padded = np.pad(profiles, ((0, 0), (far + 1, far)), mode="edge").astype(np.float64)
    total = np.cumsum(padded, axis=1)
    length = profiles.shape[1]
    here = np.arange(length) + far
    behind = (total[:, here - near] - total[:, here - far]) / (far - near)
    ahead = (total[:, here + far] - total[:, here + near]) / (far - near)
    return np.asarray((ahead - behind) / np.maximum(np.maximum(ahead, behind), 1e-6))


def best_comb(
    gap: NDArray[np.float64],
    sides: tuple[NDArray[np.float64], NDArray[np.float64]],
    cells: int,
    expected: tuple[float, float],
    slack: float,
    between: float,
) -> Comb:
    """Seek a row of equal cells near where it is expected.

    Parameters
    ----------
    gap : ndarray, shape (length,)
        Gap-likeness of each place.
    sides : tuple of ndarray, shape (length,)
        Likeness of each place to the beginning and to the end of the row.
    cells : int
        Cells in the row.
    expected : tuple of float
        Expected beginning and end, pixels.
    slack : float
        How far beginning and end are sought from there, pixels; nearer ones are somewhat more likely.
    between : float
        Weight (0..1) of the control half way between lines: 1 where nothing but gaps makes lines (along a string), 0
        where a busbar may lie there (across strings).

    Returns
    -------
    Comb
        The best; its score says how good that is.
    """
    shift = np.arange(-slack, slack + 1)
    begin, end = expected[0] + shift, expected[1] + shift
    share = np.arange(1, cells) / cells
    span = end[None, :] - begin[:, None]
    far = _FAR_COST * (shift / slack) ** 2
    at_sides = _at(sides[0], begin)[:, None] + _at(sides[1], end)[None, :] - far[:, None] - far[None, :]
    score = _SIDE_WEIGHT * at_sides + _at(gap, begin[:, None, None] + span[..., None] * share).sum(axis=-1)
    if between > 0:
        middle = (np.arange(cells) + 0.5) / cells
        control = begin[:, None, None] + span[..., None] * middle
        score = score - between * _at(gap, control).clip(0).mean(axis=-1) * (cells - 1)
    score /= cells - 1 + 2 * _SIDE_WEIGHT
    i, k = np.unravel_index(int(np.argmax(score)), score.shape)
    return Comb(float(begin[i]), float(end[k]), float(score[i, k]))


def _at(values: NDArray[np.float64], places: NDArray[np.float64]) -> NDArray[np.float64]:
    index = np.round(places).astype(np.intp)
    inside = (index >= 0) & (index < values.size)
    return np.where(inside, values[np.clip(index, 0, values.size - 1)], 0.0)
