"""Image files of panels laid out from real cells, seen by a tilted camera, for tests of the whole path."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from real_cells import lay_out, seen_by, tilted_view

from elinspect.records import Layout
from elinspect.vision import cv2


@dataclass(frozen=True, slots=True)
class RealPanel:
    """Which free panel is laid out how, and how the camera stands."""

    panel: int
    layout: str
    turn_deg: float
    tilt_deg: tuple[float, float]


MONO_60 = RealPanel(0, "6x10", 2.0, (4.0, 3.0))
MULTI_60 = RealPanel(1, "6x10", -3.0, (5.0, -6.0))
MULTI_72 = RealPanel(15, "6x12", -2.0, (3.0, 5.0))
MONO_36 = RealPanel(8, "4x9", 1.5, (-6.0, 2.0))


@cache
def seen(real: RealPanel) -> tuple[NDArray[np.uint16], NDArray[np.float64]]:
    """Return the 12-bit picture and the true cell corners, shape (n_cells, 4, 2), (x, y)."""
    laid = lay_out(real.panel, Layout.parse(real.layout))
    rows, columns = laid.picture.shape
    view = seen_by(laid, tilted_view(columns, rows, real.turn_deg, real.tilt_deg))
    noise = np.random.default_rng(1).normal(0, 0.5, view.picture.shape)
    return np.clip(np.round((view.picture + noise) * (4095 / 255)), 0, 4095).astype(np.uint16), view.quads


def write_real(folder: Path, real: RealPanel, name: str = "panel.png") -> Path:
    """Write the picture as a 16-bit PNG that holds 12 bits."""
    path = folder / name
    assert cv2.imwrite(str(path), seen(real)[0])
    return path
