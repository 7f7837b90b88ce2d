"""A panel of two pictures: both are seen, each flag in its own, nothing released before all was looked at."""

from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
from memory_desk import MemoryDesk
from painted_panel import CRACK, painted_panel
from PySide6.QtCore import Qt

from elinspect.catalogue import words
from elinspect.errors import ImageFileError
from elinspect.imaging import read_image
from elinspect.recipe import AddressScheme
from elinspect.records import Address, Disposition, ExposureFile, ExposureRole, Kind, PanelResult
from elinspect.vision import cv2
from elinspect_ui.pictures import read_pictures
from elinspect_ui.presenters.drawing import drawn_flag
from elinspect_ui.presenters.places import places_of
from elinspect_ui.presenters.state import PictureState
from elinspect_ui.viewer.scene import ScenePainter
from elinspect_ui.viewer.typical import typical_cell

Key = Qt.Key
CUT, OVERLAP = 160, 40
"""The right picture begins here, and shows so much of the left one again (pixels)."""


def two_pictures(path: Path, flagged: list, serial: str = "000123") -> PanelResult:
    """Return a drawn panel cut into a left picture (positions 1 and 2) and a right one (3 and 4)."""
    whole = painted_panel(path, flagged, serial=serial)
    stored = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    right_path = path.with_suffix(".right.png")
    for part, where in ((stored[:, : CUT + OVERLAP], path), (stored[:, CUT - OVERLAP :], right_path)):
        assert cv2.imwrite(str(where), part)
    files = [
        ExposureFile(str(each), sha256(each.read_bytes()).hexdigest(), ExposureRole.FULL_CURRENT)
        for each in (path, right_path)
    ]
    image = replace(
        whole.image,
        sha256=files[0].sha256,
        width_px=CUT + OVERLAP,
        tiles=(str(right_path),),
        files=tuple(files),
    )
    return replace(
        whole,
        image=image,
        cells=tuple(_moved(cell, cell.address.position, "corners_px") for cell in whole.cells),
        flags=tuple(_moved(flag, flag.position, "outline_px") for flag in whole.flags),
    )


def _moved(item, position: int, points: str):
    if position <= 2:
        return item
    there = tuple((x - (CUT - OVERLAP), y) for x, y in getattr(item, points))
    return replace(item, tile=1, **{points: there})


@pytest.fixture
def desk(tmp_path: Path) -> MemoryDesk:
    desk = MemoryDesk()
    flagged = [(Kind.CRACK, 1, 2, CRACK), (Kind.CRACK, 2, 4, CRACK), (Kind.CRACK, 3, 1, CRACK)]
    desk.arrive("a", two_pictures(tmp_path / "a.png", flagged))
    desk.arrive("b", two_pictures(tmp_path / "b.png", [], serial="000124"))
    return desk


def test_a_flag_brings_its_own_picture_to_the_front_and_its_close_up_is_cut_from_it(driver) -> None:
    view, flags = driver.window._panel.view, driver.window._flag
    seen = []
    for _ in range(3):
        line = driver.window.state.line
        assert view.number == line.flag.tile == (1 if line.flag.position > 2 else 0)
        assert view.picture.places.index_of(view.selected) is not None
        assert flags.flagged._picture is view.picture
        assert flags.good._picture is view.picture
        assert flags.good.address in view.picture.places.addresses
        seen.append(line.flag.position)
        driver.key(Key.Key_N)
    assert sorted(seen) == [1, 2, 4]


def test_nothing_is_released_before_every_picture_was_on_screen(driver, desk) -> None:
    driver.window._presenter.line.open("b")
    driver.until_picture("b")
    driver.until(lambda: driver.window.state.unseen == 6)
    driver.key(Key.Key_F6)
    assert driver.notice == words("desktop.unseen_of_several", n=6)
    assert desk.logged["b"].decision is None
    driver.key(Key.Key_V)
    assert driver.window._panel.view.number == 1
    driver.until(lambda: driver.window.state.unseen == 0)
    assert words("desktop.picture.which", place=2, total=2) in driver.window._panel.turn.text()
    driver.key(Key.Key_F6)
    assert desk.logged["b"].decision.disposition is Disposition.ACCEPT


def test_the_button_turns_like_the_key_and_is_not_there_for_one_picture(driver, desk, tmp_path: Path) -> None:
    turn, view = driver.window._panel.turn, driver.window._panel.view
    before = view.number
    turn.click()
    assert view.number == 1 - before
    desk.arrive("single", painted_panel(tmp_path / "single.png", [], serial="000125"))
    driver.window._presenter.line.open("single")
    driver.until_picture("single")
    assert not turn.isVisible()
    driver.key(Key.Key_V)
    assert driver.notice == words("desktop.picture.only_one")


