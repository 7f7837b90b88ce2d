"""The annotated picture: marks where the flags are, data untouched, bands above and below."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from results import flag, result

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.records import Address, Kind
from elinspect.reports.annotated import annotate, stretched, write_annotated
from elinspect.vision import cv2

COUNTS = np.tile(np.linspace(100, 4000, 400, dtype=np.float32), (300, 1))


def _panel_part(picture: np.ndarray) -> np.ndarray:
    """The exposure's part of an annotated picture of COUNTS at twice its size, without the bands."""
    top = int(np.argmax((picture[:, 0] != picture[:, 799]).any(axis=1)))
    return picture[top : top + 600]


def test_a_flag_is_drawn_around_its_place_and_nowhere_else() -> None:
    area = flag(
        "m1", Kind.INACTIVE_AREA, "inactive_area.share", outline_px=((210.0, 110.0), (260.0, 110.0), (260.0, 160.0))
    )
    plain, marked = annotate(COUNTS, result(), width_px=800), annotate(COUNTS, result(area), width_px=800)
    changed = np.argwhere((_panel_part(plain) != _panel_part(marked)).any(axis=2))
    assert len(changed) > 50
    low, high = changed.min(axis=0) / 2, changed.max(axis=0) / 2
    assert np.all(low >= np.array([110, 210]) - 110)
    assert np.all(high <= np.array([160, 260]) + 110)


def test_doubtful_flags_are_not_drawn_but_counted() -> None:
    plain = annotate(COUNTS, result(), width_px=800)
    doubtful = annotate(COUNTS, result(replace(flag(), limit=None, doubtful=True)), width_px=800)
    assert np.array_equal(_panel_part(plain), _panel_part(doubtful))
    assert words("annotated.doubtful", n=1) == "1 doubtful flag is not drawn."
    assert not np.array_equal(plain[-40:], doubtful[-40:])


def test_the_line_itself_stays_visible() -> None:
    crack = flag(outline_px=((210.0, 150.0), (290.0, 150.0)))
    plain, marked = annotate(COUNTS, result(), width_px=800), annotate(COUNTS, result(crack), width_px=800)
    middle = _panel_part(marked)[301, 440:560]
    assert np.array_equal(middle, _panel_part(plain)[301, 440:560])


def test_the_exposure_is_not_touched() -> None:
    before = COUNTS.copy()
    annotate(COUNTS, result(flag()))
    assert np.array_equal(COUNTS, before)


def test_a_panel_that_was_not_found_still_gets_a_picture() -> None:
    from test_result_file import HELD

    assert annotate(COUNTS, HELD, width_px=800).shape[1] == 800


def test_stretching_keeps_order_and_survives_a_constant_picture() -> None:
    assert np.all(np.diff(stretched(COUNTS).astype(int), axis=1) >= 0)
    assert not stretched(np.full((5, 5), 7, np.float32)).any()


def test_the_file_is_a_picture(tmp_path: Path) -> None:
    write_annotated(tmp_path / "a.png", annotate(COUNTS, result(flag()), width_px=800))
    assert cv2.imread(str(tmp_path / "a.png")).shape[1] == 800


def test_a_folder_that_is_gone_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(ElinspectError, match="cannot be written"):
        write_annotated(tmp_path / "gone" / "a.png", np.zeros((2, 2, 3), np.uint8))


def test_a_cell_that_was_not_judged_is_struck_through() -> None:
    panel = result()
    # Its corners lie at (200, 100) to (295, 195).
    unjudged = [replace(cell, judged=cell.address != Address(1, 2)) for cell in panel.cells]
    plain, marked = (annotate(COUNTS, each, width_px=800) for each in (panel, replace(panel, cells=tuple(unjudged))))
    changed = np.argwhere((_panel_part(plain) != _panel_part(marked)).any(axis=2)) / 2
    assert changed.min() >= 98
    assert changed[:, 0].max() <= 197
    assert np.all((changed[:, 1] >= 198) & (changed[:, 1] <= 297))
    middle = np.abs(changed - (147.5, 247.5)).max(axis=1) < 1.5
    assert middle.any()
