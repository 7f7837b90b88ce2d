"""Homographies, frames and the way from a cell picture to the file and back, for any picture."""

from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from elinspect.frames import gate_from_stored
from elinspect.geometry import cut_cells, to_file_px
from elinspect.geometry.homography import from_corners, moved, rectangle
from elinspect.recipe import assumed_product
from elinspect.records import CellGrid, ElImage, Layout, Orientation, Tile, read_only
from elinspect.settings import GeometrySettings

SHAKE = st.lists(st.floats(-25, 25), min_size=8, max_size=8).map(lambda values: np.array(values).reshape(4, 2))
TURNS = st.sampled_from((0, 90, 180, 270))


@given(SHAKE, SHAKE, st.floats(0, 300), st.floats(0, 200))
def test_corners_go_to_corners_and_points_come_back(one: np.ndarray, other: np.ndarray, x: float, y: float) -> None:
    source, target = rectangle(300, 200) + one, rectangle(500, 400, 30, 20) + other
    matrix = from_corners(source, target)
    assert np.abs(moved(matrix, source) - target).max() < 1e-6
    point = np.array([[x, y]])
    assert np.abs(moved(np.linalg.inv(matrix), moved(matrix, point)) - point).max() < 1e-6


@given(TURNS, st.booleans(), st.integers(1, 4000), st.integers(1, 4000), st.floats(0, 1), st.floats(0, 1))
def test_the_gate_view_is_a_picture_of_the_same_pixels(
    turn: int, mirrored: bool, width: int, height: int, u: float, v: float
) -> None:
    matrix = gate_from_stored(Orientation(turn, mirrored), width, height)  # type: ignore[arg-type]
    corners = moved(matrix, rectangle(width - 1.0, height - 1.0))
    high, wide = (width, height) if turn in (90, 270) else (height, width)
    assert np.allclose(corners.min(axis=0), 0)
    assert np.allclose(corners.max(axis=0), [wide - 1, high - 1])
    point = np.array([[u * (width - 1), v * (height - 1)]])
    assert np.allclose(moved(np.linalg.inv(matrix), moved(matrix, point)), point, atol=1e-6)


@given(SHAKE, st.floats(-20, 20), st.floats(-20, 20))
@settings(max_examples=20, deadline=None)
def test_a_cell_is_resampled_once_and_every_point_finds_its_way_back(
    shake: np.ndarray, slope_x: float, slope_y: float
) -> None:
    """In a picture whose counts are a plane, every pixel of the cell holds the counts of the place it came from."""
    rows, columns = np.mgrid[:400, :420].astype(np.float32)
    counts = read_only((5000 + slope_x * columns + slope_y * rows).astype(np.float32))
    image = ElImage(Path("plane.png"), "0" * 64, counts, 16, 65535.0)
    corners = rectangle(290, 290, 60, 50) + shake
    grid = CellGrid(Layout(1, 1, 1), Orientation(), read_only(corners[None]), read_only(corners), 1.0)
    pictures = cut_cells([Tile(image)], grid, assumed_product(Layout(1, 1, 1)), GeometrySettings())
    high, wide = pictures.full_current.shape[1:]
    ends = np.array([[0, 0], [0, wide - 1], [high - 1, wide - 1], [high - 1, 0]], np.float64)
    assert np.abs(to_file_px(pictures, 0, ends) - corners).max() < 1e-6
    picked = np.random.default_rng(0).integers(0, [high, wide], (50, 2))
    x, y = to_file_px(pictures, 0, picked.astype(np.float64)).T
    seen = pictures.full_current[0][picked[:, 0], picked[:, 1]]
    # Linear resampling of a plane is exact, but for OpenCV's fractions of a 32nd of a pixel.
    assert np.abs(seen - (5000 + slope_x * x + slope_y * y)).max() < (abs(slope_x) + abs(slope_y)) / 30 + 0.01
