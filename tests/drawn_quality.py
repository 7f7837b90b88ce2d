"""Even cells drawn blurred and turned, for image quality, and what of them the judgement needs."""

import itertools
from functools import cache
from pathlib import Path

import numpy as np
from drawn_cells import of_one_file
from numpy.typing import NDArray

from elinspect.imaging import assess as assess_set
from elinspect.recipe import QualityLimits
from elinspect.records import (
    CellGrid,
    CellPictures,
    ElImage,
    Exposures,
    ImageQuality,
    Layout,
    Orientation,
    Tile,
    read_only,
)
from elinspect.vision import cv2

LIMITS = QualityLimits(min_signal_to_noise=5.0, max_saturated_fraction=0.02)


def image_of(counts: NDArray[np.floating], bits: int = 16) -> ElImage:
    stored = np.clip(np.round(counts), 0, 2**bits - 1).astype(np.float32)
    return ElImage(Path("drawn.png"), "0" * 64, read_only(stored), bits, float(2**bits - 1))


def pictures_of(
    quads: NDArray[np.float64], layout: Layout, cell_mm: float = 156.0, scale_known: bool = True
) -> CellPictures:
    """Cell pictures of which only place and scale are looked at."""
    hull = cv2.minAreaRect(quads.reshape(-1, 2).astype(np.float32))
    panel = cv2.boxPoints(hull).astype(np.float64)
    grid = CellGrid(layout, Orientation(), quads, panel, 1.0)
    stack = np.zeros((len(quads), 40, 40), np.float32)
    maps = np.tile(np.eye(3), (len(quads), 1, 1))
    return CellPictures(grid, stack, None, maps, cell_mm / 39, scale_known, 65535.0, *of_one_file(len(quads)))


def assess(image: ElImage, pictures: CellPictures | None, limits: QualityLimits, **companions: object) -> ImageQuality:
    return assess_set(Exposures((image,), **companions), (Tile(image),), pictures, limits)  # type: ignore[arg-type]


SMALL = Layout(1, 3, 4)
CELL_PX = 120


@cache
def drawn_panel(
    spread_px: float,
    turn_deg: float = 2.0,
    gap_px: int = 5,
    margin_px: int = 40,
    dark: float = 300,
    bright: float = 4300,
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Draw even cells, blurred, turned, seen by square pixels; drawn four times finer and averaged."""
    fine, pitch = 4, CELL_PX + gap_px
    shape = (SMALL.strings_per_block * pitch - gap_px + 2 * margin_px, 4 * pitch - gap_px + 2 * margin_px)
    picture = np.full((shape[0] * fine, shape[1] * fine), dark, np.float32)
    quads = []
    for row, column in itertools.product(range(SMALL.strings_per_block), range(4)):
        top, left = margin_px + row * pitch, margin_px + column * pitch
        picture[top * fine : (top + CELL_PX) * fine, left * fine : (left + CELL_PX) * fine] = bright
        quads.append([(left, top), (left + CELL_PX, top), (left + CELL_PX, top + CELL_PX), (left, top + CELL_PX)])
    turn = cv2.getRotationMatrix2D((shape[1] / 2, shape[0] / 2), turn_deg, 1)
    finely = turn.copy()
    finely[:, 2] = finely[:, 2] * fine
    picture = cv2.warpAffine(picture, finely, picture.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    if spread_px:
        picture = cv2.GaussianBlur(picture, (0, 0), spread_px * fine)
    corners = np.array(quads, np.float64) @ turn[:, :2].T + turn[:, 2] - 0.5
    return read_only(cv2.resize(picture, shape[::-1], interpolation=cv2.INTER_AREA)), read_only(corners)


def noisy(picture: NDArray[np.float32], sigma: float, seed: int = 0) -> NDArray[np.float32]:
    return (picture + np.random.default_rng(seed).normal(0, sigma, picture.shape)).astype(np.float32)
