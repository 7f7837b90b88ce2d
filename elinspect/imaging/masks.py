"""Rectangles of a picture that show something else than the panel: burned-in text, scales."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from elinspect.recipe import Mask
from elinspect.records import ElImage, FloatImage, read_only

_RIM_PX = 4


def mask_corners(masks: Sequence[Mask], tile: int, image: ElImage) -> NDArray[np.float64]:
    """Return (left, top, right, bottom) in pixels of the file of each mask of a tile, cut to the picture, (n, 4)."""
    found = []
    for mask in masks:
        if mask.tile == tile:
            across, down = (image.width_px, image.height_px) if mask.unit == "share" else (1.0, 1.0)
            left, top = mask.left * across, mask.top * down
            right, bottom = left + mask.width * across, top + mask.height * down
            if left < image.width_px and top < image.height_px:
                found.append((left, top, min(right, image.width_px), min(bottom, image.height_px)))
    return np.array(found, np.float64).reshape(-1, 4)


def without_masks(image: ElImage, masks: NDArray[np.float64]) -> ElImage:
    """Fill masked rectangles smoothly from what surrounds them, so that text neither looks like light nor like edges.

    Parameters
    ----------
    image : ElImage
        An exposure.
    masks : ndarray, shape (n, 4)
        From `mask_corners`.

    Returns
    -------
    ElImage
        The same object where there is nothing to fill.
    """
    if not len(masks):
        return image
    counts = image.counts.copy()
    for left, top, right, bottom in masks:
        _fill(counts, (int(top), int(left), int(np.ceil(bottom)), int(np.ceil(right))))
    return replace(image, counts=read_only(counts))


def _fill(counts: FloatImage, box: tuple[int, int, int, int]) -> None:
    """Blend the medians beside the four sides across the rectangle; sides at the picture's border do not count."""
    top, left, bottom, right = box
    rows, columns = bottom - top, right - left
    if rows <= 0 or columns <= 0:
        return
    total = np.zeros((rows, columns), np.float32)
    weight = np.zeros((rows, columns), np.float32)
    down = np.arange(1, rows + 1, dtype=np.float32)[:, None]
    along = np.arange(1, columns + 1, dtype=np.float32)[None]
    for beside, axis, distance in (
        (counts[max(top - _RIM_PX, 0) : top, left:right], 0, down),
        (counts[bottom : bottom + _RIM_PX, left:right], 0, down[::-1]),
        (counts[top:bottom, max(left - _RIM_PX, 0) : left], 1, along),
        (counts[top:bottom, right : right + _RIM_PX], 1, along[:, ::-1]),
    ):
        if beside.size:
            total += np.median(beside, axis=axis, keepdims=True) / distance
            weight += 1 / np.broadcast_to(distance, weight.shape)
    if np.any(weight > 0):
        counts[top:bottom, left:right] = total / weight
