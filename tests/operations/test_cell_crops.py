"""Crops of cells beside a commonality analysis, from the pictures the log names."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from painted_panel import painted_panel

from elinspect.imaging.reading import read_image
from elinspect.operations.commonality import commonality
from elinspect.operations.commonality_files import cell_crop, examples
from elinspect.operations.commonality_found import Example
from elinspect.operations.log_inspection import log_inspection
from elinspect.store import open_log


def test_the_crop_is_that_of_the_cell_and_no_picture_is_no_error(tmp_path: Path) -> None:
    path = tmp_path / "panel.png"
    result = painted_panel(path, [])
    cell = next(cell for cell in result.cells if (cell.address.string, cell.address.position) == (2, 3))
    (left, top), (right, bottom) = (np.array(cell.corners_px).min(axis=0), np.array(cell.corners_px).max(axis=0))
    with open_log(tmp_path / "log.sqlite") as log:
        inspection = log_inspection(log, result, "EL 1")
        crop = cell_crop(log, Example(inspection, "000123", 2, 3))
        assert crop is not None
        assert 1.1 * (right - left) < crop.shape[1] < 1.4 * (right - left)
        own = read_image(path).counts[int(top) + 2 : int(bottom) - 2, int(left) + 2 : int(right) - 2]
        inside = (crop.shape[0] - own.shape[0]) // 2
        cut = crop[inside : inside + own.shape[0], inside : inside + own.shape[1]]
        assert np.corrcoef(cut.ravel(), own.ravel())[0, 1] > 0.9  # the same pixels, only stretched
        assert cell_crop(log, Example(inspection, "000123", 9, 9)) is None
        path.unlink()
        assert cell_crop(log, Example(inspection, "000123", 2, 3)) is None


def test_the_technicians_page_shows_the_cells(tmp_path: Path) -> None:
    path = tmp_path / "panel.png"
    with open_log(tmp_path / "log.sqlite") as log:
        inspection = log_inspection(log, painted_panel(path, []), "EL 1")
        found = commonality(log)
        assert examples(log, found) == []
        (shown,) = examples(log, replace(found, examples=(Example(inspection, "000123", 2, 3),)))
        assert "000123 · 2-3" in [axes.get_title(loc="left") for axes in shown.figure.axes]
        path.unlink()
        assert examples(log, replace(found, examples=(Example(inspection, "000123", 2, 3),))) == []
