"""Whether flags of a machine gather at one place in the cell more than chance allows."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
RADII = (0.06, 0.12, 0.2)
"""Radii of the circles searched, in widths of a cell. Plant's choice: a pin, a gripper, a corner."""
_STEP = 0.05  # between their middles


@dataclass(frozen=True, slots=True)
class PlaceCluster:
    """The circle with the most flags beyond chance.

    Attributes
    ----------
    along, across : float
        Middle of the machine's flags in it, as the lane sees it.
    radius : float
        In widths of a cell.
    inside : int
        Flags of the machine in it.
    expected : float
        How many the others' flags let expect.
    p_value : float
        Chance of such a circle anywhere.
    """

    along: float
    across: float
    radius: float
    inside: int
    expected: float
    p_value: float


def place_cluster(
    own: FloatArray, others: FloatArray, rng: np.random.Generator, permutations: int = 499
) -> PlaceCluster | None:
    """Scan the places of a machine's flags for a cluster.

    In circles all over the cell the flags of the machine are compared with all flags, its own and the others', so that
    places where cells crack anyway (corners, busbar ends) accuse nobody. Labels are permuted; the largest excess over
    all circles, which are the same for every permutation, is the statistic.

    Parameters
    ----------
    own, others : ndarray, shape (n, 2)
        Places (along, across) of the machine's flags, one per string, and of the others'.
    rng : numpy.random.Generator
        For the permutations.

    Returns
    -------
    PlaceCluster or None
        None with fewer than three flags of the machine, or no others.

    References
    ----------
    Kulldorff (1997), Commun. Stat. Theory Methods 26:1481, doi:10.1080/03610929708831995.
    """
    if len(own) < 3 or not len(others):
        return None
    points = np.concatenate([own, others])
    share = len(own) / len(points)
    middles = np.stack(np.meshgrid(*[np.arange(0, 1 + _STEP / 2, _STEP)] * 2), axis=-1).reshape(-1, 2)
    distance = np.hypot(*(middles[:, None, axis] - points[None, :, axis] for axis in (0, 1)))
    inside = np.concatenate([distance <= radius for radius in RADII]).astype(np.float32)  # circles x points
    inside = inside[inside.any(axis=1)]
    radii = np.concatenate([np.full(int((distance <= radius).any(axis=1).sum()), radius) for radius in RADII])
    expected = inside.sum(axis=1) * share
    labels = np.zeros((len(points), permutations + 1), dtype=np.float32)
    labels[: len(own), 0] = 1
    labels[:, 1:] = rng.permuted(np.repeat(labels[:, :1], permutations, axis=1), axis=0)
    counts = inside @ labels
    with np.errstate(divide="ignore", invalid="ignore"):
        deviance = np.where(counts > expected[:, None], counts * np.log(counts / expected[:, None]), 0.0)
        rest, rest_expected = len(own) - counts, len(own) - expected[:, None]
        deviance += np.where((counts > expected[:, None]) & (rest > 0), rest * np.log(rest / rest_expected), 0.0)
    largest = deviance.max(axis=0)
    best = int(deviance[:, 0].argmax())
    p = float((1 + np.count_nonzero(largest[1:] >= largest[0] * (1 - 1e-6))) / (permutations + 1))
    at = own[inside[best, : len(own)] > 0].mean(axis=0) if counts[best, 0] else points.mean(axis=0)
    return PlaceCluster(float(at[0]), float(at[1]), float(radii[best]), int(counts[best, 0]), float(expected[best]), p)
