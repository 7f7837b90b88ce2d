"""Naming rule, exposure sets and side files: which file is what, what is missing, what is refused."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from elinspect.errors import ImageFileError, SettingsFileError
from elinspect.imaging import Camera, CameraSet, read_camera_set, read_panel, write_camera_file
from elinspect.imaging.capture import Capture, TileEntry, read_side_file
from elinspect.records import ExposureConditions, ExposureRole
from elinspect.vision import cv2

RULE = """
schema = "elinspect.capture/1"
name = "gate 1"
files = "{serial}{exposure}_{tile}"
side_file = "{serial}.json"
[exposures]
full_current = ""
low_current = "_low"
repeat = "_again"
[[tiles]]
name = "a"
camera = "a.npz"
at_px = [0, 0]
[[tiles]]
name = "b"
at_px = [30, 0]
"""


@pytest.fixture
def station(tmp_path: Path) -> CameraSet:
    (tmp_path / "capture.toml").write_text(RULE)
    write_camera_file(tmp_path / "a.npz", Camera("left", "2031-04-02", 40, 20))
    return read_camera_set(tmp_path / "capture.toml")


def taken(folder: Path, *names: str) -> list[Path]:
    rng = np.random.default_rng(len(names))
    paths = [folder / name for name in names]
    for path in paths:
        cv2.imwrite(str(path), rng.integers(0, 4000, (20, 40)).astype(np.uint16))
    return paths


def test_a_whole_set_is_found_from_any_of_its_files(station: CameraSet, tmp_path: Path) -> None:
    names = ["007_a.png", "007_b.png", "007_low_a.png", "007_low_b.tif", "007_again_a.png", "007_again_b.png"]
    paths = taken(tmp_path, *names)
    (tmp_path / "007.json").write_text('{"current_a": 9.1, "voltage_v": 41, "line": "north"}')
    for given_path in paths:
        (files,) = station.sets_of([given_path])
        assert (files.serial, files.refused, files.notes) == ("007", None, ())
        assert [path.name for path in files.full_current + files.low_current + files.repeat] == names
    assert len(station.sets_of(paths)) == 1
    exposures = read_panel(station.sets_of(paths)[0])
    assert exposures.serial == "007"
    assert [image.path.name for image in exposures.low_current] == ["007_low_a.png", "007_low_b.tif"]
    assert exposures.conditions == ExposureConditions(9.1, 41.0)
    assert station.setups[0].camera is not None
    assert [(setup.camera and setup.camera.name, setup.at_px) for setup in station.setups] == [
        ("left", (0, 0)),
        (None, (30, 0)),
    ]


def test_panels_keep_their_order_and_leading_zeros(station: CameraSet, tmp_path: Path) -> None:
    paths = taken(tmp_path, "0012_b.png", "12_a.png", "12_b.png", "0012_a.png")
    assert [files.serial for files in station.sets_of(paths)] == ["0012", "12"]


def test_a_missing_tile_is_refused_and_named(station: CameraSet, tmp_path: Path) -> None:
    (path,) = taken(tmp_path, "007_a.png")
    (files,) = station.sets_of([path])
    with pytest.raises(ImageFileError, match=r"1 tile of the panel is missing .*: 007_b"):
        read_panel(files)


def test_an_incomplete_companion_is_left_out_and_said(station: CameraSet, tmp_path: Path) -> None:
    paths = taken(tmp_path, "007_a.png", "007_b.png", "007_low_b.png")
    exposures = read_panel(station.sets_of(paths)[0])
    assert exposures.low_current == ()
    assert [note.code for note in exposures.notes] == ["capture.missing_companion"]
    assert "007_low_a is missing" in exposures.notes[0].text


def test_a_name_that_does_not_follow_the_rule_is_refused_alone(station: CameraSet, tmp_path: Path) -> None:
    paths = taken(tmp_path, "007_a.png", "holiday.png", "007_b.png")
    sets = station.sets_of(paths)
    assert [files.refused is None for files in sets] == [True, False]
    with pytest.raises(ImageFileError, match=r"holiday\.png does not follow the station's rule '\{serial\}"):
        read_panel(sets[1])


def test_without_a_rule_every_file_is_a_panel(tmp_path: Path) -> None:
    paths = taken(tmp_path, "x.png", "y.png")
    assert [files.full_current for files in CameraSet().sets_of(paths)] == [(paths[0],), (paths[1],)]
    assert read_panel(CameraSet().sets_of(paths)[0]).serial is None


def test_a_camera_file_alone_serves_single_pictures(tmp_path: Path) -> None:
    write_camera_file(tmp_path / "gate.npz", Camera("gate", "2031-04-02", 40, 20))
    known = read_camera_set(tmp_path / "gate.npz")
    assert known.capture is None
    assert [setup.camera is not None for setup in known.setups] == [True]


@given(serial=st.text(st.characters(codec="utf-8", exclude_characters="/\0\n\r"), min_size=1, max_size=12))
@settings(max_examples=40)
def test_names_and_rule_are_inverse(serial: str) -> None:
    roles = {ExposureRole.FULL_CURRENT: "", ExposureRole.LOW_CURRENT: "_low"}
    tiles = (TileEntry("l", None, (0, 0)), TileEntry("lr", None, (9, 0)))
    rule = Capture("c", files="{tile}-{serial}{exposure}", exposures=roles, tiles=tiles)
    for role in roles:
        for tile in rule.tiles:
            name = rule.name_of(serial, role, tile)
            found = rule.rule.fullmatch(name)
            assert found is not None
            # The rule reads every name it makes; where a serial ends like an exposure, the exposure wins.
            if not serial.endswith("_low"):
                assert (found["serial"], found["exposure"], found["tile"]) == (serial, roles[role], tile.name)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (RULE.replace("_{tile}", ""), "{tile}"),
        (RULE.replace("{serial}{exposure}_{tile}", "{serial}{exposure}_{tile}_{line}"), "{serial}"),
        (RULE.replace("{exposure}", ""), "{exposure}"),
        (RULE.replace('name = "b"', 'name = "a"'), "name of its own"),
        (RULE.replace("at_px = [30, 0]", ""), "at_px"),
        (RULE.replace('full_current = ""', ""), "full_current"),
        (RULE.replace("{serial}.json", "side.json"), "side_file"),
        (RULE.replace("low_current", "dim_current"), "exposures"),
        (RULE.replace('camera = "a.npz"', 'camera = "none.npz"'), "none.npz"),
    ],
)
def test_a_wrong_rule_is_refused_by_name(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "capture.toml").write_text(text)
    write_camera_file(tmp_path / "a.npz", Camera("left", "2031-04-02", 40, 20))
    with pytest.raises(SettingsFileError) as error:
        read_camera_set(tmp_path / "capture.toml")
    assert says in str(error.value)


@pytest.mark.parametrize(
    ("content", "says"),
    [("{", "line 1"), ("[1]", "table"), ('{"current_a": "nine"}', "current_a"), ('{"voltage_v": true}', "voltage_v")],
)
def test_a_side_file_that_cannot_be_read_is_left_out_and_said(
    station: CameraSet, tmp_path: Path, content: str, says: str
) -> None:
    paths = taken(tmp_path, "007_a.png", "007_b.png")
    (tmp_path / "007.json").write_text(content)
    exposures = read_panel(station.sets_of(paths)[0])
    assert exposures.conditions == ExposureConditions()
    assert [note.code for note in exposures.notes] == ["capture.side_file"]
    assert says in exposures.notes[0].text


def test_side_files_in_toml_and_json_say_the_same(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text("current_a = 9.5\ntemperature_c = 24\ntaken_at = 2031-04-02T06:00:00Z\n")
    (tmp_path / "s.json").write_text(json.dumps({"current_a": 9.5, "temperature_c": 24, "taken_at": "2031-04-02"}))
    toml, from_json = read_side_file(tmp_path / "s.toml"), read_side_file(tmp_path / "s.json")
    assert (toml.current_a, toml.temperature_c) == (from_json.current_a, from_json.temperature_c) == (9.5, 24.0)
    assert str(toml.taken_at).startswith("2031-04-02 06:00")
