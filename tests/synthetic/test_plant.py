"""The invented plant: context, turning, and the fault of one lane."""

import csv
import itertools
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from elinspect.errors import ElinspectError
from elinspect.frames import CellPlace, LanePlace, block_of, lane_place, position_as_built
from elinspect.recipe import ProductRecipe
from elinspect.records import Address, Kind, Layout
from elinspect.synthetic import (
    PRODUCTS,
    Crack,
    DefectRates,
    LaneCause,
    Plant,
    demo_panels,
    product_recipe,
    simulate_plant,
    write_context_csv,
)
from elinspect.synthetic.plant import draw_production

COLUMNS = (
    "panel_serial,string,string_id,stringer,lane,turned,built_at,cell_lot,cell_supplier,cell_class,ribbon_lot,"
    "operator,layup_machine,bussing_machine,el_station"
)
NONE = DefectRates(0, 0, 0, 0, 0)
SMALL = tuple(product_recipe(name) for name in PRODUCTS)


def productions(plant: Plant, count: int, seed: int = 11):
    for number in range(count):
        recipe = plant.recipes[number % len(plant.recipes)]
        yield recipe, *draw_production(plant, seed, number, np.random.default_rng([seed, number]))


def test_the_shipped_products() -> None:
    recipes = [product_recipe(name) for name in PRODUCTS]
    assert [str(recipe.layout) for recipe in recipes] == ["6x10", "6x10", "2x6x12"]
    assert {recipe.cell.wafer.value for recipe in recipes} == {"mono", "multi"}


def test_context_has_a_row_for_each_string_and_every_second_lies_turned(tmp_path: Path) -> None:
    plant = Plant(SMALL)
    for recipe, context, _ in productions(plant, 6):
        assert [row.string for row in context] == list(range(1, recipe.layout.n_strings + 1))
        assert len({row.panel_serial for row in context}) == 1
        assert len({row.string_id for row in context}) == len(context)
        for row, following in itertools.pairwise(context):
            if block_of(recipe.layout, row.string) == block_of(recipe.layout, following.string):
                assert row.turned != following.turned
    path = write_context_csv(tmp_path / "new" / "context.csv", context)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0] == COLUMNS
    rows = list(csv.DictReader(lines))
    assert [row["turned"] for row in rows] == ["false", "true"] * (len(rows) // 2)
    assert all(datetime.fromisoformat(row["built_at"]).utcoffset() is not None for row in rows)
    assert rows[0]["panel_serial"].startswith("00")


def test_serials_are_unique_and_both_stringers_and_lanes_work() -> None:
    made = list(productions(Plant(SMALL), 60))
    assert len({context[0].panel_serial for _, context, _ in made}) == 60
    lanes = [(row.stringer, row.lane) for _, context, _ in made for row in context]
    assert set(lanes) == {("A", "1"), ("A", "2"), ("B", "1"), ("B", "2")}
    # No lane is always turned, or a machine cause could not be told from the side of the panel.
    turned = {(row.stringer, row.lane, row.turned) for _, context, _ in made for row in context}
    assert len(turned) == 8


def test_the_fault_cracks_only_its_lane_and_at_one_place_as_built() -> None:
    cause = LaneCause("B", "2", position=3, place=LanePlace(along=0.25, across=0.7), rate=0.6)
    places, in_panel, struck, of_lane = [], set(), 0, 0
    for recipe, context, defects in productions(Plant(SMALL, NONE, cause), 60):
        of_lane += sum((row.stringer, row.lane) == ("B", "2") for row in context)
        for defect in defects:
            assert isinstance(defect, Crack)
            row = context[defect.string - 1]
            assert (row.stringer, row.lane) == ("B", "2")
            assert position_as_built(recipe.layout, defect.position, row.turned) == 3
            points = np.array([(place.u, place.v) for path in defect.paths for place in path])
            middle = CellPlace(*points.mean(axis=0))
            seen = lane_place(middle, row.turned, recipe.camera.view_side, recipe.addresses.origin_corner)
            places.append((seen.along, seen.across))
            in_panel.add(Address(1, defect.position))
            struck += 1
    assert struck / of_lane == pytest.approx(0.6, abs=0.12)
    np.testing.assert_allclose(places, [(0.25, 0.7)] * len(places), atol=0.08)
    # In the panel's own frame the cracks lie at both ends of strings.
    assert len(in_panel) > 1


def test_a_sound_plant_has_no_cracks() -> None:
    assert not any(defects for _, _, defects in productions(Plant(SMALL, NONE, cause=None), 20))


def test_the_nth_panel_does_not_depend_on_those_before() -> None:
    recipe = ProductRecipe("small", "1", Layout.parse("2x3"), SMALL[0].cell)
    plant = Plant((recipe,), DefectRates(0.3, 0.3, 0.3, 0, 0), megapixels=0.1)
    third = next(itertools.islice(simulate_plant(plant, 5), 2, None))
    alone = next(simulate_plant(plant, 5, first=2))
    assert third.serial == alone.serial
    assert third.context == alone.context
    np.testing.assert_array_equal(third.panel.picture, alone.panel.picture)
    assert third.panel.picture.size == pytest.approx(0.1e6, rel=0.4)


@pytest.mark.parametrize("seed", range(5))
def test_the_demo_s_first_panel_has_something_to_rework(seed: int) -> None:
    first = next(demo_panels(seed))
    assert {d.kind for d in first.panel.defects} & {Kind.CRACK, Kind.INACTIVE_AREA, Kind.DARK_CELL}
    assert 5e6 < first.panel.picture.size < 9.5e6
    assert [row.panel_serial for row in first.context] == [first.serial] * first.recipe.layout.n_strings


def test_the_demo_mixes_products() -> None:
    made = itertools.islice(demo_panels(1), 3)
    assert sorted(str(panel.recipe.layout) for panel in made) == ["2x6x12", "6x10", "6x10"]


@pytest.mark.parametrize(
    ("wrong", "name"),
    [
        (lambda: Plant(()), "recipes"),
        (lambda: Plant(SMALL, megapixels=0), "megapixels"),
        (lambda: LaneCause(rate=2), "rate"),
        (lambda: LaneCause(position=0), "position"),
    ],
)
def test_bad_parameters_are_refused_by_name(wrong: object, name: str) -> None:
    with pytest.raises(ValueError, match=name):
        wrong()  # type: ignore[operator]


def test_a_context_file_that_cannot_be_written_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(ElinspectError, match="context"):
        write_context_csv(tmp_path, [])
