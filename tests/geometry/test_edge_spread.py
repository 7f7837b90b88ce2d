"""Edges as the camera shows them: against a numerical convolution, and drawn profiles whose width is known."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from elinspect.geometry.edge_spread import TypicalEdge, blurred_step, fitted_spread

STEP = 0.02
PLACES = np.arange(-40, 40, STEP) + STEP / 2
SAMPLES = np.linspace(-10, 10, 37)
PX_PER_MM = 2.0


def _cell(edge: float, sign: int, depth: float, reach: float) -> NDArray[np.float64]:
    """Return the sharp light of a cell that ends at `edge` and lies on the side of `-sign`."""
    inside = sign * (edge - PLACES)
    return np.where(inside > 0, 1 - depth * np.exp(-np.maximum(inside, 0) / reach), 0.0)


def _seen(sharp: NDArray[np.float64], blur: float, stray: float, stray_px: float) -> NDArray[np.float64]:
    """Photograph light: stray light scatters as a normal distribution, as in the simulator; then all is blurred."""
    light = sharp + stray * gaussian_filter1d(sharp, stray_px / STEP, mode="nearest", truncate=6)
    return np.interp(SAMPLES, PLACES, gaussian_filter1d(light, blur / STEP, mode="nearest", truncate=8))


@pytest.mark.parametrize(("blur", "depth", "reach"), [(0.7, 0.0, 3.0), (1.2, 0.3, 2.0), (2.5, 0.2, 8.0)])
def test_the_step_is_a_rim_under_a_gaussian_blur(blur: float, depth: float, reach: float) -> None:
    light, slope = blurred_step(SAMPLES, blur, (depth, reach))
    sharp = _cell(0.0, 1, depth, reach)
    assert np.abs(light - _seen(sharp, blur, 0.0, 1.0)).max() < 2e-3
    ahead, behind = (blurred_step(SAMPLES + move, blur, (depth, reach))[0] for move in (1e-5, -1e-5))
    assert slope == pytest.approx((behind - ahead) / 2e-5, abs=1e-6)


@pytest.mark.parametrize("blur", [0.8, 1.5])
@pytest.mark.parametrize("stray", [0.0, 0.15])
@pytest.mark.parametrize("width_mm", [1.0, 2.0, 4.0])
def test_a_gap_lit_from_both_sides_keeps_its_width(blur: float, stray: float, width_mm: float) -> None:
    half, rim = width_mm * PX_PER_MM / 2, (0.25, 5.0)
    gap = _seen(_cell(-half, 1, *rim) + _cell(half, -1, *rim), blur, stray, 10.0)
    beside = _seen(_cell(-1.0, 1, *rim), blur, stray, 10.0)
    edges = [
        TypicalEdge(beside / beside[:8].mean(), SAMPLES, -1.5, outer=True),
        TypicalEdge(gap / gap[:8].mean(), SAMPLES, 2 * PX_PER_MM, outer=False),
    ]
    spread = fitted_spread(edges, 1.3, PX_PER_MM)
    assert spread.place_px[1] / PX_PER_MM == pytest.approx(width_mm, abs=0.03)
    assert spread.place_px[0] / PX_PER_MM == pytest.approx(-0.5, abs=0.03)
    assert spread.blur_px == pytest.approx(blur, rel=0.08)
    if stray and width_mm <= 2:
        assert spread.dark_share[1] > 1.3 * spread.dark_share[0]


def test_without_outer_edges_a_gap_that_gets_dark_is_measured_all_the_same() -> None:
    gap = _seen(_cell(-3.0, 1, 0.1, 4.0) + _cell(3.0, -1, 0.1, 4.0), 1.0, 0.05, 10.0)
    spread = fitted_spread([TypicalEdge(gap / gap[:8].mean(), SAMPLES, 4.0, outer=False)], 1.5, PX_PER_MM)
    assert spread.place_px[0] / PX_PER_MM == pytest.approx(3.0, abs=0.1)


def test_gain_changes_nothing_and_a_finer_picture_scales_all_lengths() -> None:
    gap = _seen(_cell(-2.0, 1, 0.2, 4.0) + _cell(2.0, -1, 0.2, 4.0), 1.1, 0.05, 10.0)
    coarse = fitted_spread([TypicalEdge(gap, SAMPLES, 4.0, outer=False)], 1.5, PX_PER_MM)
    fine = fitted_spread([TypicalEdge(gap, 3 * SAMPLES, 12.0, outer=False)], 4.5, 3 * PX_PER_MM)
    assert fine.place_px[0] == pytest.approx(3 * coarse.place_px[0], rel=1e-3)
    assert fine.blur_px == pytest.approx(3 * coarse.blur_px, rel=1e-3)
    bright = fitted_spread([TypicalEdge(1.2 * gap, SAMPLES, 4.0, outer=False)], 1.5, PX_PER_MM)
    assert bright.place_px[0] == pytest.approx(coarse.place_px[0], abs=0.02)
