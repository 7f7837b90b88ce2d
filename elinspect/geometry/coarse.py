"""A small copy of the exposure in which panel and grid are sought; only refinement and cutting touch the full image."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.records import ElImage, FloatImage, Points
from elinspect.vision import cv2

COARSE_PIXELS = 1.5e6
"""About as many pixels are kept: a cell gap of 2 mm in a panel of 1.7 m is then still two pixels wide."""
_SAMPLE_ROWS = 96


@dataclass(frozen=True, slots=True, eq=False)
class CoarsePicture:
    """The exposure averaged over squares of file pixels, as stored (not turned).

    Attributes
    ----------
    counts : ndarray of float32, shape (rows, columns)
        Counts above dark level.
    factor : int
        File pixels per coarse pixel.
    floor : float
        The darkest ground of the picture (first percentile), counts.
    noise : float
        Standard deviation of the noise of one coarse pixel, counts.
    """

    counts: FloatImage
    factor: int
    floor: float
    noise: float

    @property
    def width(self) -> int:
        """Columns."""
        return int(self.counts.shape[1])

    @property
    def height(self) -> int:
        """Rows."""
        return int(self.counts.shape[0])

    def to_file(self, points: Points) -> Points:
        """Bring points (x, y) of the coarse picture to file pixels."""
        return np.asarray(points * self.factor + (self.factor - 1) / 2)

    def from_file(self, points: Points) -> Points:
        """Bring points (x, y) in file pixels to the coarse picture."""
        return np.asarray((points - (self.factor - 1) / 2) / self.factor)


def coarse_picture(image: ElImage) -> CoarsePicture:
    """Average the exposure over squares so that about `COARSE_PIXELS` remain; small images are kept as they are."""
    factor = max(1, round(float(np.sqrt(image.counts.size / COARSE_PIXELS))))
    counts = image.counts
    if factor > 1:
        rows, columns = image.height_px // factor, image.width_px // factor
        whole = image.counts[: rows * factor, : columns * factor]
        counts = np.asarray(cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA), np.float32)
    sample = counts[:: max(1, counts.shape[0] // _SAMPLE_ROWS)]
    return CoarsePicture(counts, factor, float(np.percentile(sample, 1)), pixel_noise(sample))


def pixel_noise(rows: NDArray[np.float32]) -> float:
    """Return the standard deviation of the noise of one pixel, from neighbours that differ by noise alone.

    The median of absolute second differences along rows, so that slopes and the few edges do not count; texture and
    fingers can only raise it. Constant pictures give 0.

    Parameters
    ----------
    rows : ndarray, shape (n, length)
        Some rows of a picture.

    Returns
    -------
    float
        In counts.
    """
    if rows.shape[1] < 3:
        return 0.0
    second = rows[:, 2:] - 2 * rows[:, 1:-1] + rows[:, :-2]
    # 0.6745: median of |z| for a standard normal z; sqrt(6): gain of the second difference 1, -2, 1.
    return float(np.median(np.abs(second))) / 0.6745 / float(np.sqrt(6))
