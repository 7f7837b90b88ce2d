"""Defects beside cracks: what each does to the picture, and that the truth says so."""

import numpy as np
import pytest

from elinspect.frames import CellPlace
from elinspect.recipe import CellFormat, CutEdge, ProductRecipe, Wafer
from elinspect.records import CrackMode, Kind, Layout
from elinspect.synthetic import CameraSettings, DefectRates, SimulatedPanel, draw_crack, draw_defects, simulate_panel
from elinspect.synthetic.chance import draw_finger_interruption, draw_lost_field
from elinspect.synthetic.defects import (
    BussingJointFault,
    ChippedCell,
    Crack,
    Defect,
    ForeignBody,
    MisplacedCell,
    OpenString,
    ReversedCell,
    RibbonOffset,
    ShuntedCell,
    SolderFault,
    turned_about,
)

CELL = CellFormat(156.0, 156.0, busbars=3)
CAMERA = CameraSettings(px_per_mm=0.6, signal_to_noise=2000, glow=0, vignetting=0)
DARK = CAMERA.dark_level * 4095


def panel_of(*defects: Defect, cell: CellFormat = CELL, layout: str = "2x2") -> SimulatedPanel:
    recipe = ProductRecipe("small", "1", Layout.parse(layout), cell)
    return simulate_panel(recipe, np.random.default_rng(1), defects, CAMERA)


@pytest.fixture(scope="module")
def clean() -> np.ndarray:
    return panel_of().picture.astype(float) - DARK


def lost(panel: SimulatedPanel, clean: np.ndarray, number: int = 0) -> float:
    """Mean logarithmic loss inside the outline of one defect."""
    inside = panel.defects[number].mask(panel.picture.shape)
    assert inside.any()
    return float(np.log(clean[inside].mean() / max((panel.picture[inside] - DARK).mean(), 1.0)))


@pytest.mark.parametrize("turned_string", [1, 2])
def test_a_ribbon_without_solder_shades_its_field(clean: np.ndarray, turned_string: int) -> None:
    panel = panel_of(SolderFault(turned_string, 1, busbar=1))
    (fault,) = panel.defects
    assert (fault.kind, fault.string) == (Kind.SOLDER_FAULT, turned_string)
    assert lost(panel, clean) > 0.2
    # Busbar 1 is the upper one of the gate view, whichever way the string lies.
    middle = fault.outlines_px[0].mean(axis=0)
    corners = panel.corners_px[2 * (turned_string - 1)]
    assert (middle[1] - corners[0, 1]) / (corners[3, 1] - corners[0, 1]) == pytest.approx(1 / 6, abs=0.01)


def test_an_open_ribbon_at_the_bussing_shades_the_string_s_first_cell(clean: np.ndarray) -> None:
    panel = panel_of(BussingJointFault(1, 2))
    (fault,) = panel.defects
    assert (fault.kind, fault.position) == (Kind.BUSSING_JOINT_FAULT, 1)
    assert lost(panel, clean) > 0.2
    assert panel_of(BussingJointFault(2, 2)).defects[0].position == 2  # the string lies turned


def test_a_chip_is_missing_and_a_foreign_body_covers(clean: np.ndarray) -> None:
    piece = tuple(CellPlace(u, v) for u, v in [(0.2, 0.0), (0.5, 0.0), (0.35, 0.12)])
    chipped, covered = panel_of(ChippedCell(1, 2, piece)), panel_of(ForeignBody(1, 2, piece, remaining=0.1))
    assert chipped.defects[0].kind is Kind.CHIPPED_CELL
    assert lost(chipped, clean) > 1.5
    assert covered.defects[0].kind is Kind.FOREIGN_BODY
    assert 1.0 < lost(covered, clean) < 2.6


