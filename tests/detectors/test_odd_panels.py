"""No panel is too odd: few cells, cells of any shape and size, black, noisy or masked, lines and areas anywhere."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_cells import SIDE_PX, as_pictures, clean_cell, with_area, with_line

from elinspect.detectors import detect_all, kind_scores, prepare
from elinspect.recipe import assumed_product
from elinspect.records import CellPictures, FloatImage, Layout
from elinspect.settings import DetectorSettings
from elinspect.vision import cv2

LAYOUTS = ("1x1", "1x2", "1x3", "2x1", "2x3", "3x4", "2x2x3", "1x12", "4x5")
SHAPES = ((300, 300), (150, 300), (300, 150), (100, 300), (60, 60), (40, 90), (520, 260), (130, 130))
LONGER_SIDE_MM = 156.0


def _odd_cell(rng: np.random.Generator) -> FloatImage:
    cell = clean_cell(rng)
    for _ in range(rng.integers(0, 8)):
        ends = rng.uniform(0, SIDE_PX - 1, (2, 2))
        kind = rng.integers(3)
        if kind < 2:
            ends[1, kind] = ends[0, kind]
        contrast = float(rng.choice([0.03, 0.06, 0.12, 0.3, 0.8]))
        cell = with_line(cell, [tuple(end) for end in ends], contrast=contrast, width_px=float(rng.uniform(1, 6)))
    if rng.random() < 0.3:
        corners = [tuple(corner) for corner in rng.uniform(0, SIDE_PX - 1, (4, 2))]
        cell = with_area(cell, corners, float(rng.choice([0.0, 0.02, 0.3, 0.7])))
    light = rng.choice([1.0, 0.01, 0.0], p=[0.85, 0.1, 0.05])
    noise = rng.normal(0, 0.3 * float(cell.mean()), cell.shape) if rng.random() < 0.1 else 0.0
    return np.asarray(cell * light + noise, np.float32)


def _odd_panel(rng: np.random.Generator) -> CellPictures:
    layout, (rows, columns) = Layout.parse(str(rng.choice(LAYOUTS))), SHAPES[rng.integers(len(SHAPES))]
    cells = [cv2.resize(_odd_cell(rng), (columns, rows), interpolation=cv2.INTER_AREA) for _ in range(layout.n_cells)]
    pictures = as_pictures(np.stack(cells), layout, LONGER_SIDE_MM / max(rows, columns))
    masked = rng.random(layout.n_cells) < 0.4
    return replace(pictures, masked=masked) if rng.random() < 0.3 else pictures


@pytest.mark.parametrize("seed", range(40))
def test_any_panel_gets_scores_and_outlines(seed: int) -> None:
    pictures, settings = _odd_panel(np.random.default_rng(seed)), DetectorSettings()
    view = prepare(pictures, assumed_product(pictures.grid.layout))
    for detection in detect_all(view, settings):
        scores = kind_scores(detection, settings.threshold_of(detection.kind))
        assert scores.shape == (pictures.grid.layout.n_cells,)
        assert ((scores >= 0) & (scores <= 1)).all()
        assert all(np.isfinite(finding.outline).all() for finding in detection.findings)
        assert all(view.judged[finding.cell] for finding in detection.findings if finding.cell is not None)
