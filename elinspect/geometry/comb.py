"""One axis of the lattice: where a row of equal cells begins and ends, sought in profiles across it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.flat import Profile, edge_likeness, gap_likeness, reaches
from elinspect.vision import cv2


@dataclass(frozen=True, slots=True, eq=False)
class AxisEvidence:
    """How gap-like and how edge-like each place along one axis is, over all bands together.

    Attributes
    ----------
    gap : ndarray, shape (length,)
        Mean gap-likeness of the bands.
    begins, ends : ndarray, shape (length,)
        Mean likeness to the first edge of a row of cells (dark before bright) and to the last one.
    """

    gap: NDArray[np.float64]
    begins: NDArray[np.float64]
    ends: NDArray[np.float64]


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
    return AxisEvidence(weight @ gap, weight @ np.maximum(rising, gap), weight @ np.maximum(falling, gap))


def best_comb(
    evidence: AxisEvidence, cells: int, first: tuple[float, float], last: tuple[float, float], between: float
) -> Comb:
    """Seek a row of `cells` equal cells that begins and ends within the given ranges of pixels.

    Parameters
    ----------
    evidence : AxisEvidence
        Of one axis.
    cells : int
        Cells in the row.
    first, last : tuple of float
        Lowest and highest place of its beginning and of its end.
    between : float
        Weight (0..1) of the control half way between lines: 1 where nothing but gaps makes lines (along a string), 0
        where a busbar may lie there (across strings).

    Returns
    -------
    Comb
        The best; its score says how good that is.
    """
    begin = np.arange(first[0], first[1] + 1)
    end = np.arange(last[0], last[1] + 1)
    share = np.arange(1, cells) / cells
    middle = (np.arange(cells) + 0.5) / cells
    span = end[None, :] - begin[:, None]
    lines = begin[:, None, None] + span[..., None] * share
    score = 1.5 * (_at(evidence.begins, begin)[:, None] + _at(evidence.ends, end)[None, :])
    score = score + _at(evidence.gap, lines).sum(axis=-1)
    if between > 0:
        control = begin[:, None, None] + span[..., None] * middle
        score = score - between * _at(evidence.gap, control).clip(0).mean(axis=-1) * (cells - 1)
    score /= cells + 2
    i, k = np.unravel_index(int(np.argmax(score)), score.shape)
    return Comb(float(begin[i]), float(end[k]), float(score[i, k]))


def _at(values: NDArray[np.float64], places: NDArray[np.float64]) -> NDArray[np.float64]:
    index = np.round(places).astype(np.intp)
    inside = (index >= 0) & (index < values.size)
    return np.where(inside, values[np.clip(index, 0, values.size - 1)], 0.0)
