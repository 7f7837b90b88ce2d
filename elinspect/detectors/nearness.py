"""The scores of all cells for one kind, as they are reported: a flagged cell never ranks below one that is not."""

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Detection, read_only

_LEAST = 0.02
"""Part of the way to a finding that is left to cells in which nothing has a score."""

_HIGHEST_BELOW = 0.999
"""Share of the threshold that no cell without a finding exceeds; what another kind explains comes so near."""


def kind_scores(detection: Detection, threshold: float) -> NDArray[np.float32]:
    """Return the score of every cell.

    Parameters
    ----------
    detection : Detection
        Of one kind, with the findings that stand.
    threshold : float
        Score from which something is a finding.

    Returns
    -------
    ndarray of float32, shape (n_cells,)
        0..1: the highest score of a finding on the cell, or on the string or circuit it belongs to, at least the
        threshold; elsewhere below it, by how near the cell came to one.
    """
    nearness = near(detection.cell_scores, threshold) if detection.nearness is None else detection.nearness
    scores = np.asarray(_HIGHEST_BELOW * threshold * np.clip(nearness, 0, 1), np.float32)
    for finding in detection.findings:
        cells = list(finding.cells or (finding.cell,))
        scores[cells] = np.maximum(scores[cells], max(finding.score, threshold))
    return read_only(scores)


def near(scores: NDArray[np.floating], threshold: float) -> NDArray[np.float32]:
    """Return how near scores come to the threshold, 0..1."""
    return np.asarray(np.clip(scores / threshold, 0, 1), np.float32)


def in_turn(
    before: NDArray[np.floating], scores: NDArray[np.floating], threshold: float, share: float = 0.5
) -> NDArray[np.float32]:
    """Return how near cells come to a finding that is made in two steps: something must be there, then be large enough.

    Parameters
    ----------
    before : ndarray, shape (n_cells,)
        How near the cell came to the first step, 1 where it was taken.
    scores : ndarray, shape (n_cells,)
        Of what the first step left.
    threshold : float
        Score from which that is a finding.
    share : float
        Part of the way that is the first step's.
    """
    first = np.clip(np.nan_to_num(before), 0, 1)
    return np.asarray(share * first + (1 - share) * near(scores, threshold), np.float32)


def with_least(scores: NDArray[np.floating], strongest: NDArray[np.floating], threshold: float) -> NDArray[np.float32]:
    """Return how near cells come to a finding, those in which nothing has a score by the strongest that there is.

    Parameters
    ----------
    scores : ndarray, shape (n_cells,)
        0 where nothing was found that has a score; all others rank above those.
    strongest : ndarray, shape (n_cells,)
        Of the cells that score 0: the strongest response over the one from which on anything is gathered.
    threshold : float
        Score from which something is a finding.
    """
    return in_turn(np.where(scores > 0, 1, strongest), scores, threshold, _LEAST)
