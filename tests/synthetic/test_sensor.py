"""The camera: lens, movement, hot pixels, seam, tiles, the frames that belong to it."""

from dataclasses import replace

import numpy as np
import pytest

from elinspect.recipe import CellFormat, ProductRecipe
from elinspect.records import Layout
from elinspect.synthetic import CameraSettings, DarkCell, Overlays, SimulatedPanel, draw_any_camera, simulate_panel
from elinspect.synthetic.camera import bent
from elinspect.synthetic.sensor import dark_frame, expose, flat_field

CELL = CellFormat(156.0, 156.0, busbars=3)
RECIPE = ProductRecipe("two", "1", Layout.parse("1x2"), CELL)
PLAIN = CameraSettings(
    px_per_mm=0.5, signal_to_noise=5000, glow=0, vignetting=0, blur_px=0, bit_depth=16, margin_mm=20.0
)


def panel_of(camera: CameraSettings, **more: object) -> SimulatedPanel:
    return simulate_panel(RECIPE, np.random.default_rng(0), (), camera, **more)  # type: ignore[arg-type]


def test_a_lens_moves_the_picture_and_the_truth_alike() -> None:
    dots = np.zeros((200, 300), np.float32)
    at = np.array([[20, 20], [280, 20], [150, 100], [60, 170]])
    for x, y in at:
        dots[y - 1 : y + 2, x - 1 : x + 2] = 1
    camera = replace(PLAIN, lens=-0.05, dark_level=0.0)
    seen = expose(camera, dots, np.random.default_rng(0)).astype(float)
    for point, wanted in zip(at, bent(camera, at.astype(float), (300, 200)), strict=True):
        x, y = wanted.round().astype(int)
        window = seen[y - 5 : y + 6, x - 5 : x + 6]
        rows, columns = np.mgrid[-5:6, -5:6]
        centre = np.array([(window * columns).sum(), (window * rows).sum()]) / window.sum() + (x, y)
        np.testing.assert_allclose(centre, wanted, atol=0.15)
        assert np.hypot(*(wanted - (149.5, 99.5))) <= np.hypot(*(point - (149.5, 99.5))) + 1e-9


def test_movement_smears_along_the_conveyor_only() -> None:
    dot = np.zeros((41, 41), np.float32)
    dot[20, 20] = 1
    camera = replace(PLAIN, motion_px=5.0, dark_level=0.0)
    seen = expose(camera, dot, np.random.default_rng(0)).astype(float)
    assert (seen[20, 18:23] > 0.15 * seen.sum()).all()
    assert seen[20, 18:23].sum() == pytest.approx(seen.sum(), rel=0.1)


def test_hot_pixels_are_the_sensor_s_own_and_in_its_dark_frame() -> None:
    camera = replace(PLAIN, hot_pixels=1e-3, sensor=7)
    first, second = (dark_frame(camera, (200, 300), np.random.default_rng(seed)) for seed in (1, 2))
    other = dark_frame(replace(camera, sensor=8), (200, 300), np.random.default_rng(1))
    level = camera.dark_level * 65535
    hot = first > level + 2000
    assert 20 < hot.sum() <= 60
    np.testing.assert_array_equal(hot, second > level + 2000)
    assert (hot != (other > level + 2000)).any()


def test_the_flat_field_holds_fall_off_and_seam() -> None:
    flat = flat_field(replace(PLAIN, vignetting=0.2, seam=0.1), (101, 201), np.random.default_rng(0)).astype(float)
    flat -= PLAIN.dark_level * 65535
    assert flat[0, 0] / flat[50, 99] == pytest.approx(0.8, rel=0.02)
    assert flat[50, 101] / flat[50, 99] == pytest.approx(1.1, rel=0.01)


def test_tiles_cover_the_panel_and_agree_with_it() -> None:
    panel = panel_of(replace(PLAIN, tiles=(1, 3), tile_overlap=0.2))
    assert len(panel.tiles) == 3
    width = panel.picture.shape[1]
    assert panel.tiles[-1].left + panel.tiles[-1].picture.shape[1] == pytest.approx(width, abs=1)
    for tile in panel.tiles:
        rows, columns = tile.picture.shape
        whole = panel.picture[tile.top : tile.top + rows, tile.left : tile.left + columns].astype(float)
        assert np.abs(whole - tile.picture).mean() < 50
    assert panel.tiles[0].left + panel.tiles[0].picture.shape[1] > panel.tiles[1].left


