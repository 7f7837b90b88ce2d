"""From files to results, on panels laid out of real cells, and on everything that is no panel.

Real cells: elpv-dataset, free panels only (laminated few-busbar cells, 8 bit, resampled: not this gate's pictures).
"""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from real_cells import FREE_PANELS, free_cells, overlap, silicon_edges
from real_panels import MONO_36, MONO_60, MULTI_60, MULTI_72, RealPanel, seen, write_real

from elinspect.imaging import read_exposures, single_exposure
from elinspect.pipeline import Occasion, image_facts, inspect_panel
from elinspect.recipe import Product, assumed_product, default_criteria
from elinspect.records import (
    Address,
    Disposition,
    ExposureConditions,
    Kind,
    Layout,
    PanelResult,
)
from elinspect.result_file import as_dict, from_dict, schema
from elinspect.synthetic.products import product_recipe
from elinspect.vision import cv2


def _inspected(path: Path, layout: str) -> PanelResult:
    product = assumed_product(Layout.parse(layout))
    return inspect_panel(single_exposure(path), product, default_criteria(), Occasion("0007"))


@pytest.fixture(scope="module")
def mono_60(tmp_path_factory: pytest.TempPathFactory) -> PanelResult:
    return _inspected(write_real(tmp_path_factory.mktemp("mono"), MONO_60), "6x10")


@pytest.mark.parametrize("real", [MONO_60, MULTI_60, MULTI_72, MONO_36], ids=lambda real: f"{real.layout}-{real.panel}")
def test_real_cells_get_the_right_grid_and_a_result_each(tmp_path: Path, real: RealPanel) -> None:
    result = _inspected(write_real(tmp_path, real), real.layout)
    layout = Layout.parse(real.layout)
    assert result.panel.found
    assert [(cell.address.string, cell.address.position) for cell in result.cells] == [
        (string + 1, position + 1) for string in range(layout.n_strings) for position in range(layout.cells_per_string)
    ]
    corners = np.array([cell.corners_px for cell in result.cells])
    assert overlap(corners, seen(real)[1]).min() > 0.9
    assert all(cell.judged and set(cell.kind_scores) for cell in result.cells)


def test_the_result_of_a_real_panel_follows_the_schema(mono_60: PanelResult) -> None:
    data = json.loads(json.dumps(as_dict(mono_60), allow_nan=False))
    jsonschema.Draft202012Validator(schema()).validate(data)


def test_a_product_with_a_datasheet_gets_watts_and_voltages() -> None:
    recipe = product_recipe("mono_6x10")
    path = Path(__file__).parents[1] / "synthetic_images" / "mono_6x10_8bit.png"
    exposures = replace(single_exposure(path), conditions=ExposureConditions(voltage_v=39.0, temperature_c=25.0))
    result = inspect_panel(exposures, Product(recipe), default_criteria(), Occasion("000042"))
    assert result.loss is not None
    assert result.loss.power_w == recipe.electrical.power_w
    assert 0 <= result.loss.loss_w <= result.loss.worst_loss_w
    assert from_dict(as_dict(result)).loss is not None
    voltages = [cell.voltage_v for cell in result.cells]
    assert sum(volts for volts in voltages if volts is not None) == pytest.approx(39.0, abs=0.01)
    middle = np.median([cell.voltage_difference_mv for cell in result.cells])
    assert abs(middle) < 1.0


def test_cracked_cells_of_a_real_panel_lead_to_rework(mono_60: PanelResult) -> None:
    # Cells 2 and 3 of this panel have a long crack from edge to edge, plain to the eye.
    cracked = {(flag.string, flag.position) for flag in mono_60.flags if flag.kind == "crack"}
    assert {(1, 2), (1, 3)} <= cracked
    assert mono_60.proposal.disposition is Disposition.REWORK


