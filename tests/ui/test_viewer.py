"""The picture on screen: coordinates, levels, contrast, close-ups."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from painted_panel import painted_panel
from PySide6.QtGui import QFont, QImage, QPainter
from PySide6.QtWidgets import QApplication
from results import flag, result

from elinspect.imaging import read_image
from elinspect.recipe import AddressScheme
from elinspect.records import Address, ElImage, read_only
from elinspect_ui.presenters.flag_lines import FlagLine, Standing
from elinspect_ui.presenters.places import places_of, through
from elinspect_ui.viewer.close_up import Place, place_around, screen_from_gate
from elinspect_ui.viewer.marks import cell_marks
from elinspect_ui.viewer.picture import Contrast, make_picture, render
from elinspect_ui.viewer.scene import Scene, ScenePainter
from elinspect_ui.viewer.viewport import LARGEST_SCALE, Viewport

size = st.floats(50, 4000)
place = st.floats(-5000, 5000)


def _image(counts: np.ndarray, saturation: float = 4095.0) -> ElImage:
    return ElImage(Path("drawn.png"), "0" * 64, read_only(counts.astype(np.float32)), 12, saturation)


@given(size, size, st.floats(0.01, 16), place, place, place, place)
def test_screen_and_gate_view_are_one_another_s_way_back(width, height, scale, cx, cy, x, y) -> None:
    viewport = Viewport(width, height, scale, cx, cy)
    ((sx, sy),) = viewport.to_screen(np.array([[x, y]]))
    assert viewport.to_gate(sx, sy) == pytest.approx((x, y), abs=1e-6)
    raised = viewport.screen_from_gate() @ (x, y, 1)
    assert raised[:2] == pytest.approx((sx, sy), abs=1e-6)


@given(st.floats(0.01, 10), st.floats(0, 800), st.floats(0, 600), st.floats(0.05, 8))
def test_zoom_keeps_the_point_under_the_pointer(scale, x, y, factor) -> None:
    viewport = Viewport(800, 600, scale, 321, 123)
    zoomed = viewport.zoomed(factor, x, y, 0.005)
    assert zoomed.to_gate(x, y) == pytest.approx(viewport.to_gate(x, y), abs=1e-6)
    assert zoomed.scale <= LARGEST_SCALE


@given(size, size, size, size)
def test_a_fitted_outline_lies_on_screen(width, height, across, down) -> None:
    outline = np.array([[10.0, 20.0], [10 + across, 20.0], [10 + across, 20 + down], [10.0, 20 + down]])
    shown = Viewport(width, height).fitted(outline, margin=20).to_screen(outline)
    assert (shown >= 20 - 1e-6).all()
    assert (shown <= np.array([width, height]) - 20 + 1e-6).all()


def test_dragging_moves_the_picture_with_the_pointer() -> None:
    viewport = Viewport(800, 600, 2.0, 100, 100)
    assert viewport.moved(30, -10).to_gate(430, 290) == pytest.approx(viewport.to_gate(400, 300))


def test_a_picture_cannot_be_lost() -> None:
    kept = Viewport(800, 600, 2.0, -900, 5000).kept_on(400, 300)
    assert (kept.centre_x, kept.centre_y) == (0, 299)


def test_the_pixels_of_the_camera_are_shown_where_the_viewport_says() -> None:
    counts = np.zeros((40, 60))
    counts[7, 13] = 4095
    picture = make_picture(_image(counts), result(layout="1x1", cells=()))
    viewport = Viewport(300, 200, 4.0, 13, 7)
    shown = render(picture, viewport.screen_from_gate(), 300, 200, Contrast(0, 65535).table())
    lit = np.argwhere(shown > 200)
    # Four screen pixels a side around the middle of the screen, where pixel (7, 13) has its centre.
    assert lit.min(axis=0).tolist() == [98, 148]
    assert lit.max(axis=0).tolist() == [101, 151]


@pytest.mark.parametrize("scale", [1.0, 0.5, 0.31, 0.07])
def test_a_bright_square_stays_in_its_place_at_every_level(scale) -> None:
    counts = np.full((1200, 1800), 100.0)
    counts[400:800, 600:1000] = 4000
    picture = make_picture(_image(counts), result(layout="1x1", cells=()))
    viewport = Viewport(900, 600, scale, 900, 600)
    shown = render(picture, viewport.screen_from_gate(), 900, 600, Contrast(0, 65535).table())
    rows, columns = np.nonzero(shown > 128)
    low, high = viewport.to_screen(np.array([[599.5, 399.5], [999.5, 799.5]]))
    low, high = np.clip([low, high], 0, [900, 600])
    assert (columns.min(), rows.min()) == pytest.approx(low, abs=1)
    assert (columns.max() + 1, rows.max() + 1) == pytest.approx(high, abs=1)


def test_a_turned_and_mirrored_picture_is_shown_in_the_gate_view() -> None:
    from dataclasses import replace

    counts = np.zeros((40, 60))
    counts[:20, :30] = 4000
    panel = result(layout="1x1", cells=())
    panel = replace(panel, panel=replace(panel.panel, rotation_deg=90, mirrored=True, corners_px=None))
    picture = make_picture(_image(counts), panel)
    viewport = Viewport(40, 60).fitted(np.array([[-0.5, -0.5], [39.5, 59.5]]))
    shown = render(picture, viewport.screen_from_gate(), 40, 60, Contrast(0, 65535).table())
    # Clockwise by 90° the top left quarter comes to the top right; mirrored, to the top left.
    assert shown[:28, :18].min() > 200
    assert shown[32:, :].max() < 50
    assert shown[:, 22:].max() < 50


def test_counts_are_kept_exactly_and_never_written() -> None:
    counts = np.arange(0, 4096, dtype=np.float64).reshape(64, 64)
    picture = make_picture(_image(counts), result(layout="1x1", cells=()))
    assert np.array_equal(picture.levels[0] / picture.steps_per_count, counts)
    with pytest.raises(ValueError, match="read-only"):
        picture.levels[0][0, 0] = 1


def test_16_bit_counts_need_no_scaling() -> None:
    counts = np.array([[0.0, 65535.0], [1.0, 40000.0]])
    picture = make_picture(_image(counts, 65535.0), result(layout="1x1", cells=()))
    assert picture.steps_per_count == 1
    assert picture.levels[0].tolist() == [[0, 65535], [1, 40000]]


def test_contrast_between_two_steps() -> None:
    table = Contrast(100, 200).table()
    assert [table[at] for at in (0, 100, 150, 200, 65535)] == [0, 0, 128, 255, 255]
    lighter = Contrast(100, 200, gamma=0.5).table()
    assert lighter[125] == 128  # sqrt(0.25) = 0.5
    assert Contrast(5, 5).table().max() == 255


def test_the_automatic_contrast_looks_at_the_panel_and_not_around_it(tmp_path: Path) -> None:
    panel = painted_panel(tmp_path / "p.png", [], cell_px=80)
    image = read_image(tmp_path / "p.png")
    picture = make_picture(image, panel)
    field = image.counts[30:-30, 30:-30] * picture.steps_per_count
    assert picture.automatic.high == pytest.approx(np.percentile(field, 99.7), rel=0.02)
    whole = np.percentile(image.counts * picture.steps_per_count, 0.5)
    assert picture.automatic.low > whole


def test_a_constant_picture_can_be_shown() -> None:
    picture = make_picture(_image(np.full((30, 30), 7.0)), result(layout="1x1", cells=()))
    assert picture.automatic.high > picture.automatic.low


def test_doubtful_flags_mark_no_cell() -> None:
    sure = flag("m1", string=1, position=2)
    doubtful = replace(flag("m2", string=1, position=3), limit=None, probability=0.02, doubtful=True)
    lines = [FlagLine(each, Standing.BELOW_LIMITS, each.kind, AddressScheme()) for each in (sure, doubtful)]
    assert [(mark.address, mark.further) for mark in cell_marks(lines)] == [(Address(1, 2), 0)]


def test_a_close_up_shows_the_same_place_of_another_cell(tmp_path: Path) -> None:
    places = places_of(result(), 500, 400)
    outline = np.array([[210.0, 110.0], [220.0, 130.0]])
    part = place_around(places, Address(1, 2), outline, whole=False)
    assert part.width == pytest.approx(part.height)
    assert 0.4 <= part.width <= 1.1
    middle = (part.left + part.width / 2, part.top + part.height / 2)
    for address, origin in ((Address(1, 2), (200, 100)), (Address(2, 3), (300, 200))):
        matrix = screen_from_gate(places, address, part, 200)
        shown = through(matrix, np.array([[origin[0] + 95 * middle[0], origin[1] + 95 * middle[1]]]))
        assert shown[0] == pytest.approx((100, 100), abs=1e-6)


def test_a_close_up_stays_on_its_cell() -> None:
    places = places_of(result(), 500, 400)
    corner = np.array([[201.0, 101.0], [203.0, 103.0]])
    part = place_around(places, Address(1, 2), corner, whole=False)
    assert part.left == pytest.approx(-0.04)
    assert part.top == pytest.approx(-0.04)
    assert place_around(places, Address(1, 2), corner, whole=True) == Place(
        pytest.approx(-0.04), pytest.approx(-0.04), pytest.approx(1.08), pytest.approx(1.08)
    )
    assert place_around(places, Address(9, 9), corner, whole=True) is None


def test_a_cell_that_was_not_judged_is_struck_through_on_screen(qapp: QApplication) -> None:
    panel = result()
    struck = replace(panel, cells=tuple(replace(cell, judged=cell.address != Address(1, 2)) for cell in panel.cells))
    images = []
    for each in (panel, struck):
        picture = make_picture(_image(np.full((400, 500), 500.0)), each)
        viewport = Viewport(500, 400, 1.0, 249.5, 199.5)
        scene = Scene(picture, Contrast(0, 65535).table(), viewport, 1.0, (), None, None, AddressScheme(), QFont())
        image = QImage(500, 400, QImage.Format.Format_RGB32)
        painter = QPainter(image)
        ScenePainter().paint(painter, scene)
        painter.end()
        images.append(np.frombuffer(image.constBits(), np.uint8).reshape(400, 500, 4).copy())
    rows, columns = np.nonzero((images[0] != images[1]).any(axis=2))
    # The cell lies at (200, 100) to (295, 195) of the picture.
    assert (rows.min(), columns.min()) == pytest.approx((100, 200), abs=4)
    assert (rows.max(), columns.max()) == pytest.approx((195, 295), abs=4)
