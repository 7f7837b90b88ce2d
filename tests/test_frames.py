"""The three frames and the turn of the stored picture: round trips for every layout, corner, side and turn."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from elinspect.frames import (
    CellPlace,
    address_of,
    block_of,
    cell_index,
    cell_place,
    clockwise_from_top_left,
    gate_from_stored,
    grid_places,
    lane_place,
    position_as_built,
    stored_corner,
    then_turned,
)
from elinspect.records import Address, Corner, Layout, Orientation, ViewSide

layouts = st.builds(Layout, st.integers(1, 3), st.integers(1, 7), st.integers(1, 14))
orientations = st.builds(Orientation, st.sampled_from([0, 90, 180, 270]), st.booleans())
corners = st.sampled_from(list(Corner))
sides = st.sampled_from(list(ViewSide))
shares = st.floats(0, 1)


@given(layouts)
def test_address_round_trip_covers_every_cell_once(layout: Layout) -> None:
    addresses = [address_of(layout, index) for index in range(layout.n_cells)]
    assert [cell_index(layout, address) for address in addresses] == list(range(layout.n_cells))
    assert len(set(addresses)) == layout.n_cells


def test_strings_are_numbered_through_the_blocks() -> None:
    # 144 half cells: the design says block 2 holds strings 7-12 and lies right of block 1.
    layout = Layout.parse("2x6x12")
    assert [block_of(layout, string) for string in (1, 6, 7, 12)] == [1, 1, 2, 2]
    places = grid_places(layout)
    assert places[cell_index(layout, Address(1, 1))].tolist() == [0, 0]
    assert places[cell_index(layout, Address(6, 12))].tolist() == [5, 11]
    assert places[cell_index(layout, Address(7, 1))].tolist() == [0, 12]
    assert places[cell_index(layout, Address(12, 12))].tolist() == [5, 23]


@given(layouts, corners)
def test_every_place_of_the_grid_holds_one_cell(layout: Layout, origin: Corner) -> None:
    places = {tuple(place) for place in grid_places(layout, origin).tolist()}
    rows, columns = layout.grid_shape
    assert places == {(row, column) for row in range(rows) for column in range(columns)}


@pytest.mark.parametrize(
    ("origin", "place"),
    [
        (Corner.TOP_LEFT, [0, 0]),
        (Corner.TOP_RIGHT, [0, 9]),
        (Corner.BOTTOM_RIGHT, [5, 9]),
        (Corner.BOTTOM_LEFT, [5, 0]),
    ],
)
def test_the_first_cell_lies_at_the_origin(origin: Corner, place: list[int]) -> None:
    assert grid_places(Layout.parse("6x10"), origin)[0].tolist() == place


def test_an_address_outside_the_layout_is_a_bug() -> None:
    with pytest.raises(ValueError, match="outside layout 6x10"):
        cell_index(Layout.parse("6x10"), Address(7, 1))
    with pytest.raises(ValueError, match="outside layout 6x10"):
        address_of(Layout.parse("6x10"), 60)


def _turned(picture: np.ndarray, orientation: Orientation) -> np.ndarray:
    turned = np.rot90(picture, -(orientation.rotation_deg // 90))
    return turned[:, ::-1] if orientation.mirrored else turned


@given(orientations)
def test_the_turn_moves_points_as_numpy_moves_pixels(orientation: Orientation) -> None:
    picture = np.arange(28).reshape(4, 7)
    turned = _turned(picture, orientation)
    matrix = gate_from_stored(orientation, 7, 4)
    for y, x in np.ndindex(picture.shape):
        column, row, _ = np.rint(matrix @ [x, y, 1]).astype(int)
        assert turned[row, column] == picture[y, x]


@given(orientations, orientations)
def test_two_turns_make_one(first: Orientation, second: Orientation) -> None:
    picture = np.arange(28).reshape(4, 7)
    expected = _turned(_turned(picture, first), second)
    assert np.array_equal(_turned(picture, then_turned(first, second)), expected)


@given(orientations, corners)
def test_stored_corner_is_where_the_turn_takes_it_from(orientation: Orientation, corner: Corner) -> None:
    picture = np.array([["top_left", "top_right"], ["bottom_left", "bottom_right"]])
    place = {Corner.TOP_LEFT: (0, 0), Corner.TOP_RIGHT: (0, 1), Corner.BOTTOM_LEFT: (1, 0), Corner.BOTTOM_RIGHT: (1, 1)}
    assert _turned(picture, orientation)[place[corner]] == stored_corner(orientation, corner).value


@given(st.integers(0, 3), st.booleans())
def test_corners_are_ordered_clockwise_from_the_top_left(start: int, reverse: bool) -> None:
    expected = np.array([[1.0, 2.0], [9.0, 3.0], [8.0, 7.0], [0.5, 6.0]])
    given_order = np.roll(expected, start, axis=0)[:: -1 if reverse else 1]
    assert np.array_equal(clockwise_from_top_left(given_order), expected)
    stacked = clockwise_from_top_left(np.stack([given_order, given_order + 5]))
    assert np.array_equal(stacked, np.stack([expected, expected + 5]))


@given(layouts, st.data(), st.booleans())
def test_position_as_built_is_its_own_inverse(layout: Layout, data: st.DataObject, turned: bool) -> None:
    position = data.draw(st.integers(1, layout.cells_per_string))
    built = position_as_built(layout, position, turned)
    assert 1 <= built <= layout.cells_per_string
    assert position_as_built(layout, built, turned) == position


def test_the_leading_end_of_a_turned_string_is_its_last_position() -> None:
    layout = Layout.parse("6x10")
    assert position_as_built(layout, 10, turned=True) == 1
    assert position_as_built(layout, 1, turned=False) == 1


@given(shares, shares, st.booleans(), sides, corners)
def test_lane_and_gate_view_are_inverse(u: float, v: float, turned: bool, side: ViewSide, origin: Corner) -> None:
    place = cell_place(lane_place(CellPlace(u, v), turned, side, origin), turned, side, origin)
    assert (place.u, place.v) == pytest.approx((u, v))


@given(shares, shares, sides, corners)
def test_turning_a_string_is_turning_its_picture_by_half_a_turn(
    u: float, v: float, side: ViewSide, origin: Corner
) -> None:
    # One mark made by the machine: seen at (u, v) on a string that lies straight, at (1-u, 1-v) on a turned one.
    straight = lane_place(CellPlace(u, v), False, side, origin)
    turned = lane_place(CellPlace(1 - u, 1 - v), True, side, origin)
    assert (straight.along, straight.across) == pytest.approx((turned.along, turned.across))


@given(shares, shares, st.booleans(), corners)
def test_front_and_rear_view_are_mirror_pictures(u: float, v: float, turned: bool, origin: Corner) -> None:
    # Turning the panel over about its horizontal axis keeps left and right and swaps top and bottom.
    front = lane_place(CellPlace(u, v), turned, ViewSide.FRONT, origin)
    rear = lane_place(CellPlace(u, 1 - v), turned, ViewSide.REAR, origin)
    assert (front.along, front.across) == pytest.approx((rear.along, rear.across))


def test_the_lane_place_by_hand() -> None:
    # Seen from the front, position 1 left, not turned: the string left the stringer to the left. Looking left, the
    # left hand is at the bottom of the picture: the bottom-left corner of the cell is (along 0, across 0).
    corner = lane_place(CellPlace(0, 1), False, ViewSide.FRONT)
    assert (corner.along, corner.across) == (0, 0)
