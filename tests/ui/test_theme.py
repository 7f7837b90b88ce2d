"""Colours and sizes."""

import pytest

from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.state import Tone
from elinspect_ui.theme import DARK, LIGHT, PICTURE_GROUND, Theme, standing_colour, style_sheet, text_px, tone_colour


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1 (https://www.w3.org/TR/WCAG21/#dfn-relative-luminance)."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_of_known_colours() -> None:
    # Black on white is 21 : 1 by definition; #767676 on white is the well-known 4.54 : 1.
    assert _contrast("#000000", "#ffffff") == pytest.approx(21)
    assert _contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=lambda theme: theme.name)
def test_every_text_reaches_level_aa(theme: Theme) -> None:
    inks = {theme.ink, theme.soft, theme.above, theme.below, theme.done, theme.added}
    inks |= {standing_colour(theme, standing, above) for standing in Standing for above in (True, False)}
    for ink in inks:
        for ground in (theme.ground, theme.surface, theme.raised):
            assert _contrast(ink, ground) >= 4.5, (ink, ground)
    assert _contrast(theme.ink_on_current, theme.current) >= 4.5


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=lambda theme: theme.name)
def test_what_is_chosen_stands_out(theme: Theme) -> None:
    # WCAG 2.1, 1.4.11: parts of controls need 3 : 1.
    for ground in (theme.surface, theme.raised):
        assert _contrast(theme.current, ground) >= 3.0


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=lambda theme: theme.name)
def test_notices_can_be_read(theme: Theme) -> None:
    for tone in Tone:
        assert _contrast(tone_colour(theme, tone), theme.surface) >= 4.5


def test_marks_stand_out_on_the_exposure() -> None:
    for standing in Standing:
        assert _contrast(standing_colour(DARK, standing, above=True), PICTURE_GROUND) >= 4.5


@pytest.mark.parametrize(("height", "size"), [(768, 13), (1080, 16), (2160, 31), (400, 13)])
def test_text_keeps_its_share_of_the_screen(height, size) -> None:
    assert text_px(height) == size
    assert text_px(height, 1) == size + 2


@pytest.mark.parametrize(("lines", "ratio"), [(768, 1.25), (768, 1.5), (768, 2.0), (1080, 1.5), (1080, 2.0)])
def test_scaling_makes_text_no_smaller_on_the_screen_and_lets_it_fit(lines, ratio) -> None:
    scaled = text_px(round(lines / ratio), 0, ratio)
    assert scaled * ratio >= text_px(lines) - 0.5 * ratio  # rounded to Qt's pixels
    assert scaled * 50 <= lines / ratio  # lines of text that must find room


def test_the_style_sheet_has_no_gap_left() -> None:
    assert "$" not in style_sheet(DARK, 13)
