"""Grids over panels laid out of real cells, seen by a tilted camera."""

import numpy as np
import pytest
from real_cells import (
    FREE_PANELS,
    as_image,
    free_cells,
    lay_out,
    overlap,
    seen_by,
    silicon_edges,
    tilted_view,
    wafer_of,
)

from elinspect.geometry import cut_cells, find_grid, find_panel
from elinspect.recipe import assumed_product
from elinspect.records import CellGrid, Layout, PanelOutline, Tile
from elinspect.settings import GeometrySettings

VIEWS = {"straight": (0, (0, 0)), "turned": (8, (5, 0)), "tilted": (-10, (10, 12)), "strongly tilted": (3, (-15, 6))}


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize(("panel", "layout"), [(0, "6x10"), (15, "6x12"), (5, "4x9")])
def test_the_right_grid_is_found_over_real_cells(panel: int, layout: str, view: str) -> None:
    flat = lay_out(panel, Layout.parse(layout))
    height, width = flat.picture.shape
    truth = seen_by(flat, tilted_view(width, height, *VIEWS[view]))
    image = as_image(truth.picture, bit_depth=16 if panel % 2 else 8)
    product = assumed_product(Layout.parse(layout))
    outline = find_panel(image, product)
    assert isinstance(outline, PanelOutline)
    grid = find_grid(image, outline, product)
    assert isinstance(grid, CellGrid), grid.reason.text
    assert grid.orientation.rotation_deg == 0
    assert overlap(grid.corners_px, truth.quads).min() > 0.9
    pictures = cut_cells([Tile(image)], grid, product, GeometrySettings())
    assert pictures.full_current.shape[0] == product.recipe.layout.n_cells


def test_both_kinds_of_wafer_are_among_the_panels() -> None:
    assert {wafer_of(panel) for panel in (0, 15, 5)} == {"mono", "poly"}


@pytest.mark.parametrize("panel", range(0, len(FREE_PANELS), 3))
def test_a_single_crop_is_one_whole_cell(panel: int) -> None:
    product = assumed_product(Layout.parse("1x1"))
    whole = np.array([[(0, 0), (299, 0), (299, 299), (0, 299)]], float)
    left, top, right, bottom = silicon_edges(panel)
    silicon = np.array([[(left, top), (299 - right, top), (299 - right, 299 - bottom), (left, 299 - bottom)]])
    first, _ = FREE_PANELS[panel]
    for crop in free_cells(range(first, first + 20)):
        image = as_image(crop.astype(np.float32))
        outline = find_panel(image, product)
        assert isinstance(outline, PanelOutline)
        grid = find_grid(image, outline, product)
        assert isinstance(grid, CellGrid), grid.reason.text
        assert overlap(grid.corners_px, whole)[0] > 0.9
        assert overlap(grid.corners_px, silicon)[0] > 0.9


@pytest.mark.parametrize("number", [241, 360, 421, 1255, 2000, 2624, 0, 2625])
def test_reserved_and_unknown_cells_are_refused(number: int) -> None:
    with pytest.raises(PermissionError):
        free_cells([number])