def test_a_misplaced_cell_lies_where_the_truth_says(clean: np.ndarray) -> None:
    panel = panel_of(MisplacedCell(1, 1, shift_x_mm=-4.0, shift_y_mm=3.0, turn_deg=2.0))
    (moved,) = panel.defects
    assert moved.kind is Kind.MISPLACED_CELL
    np.testing.assert_allclose(panel.corners_px[0], moved.outlines_px[0])
    inside = moved.mask(panel.picture.shape)
    assert ((panel.picture[inside] - DARK) > 0.2 * np.median(clean)).mean() > 0.97
    assert not np.allclose(panel.corners_px[0], panel_of().corners_px[0], atol=1)


def test_a_reversed_cell_gives_no_light_and_the_rest_does() -> None:
    panel = panel_of(ReversedCell(2, 1))
    (found,) = panel.defects
    assert found.kind is Kind.REVERSED_CELL
    inside = found.mask(panel.picture.shape)
    assert np.median(panel.picture[inside]) < DARK + 30
    assert np.median(panel.picture[~inside]) > 5 * DARK


def test_an_open_string_is_told_of_the_whole_circuit() -> None:
    panel = panel_of(OpenString(1))
    (found,) = panel.defects
    assert (found.kind, found.position, len(found.outlines_px)) == (Kind.OPEN_CIRCUIT, None, 2)
    assert panel.picture.max() < 5 * DARK


def test_a_shunted_cell_is_dark(clean: np.ndarray) -> None:
    panel = panel_of(ShuntedCell(1, 1, CellPlace(0.4, 0.4), ohm=0.15))
    assert panel.defects[0].kind is Kind.DARK_CELL
    assert lost(panel, clean) == pytest.approx(panel.defects[0].contrast, abs=0.15)
    assert lost(panel, clean) > 0.2


def test_turning_a_defect_twice_gives_it_back() -> None:
    place = CellPlace(0.25, 0.75)
    path = (place, CellPlace(0.5, 0.5), CellPlace(1.0, 0.0))
    for defect in (
        Crack(1, 1, (path,)), SolderFault(1, 1, 2, 0.25, 0.5), RibbonOffset(1, 1, 1, 2.0), ChippedCell(1, 1, path),
        ShuntedCell(1, 1, place), BussingJointFault(1, 2),
    ):  # fmt: skip
        assert turned_about(turned_about(defect, 5), 5) == defect
        assert turned_about(defect, 5) != defect


@pytest.mark.parametrize("cut", [CutEdge.LEFT, CutEdge.RIGHT])
def test_cut_edge_chamfers_and_places_turn_with_the_string(cut: CutEdge) -> None:
    cell = CellFormat(91.0, 182.0, busbars=10, chamfer_mm=15.0, cut_edge=cut)
    piece = tuple(CellPlace(u, v) for u, v in [(0.3, 0.3), (0.5, 0.3), (0.5, 0.5), (0.3, 0.5)])
    panel = panel_of(*(ForeignBody(string, 1, piece, 0.0) for string in (1, 2)), cell=cell, layout="2x1")
    for number, corners in enumerate(panel.corners_px):
        inside = panel.defects[number].mask(panel.picture.shape)
        assert np.median(panel.picture[inside]) < DARK + 60
        share = (panel.defects[number].outlines_px[0].mean(axis=0) - corners[0]) / (corners[2] - corners[0])
        np.testing.assert_allclose(share, (0.4, 0.4), atol=0.01)
        # Chamfered corners are dark: away from the cut edge, which lies on the other side in the turned string.
        on_the_right = (cut is CutEdge.LEFT) != (number == 1)
        inward = [round(float(corners[0, 0])) + 2, round(float(corners[1, 0])) - 2][on_the_right]
        across = [round(float(corners[1, 0])) - 2, round(float(corners[0, 0])) + 2][on_the_right]
        row = round(float(corners[0, 1])) + 2
        assert panel.picture[row, inward] < DARK + 60
        assert panel.picture[row, across] > 3 * DARK


