"""Lens and target: worked points, there and back, drawn dots and chequers through a known lens."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from elinspect.imaging.lens import Lens
from elinspect.imaging.lens_fit import bend, fit_lens
from elinspect.imaging.target import Pattern, Sighting, Target, find_target
from elinspect.vision import cv2

WIDTH, HEIGHT = 900, 620


def lens_of(
    k1: float = 0.0, k2: float = 0.0, p1: float = 0.0, p2: float = 0.0, centre: tuple[float, float] = (460.0, 300.0)
) -> Lens:
    matrix = np.array([[900.0, 0, centre[0]], [0, 900, centre[1]], [0, 0, 1]])
    return Lens(matrix, np.array([k1, k2, p1, p2, 0.0]), WIDTH, HEIGHT)


BARREL = lens_of(-0.18, 0.05, 0.0006, -0.0004)


def raster(columns: int = 23, rows: int = 17) -> NDArray[np.float64]:
    return np.stack(np.meshgrid(np.linspace(0, WIDTH - 1, columns), np.linspace(0, HEIGHT - 1, rows)), axis=-1)


# Points ---------------------------------------------------------------------------------------------------------------


def test_a_point_by_hand() -> None:
    # x = 0.3, y = -0.2: r^2 = 0.13; radial 1 - 0.1 * 0.13 + 0.02 * 0.0169 = 0.987338
    # x' = 0.3 * 0.987338 + 2 * 0.001 * 0.3 * -0.2 + 0.002 * (0.13 + 2 * 0.09) = 0.29670140
    # y' = -0.2 * 0.987338 + 0.001 * (0.13 + 2 * 0.04) + 2 * 0.002 * 0.3 * -0.2 = -0.19749760
    lens = lens_of(-0.1, 0.02, 0.001, 0.002, centre=(400.0, 300.0))
    straight = np.array([400 + 900 * 0.3, 300 - 900 * 0.2])
    expected = [400 + 900 * 0.29670140, 300 - 900 * 0.19749760]
    assert np.allclose(lens.to_file(straight), expected, atol=1e-6)
    assert np.allclose(lens.to_straight(np.array(expected)), straight, atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-0.25, 0.25),
    st.floats(-0.05, 0.05),
    st.floats(-0.002, 0.002),
    st.floats(-0.002, 0.002),
)
def test_there_and_back_is_exact(k1: float, k2: float, p1: float, p2: float) -> None:
    lens = lens_of(k1, k2, p1, p2)
    points = raster()
    assert np.abs(lens.to_file(lens.to_straight(points)) - points).max() < 1e-6
    assert np.abs(lens.to_straight(lens.to_file(points)) - points).max() < 1e-6
    assert lens.holds_everywhere()


def test_shapes_are_kept() -> None:
    assert BARREL.to_file(np.zeros((0, 2))).shape == (0, 2)
    assert BARREL.to_straight(np.zeros((5, 4, 2))).shape == (5, 4, 2)
    assert np.allclose(lens_of().to_file(raster()), raster(), atol=1e-9)


def test_a_lens_that_folds_over_is_noticed() -> None:
    assert not lens_of(-0.9, 0.0).holds_everywhere()


@pytest.mark.parametrize("shrink", [1, 3])
def test_straightened_picture_shows_each_place_where_the_points_say(shrink: int) -> None:
    # Counts that tell where they come from: column in one picture, row in another.
    rows, columns = np.indices((HEIGHT, WIDTH)).astype(np.float32)
    small = np.stack([BARREL.straightened(columns + 1, shrink), BARREL.straightened(rows + 1, shrink)], axis=-1) - 1
    height, width = small.shape[:2]
    assert (height, width) == (HEIGHT // shrink, WIDTH // shrink)
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    straight = (np.stack([x, y], axis=-1) + 0.5) * shrink - 0.5
    expected = BARREL.to_file(straight)
    shown = np.all((expected > 1) & (expected < (WIDTH - 2, HEIGHT - 2)), axis=-1)
    assert shown.mean() > 0.9
    assert np.abs(small - expected)[shown].max() < 0.05
    with pytest.raises(ValueError, match="lens of 900 x 620"):
        BARREL.straightened(np.zeros((10, 10), np.float32))


# Target ---------------------------------------------------------------------------------------------------------------

COLUMNS, ROWS, PITCH = 17, 12, 50.0
DOTS = Target(Pattern.DOTS, COLUMNS, ROWS)
STRAIGHT_ON = np.array([[1.02, 0.01, 40.0], [-0.015, 1.0, 35.0], [8e-6, 1e-5, 1.0]])
TILTED = np.array([[0.95, 0.2, 30.0], [-0.12, 0.9, 110.0], [1.2e-4, 6e-5, 1.0]])
STEEP = np.array([[1.7, 0.1, 30.0], [0.2, 1.4, 20.0], [1.1e-3, 1e-4, 1.0]])
POSES = {"straight on": STRAIGHT_ON, "tilted": TILTED, "steep": STEEP}


def mapped(matrix: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    lifted = points @ matrix[:, :2].T + matrix[:, 2]
    return lifted[..., :2] / lifted[..., 2:]


@cache
def straight_places() -> NDArray[np.float64]:
    every_pixel = np.stack(np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT)), axis=-1).astype(np.float64)
    return BARREL.to_straight(every_pixel)


@cache
def drawn(pose_name: str, pattern: Pattern, light_dots: bool = False) -> NDArray[np.float32]:
    """Draw a target in mm through a homography and the lens, pixel by pixel, lit unevenly, blurred, with noise."""
    pose = POSES[pose_name]
    down, right = np.gradient(straight_places(), axis=(0, 1))
    within = np.arange(-1, 2) / 3
    parts = [straight_places() + dx * right + dy * down for dx in within for dy in within]
    ink = np.mean([_ink(pattern, mapped(np.linalg.inv(pose), part)) for part in parts], axis=0)
    paper = 20000 - 17000 * ink if not light_dots else 3000 + 17000 * ink
    lit = paper * (1.1 - 0.5 * np.arange(WIDTH) / WIDTH)
    blurred = cv2.GaussianBlur(lit.astype(np.float32), (0, 0), 0.8)
    return blurred + np.random.default_rng(0).normal(0, 120, blurred.shape).astype(np.float32)


def _ink(pattern: Pattern, mm: NDArray[np.float64]) -> NDArray[np.floating]:
    if pattern is Pattern.DOTS:
        nearest = np.clip(np.round(mm / PITCH), 0, (COLUMNS - 1, ROWS - 1)) * PITCH
        return np.linalg.norm(mm - nearest, axis=-1) < 12
    field = np.floor(mm / PITCH).astype(int)
    on_board = np.all((field >= -1) & (field < (COLUMNS, ROWS)), axis=-1)
    return np.where(on_board, field.sum(axis=-1) % 2, 0)


def true_points(lens: Lens, pose: NDArray[np.float64], places: NDArray[np.intp]) -> NDArray[np.float64]:
    return lens.to_file(mapped(pose, places * PITCH))


@cache
def seen(pose_name: str) -> Sighting:
    sighting = find_target(drawn(pose_name, Pattern.DOTS), DOTS)
    assert sighting is not None
    return sighting


def worst_error(sighting: Sighting, pose_name: str, shift_px: tuple[float, float] = (0.0, 0.0)) -> float:
    """Largest distance of a found dot from where it was drawn; places count from the first dot seen."""
    errors = []
    for first in np.ndindex(5, 5):
        true = true_points(BARREL, POSES[pose_name], sighting.places + first) - shift_px
        errors.append(float(np.abs(true - sighting.points_px).max()))
    return min(errors)


@pytest.mark.parametrize("light_dots", [False, True])
@pytest.mark.parametrize("pose_name", POSES)
def test_dots_are_found_where_they_were_drawn(pose_name: str, light_dots: bool) -> None:
    sighting = find_target(drawn(pose_name, Pattern.DOTS, light_dots), DOTS)
    assert sighting is not None
    assert len(sighting.places) >= 0.9 * COLUMNS * ROWS
    # Seen steeply, the middle of the picture of a disc is not the picture of its middle.
    assert worst_error(sighting, pose_name) < (0.4 if pose_name == "steep" else 0.15)


def test_dots_cut_by_the_rim_of_the_picture_are_left_out() -> None:
    # The first column of dots lies at about x = 47, the second at about 91, with a radius of 12.
    for cut in (40, 50, 84, 96):
        part = np.ascontiguousarray(drawn("straight on", Pattern.DOTS)[:, cut:])
        sighting = find_target(part, DOTS)
        assert sighting is not None
        assert worst_error(sighting, "straight on", (cut, 0)) < 0.15


def test_chequers_are_found_where_they_were_drawn() -> None:
    board = Target(Pattern.CHEQUERS, COLUMNS, ROWS)
    sighting = find_target(drawn("straight on", Pattern.CHEQUERS), board)
    assert sighting is not None
    assert len(sighting.places) == COLUMNS * ROWS
    true = true_points(BARREL, STRAIGHT_ON, sighting.places)
    either_way = min((true - sighting.points_px, true[::-1] - sighting.points_px), key=lambda away: np.abs(away).max())
    assert np.abs(either_way).max() < 0.3
    assert either_way.std() < 0.1


def test_no_target_no_points() -> None:
    rng = np.random.default_rng(5)
    noise = rng.normal(1000, 30, (HEIGHT, WIDTH)).astype(np.float32)
    for pattern in Pattern:
        assert find_target(noise, Target(pattern, COLUMNS, ROWS)) is None
    too_few = Target(Pattern.DOTS, COLUMNS - 3, ROWS)
    assert find_target(drawn("straight on", Pattern.DOTS), too_few) is None
    with pytest.raises(ValueError, match="4 x 4"):
        Target(Pattern.DOTS, 3, 9)


# Fit ------------------------------------------------------------------------------------------------------------------


def worst_bend_of_true_lines(lens: Lens) -> float:
    """Bend that lines straight in the scene keep after correction, over the whole picture."""
    places = np.stack(np.meshgrid(np.arange(25), np.arange(17)), axis=-1).reshape(-1, 2)
    scene = places * (WIDTH / 24, HEIGHT / 16)
    points = BARREL.to_file(scene)
    inside = np.all((points >= 0) & (points <= (WIDTH - 1, HEIGHT - 1)), axis=1)
    return bend(places[inside], lens.to_straight(points[inside]))


def test_bend_by_hand() -> None:
    places = np.array([[0, 0], [1, 0], [2, 0], [0, 1], [1, 1], [2, 1]])
    points = np.array([[0.0, 0], [10, 3], [20, 0], [0, 10], [10, 10], [20, 10]])
    # The line through the upper row lies at 1: the middle point is 2 away.
    assert bend(places, points) == pytest.approx(2)
    assert bend(places, places * 7.0) == pytest.approx(0)


@pytest.mark.parametrize("both", [False, True], ids=["one view", "two views"])
def test_fitted_lens_straightens_the_scene(both: bool) -> None:
    assert worst_bend_of_true_lines(lens_of()) > 2
    lens, report = fit_lens([seen("straight on"), seen("tilted")] if both else [seen("straight on")], WIDTH, HEIGHT)
    assert worst_bend_of_true_lines(lens) < 0.1
    assert report.bend_before_px > 2
    assert report.bend_after_px < 0.15
    assert report.rms_px < 0.05
    assert report.check_px < 0.06
    assert report.coverage > 0.6
    assert report.holds_everywhere
    assert report.views == 1 + both


def test_a_few_points_seen_wrongly_are_left_out_and_counted() -> None:
    flat = seen("straight on")
    wrong = flat.points_px.copy()
    wrong[[3, 40]] += [(0.0, 6.0), (4.0, -3.0)]
    lens, report = fit_lens([Sighting(flat.places, wrong)], WIDTH, HEIGHT)
    assert (report.points, report.strays) == (len(flat.places) - 2, 2)
    assert worst_bend_of_true_lines(lens) < 0.1
    assert report.bend_after_px < 0.15
    assert report.check_px < 0.06


def test_a_bent_target_shows_in_the_report() -> None:
    flat = seen("straight on")
    bulge = np.sin(flat.places[:, :1] * 1.1) * np.array([0.0, 1.5])
    _, report = fit_lens([Sighting(flat.places, flat.points_px + bulge)], WIDTH, HEIGHT)
    assert report.check_px > 0.5
    assert report.rms_px > 0.5
    assert report.strays == 0


def test_no_sighting_is_our_own_mistake() -> None:
    with pytest.raises(ValueError, match="at least one"):
        fit_lens([], WIDTH, HEIGHT)
