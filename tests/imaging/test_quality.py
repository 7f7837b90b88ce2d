"""Image quality: published unit checks, drawn truth, real cells."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from drawn_quality import CELL_PX, LIMITS, SMALL, assess, drawn_panel, image_of, noisy, pictures_of
from numpy.typing import NDArray
from real_cells import FREE_PANELS, lay_out, panel_cells, seen_by, tilted_view, wafer_of

from elinspect.imaging import blank_reason, signal_to_noise_from_pair
from elinspect.imaging.figures import smallest_crack
from elinspect.records import (
    Layout,
)
from elinspect.vision import cv2

# From a pair ----------------------------------------------------------------------------------------------------------


def test_pair_unit_check_1() -> None:
    # Worked out by hand from the formula quoted for IEC TS 60904-13:2018 (its wording from memory):
    # numerator 101 + 109 + 121.5 + 129.5 = 461, denominator sqrt(pi) / 2 * (2 + 2 + 3 + 1) = 7.0898.
    first, second = np.array([[110, 120, 130, 140]], np.float32), np.array([[112, 118, 133, 139]], np.float32)
    assert signal_to_noise_from_pair(first, second, np.full((1, 4), 10.0)) == pytest.approx(65.02285, abs=1e-5)
    assert signal_to_noise_from_pair(first, second, 10.0) == pytest.approx(65.02285, abs=1e-5)


def test_pair_unit_check_2() -> None:
    # Monte Carlo, 1500 x 1500 px, mean 1200 = signal 1000 above background 200, sigma 40: true ratio 25, 24.996 found
    # in an earlier run; the standard error of the estimate is 25 * 0.756 / sqrt(2.25e6) = 0.013.
    rng = np.random.default_rng(0)
    first, second = (rng.normal(1200, 40, (1500, 1500)).astype(np.float32) for _ in range(2))
    assert signal_to_noise_from_pair(first, second, 200.0) == pytest.approx(25, abs=0.05)


def test_pair_looks_at_the_region_only() -> None:
    first, second = np.full((4, 6), 100, np.float32), np.full((4, 6), 100, np.float32)
    first[1, 1:5], second[1, 1:5] = (110, 120, 130, 140), (112, 118, 133, 139)
    region = np.zeros((4, 6), bool)
    region[1, 1:5] = True
    assert signal_to_noise_from_pair(first, second, 10.0, region) == pytest.approx(65.02285, abs=1e-5)


def test_a_pair_that_is_one_exposure_copied_says_nothing() -> None:
    picture = np.full((3, 3), 500, np.float32)
    assert signal_to_noise_from_pair(picture, picture.copy(), 10.0) is None
    assert signal_to_noise_from_pair(picture, picture + 1, 10.0, np.zeros((3, 3), bool)) is None
    with pytest.raises(ValueError, match="one shape"):
        signal_to_noise_from_pair(picture, picture[1:])


# From one image -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ratio", [4, 10, 40, 150])
def test_signal_to_noise_of_a_drawn_panel(ratio: float) -> None:
    picture, quads = drawn_panel(0.8)
    quality = assess(image_of(noisy(picture, 4000 / ratio)), pictures_of(quads, SMALL), LIMITS)
    assert quality.signal_to_noise == pytest.approx(ratio, rel=0.06)
    assert quality.usable == (ratio >= LIMITS.min_signal_to_noise)


@pytest.mark.parametrize("turn_deg", [0, 4, 10])
def test_fingers_and_busbars_are_no_noise(turn_deg: float) -> None:
    picture, quads = drawn_panel(0.6, turn_deg)
    rows, columns = np.indices(picture.shape)
    angle = np.deg2rad(turn_deg)
    along, across = columns * np.cos(angle) - rows * np.sin(angle), columns * np.sin(angle) + rows * np.cos(angle)
    picture = picture * (1 - 0.1 * np.cos(2 * np.pi * along / 4.3)) * np.where(across % 24 < 2, 0.4, 1)
    quality = assess(image_of(noisy(picture.astype(np.float32), 100)), pictures_of(quads, SMALL), LIMITS)
    # What little of a slanting pattern passes for noise makes the figure too low, never too high.
    assert quality.signal_to_noise is not None
    assert 34 < quality.signal_to_noise < 42


@pytest.mark.parametrize("panel", range(0, len(FREE_PANELS), 5))
def test_one_image_agrees_with_the_pair_on_real_cells(panel: int) -> None:
    layout = Layout(1, 2, 6)
    laid = seen_by(lay_out(panel, layout), tilted_view(2000, 800, 2.0, (1.5, 1.0)))
    # Real cells in the units of a 12-bit camera; they bring noise of their own, so what is added is well above it.
    clean = laid.picture * 12.0
    pictures = pictures_of(laid.quads, layout)
    region = np.zeros(clean.shape, np.uint8)
    cv2.fillPoly(region, list(np.round(laid.quads).astype(np.int32)), 1)
    for sigma in (50, 150):
        first, second = image_of(noisy(clean, sigma, 1), 12), image_of(noisy(clean, sigma, 2), 12)
        pair = signal_to_noise_from_pair(first.counts, second.counts, 144.0, region > 0)
        single = assess(first, pictures, LIMITS).signal_to_noise
        # The pair takes the mean of the cells' luminance, the single image the median cell and its own noise.
        assert single == pytest.approx(pair, rel=0.15), wafer_of(panel)


def test_stray_light_is_no_signal() -> None:
    picture, quads = drawn_panel(0.8, turn_deg=0, dark=2300, bright=4300)
    # The last one shows no surroundings, only gaps.
    for margin in (0, 34, 40):
        inner = picture[margin : picture.shape[0] - margin, margin : picture.shape[1] - margin]
        quality = assess(image_of(noisy(inner, 100)), pictures_of(quads - margin, SMALL), LIMITS)
        assert quality.signal_to_noise == pytest.approx(20, rel=0.1)


def test_too_weak_an_image_says_what_to_do() -> None:
    picture, quads = drawn_panel(0.8)
    quality = assess(image_of(noisy(picture, 2000) + 9000), pictures_of(quads, SMALL), LIMITS)
    assert not quality.usable
    text = quality.notes[0].text
    assert "Signal-to-noise is 2" in text
    assert "at least 5.0" in text
    assert "probes" in text
    assert "live DC" in text


def test_smooth_8_bit_image_has_the_noise_of_its_rounding() -> None:
    picture, quads = drawn_panel(0.8, dark=10, bright=110)
    quality = assess(image_of(picture, 8), pictures_of(quads, SMALL), LIMITS)
    assert quality.signal_to_noise == pytest.approx(100 * np.sqrt(12), rel=0.05)


def test_cells_too_small_to_measure_are_not_usable() -> None:
    picture, quads = drawn_panel(0.8)
    small = cv2.resize(picture, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    quality = assess(image_of(noisy(small, 20)), pictures_of(quads / 4, SMALL), LIMITS)
    assert (quality.usable, quality.signal_to_noise) == (False, None)
    assert quality.notes[0].code == "quality.cells_too_small"


# Sharpness ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", [0, 2, 9])
@pytest.mark.parametrize("spread_px", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("ratio", [7, 80])
def test_sharpness_is_the_spread_of_the_edge(turn_deg: float, spread_px: float, ratio: float) -> None:
    picture, quads = drawn_panel(spread_px, turn_deg)
    quality = assess(image_of(noisy(picture, 4000 / ratio)), pictures_of(quads, SMALL), LIMITS)
    # The aperture of a square pixel adds the variance of a box one pixel wide.
    assert quality.sharpness_px == pytest.approx(np.hypot(spread_px, 1 / np.sqrt(12)), rel=0.08)


def test_sharpness_from_gaps_where_the_picture_shows_no_surroundings() -> None:
    picture, quads = drawn_panel(0.8, gap_px=8)
    inner = image_of(noisy(picture[36:-36, 36:-36], 50))
    assert assess(inner, pictures_of(quads - 36, SMALL), LIMITS).sharpness_px == pytest.approx(0.85, rel=0.1)


def test_sharpness_is_unknown_without_edges() -> None:
    quality = assess(
        image_of(noisy(np.full((300, 300), 900, np.float32), 30)), pictures_of(_one_cell(), Layout(1, 1, 1)), LIMITS
    )
    assert quality.sharpness_px is None


def _one_cell() -> NDArray[np.float64]:
    return np.array([[[50.0, 50], [249, 50], [249, 249], [50, 249]]])


def test_blur_adds_up_as_published_on_real_cells() -> None:
    # sigma_abs^2 = sigma_diff^2 + sigma_ref^2, Bedrich 2017, PhD thesis, Loughborough University, eq. 3.50.
    ratios = []
    for panel in range(0, len(FREE_PANELS), 4):
        laid = lay_out(panel, Layout(1, 2, 4))
        pictures = pictures_of(laid.quads, Layout(1, 2, 4))
        reference = assess(image_of(laid.picture * 12.0, 12), pictures, LIMITS).sharpness_px
        assert reference is not None
        for added in (1.0, 2.0):
            blurred = cv2.GaussianBlur(laid.picture * 12.0, (0, 0), added)
            found = assess(image_of(blurred, 12), pictures, LIMITS).sharpness_px
            assert found is not None
            ratios.append(found / np.hypot(reference, added))
    # Real cells darken over some millimetres towards the edge, which the fit tells from blur only roughly.
    assert np.median(ratios) == pytest.approx(1, abs=0.08)
    assert np.allclose(ratios, 1, atol=0.22)


def test_a_soft_image_is_remarked_where_its_scale_is_unknown() -> None:
    picture, quads = drawn_panel(3.4)
    quality = assess(image_of(noisy(picture, 50)), pictures_of(quads, SMALL, scale_known=False), LIMITS)
    assert quality.usable
    assert [note.code for note in quality.notes] == ["quality.soft"]
    assert (quality.sharpness_mm, quality.shortest_crack_mm) == (None, None)


@pytest.mark.parametrize("spread_px", [5.5, 7.0])
def test_a_picture_so_blurred_that_no_edge_is_left_to_measure_by_is_not_usable(spread_px: float) -> None:
    picture, quads = drawn_panel(spread_px)
    quality = assess(image_of(noisy(picture, 50)), pictures_of(quads, SMALL), LIMITS)
    # Wider than the reach of the fit it is measured too small, but beyond every limit.
    assert quality.sharpness_px is not None
    assert quality.sharpness_px > 4.5
    assert not quality.usable


def test_too_blurred_or_too_coarse_an_image_is_not_usable() -> None:
    picture, quads = drawn_panel(2.0)
    image, pictures = image_of(noisy(picture, 50)), pictures_of(quads, SMALL)
    blurred = assess(image, pictures, LIMITS)
    # 2 px of blur and the pixel's own aperture, pixels of 1.3 mm.
    assert blurred.sharpness_mm == pytest.approx(1.3 * np.hypot(2, 1 / np.sqrt(12)), rel=0.08)
    assert not blurred.usable
    assert "clean glass and lens" in blurred.notes[0].text
    assert assess(image, pictures, replace(LIMITS, max_edge_spread_mm=4.0)).usable
    coarse = assess(image, pictures, replace(LIMITS, max_edge_spread_mm=4.0, max_mm_per_px=1.2))
    assert not coarse.usable
    assert "1.30 mm wide on the panel (allowed: 1.20 mm)" in coarse.notes[0].text


# Pairs, smoothing, exposure -------------------------------------------------------------------------------------------


def test_a_repeat_exposure_tells_the_noise() -> None:
    picture, quads = drawn_panel(0.8)
    first, again = (image_of(noisy(picture, 100, seed)) for seed in (1, 2))
    quality = assess(first, pictures_of(quads, SMALL), LIMITS, repeat=(again,))
    assert quality.signal_to_noise_from == "pair"
    assert quality.signal_to_noise == pytest.approx(40, rel=0.03)
    # With a dark exposure the background is what it shows, here nothing at all.
    dark = image_of(np.zeros_like(picture))
    with_dark = assess(first, pictures_of(quads, SMALL), LIMITS, repeat=(again,), dark=(dark,))
    assert with_dark.signal_to_noise == pytest.approx(43, rel=0.03)


@pytest.mark.parametrize(
    ("change", "code"), [(lambda p: p, "quality.pair_copied"), (lambda p: 1.2 * p, "quality.pair_differs")]
)
def test_a_repeat_that_is_none_is_said_and_not_used(change: Callable, code: str) -> None:
    picture, quads = drawn_panel(0.8)
    raw = noisy(picture, 100)
    quality = assess(image_of(raw), pictures_of(quads, SMALL), LIMITS, repeat=(image_of(change(raw)),))
    assert quality.signal_to_noise_from == "image"
    assert quality.signal_to_noise == pytest.approx(40, rel=0.06)
    assert code in [note.code for note in quality.notes]


def _jpeg(counts: NDArray[np.floating], quality: int) -> NDArray[np.float32]:
    small = np.clip(np.round(counts / 16), 0, 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE).astype(np.float32) * 16


SMOOTHINGS: dict[str, Callable[[NDArray[np.float32]], NDArray[np.float32]]] = {
    "gaussian": lambda counts: cv2.GaussianBlur(counts, (0, 0), 0.8),
    "median": lambda counts: cv2.medianBlur(np.round(counts).astype(np.uint16), 3).astype(np.float32),
    "jpeg 80": lambda counts: _jpeg(counts, 80),
    "jpeg 50": lambda counts: _jpeg(counts, 50),
}
"""What a camera or a program may do to a picture before it stores it."""


@pytest.mark.parametrize("panel", range(1, len(FREE_PANELS), 11))
def test_smoothing_is_seen_and_does_not_raise_the_figure_on_real_cells(panel: int) -> None:
    layout = Layout(1, 2, 6)
    laid = seen_by(lay_out(panel, layout), tilted_view(2000, 800, 2.0, (1.5, 1.0)))
    pictures = pictures_of(laid.quads, layout)
    raw = noisy(laid.picture * 12.0, 60)
    plain = assess(image_of(raw, 12), pictures, LIMITS)
    assert "quality.smoothed" not in [note.code for note in plain.notes]
    assert plain.signal_to_noise is not None
    for name, smooth in SMOOTHINGS.items():
        smoothed = assess(image_of(smooth(raw), 12), pictures, LIMITS)
        assert "quality.smoothed" in [note.code for note in smoothed.notes], name
        # The noise of the fine pixels alone would make it up to eight times as good (measured).
        assert smoothed.signal_to_noise == pytest.approx(plain.signal_to_noise, rel=0.75), name


def test_exposure_advice_by_hand() -> None:
    # 12 bits, ground at 100 counts, bright parts at 600: (0.7 * 4095 - 100) / 500 = 5.53 times as long.
    picture, quads = drawn_panel(0.0, turn_deg=0, dark=100, bright=600)
    dim = assess(image_of(noisy(picture, 0.5), 12), pictures_of(quads, SMALL), replace(LIMITS, min_signal_to_noise=500))
    assert dim.exposure_factor == pytest.approx(5.53, rel=0.02)
    assert any("5.5 times as long" in note.text for note in dim.notes)
    well = np.where(picture > 300, 2500, 100)
    assert assess(image_of(noisy(well, 20), 12), pictures_of(quads, SMALL), LIMITS).exposure_factor is None
    # Everything at full scale: how much too much cannot be told, so at least to half.
    full = assess(image_of(np.where(picture > 300, 9000, 100), 12), pictures_of(quads, SMALL), LIMITS)
    assert full.exposure_factor == pytest.approx(0.5, abs=0.02)
    assert any("one part in 2.0" in note.text for note in full.notes)


def test_dark_parts_are_counted_and_too_many_are_refused() -> None:
    picture, quads = drawn_panel(0.0, turn_deg=0)
    half = picture.copy()
    half[:, : half.shape[1] // 2] = 300
    quality = assess(image_of(noisy(half, 50)), pictures_of(quads, SMALL), LIMITS)
    assert quality.dark_fraction == pytest.approx(0.5, abs=0.02)
    assert "quality.dark" not in [note.code for note in quality.notes]
    strict = assess(image_of(noisy(half, 50)), pictures_of(quads, SMALL), replace(LIMITS, max_dark_fraction=0.4))
    assert not strict.usable
    assert "contact of the probes" in strict.notes[0].text


def test_smallest_crack_by_hand() -> None:
    # Signal-to-noise 50, blur 1 px of 0.5 mm: 50 / sqrt(2 sqrt(pi)) = 26.56 a pixel of width and root pixel of length.
    # A tenth of a mm is 0.2 px: (7 / 5.311)^2 = 1.74 px, so six blurs decide: 6 px = 3 mm. 20 mm are 40 px:
    # 7 / (26.56 * 6.325) = 0.0417 px, below two per cent of contrast: 0.02 * 2.5066 = 0.0501 px = 0.0251 mm.
    assert smallest_crack(50, 1.0, 0.5) == pytest.approx((3.0, 0.02507), rel=1e-3)
    # Five times the noise: (35 / 5.311)^2 = 43.4 px = 21.7 mm, and 0.2084 px = 0.1042 mm.
    assert smallest_crack(10, 1.0, 0.5) == pytest.approx((21.7, 0.1042), rel=2e-3)


def test_the_smallest_crack_is_one_that_a_matched_filter_finds() -> None:
    # A line of that width and 20 mm length, blurred and noisy, summed with the weights of the blur.
    rng = np.random.default_rng(8)
    ratio, spread, mm_per_px = 12.0, 1.2, 0.5
    width_px = smallest_crack(ratio, spread, mm_per_px)[1] / mm_per_px
    across = np.arange(-8, 9)
    profile = width_px * np.exp(-(across**2) / (2 * spread**2)) / (np.sqrt(2 * np.pi) * spread)
    weights = profile / np.sqrt(np.sum(profile**2) * 40)
    found = [np.sum(weights * (profile + rng.normal(0, 1 / ratio, (40, 17)))) * ratio for _ in range(400)]
    assert np.mean(found) == pytest.approx(7.0, abs=0.2)
    assert np.std(found) == pytest.approx(1.0, abs=0.1)


# Saturation, scale ----------------------------------------------------------------------------------------------------


def test_saturated_share_is_of_the_cells_only() -> None:
    picture, quads = drawn_panel(0.0, turn_deg=0)
    picture = noisy(picture, 50)
    picture[:35] = 70000  # a lamp beside the panel
    inside = picture.copy()
    inside[41:160, 41:160] = 70000  # one cell of twelve
    clear = assess(image_of(picture), pictures_of(quads, SMALL), LIMITS)
    assert (clear.usable, clear.saturated_fraction) == (True, 0.0)
    full = assess(image_of(inside), pictures_of(quads, SMALL), LIMITS)
    # Every second pixel is looked at, with half a pixel of rim.
    assert full.saturated_fraction == pytest.approx(1 / 12, rel=0.08)
    assert not full.usable
    assert "% of the cells' pixels are saturated" in full.notes[0].text
    assert "allowed: 2.0 %" in full.notes[0].text
    # A full sensor is free of noise and worth nothing.
    everywhere = assess(image_of(20 * picture), pictures_of(quads, SMALL), LIMITS)
    assert everywhere.signal_to_noise is None
    assert [note.code for note in everywhere.notes] == ["quality.saturated", "quality.expose_shorter"]
    lax = replace(LIMITS, max_saturated_fraction=0.1)
    assert assess(image_of(inside), pictures_of(quads, SMALL), lax).usable


def test_size_of_a_pixel_only_where_the_cell_size_is_known() -> None:
    picture, quads = drawn_panel(0.8)
    image = image_of(noisy(picture, 50))
    assert assess(image, pictures_of(quads, SMALL), LIMITS).mm_per_px == pytest.approx(156 / CELL_PX, rel=1e-6)
    assert assess(image, pictures_of(quads, SMALL, scale_known=False), LIMITS).mm_per_px is None


def test_gain_and_offset_change_nothing_but_the_counts() -> None:
    picture, quads = drawn_panel(0.8)
    raw = noisy(picture, 200)
    plain = assess(image_of(raw), pictures_of(quads, SMALL), LIMITS)
    changed = assess(image_of(raw * 3 + 5000), pictures_of(quads, SMALL), LIMITS)
    assert changed.signal_to_noise == pytest.approx(plain.signal_to_noise, rel=0.01)
    assert changed.sharpness_px == pytest.approx(plain.sharpness_px, rel=0.01)


# Nothing found, nothing there -----------------------------------------------------------------------------------------


def test_without_a_panel_nothing_is_usable() -> None:
    picture, _ = drawn_panel(0.8)
    quality = assess(image_of(noisy(picture, 50)), None, LIMITS)
    assert (quality.usable, quality.signal_to_noise, quality.notes) == (False, None, ())
    bright = assess(image_of(np.where(picture > 1000, 70000, picture)), None, LIMITS)
    assert [note.code for note in bright.notes] == ["quality.saturated_picture"]


RNG = np.random.default_rng(3)


@pytest.mark.parametrize(
    ("counts", "bits", "code"),
    [
        (np.zeros((400, 600)), 16, "quality.black"),
        (np.full((400, 600), 255), 8, "quality.white"),
        (np.full((400, 600), 65535), 16, "quality.white"),
        (np.full((400, 600), 97), 8, "quality.one_value"),
        (np.full((1, 1), 40), 8, "quality.one_value"),
        (np.where(RNG.random((400, 600)) < 0.95, 4095, 4000), 12, "quality.overexposed"),
        (RNG.normal(300, 12, (400, 600)), 12, "quality.only_noise"),
        (RNG.integers(0, 256, (400, 600)), 8, "quality.only_noise"),
        (RNG.poisson(0.2, (400, 600)), 8, "quality.only_noise"),
        (np.where(RNG.random((400, 600)) < 1e-4, 4000, RNG.normal(100, 3, (400, 600))), 12, "quality.only_noise"),
    ],
)
def test_blank_images_are_named(counts: NDArray[np.floating], bits: int, code: str) -> None:
    reason = blank_reason(image_of(counts, bits))
    assert reason is not None
    assert reason.code == code
    assert "retake" in reason.text


@pytest.mark.parametrize("ratio", [0.3, 1, 5, 100])
def test_a_panel_is_not_blank_however_weak(ratio: float) -> None:
    picture, _ = drawn_panel(0.8)
    assert blank_reason(image_of(noisy(picture, 4000 / ratio) + 20000)) is None


@pytest.mark.parametrize("panel", range(0, len(FREE_PANELS), 7))
def test_a_single_real_cell_is_not_blank(panel: int) -> None:
    (cell,) = panel_cells(panel, 1).astype(np.float32)
    assert blank_reason(image_of(cell, 8)) is None
    assert blank_reason(image_of(noisy(cell, 20), 8)) is None