def test_an_enlarged_picture_has_coarser_noise() -> None:
    even = np.ones((120, 120), np.float32)

    def neighbours_alike(camera: CameraSettings) -> float:
        noise = expose(camera, even, np.random.default_rng(0)).astype(float)
        return float(np.corrcoef(noise[:, 1:].ravel(), noise[:, :-1].ravel())[0, 1])

    noisy = replace(PLAIN, signal_to_noise=20)
    assert abs(neighbours_alike(noisy)) < 0.05
    assert neighbours_alike(replace(noisy, enlarged=0.5)) > 0.4


def test_low_current_is_a_second_picture_of_the_same_panel() -> None:
    panel = simulate_panel(RECIPE, np.random.default_rng(0), [DarkCell(1, 1, 0.5)], PLAIN, low_current=0.1)
    assert panel.low_picture is not None
    assert panel.low_picture.shape == panel.picture.shape
    full, low = (picture.astype(float) - PLAIN.dark_level * 65535 for picture in (panel.picture, panel.low_picture))
    middle = panel.corners_px.mean(axis=1).round().astype(int)
    boxes = [(slice(y - 25, y + 26), slice(x - 25, x + 26)) for x, y in middle]
    # At full current what lies half way between busbars (26 px apart, one in the middle) is darker than at low current.
    drop = np.log(full[boxes[1]] / low[boxes[1]]).mean(axis=1)
    assert drop[[22, 28]].mean() - drop[[12, 38]].mean() > 0.02
    # The worse cell stays as much darker.
    shares = [picture[boxes[0]].mean() / picture[boxes[1]].mean() for picture in (full, low)]
    assert shares[1] == pytest.approx(shares[0], rel=0.1)
    with pytest.raises(ValueError, match="low_current"):
        panel_of(PLAIN, low_current=0.0)


def test_what_lies_over_a_panel_is_seen_and_written_down() -> None:
    overlays = Overlays(milkiness=0.4, folds=1, tapes=2, insulation=True, labels=1, probes=2)
    clean, covered = panel_of(PLAIN), panel_of(PLAIN, overlays=overlays)
    kinds = {one.what for one in covered.overlaid}
    assert kinds == {"fold", "tape", "insulation", "label", "probe"}
    for one in covered.overlaid:
        if one.what == "tape":
            x, y = one.outline.mean(axis=0).round().astype(int)
            if 0 <= y < clean.picture.shape[0] and clean.picture[y, x] > 10_000:
                assert covered.picture[y, x] < clean.picture[y, x]
    # A milky sheet brings light into the gaps.
    gap = round(float(panel_of(PLAIN).corners_px[0, 1, 0] + panel_of(PLAIN).corners_px[1, 0, 0]) / 2)
    assert np.median(covered.picture[30:90, gap]) > np.median(clean.picture[30:90, gap])
    np.testing.assert_allclose(covered.corners_px, clean.corners_px)


def test_cameras_drawn_are_all_valid_and_differ_over_an_order_of_magnitude() -> None:
    rng = np.random.default_rng(0)
    cameras = [draw_any_camera(rng) for _ in range(300)]
    noise = np.array([camera.signal_to_noise for camera in cameras])
    assert noise.max() / noise.min() > 10
    assert {camera.bit_depth for camera in cameras} == {8, 12, 16}
    scales = np.array([1 / camera.px_per_mm for camera in cameras])
    assert 0.15 <= scales.min() < 0.3 < scales.max() <= 0.6


@pytest.mark.parametrize(
    ("wrong", "name"),
    [
        (lambda: CameraSettings(lens=1.0), "lens"),
        (lambda: CameraSettings(motion_px=-1), "motion_px"),
        (lambda: CameraSettings(tiles=(0, 1)), "tiles"),
        (lambda: CameraSettings(enlarged=2), "enlarged"),
        (lambda: Overlays(milkiness=2), "milkiness"),
        (lambda: Overlays(tapes=-1), "tapes"),
    ],
)
def test_bad_parameters_are_refused_by_name(wrong: object, name: str) -> None:
    with pytest.raises(ValueError, match=name):
        wrong()  # type: ignore[operator]