def test_a_third_of_cracks_on_multi_cells_are_steps_rather_than_lines() -> None:
    """A step: the line itself is hardly seen (below 0.04), the fragments are, streaked because fingers still touch."""
    cell = CellFormat(156.75, 156.75, Wafer.MULTI, busbars=4)
    rng = np.random.default_rng(0)
    cracks = [draw_crack(cell, rng, 1, 1) for _ in range(400)]
    steps = [crack for crack in cracks if crack.contrast <= 0.04 and crack.severed >= 0.5 and crack.touching >= 0.4]
    assert len(steps) / len(cracks) > 1 / 3
    contrast = np.array([crack.contrast for crack in cracks])
    assert contrast.min() < 0.012
    assert (contrast > 0.1).mean() > 0.2


def test_a_lost_field_cuts_large_pieces_off(clean: np.ndarray) -> None:
    """Of the cell 1 to 49 %, half above 13 %: so two readers saw it in the tuning half of the free real cells."""
    rng, shares = np.random.default_rng(4), []
    for _ in range(12):
        panel = panel_of(draw_lost_field(CELL, rng, 1, 1))
        crack, *areas = panel.defects
        assert crack.kind is Kind.CRACK
        assert (crack.mode is CrackMode.C) == bool(areas)
        shares.append(sum(area.area_fraction or 0 for area in areas))
        if areas:
            assert areas[0].caused_by == 0
            assert lost(panel, clean, 1) > 0.7  # a coarse camera mixes in the fingers that still touch
    assert np.median(shares) > 0.04
    assert 0.15 < max(shares) < 0.6


def test_a_rate_of_lost_fields_draws_them() -> None:
    recipe = ProductRecipe("all", "1", Layout.parse("6x10"), CELL)
    nothing = dict.fromkeys(("crack", "inactive_area", "finger_interruption", "dark_cell", "dark_string"), 0.0)
    made = draw_defects(recipe, np.random.default_rng(0), DefectRates(**nothing, lost_field=0.5))
    assert 18 <= len(made) <= 42
    assert all(isinstance(one, Crack) and one.severed == 1 for one in made)


def test_broken_fingers_are_never_drawn_where_nothing_is_to_be_seen() -> None:
    rng = np.random.default_rng(0)
    for _ in range(200):
        broken = draw_finger_interruption(CELL, rng, 1, 1)
        from_middle = abs(broken.place.v * 3 % 1.0 - 0.0)
        assert min(from_middle, 1 - from_middle) > 0.1 or not 1 / 6 < broken.place.v < 5 / 6


def test_every_kind_is_drawn_at_its_rate() -> None:
    recipe = ProductRecipe("all", "1", Layout.parse("6x10"), CELL)
    rates = DefectRates(*(0.1,) * 15)
    made = [type(d).__name__ for seed in range(20) for d in draw_defects(recipe, np.random.default_rng(seed), rates)]
    for name in ("Crack", "ChippedCell", "MisplacedCell", "ForeignBody", "ReversedCell", "ShuntedCell", "SolderFault"):
        assert made.count(name) == pytest.approx(120, abs=40), name
    for name in ("DarkString", "BridgedString", "OpenString", "BussingJointFault"):
        assert 2 <= made.count(name) <= 25, name


@pytest.mark.parametrize(
    ("wrong", "name"),
    [
        (lambda: SolderFault(1, 1, 0), "busbar"),
        (lambda: SolderFault(1, 1, 1, 0.5, 0.2), "end"),
        (lambda: RibbonOffset(1, 1, 1, 99), "offset_mm"),
        (lambda: ShuntedCell(1, 1, CellPlace(0.5, 0.5), 0), "ohm"),
        (lambda: MisplacedCell(1, 1, turn_deg=80), "turn_deg"),
        (lambda: ForeignBody(1, 1, ()), "outline"),
        (lambda: panel_of(SolderFault(1, 1, 9)), "busbar"),
        (lambda: DefectRates(open_string=2), "open_string"),
    ],
)
def test_bad_parameters_are_refused_by_name(wrong: object, name: str) -> None:
    with pytest.raises(ValueError, match=name):
        wrong()  # type: ignore[operator]
