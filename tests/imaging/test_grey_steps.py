"""Steps of grey: hand-checkable patches, stretched files, noise that covers the steps, real cells."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_quality import LIMITS, SMALL, assess, drawn_panel, image_of, noisy, pictures_of
from numpy.typing import NDArray
from real_cells import FREE_PANELS, lay_out

from elinspect.imaging.figures import smallest_crack
from elinspect.imaging.grey_steps import grey_steps
from elinspect.records import Layout


def _codes(picture: NDArray[np.floating], quads: NDArray[np.float64], bits: int = 8) -> tuple[bool, list[str]]:
    quality = assess(image_of(picture, bits), pictures_of(quads, SMALL), LIMITS)
    return quality.usable, [note.code for note in quality.notes]


def test_steps_by_hand() -> None:
    patch = np.array([[12, 13, 14], [13, 13, 13], [14, 12, 13]], np.float32)[None, None]
    assert grey_steps(patch, ground=3, noise=0.29) == 10
    # Stored in 16 bits, each of the 8-bit values times 257: a step is 257 counts.
    assert grey_steps(257 * patch, ground=257 * 3, noise=75) == 10
    # Noise of half a step carries the pixels over the steps.
    assert grey_steps(patch, ground=3, noise=0.5) is None
    # One value everywhere: whole counts.
    assert grey_steps(np.full((1, 1, 3, 3), 13, np.float32), ground=3, noise=0.29) == 10


def test_a_picture_of_12_bits_has_steps_enough() -> None:
    picture, quads = drawn_panel(0.8, bright=3300)
    few = assess(image_of(noisy(picture, 0.3), 12), pictures_of(quads, SMALL), LIMITS)
    assert few.grey_steps == pytest.approx(3000, rel=0.02)
    assert assess(image_of(noisy(picture, 60), 16), pictures_of(quads, SMALL), LIMITS).grey_steps is None


@pytest.mark.parametrize("stretched", [1, 16, 257])
def test_a_dim_picture_is_refused_with_what_to_do_however_it_was_stretched(stretched: int) -> None:
    picture, quads = drawn_panel(0.8, dark=2, bright=14)
    dim = np.round(noisy(picture, 0.3)) * stretched
    quality = assess(image_of(dim, 8 if stretched == 1 else 16), pictures_of(quads, SMALL), LIMITS)
    assert not quality.usable
    # Its ratio alone would pass: 12 counts over the noise of rounding, 0.29.
    assert quality.signal_to_noise is not None
    assert quality.signal_to_noise > LIMITS.min_signal_to_noise
    assert quality.grey_steps == pytest.approx(12, abs=0.5)
    text = quality.notes[0].text
    assert "only 12 steps of grey" in text
    assert "needed: 20" in text
    assert "longer exposure time" in text
    assert "12 bits" in text
    assert assess(image_of(dim, 16), pictures_of(quads, SMALL), replace(LIMITS, min_grey_steps=10.0)).usable, (
        "the plant's limit decides"
    )


def test_few_steps_are_remarked_and_enough_are_not() -> None:
    picture, quads = drawn_panel(0.8, dark=2, bright=32)
    usable, codes = _codes(np.round(noisy(picture, 0.3)), quads)
    assert usable
    assert "quality.few_grey_steps" in codes
    assert "quality.expose_longer" in codes
    picture, quads = drawn_panel(0.8, dark=2, bright=102)
    assert _codes(np.round(noisy(picture, 0.3)), quads) == (True, [])


def test_noise_that_covers_the_steps_is_not_taken_for_rounding() -> None:
    picture, quads = drawn_panel(0.8, dark=5, bright=17)
    usable, codes = _codes(np.round(noisy(picture, 1.0)), quads)
    assert usable
    assert not {"quality.too_few_grey_steps", "quality.few_grey_steps"} & set(codes)


def test_few_steps_widen_the_narrowest_crack() -> None:
    length, width = smallest_crack(1000, 1.0, 0.5, steps=20)
    # One step of 20 is 5 % contrast: sqrt(2 pi) * 0.05 px of 0.5 mm.
    assert width == pytest.approx(np.sqrt(2 * np.pi) * 0.05 * 0.5)
    assert smallest_crack(1000, 1.0, 0.5, steps=200) == (length, pytest.approx(np.sqrt(2 * np.pi) * 0.02 * 0.5))


@pytest.mark.parametrize("panel", range(0, len(FREE_PANELS), 3))
def test_real_cells_of_8_bit_are_not_refused_and_dimmed_ones_are(panel: int) -> None:
    layout = Layout(1, 2, 6)
    laid = lay_out(panel, layout)
    pictures = pictures_of(laid.quads, layout)
    plain = assess(image_of(laid.picture, 8), pictures, LIMITS)
    codes = [note.code for note in plain.notes]
    assert not {"quality.too_few_grey_steps", "quality.few_grey_steps"} & set(codes)
    dim = assess(image_of(laid.picture * 12 / np.percentile(laid.picture, 99), 8), pictures, LIMITS)
    assert "quality.too_few_grey_steps" in [note.code for note in dim.notes]
    assert not dim.usable
