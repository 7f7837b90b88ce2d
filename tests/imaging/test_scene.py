"""Corrections, lens, tiles and masks on the way from files to cells: places exact, counts resampled once."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from elinspect.geometry import cut_cells, to_file_px
from elinspect.geometry.seams import tile_of_cells
from elinspect.imaging import Camera, Lens, TileSetup, set_scene
from elinspect.imaging.joining import TilePlace, joined_picture, placed
from elinspect.imaging.masks import mask_corners, without_masks
from elinspect.pipeline import inspect_panel
from elinspect.recipe import Camera as RecipeCamera
from elinspect.recipe import CellFormat, Electrical, Mask, Product, ProductRecipe, Spacing, default_criteria
from elinspect.records import (
    CellGrid,
    Disposition,
    ElImage,
    ExposureConditions,
    Exposures,
    Layout,
    Orientation,
    PanelResult,
    Points,
    Tile,
    read_only,
)
from elinspect.settings import GeometrySettings
from elinspect.synthetic import CameraSettings, DarkCell, SimulatedPanel, simulate_panel
from elinspect.vision import cv2

PLACE_TOLERANCE_PX = 0.5
CORNER_TOLERANCE_MM = 0.35


def lens_of(width: int, height: int, k1: float) -> Lens:
    focal = float(max(width, height))
    matrix = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    return Lens(matrix, np.array([k1, 0, 0, 0, 0.0]), width, height)


def bent(straight: NDArray[np.floating], lens: Lens) -> NDArray[np.float32]:
    """Return what a camera with this lens stores of a straight picture."""
    y, x = np.indices(straight.shape)
    points = lens.to_straight(np.stack([x, y], axis=-1).astype(float)).astype(np.float32)
    return cv2.remap(straight.astype(np.float32), points[..., 0], points[..., 1], cv2.INTER_LINEAR)


def image_of(counts: NDArray[np.floating], name: str = "panel.png") -> ElImage:
    stored = np.clip(np.round(counts), 0, 4095).astype(np.float32)
    return ElImage(Path(name), "0" * 64, read_only(stored), 12, 4095.0)


def recipe_of(layout: str = "4x6", **camera: object) -> ProductRecipe:
    cell = CellFormat(156.0, 156.0, busbars=5, chamfer_mm=8.0)
    return ProductRecipe("Drawn", "1", Layout.parse(layout), cell, spacing=Spacing(), camera=RecipeCamera(**camera))  # type: ignore[arg-type]


@cache
def panel() -> SimulatedPanel:
    camera = CameraSettings(px_per_mm=1.4, margin_mm=50, signal_to_noise=60, glow=0.02, dark_level=0.0, turn_deg=0.6)
    dark = (DarkCell(2, 3, 0.3), DarkCell(3, 4, 0.3))
    return simulate_panel(recipe_of(), np.random.default_rng(5), dark, camera)


def inspected(exposures: Exposures, *setups: TileSetup, recipe: ProductRecipe | None = None) -> PanelResult:
    return inspect_panel(exposures, Product(recipe or recipe_of()), default_criteria(), cameras=setups)


def corner_errors_mm(result: PanelResult, truth: Points) -> NDArray[np.float64]:
    """Distances of the corners in the result from the true ones in the same file, whichever corner comes first."""
    found = np.array([cell.corners_px for cell in result.cells])
    away = np.linalg.norm(found[:, :, None] - truth[:, None], axis=-1).min(axis=2)
    return away / 1.4


def dark_cells(result: PanelResult) -> set[tuple[int | None, int | None]]:
    return {(flag.string, flag.position) for flag in result.flags if flag.kind == "dark_cell"}


# Lens -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("k1", [-0.08, -0.35, 0.08], ids=["barrel", "strong barrel", "pincushion"])
def test_the_result_is_in_pixels_of_the_stored_file_whatever_the_lens(k1: float) -> None:
    true = panel()
    height, width = true.picture.shape
    lens = lens_of(width, height, k1)
    stored = image_of(bent(true.picture, lens))
    result = inspected(Exposures((stored,)), TileSetup(Camera("gate", "now", width, height, lens=lens)))
    assert result.panel.found, result.panel.reason
    assert np.median(corner_errors_mm(result, lens.to_file(true.corners_px))) < CORNER_TOLERANCE_MM
    assert result.panel.corners_px is not None
    outline = np.array(result.panel.corners_px)
    assert np.linalg.norm(outline - lens.to_file(true.panel_corners_px), axis=1).max() < 3
    assert dark_cells(result) == {(2, 3), (3, 4)}
    assert result.versions.camera == "gate now"


def test_way_from_cell_to_stored_file_and_back_is_exact_through_the_lens() -> None:
    lens = lens_of(900, 700, -0.3)
    box = np.array([[[100.0, 80], [400, 90], [395, 380], [95, 375]]])
    grid = CellGrid(Layout(1, 1, 1), Orientation(), box, box[0], 1.0)
    tile = Tile(image_of(np.zeros((700, 900))), place=TilePlace(lens, np.eye(3)))
    pictures = cut_cells([tile], grid, Product(recipe_of("1x1")), GeometrySettings())
    rows, columns = pictures.full_current.shape[1:]
    corners = np.array([[0.0, 0], [0, columns - 1], [rows - 1, columns - 1], [rows - 1, 0]])
    assert np.allclose(to_file_px(pictures, 0, corners), lens.to_file(box[0]), atol=1e-6)
    assert np.allclose(pictures.corners_in_files()[0], lens.to_file(box[0]), atol=1e-6)


def test_cells_are_cut_in_one_resampling_from_the_stored_pixels() -> None:
    # In a picture whose counts are a plane, linear interpolation is exact: a cell's pixel holds the value of the stored
    # place it comes from, which two resamplings with a lens in between would give as well only for a plane of places.
    lens = lens_of(900, 700, -0.3)
    y, x = np.indices((700, 900)).astype(np.float32)
    ramp = ElImage(Path("ramp.png"), "0" * 64, read_only(3 * x + 5 * y), 16, 65535.0)
    box = np.array([[[100.0, 80], [400, 90], [395, 380], [95, 375]]])
    grid = CellGrid(Layout(1, 1, 1), Orientation(), box, box[0], 1.0)
    pictures = cut_cells(
        [Tile(ramp, place=TilePlace(lens, np.eye(3)))], grid, Product(recipe_of("1x1")), GeometrySettings()
    )
    rows, columns = pictures.full_current.shape[1:]
    places = np.stack(np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij"), axis=-1).reshape(-1, 2)
    at = to_file_px(pictures, 0, places)
    expected = 3 * at[:, 0] + 5 * at[:, 1]
    # A hundredth of a pixel, and the 1/32 px steps of OpenCV's linear interpolation.
    assert np.abs(pictures.full_current[0].ravel() - expected).max() < 8 * (0.01 + 1 / 64)


# Tiles ----------------------------------------------------------------------------------------------------------------


def two_tiles(
    turn_deg: float = 0.4, gain: float = 0.75, overlap: int = 260
) -> tuple[Exposures, tuple[TileSetup, ...], list[NDArray[np.float64]]]:
    """Cut a panel into two pictures, the right one turned and dimmer, with noise of their own."""
    true = panel()
    height, width = true.picture.shape
    left, right = width // 2 + overlap // 2, width // 2 - overlap // 2
    rng = np.random.default_rng(2)
    turn = cv2.getRotationMatrix2D((width * 0.75, height / 2), turn_deg, 1.0)
    turn[0, 2] -= right
    turned = cv2.warpAffine(true.picture.astype(np.float32), turn, (width - right, height)) * gain
    tiles = [true.picture[:, :left].astype(np.float32), turned]
    images = tuple(image_of(tile + rng.normal(0, 8, tile.shape), f"{k}.png") for k, tile in enumerate(tiles))
    maps = [np.eye(3), np.vstack([turn, [0, 0, 1]])]
    # Told wrong by some pixels, as a station's setting may be.
    return Exposures(images), (TileSetup(None, (0.0, 0.0)), TileSetup(None, (right + 9.0, -6.0))), maps


def moved(matrix: NDArray[np.float64], points: Points) -> Points:
    return points @ matrix[:2, :2].T + matrix[:2, 2]


@pytest.mark.parametrize("turn_deg", [0.0, 0.4])
def test_tiles_are_found_where_they_lie_and_as_bright_as_they_are(turn_deg: float) -> None:
    exposures, setups, maps = two_tiles(turn_deg)
    images = list(exposures.full_current)
    joints = placed(images, [None, None], [setup.at_px for setup in setups if setup.at_px is not None])
    assert joints[1].matches >= 3
    assert joints[1].misfit_px is not None
    assert joints[1].misfit_px < 0.3
    assert joints[1].gain == pytest.approx(1 / 0.75, rel=0.02)
    corners = panel().corners_px
    for joint, matrix in zip(joints, maps, strict=True):
        shown = joint.place.to_straight(moved(matrix, corners)) - joints[0].place.to_straight(corners)
        assert np.abs(shown).max() < 2.5
        there_and_back = joint.place.to_file(joint.place.to_straight(corners))
        assert np.allclose(there_and_back, corners, atol=1e-6)
    whole = joined_picture(images, joints)
    assert whole.width_px == pytest.approx(panel().picture.shape[1], abs=40)


def test_a_panel_in_two_tiles_gives_the_flags_in_the_pixels_of_their_tile() -> None:
    exposures, setups, maps = two_tiles()
    result = inspected(exposures, *setups)
    assert result.panel.found, result.panel.reason
    tiles = np.array([cell.tile for cell in result.cells])
    assert set(tiles) == {0, 1}
    assert all(cell.judged for cell in result.cells)
    truth = panel().corners_px
    own = np.array([moved(maps[cell.tile], corners) for cell, corners in zip(result.cells, truth, strict=True)])
    errors = corner_errors_mm(result, own)
    assert np.median(errors) < CORNER_TOLERANCE_MM
    assert errors.max() < 1.0
    assert dark_cells(result) == {(2, 3), (3, 4)}
    by_cell = {(cell.address.string, cell.address.position): cell for cell in result.cells}
    for flag in result.flags:
        if flag.position is not None and flag.string is not None:
            cell = by_cell[flag.string, flag.position]
            assert flag.tile == cell.tile
            corners = np.array(cell.corners_px)
            assert np.all(np.array(flag.outline_px) > corners.min(axis=0) - 3)
            assert np.all(np.array(flag.outline_px) < corners.max(axis=0) + 3)
    # As bright as each other: nothing in either half is dark but what is.
    light = np.array([cell.relative_luminance for cell in result.cells])
    lit = light > 0.6
    assert np.median(light[lit & (tiles == 0)]) == pytest.approx(np.median(light[lit & (tiles == 1)]), rel=0.04)


def test_a_cell_on_the_seam_is_cut_from_the_tile_that_shows_it_better() -> None:
    rng = np.random.default_rng(1)
    shown = 1000 + rng.normal(0, 1, (300, 400))
    noisy, clean = image_of(shown + rng.normal(0, 90, shown.shape)), image_of(shown + rng.normal(0, 15, shown.shape))
    cells = np.array([[[60.0, 60], [160, 60], [160, 160], [60, 160]]])
    apart = TilePlace(None, np.eye(3))
    for order, best in (((noisy, clean), 1), ((clean, noisy), 0)):
        tile, masked = tile_of_cells([Tile(image, place=apart) for image in order], cells)
        assert (tile.tolist(), masked.tolist()) == ([best], [False])


def test_of_two_tiles_with_the_same_noise_the_sharper_one_is_judged() -> None:
    rng = np.random.default_rng(3)
    plain = np.full((340, 700), 20.0, np.float32)
    cells = np.array([[(x, 40), (x + 120, 40), (x + 120, 160), (x, 160)] for x in (40.0, 166, 292, 418)])
    cells = np.concatenate([cells, cells + np.array([0.0, 126.0])])
    for (left, top), _, (right, bottom), _ in cells.astype(int):
        plain[top : bottom + 1, left : right + 1] = 1000

    def taken(blur_px: float) -> Tile:
        seen = cv2.GaussianBlur(plain, (0, 0), blur_px)
        return Tile(image_of(seen + rng.normal(0, 30, seen.shape)), place=TilePlace(None, np.eye(3)))

    for order, best in (((0.8, 2.0), 0), ((2.0, 0.8), 1)):
        tile, _ = tile_of_cells([taken(blur_px) for blur_px in order], cells)
        assert set(tile.tolist()) == {best}


def test_a_cell_that_every_tile_cuts_is_not_judged() -> None:
    picture = image_of(np.full((200, 200), 900))
    beside = TilePlace(None, np.array([[1, 0, -150.0], [0, 1, 0], [0, 0, 1]]))
    cells = np.array([[[120.0, 20], [220, 20], [220, 120], [120, 120]], [[20.0, 20], [99, 20], [99, 120], [20, 120]]])
    tile, masked = tile_of_cells([Tile(picture, place=TilePlace(None, np.eye(3))), Tile(picture, place=beside)], cells)
    assert masked.tolist() == [True, False]
    assert tile[1] == 0


# Dark exposure, masks -------------------------------------------------------------------------------------------------


def test_a_dark_exposure_alone_is_taken_off_and_companions_are_corrected_alike() -> None:
    full, low, dark = (image_of(np.full((40, 60), value)) for value in (900, 400, 100))
    scene = set_scene(Exposures((full,), low_current=(low,), dark=(dark,)))
    (tile,) = scene.tiles
    assert np.all(tile.full_current.counts == 800)
    assert tile.low_current is not None
    assert np.all(tile.low_current.counts == 300)


def test_nothing_known_changes_nothing() -> None:
    full = image_of(np.full((40, 60), 900))
    scene = set_scene(Exposures((full,)))
    assert scene.tiles[0].full_current is full
    assert scene.located is full


def test_a_mask_by_hand() -> None:
    image = image_of(np.full((40, 100), 50.0))
    shares = mask_corners([Mask(0.5, 0.25, 0.2, 0.5, unit="share"), Mask(0, 0, 9, 9, tile=1)], 0, image)
    assert shares.tolist() == [[50.0, 10.0, 70.0, 30.0]]
    text = np.full((40, 100), 50.0)
    text[10:30, 50:70] = 4000
    filled = without_masks(image_of(text), shares)
    assert np.allclose(filled.counts, 50)
    # Between two levels it goes over smoothly, and never beyond either.
    step = np.where(np.arange(100) < 60, 50.0, 150.0)[None].repeat(40, axis=0)
    step[10:30, 50:70] = 4000
    smooth = without_masks(image_of(step), shares).counts[10:30, 50:70]
    assert smooth.min() >= 50
    assert smooth.max() <= 150
    assert smooth[10, 0] < 80 < 120 < smooth[10, -1]


def _with_text(text: str, left: int, baseline: int) -> NDArray[np.float32]:
    picture = panel().picture.astype(np.float32)
    ink = np.zeros(picture.shape, np.uint8)
    cv2.putText(ink, text, (left, baseline), cv2.FONT_HERSHEY_SIMPLEX, 1.6, 255, 6)
    picture[ink > 0] = 4095.0
    return picture


def test_burned_in_text_and_scale_beside_the_panel_do_no_harm_once_masked() -> None:
    picture = _with_text("GATE 1  0007", 20, 55)
    picture[500:, :24] = 4095.0  # a scale
    masks = (Mask(0, 0, 500, 66), Mask(0, 495, 30, 4000))
    result = inspected(Exposures((image_of(picture),)), recipe=recipe_of(masks=masks))
    assert result.panel.found, result.panel.reason
    assert np.median(corner_errors_mm(result, panel().corners_px)) < CORNER_TOLERANCE_MM
    assert all(cell.judged for cell in result.cells)
    assert result.quality.usable
    assert [note.values["n"] for note in result.quality.notes if note.code == "quality.mask_filled"] == [2]


def test_a_masked_cell_is_not_judged_and_that_is_said() -> None:
    corners = panel().corners_px[7]
    left, top = corners.min(axis=0)
    picture = _with_text("0007", int(left) + 30, int(top) + 80)
    recipe = recipe_of(masks=(Mask(left + 20, top + 20, 150, 80),))
    result = inspected(Exposures((image_of(picture),)), recipe=recipe)
    assert result.panel.found
    assert [index for index, cell in enumerate(result.cells) if not cell.judged] == [7]
    assert {"quality.unjudged.masked", "quality.unjudged_cells"} <= {note.code for note in result.quality.notes}
    # No cell may go unjudged by the shipped criteria: such a panel is never accepted silently.
    assert result.proposal.disposition is Disposition.HOLD


# Side file ------------------------------------------------------------------------------------------------------------


def test_a_black_picture_without_current_says_so() -> None:
    recipe = replace(recipe_of(), electrical=Electrical(voc_v=16.0, isc_a=10.0))
    conditions = ExposureConditions(current_a=0.02, voltage_v=60.0)
    result = inspected(Exposures((image_of(np.zeros((300, 400))),), conditions=conditions), recipe=recipe)
    assert not result.panel.found
    assert [note.code for note in result.quality.notes] == ["quality.no_current"]
    assert "0.02 A only" in result.quality.notes[0].text


def test_current_and_voltage_of_the_set_reach_the_detectors() -> None:
    recipe = replace(recipe_of(), electrical=Electrical(voc_v=16.0, isc_a=10.0))
    exposures = Exposures((image_of(panel().picture),), conditions=ExposureConditions(current_a=0.05))
    result = inspected(exposures, recipe=recipe)
    assert result.flags[0].kind == "open_circuit"
    assert result.proposal.disposition is not Disposition.ACCEPT
