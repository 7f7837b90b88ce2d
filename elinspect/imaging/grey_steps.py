"""How many steps of grey the light of the cells is stored in.

Rounding does no harm while noise carries each pixel over several steps. In a dim picture of little noise it draws lines
where the light passes from one step to the next, and hides what is fainter than a step. Signal-to-noise does not see
it: the less light, the less noise is left.
"""

import numpy as np

from elinspect.records import FloatImage

_COMMON = 0.001
"""Share of the pixels from which on a value says something: with less, the picture has values enough."""
_COVERED = 0.5
"""Noise over a step from which on the mean of several pixels knows nothing of the rounding: its error then is below
0.5 % of a step (Widrow and Kollár, Quantization Noise, 2008, for Gaussian dither; from memory)."""


def grey_steps(patches: FloatImage, ground: float, noise: float) -> float | None:
    """Count the steps between the ground and the light of a usual cell.

    Parameters
    ----------
    patches : ndarray of float32, shape (n_cells, places, side, side)
        Raw pixels of the cells, as stored: neither corrected nor filtered.
    ground : float
        Raw counts where no cell is.
    noise : float
        Standard deviation of the noise of one pixel, counts.

    Returns
    -------
    float or None
        A step is the smallest difference of values that occur often (of all, where not two do), so that a picture of 8
        bits stays one however it was stretched. None where the noise is at least half a step.
    """
    values, counts = np.unique(patches, return_counts=True)
    common = values[counts >= _COMMON * patches.size]
    told = common if len(common) > 1 else values
    step = float(np.diff(told).min()) if len(told) > 1 else 1.0
    if noise >= _COVERED * step:
        return None
    return max(float(np.median(patches)) - ground, 0.0) / step
