"""Real cells photographed once more: another noise, sharpness, gain, place and resolution."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.fingerprint import fingerprints_from
from elinspect.records import Fingerprints
from elinspect.vision import cv2


@dataclass(frozen=True, slots=True)
class Retake:
    """How a panel is photographed again.

    Attributes
    ----------
    signal_to_noise : float
        Of one pixel.
    scale : float
        Pixels of the new picture per pixel of the crops.
    blur_px : float
        Standard deviation of a further blur, pixels of the new picture; each cell its own up to this.
    misplaced_px : float
        Standard deviation of each corner's error, pixels of the crop (0.52 mm): what grids over real cells show.
    slope : float
        Largest change of brightness from the middle to the side.
    """

    signal_to_noise: float = 30.0
    scale: float = 1.0
    blur_px: float = 1.2
    misplaced_px: float = 0.8
    slope: float = 0.05


def retaken(crop: NDArray[np.uint8], how: Retake, rng: np.random.Generator) -> NDArray[np.float32]:
    """Photograph one cell again; gain at random."""
    height, width = crop.shape
    corners = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], np.float32)
    shaken = corners + rng.normal(0, how.misplaced_px, (4, 2)).astype(np.float32)
    matrix = cv2.getPerspectiveTransform(corners, shaken * np.float32(how.scale))
    size = (round(width * how.scale), round(height * how.scale))
    seen = cv2.warpPerspective(
        crop.astype(np.float32), matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    seen = cv2.GaussianBlur(seen, (0, 0), float(rng.uniform(0.3, how.blur_px)))
    across, down = rng.uniform(-how.slope, how.slope, 2)
    y, x = np.mgrid[-1 : 1 : size[1] * 1j, -1 : 1 : size[0] * 1j]
    seen = seen * (1 + across * x + down * y) * rng.uniform(0.5, 1.5)
    return np.asarray(seen + rng.normal(0, np.median(seen) / how.signal_to_noise, seen.shape), np.float32)


def prints_of(crops: NDArray[np.uint8], how: Retake, rng: np.random.Generator) -> Fingerprints:
    """Return the fingerprints of a panel of these cells, photographed again."""
    cells = np.stack([retaken(crop, how, rng) for crop in crops])
    medians = np.median(cells, axis=(1, 2), keepdims=True)
    # As `detectors.view` makes them: logarithm over the cell's own median, with a floor.
    return fingerprints_from(np.log(np.maximum(cells / medians, 0.03)), np.ones(len(cells), bool))
