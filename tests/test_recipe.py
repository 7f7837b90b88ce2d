"""Recipe and criteria files: what is right is read, what is wrong is named by file, table and key."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from elinspect.errors import SettingsFileError
from elinspect.recipe import (
    AddressScheme,
    CellFormat,
    Judgement,
    Numbering,
    ProductRecipe,
    assumed_product,
    default_criteria,
    read_address,
    read_criteria,
    read_recipe,
    write_address,
)
from elinspect.records import Corner, Disposition, Kind, Layout

RECIPE = """
schema = "elinspect.recipe/1"
name = "Meadow 144"
version = "3"
layout = "2x6x12"
[cell]
along_mm = 91
across_mm = 182
busbars = 10
cut_edge = "left"
[camera]
view_side = "rear"
rotation_deg = 90
[addresses]
origin_corner = "top_right"
strings = "letters"
"""


def _written(folder: Path, text: str) -> Path:
    path = folder / "product.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_recipe_is_read(tmp_path: Path) -> None:
    recipe = read_recipe(_written(tmp_path, RECIPE))
    assert recipe.layout == Layout(2, 6, 12)
    assert recipe.cell.across_mm == 182
    assert recipe.camera.rotation_deg == 90
    assert recipe.addresses.origin_corner is Corner.TOP_RIGHT
    assert recipe.label == "Meadow 144 3"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("along_mm = 91", "along_mm = 91\nalong_cm = 9", "cell.along_cm"),
        ("along_mm = 91", "along_mm = -91", "cell.along_mm"),
        ("along_mm = 91", "along_mm = nan", "cell.along_mm"),
        ("along_mm = 91", "along_mm = 9100", "cell.along_mm"),
        ("along_mm = 91", "along_mm = 91\nchamfer_mm = 92", "chamfer_mm"),
        ("[camera]", "[spacing]\ncell_gap_mm = -300\n[camera]", "spacing.cell_gap_mm"),
        ("rotation_deg = 90", "rotation_deg = 45", "camera.rotation_deg"),
        ('layout = "2x6x12"', 'layout = "2x6x"', "layout"),
        ('layout = "2x6x12"', "", "layout"),
        ("elinspect.recipe/1", "elinspect.recipe/9", "elinspect.recipe/9"),
        ("[cell]", "[cell", "TOML"),
        ('strings = "letters"', 'separator = ""', "addresses"),
        ("[camera]", "[circuit]\nseries = [[1, 2]]\n[camera]", "circuit.series"),
    ],
)
def test_a_wrong_recipe_is_named(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in RECIPE
    path = _written(tmp_path, RECIPE.replace(old, new))
    with pytest.raises(SettingsFileError) as caught:
        read_recipe(path)
    assert words in str(caught.value)
    assert "product.toml" in str(caught.value)


def test_a_missing_or_binary_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsFileError, match=r"gone\.toml does not exist"):
        read_recipe(tmp_path / "gone.toml")
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsFileError, match="cannot be read"):
        read_criteria(binary)


@pytest.mark.parametrize("text", ["6", "6x", "0x10", "6x10x", "6 by 10", "6x-1", "99x99", "1x6x10x2", "²x3", ""])
def test_a_wrong_layout_text_is_refused(text: str) -> None:
    with pytest.raises(SettingsFileError, match="not a layout"):
        Layout.parse(text)


@given(st.integers(1, 3), st.integers(1, 12), st.integers(1, 20))
def test_layout_text_round_trip(blocks: int, strings: int, cells: int) -> None:
    layout = Layout(blocks, strings, cells)
    assert Layout.parse(str(layout)) == layout


schemes = st.builds(
    AddressScheme,
    strings=st.sampled_from(list(Numbering)),
    positions=st.sampled_from(list(Numbering)),
    string_first=st.booleans(),
    separator=st.sampled_from(["-", ".", "/", " "]),
)


@given(st.sampled_from(["6x10", "2x6x12", "4x9", "1x30", "30x1"]), schemes, st.data())
def test_plant_addresses_round_trip(layout_text: str, scheme: AddressScheme, data: st.DataObject) -> None:
    layout = Layout.parse(layout_text)
    recipe = ProductRecipe("any", "1", layout, CellFormat(156, 156), addresses=scheme)
    string = data.draw(st.integers(1, layout.n_strings))
    position = data.draw(st.integers(1, layout.cells_per_string))
    assert read_address(recipe, write_address(scheme, string, position).lower()) == (string, position)


def test_letters_go_on_after_z() -> None:
    scheme = AddressScheme(strings=Numbering.LETTERS)
    assert [write_address(scheme, string, 1) for string in (1, 26, 27, 52, 53)] == [
        "A-1",
        "Z-1",
        "AA-1",
        "AZ-1",
        "BA-1",
    ]


def test_an_address_that_is_none_is_refused() -> None:
    recipe = assumed_product(Layout.parse("6x10")).recipe
    with pytest.raises(SettingsFileError, match="'7-1' is not an address"):
        read_address(recipe, "7-1")


def test_assumed_sizes_say_so() -> None:
    one, two = assumed_product(Layout.parse("6x10")), assumed_product(Layout.parse("2x6x12"))
    assert (one.recipe.cell.along_mm, one.scale_known, one.turn_known) == (156.0, False, False)
    assert (two.recipe.cell.along_mm, two.recipe.cell.across_mm) == (91.0, 182.0)


def test_the_shipped_criteria_rework_every_crack() -> None:
    criteria = default_criteria()
    (limit,) = criteria.kinds[Kind.CRACK].limits
    assert limit.disposition is Disposition.REWORK
    assert (limit.min_length_mm, limit.min_area_fraction, limit.modes) == (None, None, ())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[kinds.krack]\nlimits = []", "kinds.krack"),
        ("[kinds.crack]\nlimits = [{name = 'any'}]", "origin"),
        ("[kinds.crack]\nlimits = [{name = 'any', origin = 'x', disposition = 'accept'}]", "disposition"),
        ("[kinds.crack]\njudgement = 'shown'\nlimits = [{name = 'any', origin = 'x'}]", "shown"),
        ("[kinds.crack]\nlimits = [{name = 'a', origin = 'x'}, {name = 'a', origin = 'x'}]", "same name"),
        ("[kinds.inactive_area]\nlimits = [{name = 'a', origin = 'x', min_area_fraction = 8}]", "min_area_fraction"),
        ("[quality]\nmax_saturated_fraction = 1.5", "quality.max_saturated_fraction"),
    ],
)
def test_wrong_criteria_are_named(tmp_path: Path, text: str, words: str) -> None:
    path = _written(tmp_path, f"name = 'n'\nversion = '1'\n{text}\n")
    with pytest.raises(SettingsFileError) as caught:
        read_criteria(path)
    assert words in str(caught.value)


def test_a_kind_can_be_shown_only(tmp_path: Path) -> None:
    path = _written(tmp_path, "name = 'n'\nversion = '1'\n[kinds.material_pattern]\njudgement = 'shown'\n")
    assert read_criteria(path).kinds[Kind.MATERIAL_PATTERN].judgement is Judgement.SHOWN