def test_looking_at_the_next_picture_brings_its_own_flag(driver, desk, tmp_path: Path) -> None:
    view = driver.window._panel.view
    places = []
    for _ in range(3):
        driver.key(Key.Key_V)
        assert driver.window.state.line.flag.tile == view.number
        places.append((view.number, driver.window.state.line.flag.position))
    first = 1 - places[0][0]
    assert [number for number, _ in places] == [1 - first, first, 1 - first]
    assert {position for number, position in places if number == 1} == {4}
    desk.arrive("left only", two_pictures(tmp_path / "left.png", [(Kind.CRACK, 1, 1, CRACK)], serial="000126"))
    driver.window._presenter.line.open("left only")
    driver.until_picture("left only")
    driver.key(Key.Key_V)
    assert view.number == 1
    assert driver.notice == words("desktop.picture.flag_elsewhere", place=1, total=2, key="Z")
    driver.key(Key.Key_Z)
    assert view.number == 0


def test_what_is_drawn_in_the_second_picture_is_a_flag_of_that_file(tmp_path: Path) -> None:
    panel = two_pictures(tmp_path / "a.png", [])
    places = places_of(panel, CUT + OVERLAP, 250, 1)
    assert {address.position for address in places.addresses} == {3, 4}
    corners = places.quads[places.index_of(Address(2, 4))]
    flag = drawn_flag(places, Kind.CRACK, corners[[0, 2]], None, AddressScheme(), 2.6)
    assert (flag.string, flag.position, flag.tile) == (2, 4, 1)
    stored = next(cell for cell in panel.cells if cell.address == Address(2, 4)).corners_px
    assert np.allclose(flag.outline_px, [stored[0], stored[2]], atol=0.01)


def test_both_pictures_have_one_contrast_and_their_own_typical_cell(tmp_path: Path) -> None:
    panel = two_pictures(tmp_path / "a.png", [])
    left, right = read_pictures(read_image, panel)
    assert left.automatic == right.automatic
    assert left.steps_per_count == right.steps_per_count
    own = typical_cell(right.levels[0], 1, right.places, panel)
    assert own is not None
    assert {address.position for address in own.own} == {3, 4}


@pytest.mark.parametrize("damage", ["exchanged", "gone"])
def test_a_further_picture_that_is_not_the_inspected_one_shows_none_of_the_panel(
    desk, open_window, damage: str
) -> None:
    right = Path(desk.results["a"].image.tiles[0])
    if damage == "gone":
        right.unlink()
    else:
        right.write_bytes(Path(desk.results["b"].image.tiles[0]).read_bytes())
        with pytest.raises(ImageFileError):
            read_pictures(read_image, desk.results["a"])
    driver = open_window(desk)
    driver.until(lambda: driver.window.state.picture is PictureState.FAILED)
    driver.key(Key.Key_C)
    assert not desk.logged["a"].verdicts


def test_an_earlier_attempt_is_laid_over_each_picture(driver, desk, tmp_path: Path) -> None:
    again = two_pictures(tmp_path / "again.png", [(Kind.CRACK, 2, 4, CRACK)])
    desk.arrive("again", replace(again, attempt=2))
    driver.window._presenter.line.open("again")
    driver.until_picture("again")
    view = driver.window._panel.view
    assert view.number == 1
    driver.key(Key.Key_E)
    driver.until(lambda: view.earlier_shown)
    earlier, lines = view._earlier
    assert [line.flag.position for line in lines] == [4]
    assert np.allclose(earlier.places.quads, view.picture.places.quads, atol=1.0)
    driver.key(Key.Key_V)
    assert view.number == 0
    assert view.earlier_shown
    assert {line.flag.position for line in view._earlier[1]} == {1, 2}
    driver.window._on_screen._pictures._kept.pop("a")  # given up for others meanwhile
    driver.key(Key.Key_V)
    assert not view.earlier_shown
    assert driver.window._panel._top.currentIndex() == 0


def test_strings_are_numbered_where_the_panel_ends_not_over_cells_of_the_neighbouring_picture(driver) -> None:
    view = driver.window._panel.view
    assert view.number == 0
    sides = []
    for number in (0, 1):
        view.turn_to(number)
        outline = view.viewport.to_screen(view.picture.places.outline)
        sides.append([x < outline[:, 0].mean() for x in _written_at(view, "2")])
    assert sides == [[True], [False]]


def _written_at(view, text: str) -> list[float]:
    """Return where along the picture a string's number is written; numbers of positions stand above the cells."""
    written: list[tuple[str, float, float]] = []

    def note(_painter, said, place, _colour) -> None:
        written.append((said, place.x(), place.y()))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("elinspect_ui.viewer.rulers.draw_words", note)
        view._painter = ScenePainter()
        view.grab()
    top = float(view.viewport.to_screen(view.picture.places.outline)[:, 1].min())
    return [x for said, x, y in written if said == text and y > top]
