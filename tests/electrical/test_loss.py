"""From flags to watts: datasheets, tables on disk, worst cases, hot spots, what is assumed."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pvlib.pvsystem import singlediode
from results import flag

from elinspect.catalogue import Message
from elinspect.electrical import LossModel, flag_loss, loss_model, panel_loss
from elinspect.electrical.cell import breakdown_voltage, cell_of
from elinspect.electrical.kept import _IN_MEMORY, bypass_groups_of, tables_for
from elinspect.electrical.loss import UNKNOWN_CRACK_SHARE
from elinspect.recipe import Circuit, Electrical, ProductRecipe, Wafer
from elinspect.records import CrackMode, Flag, Kind, Technology
from elinspect.synthetic.products import PRODUCTS, product_recipe

MONO, HALF = product_recipe("mono_6x10"), product_recipe("half_cut_2x6x12")


def _model(recipe: ProductRecipe) -> LossModel:
    model = loss_model(recipe)
    assert isinstance(model, LossModel)
    return model


def _flag(kind: Kind, string: int | None = 1, position: int | None = 2, **changes: object) -> Flag:
    plain: dict[str, object] = {"length_mm": None, "mode": None, "measurements": {}, "limit": None}
    message = Message("flag.plain", {"kind": kind.value, "address": "1-2"})
    return flag("", kind, **{**plain, "string": string, "position": position, "message": message, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize("name", PRODUCTS)
def test_the_cell_gives_back_the_datasheet(name: str) -> None:
    recipe = product_recipe(name)
    cell, data = cell_of(recipe), recipe.electrical
    assert cell is not None
    in_series = recipe.layout.n_cells // recipe.layout.blocks
    one = singlediode(cell.photocurrent_a, cell.saturation_a, cell.series_ohm, cell.shunt_ohm, cell.thermal_v)
    blocks = recipe.layout.blocks
    found = (one["v_oc"] * in_series, one["i_sc"] * blocks, one["v_mp"] * in_series, one["i_mp"] * blocks)
    assert found == pytest.approx((data.voc_v, data.isc_a, data.vmp_v, data.imp_a), rel=0.006)
    assert _model(recipe).tables.power_w == pytest.approx(data.power_w, rel=0.005)


def test_the_no_loss_limit_is_the_products_own() -> None:
    assert _model(MONO).no_loss_fraction == pytest.approx((10.1 - 9.56) / 10.1)
    assert _model(HALF).no_loss_fraction == pytest.approx((13.98 - 13.13) / 13.98)


@pytest.mark.parametrize(
    ("recipe", "volts", "code"),
    [
        (MONO, -18.0, "loss.breakdown_measured"),
        (replace(MONO, cell=replace(MONO.cell, wafer=Wafer.MULTI)), -13.0, "loss.breakdown_practice"),
        (replace(MONO, cell=replace(MONO.cell, technology=Technology.HJT_LIKE)), -15.0, "loss.breakdown_practice"),
        (replace(MONO, electrical=replace(MONO.electrical, cell_breakdown_v=-7.0)), -7.0, "loss.breakdown_given"),
    ],
)
def test_breakdown_voltage_and_where_it_comes_from(recipe: ProductRecipe, volts: float, code: str) -> None:
    found, origin = breakdown_voltage(recipe)
    assert (found, origin.code) == (volts, code)
    assert f"{volts:.0f} V" in origin.text


def test_without_data_no_watts_and_with_wrong_data_a_reason() -> None:
    nothing = loss_model(replace(MONO, electrical=Electrical()))
    assert isinstance(nothing, Message)
    assert nothing.code == "loss.no_data"
    impossible = Electrical(voc_v=40.0, isc_a=10.0, vmp_v=39.9, imp_a=9.99)
    refused = loss_model(replace(MONO, electrical=impossible))
    assert isinstance(refused, Message)
    assert refused.code == "loss.no_diode"


def test_tables_are_kept_and_a_damaged_file_is_built_again(tmp_path: Path) -> None:
    recipe = replace(MONO, electrical=replace(MONO.electrical, cell_breakdown_v=-16.5))
    built = tables_for(recipe, tmp_path)
    (kept,) = tmp_path.iterdir()
    _IN_MEMORY.clear()
    read = tables_for(recipe, tmp_path)
    kept.write_bytes(b"PK damaged")
    _IN_MEMORY.clear()
    again = tables_for(recipe, tmp_path)
    assert built is not None
    for other in (read, again):
        assert other is not None
        np.testing.assert_array_equal(other.lost, built.lost)
    other_key = tables_for(replace(recipe, electrical=replace(recipe.electrical, cell_breakdown_v=-16.0)), tmp_path)
    assert other_key is not None
    assert len(list(tmp_path.iterdir())) == 2


def test_a_healthy_panel_loses_nothing() -> None:
    loss = panel_loss((), _model(MONO))
    assert (loss.loss_w, loss.worst_loss_w, loss.cells) == (0.0, 0.0, ())
    assert loss.power_w == 320.0


def test_an_inactive_area_below_the_no_loss_limit_costs_next_to_nothing_and_above_it_much() -> None:
    model = _model(MONO)
    small, large = (
        panel_loss([_flag(Kind.INACTIVE_AREA, area_fraction=share)], model).loss_w / model.power_w
        for share in (0.8 * model.no_loss_fraction, 3 * model.no_loss_fraction)
    )
    assert small < 0.003
    assert large > 0.05


def test_areas_of_one_cell_add_up_and_each_flag_says_what_it_costs_alone() -> None:
    model = _model(MONO)
    halves = [_flag(Kind.INACTIVE_AREA, area_fraction=0.1) for _ in range(2)]
    together, alone = panel_loss(halves, model), flag_loss(halves[0], model)
    assert alone is not None
    assert together.loss_w > 3 * alone
    whole = panel_loss([_flag(Kind.INACTIVE_AREA, area_fraction=0.2)], model)
    assert together.loss_w == pytest.approx(whole.loss_w)
    doubtful = replace(halves[0], doubtful=True)
    assert panel_loss([halves[0], doubtful], model).loss_w == pytest.approx(alone)


def test_a_closed_crack_costs_nothing_now_and_at_worst_what_it_can_cut_off() -> None:
    model = _model(MONO)
    for mode in (CrackMode.A, CrackMode.B):
        loss = panel_loss([_flag(Kind.CRACK, mode=mode)], model)
        assert loss.loss_w == 0.0
        opened = panel_loss([_flag(Kind.INACTIVE_AREA, area_fraction=UNKNOWN_CRACK_SHARE)], model)
        assert loss.worst_loss_w == pytest.approx(opened.loss_w, abs=0.01)
    told = panel_loss([_flag(Kind.CRACK, mode=CrackMode.A, measurements={"could_cut_off_share": 0.1})], model)
    assert told.worst_loss_w < loss.worst_loss_w


def test_what_a_crack_cut_off_is_not_counted_twice() -> None:
    model = _model(MONO)
    crack = _flag(Kind.CRACK, mode=CrackMode.C, measurements={"could_cut_off_share": 0.2})
    area = _flag(Kind.INACTIVE_AREA, area_fraction=0.2)
    assert panel_loss([_flag(Kind.CRACK, mode=CrackMode.C)], model).loss_w == 0.0, "no guess counts as a loss now"
    alone = [panel_loss([each], model).loss_w for each in (crack, area)]
    assert alone[0] == pytest.approx(alone[1])
    assert panel_loss([crack, area], model).loss_w == pytest.approx(alone[0])
    assert panel_loss([crack, area], model).worst_loss_w > alone[0]


def test_a_solder_fault_costs_at_most_the_strip_its_stretch_serves() -> None:
    model = _model(MONO)
    strip = MONO.cell.along_mm / 2
    half, whole = (panel_loss([_flag(Kind.SOLDER_FAULT, length_mm=mm)], model).loss_w for mm in (strip, None))
    # Half of one of five busbars: a tenth of the cell.
    tenth = panel_loss([_flag(Kind.INACTIVE_AREA, area_fraction=0.1)], model).loss_w
    assert half == pytest.approx(tenth)
    assert whole == pytest.approx(panel_loss([_flag(Kind.INACTIVE_AREA, area_fraction=0.2)], model).loss_w)


def test_a_crack_that_opens_can_make_a_hot_spot() -> None:
    (cell,) = panel_loss([_flag(Kind.CRACK, mode=CrackMode.A)], _model(MONO)).cells
    assert cell.hot_spot
    assert cell.dissipated_w > 20.0
    (harmless,) = panel_loss([_flag(Kind.INACTIVE_AREA, area_fraction=0.01)], _model(MONO)).cells
    assert not harmless.hot_spot
    assert harmless.dissipated_w == 0.0


@pytest.mark.parametrize(("share", "less"), [(0.15, 0.75), (0.30, 0.75), (1.0, 1.03)])
def test_the_same_share_of_a_half_cell_costs_less_until_its_diode_conducts(share: float, less: float) -> None:
    full, half = (
        panel_loss([_flag(Kind.INACTIVE_AREA, area_fraction=share)], model).loss_w / model.power_w
        for model in (_model(MONO), _model(HALF))
    )
    assert half < less * full
    assert full < 0.36


@pytest.mark.parametrize(
    ("light", "volts_lost"),
    [(0.5, 0.0178), (0.2, 0.0413)],
)
def test_a_dark_cell_lacks_the_voltage_its_light_tells(light: float, volts_lost: float) -> None:
    model = _model(MONO)
    dark = _flag(Kind.DARK_CELL, measurements={"relative_luminance": light})
    loss = panel_loss([dark], model)
    assert loss.loss_w == pytest.approx(volts_lost * 9.56, rel=0.02)
    assert loss.worst_loss_w > 0.3 * model.power_w


def test_strings() -> None:
    model = _model(MONO)
    bridged = panel_loss([_flag(Kind.BRIDGED_STRING, 2, None)], model)
    assert bridged.loss_w == pytest.approx(320.0 / 6, rel=0.01)
    part = _flag(Kind.BRIDGED_STRING, 2, None, measurements={"first_position": 4, "last_position": 6})
    assert panel_loss([part], model).loss_w == pytest.approx(320.0 * 3 / 60, rel=0.01)
    opened = _flag(Kind.DARK_STRING, 2, None, measurements={"partner_luminance": 2.0, "relative_luminance": 0.1})
    half = _model(HALF)
    # One half of a third is gone, and the diode across both takes the other one along.
    assert 0.32 < panel_loss([opened], half).loss_w / half.power_w < 0.36
    assert [cell.position for cell in bridged.cells] == [0]


def test_what_cannot_be_reckoned_is_said() -> None:
    model = _model(MONO)
    unknown = _flag(Kind.OPEN_CIRCUIT, None, None)
    loss = panel_loss([unknown], model)
    assert flag_loss(unknown, model) is None
    assert Message("loss.not_reckoned", {"kind": "open_circuit"}) in loss.assumptions
    assert "Not reckoned: open circuit." in [note.text for note in loss.assumptions]
    assert "not a rating" in loss.assumptions[0].text


def test_groups_under_a_diode() -> None:
    assert bypass_groups_of(MONO) == (((1, 2),), ((3, 4),), ((5, 6),))
    assert bypass_groups_of(HALF) == (((1, 2), (7, 8)), ((3, 4), (9, 10)), ((5, 6), (11, 12)))
    stated = replace(MONO, circuit=Circuit(bypass_groups=((1, 2, 3), (4, 5, 6))))
    assert bypass_groups_of(stated) == (((1, 2, 3),), ((4, 5, 6),))