def test_the_result_names_every_file_of_the_exposure_set_by_its_bytes(tmp_path: Path) -> None:
    paths = {
        name: tmp_path / f"{name}.png" for name in ("left", "right", "left low", "right low", "left dark", "right dark")
    }
    for level, path in enumerate(paths.values(), start=1):
        cv2.imwrite(str(path), np.full((8, 12), 1000 * level, np.uint16))
    full, low, dark = (list(paths.values())[k : k + 2] for k in (0, 2, 4))
    files = image_facts(read_exposures(full, low_current=low, dark=dark)).files
    assert [(file.path, file.sha256) for file in files] == [
        (str(path), hashlib.sha256(path.read_bytes()).hexdigest()) for path in paths.values()
    ]
    assert [file.role.value for file in files] == [*["full_current"] * 2, *["low_current"] * 2, *["dark"] * 2]


def test_flags_lie_in_their_cells(mono_60: PanelResult) -> None:
    corners = {(cell.address.string, cell.address.position): np.array(cell.corners_px) for cell in mono_60.cells}
    assert mono_60.flags
    for flag in mono_60.flags:
        assert flag.string is not None
        assert flag.position is not None
        cell = corners[flag.string, flag.position]
        outline = np.array(flag.outline_px)
        assert np.all(outline >= cell.min(axis=0) - 3)
        assert np.all(outline <= cell.max(axis=0) + 3)


def test_with_a_layout_alone_no_figure_in_mm_is_given(mono_60: PanelResult) -> None:
    assert mono_60.quality.mm_per_px is None
    assert any(note.code == "quality.assumed_size" for note in mono_60.quality.notes)
    assert all(flag.length_mm is None for flag in mono_60.flags)
    assert not any(name.endswith("_mm") for flag in mono_60.flags for name in flag.measurements)


def test_brightness_changes_nothing(tmp_path: Path, mono_60: PanelResult) -> None:
    # Twice the counts of the 12-bit picture still fit the container; the same panel, another gain.
    cv2.imwrite(str(tmp_path / "brighter.png"), seen(MONO_60)[0] * 2)
    brighter = _inspected(tmp_path / "brighter.png", "6x10")
    assert brighter.proposal.disposition is mono_60.proposal.disposition
    assert [(flag.kind, flag.string, flag.position) for flag in brighter.flags] == [
        (flag.kind, flag.string, flag.position) for flag in mono_60.flags
    ]


@pytest.mark.parametrize("layout", ["6x10", "2x6x12", "1x1"])
@pytest.mark.parametrize("name", ["black", "white", "noise", "pixel"])
def test_what_is_no_panel_is_held_with_a_reason(tmp_path: Path, name: str, layout: str) -> None:
    pictures = {
        "black": np.zeros((900, 1500), np.uint8),
        "white": np.full((900, 1500), 255, np.uint8),
        "noise": np.random.default_rng(3).integers(0, 256, (900, 1500)).astype(np.uint8),
        "pixel": np.full((1, 1), 90, np.uint8),
    }
    path = tmp_path / f"{name}.png"
    cv2.imwrite(str(path), pictures[name])
    result = _inspected(path, layout)
    assert result.proposal.disposition is not Disposition.ACCEPT
    if layout != "1x1":
        assert result.proposal.disposition is Disposition.HOLD
        assert not result.panel.found
        assert result.cells == ()
    assert all(len(reason.text.split()) >= 4 for reason in result.proposal.reasons)


def test_another_layout_is_never_accepted_silently(tmp_path: Path) -> None:
    result = _inspected(write_real(tmp_path, MONO_60), "6x12")
    assert not result.panel.found
    assert result.proposal.disposition is Disposition.HOLD


@pytest.mark.parametrize("panel", [0, 1, 8, 11, 20])
def test_single_real_cells_get_a_grid_and_a_result_each(tmp_path: Path, panel: int) -> None:
    left, top, right, bottom = silicon_edges(panel)
    first, _ = FREE_PANELS[panel]
    silicon = [(left, top), (299 - right, top), (299 - right, 299 - bottom), (left, 299 - bottom)]
    for number in (first + 4, first + 17, first + 31):
        path = tmp_path / f"cell_{number}.png"
        cv2.imwrite(str(path), free_cells([number])[0])
        result = _inspected(path, "1x1")
        (cell,) = result.cells
        assert overlap(np.array([cell.corners_px]), np.array([silicon])).min() > 0.9
        assert cell.address == Address(1, 1)
        assert set(cell.kind_scores) == {kind.value for kind in Kind if kind is not Kind.OTHER}
        assert result.proposal.reasons
