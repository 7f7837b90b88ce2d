"""Where cells lie in the gate view; flags from what was drawn."""

from dataclasses import replace

import numpy as np
import pytest
from results import cells, result

from elinspect.errors import ElinspectError
from elinspect.recipe import AddressScheme
from elinspect.records import Address, Kind, Layout, Source
from elinspect_ui.presenters.drawing import changed_flag, drawn_flag
from elinspect_ui.presenters.places import good_cell, homography, places_of, through

# Cell (string, position) has its top left corner at (100 position, 100 string) of the file and is 95 px wide.
WIDTH, HEIGHT = 500, 400


def _turned(rotation_deg: int, mirrored: bool):
    panel = result()
    return replace(panel, panel=replace(panel.panel, rotation_deg=rotation_deg, mirrored=mirrored))


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
def test_file_and_gate_view_are_one_another_s_way_back(rotation_deg, mirrored) -> None:
    places = places_of(_turned(rotation_deg, mirrored), WIDTH, HEIGHT)
    points = np.array([[0.0, 0.0], [499.0, 399.0], [12.5, 77.25]])
    assert np.allclose(places.to_file(places.to_gate(points)), points)
    gate = places.to_gate(np.array([[0.0, 0.0], [499.0, 0.0], [499.0, 399.0], [0.0, 399.0]]))
    assert gate.min() == pytest.approx(0)
    assert gate.max(axis=0) == pytest.approx((places.width_px - 1, places.height_px - 1))


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_cell_under_a_point_is_the_one_of_the_file(rotation_deg, mirrored) -> None:
    places = places_of(_turned(rotation_deg, mirrored), WIDTH, HEIGHT)
    inside = places.to_gate(np.array([[310.0, 220.0]]))[0]
    assert places.cell_at(*inside) == Address(2, 3)
    gap = places.to_gate(np.array([[297.5, 220.0]]))[0]
    assert places.cell_at(*gap) is None
    assert places.nearest_cell(*gap) in (Address(2, 2), Address(2, 3))


def test_a_stored_picture_turned_by_90_degrees_is_shown_upright() -> None:
    places = places_of(_turned(90, False), WIDTH, HEIGHT)
    # Clockwise by 90°: what was at the bottom left comes to the top left.
    assert places.to_gate(np.array([[0.0, 399.0]]))[0] == pytest.approx((0, 0))
    assert (places.width_px, places.height_px) == (400, 500)


def test_neighbours_follow_the_gate_view() -> None:
    places = places_of(result(), WIDTH, HEIGHT)
    assert places.neighbour(Address(1, 1), 1, 0) == Address(1, 2)
    assert places.neighbour(Address(1, 1), 0, 1) == Address(2, 1)
    assert places.neighbour(Address(1, 1), -1, 0) == Address(1, 1)
    turned = places_of(_turned(180, False), WIDTH, HEIGHT)
    assert turned.neighbour(Address(1, 1), -1, 0) == Address(1, 2)


def test_homography_of_a_known_square() -> None:
    # A square of side 2 at (1, 1) to the unit square: u = (x - 1) / 2.
    square = np.array([[1.0, 1.0], [3.0, 1.0], [3.0, 3.0], [1.0, 3.0]])
    unit = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    matrix = homography(square, unit)
    assert np.allclose(matrix, [[0.5, 0, -0.5], [0, 0.5, -0.5], [0, 0, 1]])
    assert np.allclose(through(matrix, np.array([[2.0, 2.5]])), [[0.5, 0.75]])


def test_a_good_cell_has_no_flag_is_judged_and_is_the_nearest_of_those_alike() -> None:
    panel = result(layout="1x5")
    changed = list(cells(Layout.parse("1x5")))
    changed[1] = replace(changed[1], judged=False)
    changed[3] = replace(changed[3], kind_scores={"crack": 0.45})
    panel = replace(panel, cells=tuple(changed))
    assert good_cell(panel, Address(1, 3), {Address(1, 3)}) == Address(1, 1)
    assert good_cell(panel, Address(1, 3), {Address(1, n) for n in (1, 3, 4, 5)}) is None


def test_a_drawn_box_has_its_share_of_the_cell() -> None:
    places = places_of(result(), WIDTH, HEIGHT)
    box = np.array([[200.0, 100.0], [247.5, 100.0], [247.5, 195.0], [200.0, 195.0]])
    made = drawn_flag(places, Kind.INACTIVE_AREA, box, None, AddressScheme(), 0.5)
    assert (made.string, made.position, made.source, made.limit) == (1, 2, Source.INSPECTOR, None)
    assert made.area_fraction == pytest.approx(0.5)
    assert made.length_mm is None
    assert made.box_px == pytest.approx((200, 100, 47.5, 95))


def test_a_drawn_line_is_measured_only_where_the_scale_is_known() -> None:
    places = places_of(result(), WIDTH, HEIGHT)
    line = np.array([[110.0, 210.0], [140.0, 250.0]])
    assert drawn_flag(places, Kind.CRACK, line, None, AddressScheme(), 0.5).length_mm == pytest.approx(25)
    assert drawn_flag(places, Kind.CRACK, line, None, AddressScheme(), None).length_mm is None


def test_string_and_panel_kinds_take_their_whole_place() -> None:
    places = places_of(result(), WIDTH, HEIGHT)
    string = drawn_flag(places, Kind.DARK_STRING, None, Address(2, 1), AddressScheme(), None)
    assert (string.string, string.position) == (2, None)
    assert string.box_px == pytest.approx((100, 200, 295, 95))
    panel = drawn_flag(places, Kind.OPEN_CIRCUIT, None, None, AddressScheme(), None)
    assert (panel.string, panel.position) == (None, None)
    assert "panel" in panel.message.text


def test_a_flag_off_the_cells_is_refused_in_words() -> None:
    places = places_of(result(), WIDTH, HEIGHT)
    with pytest.raises(ElinspectError, match="no cell at this place"):
        drawn_flag(places, Kind.CRACK, np.array([[5.0, 5.0], [9.0, 9.0]]), None, AddressScheme(), None)


def test_added_flags_never_share_an_id() -> None:
    places = places_of(result(), WIDTH, HEIGHT)
    made = [drawn_flag(places, Kind.OTHER, None, Address(1, 1), AddressScheme(), None).id for _ in range(50)]
    assert len(set(made)) == 50


def test_a_cell_flag_that_becomes_one_of_the_string_loses_its_position() -> None:
    places = places_of(result(), WIDTH, HEIGHT)
    made = drawn_flag(places, Kind.DARK_CELL, None, Address(2, 3), AddressScheme(), None)
    changed = changed_flag(made, Kind.BRIDGED_STRING, AddressScheme())
    assert (changed.string, changed.position, changed.kind) == (2, None, Kind.BRIDGED_STRING)
    assert "string 2" in changed.message.text
