"""Camera commands and cameras in the inspection, as a person runs them."""

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from typer.testing import CliRunner, Result

from elinspect.cli import app
from elinspect.imaging import Lens, read_camera_file
from elinspect.recipe import CellFormat, ProductRecipe, Spacing
from elinspect.records import Layout
from elinspect.synthetic import CameraSettings, simulate_panel
from elinspect.vision import cv2

WIDTH, HEIGHT = 900, 640
RNG = np.random.default_rng(31)
RECIPE = 'name = "Drawn"\nversion = "1"\nlayout = "2x4"\n[cell]\nalong_mm = 156\nacross_mm = 156\nchamfer_mm = 8\n'


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def _said(result: Result) -> str:
    return " ".join(result.output.split())


def _lens(k1: float = -0.12) -> Lens:
    matrix = np.array([[900.0, 0, (WIDTH - 1) / 2], [0, 900, (HEIGHT - 1) / 2], [0, 0, 1]])
    return Lens(matrix, np.array([k1, 0, 0, 0, 0.0]), WIDTH, HEIGHT)


def _through(lens: Lens, straight: NDArray[np.floating]) -> NDArray[np.float32]:
    y, x = np.indices((HEIGHT, WIDTH))
    points = lens.to_straight(np.stack([x, y], axis=-1).astype(float)).astype(np.float32)
    return cv2.remap(straight.astype(np.float32), points[..., 0], points[..., 1], cv2.INTER_LINEAR)


def _vignette() -> NDArray[np.float64]:
    y, x = np.mgrid[-1 : 1 : HEIGHT * 1j, -1 : 1 : WIDTH * 1j]
    return 1 - 0.2 * (x**2 + y**2)


def _write(path: Path, counts: NDArray[np.floating]) -> Path:
    stored = np.clip(np.round(counts), 0, 4095).astype(np.uint16)
    assert cv2.imwrite(str(path), stored)
    return path


def _hot() -> NDArray[np.float64]:
    hot = np.zeros((HEIGHT, WIDTH))
    hot[200:203, 333], hot[500, 100] = 1500, 2500
    return hot


def _stacks(folder: Path) -> None:
    for name in ("dark", "flat", "dots"):
        (folder / name).mkdir()
    for number in range(6):
        _write(folder / "dark" / f"{number}.png", 90 + _hot() + RNG.normal(0, 3, (HEIGHT, WIDTH)))
        lit = 90 + _hot() + 2000 * _vignette() + RNG.normal(0, 20, (HEIGHT, WIDTH))
        _write(folder / "flat" / f"{number}.png", lit)
    for number, (shift, turn) in enumerate([((0, 0), 0.0), ((25, -12), 2.0), ((-20, 15), -3.0)]):
        _write(folder / "dots" / f"{number}.png", _dots(shift, turn))


def _dots(shift: tuple[int, int], turn_deg: float) -> NDArray[np.float32]:
    picture = np.full((HEIGHT, WIDTH), 2600, np.float32)
    for column in range(13):
        for row in range(9):
            cv2.circle(picture, (16 * (60 + 65 * column), 16 * (60 + 65 * row)), 16 * 16, 400, -1, cv2.LINE_AA, 4)
    turn = cv2.getRotationMatrix2D((WIDTH / 2, HEIGHT / 2), turn_deg, 0.97)
    turn[:, 2] += shift
    placed = cv2.warpAffine(picture, turn, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REPLICATE)
    return _through(_lens(), cv2.GaussianBlur(placed, (0, 0), 0.8))


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("camera")
    _stacks(folder)
    options = ["--dark", folder / "dark", "--flat", folder / "flat", "--dots", folder / "dots"]
    done = run(
        "camera", "calibrate", "--name", "gate 1", "--out", folder / "gate.npz", *options, "--columns", 13, "--rows", 9
    )
    assert done.exit_code == 0, done.output
    return folder / "gate.npz", _said(done)


def test_stacks_become_a_camera_file_and_a_report_in_words(calibrated: tuple[Path, str]) -> None:
    path, said = calibrated
    camera = read_camera_file(path)
    assert camera.name == "gate 1"
    assert {tuple(pixel) for pixel in camera.bad_pixels.tolist()} >= {(200, 333), (202, 333), (500, 100)}
    assert camera.flat is not None
    assert np.abs(camera.flat / np.median(camera.flat) - _vignette() / np.median(_vignette()))[::9, ::9].max() < 0.03
    # The lens itself, over the whole picture: its model has its own focal length, so places are compared.
    assert camera.lens is not None
    y, x = np.mgrid[0 : HEIGHT - 1 : 9j, 0 : WIDTH - 1 : 9j]
    raster = np.stack([x, y], axis=-1).reshape(-1, 2)
    straight = camera.lens.to_straight(raster)
    true = _lens().to_straight(raster)
    matrix, _ = cv2.findHomography(straight, true)
    away = cv2.perspectiveTransform(straight[None], matrix)[0] - true
    assert np.linalg.norm(away, axis=1).max() < 0.6
    for words in ("Dark level: 90", "hot, dead or noisy pixels", "Light in the darkest corner: 6", "Target seen in 3"):
        assert words in said
    assert "px after correction" in said


def test_a_lit_dark_image_and_unsteady_flats_are_refused(tmp_path: Path) -> None:
    lit = _write(tmp_path / "dark.png", 90 + 300 * _vignette())
    dark = run("camera", "calibrate", "--name", "x", "--out", tmp_path / "x.npz", "--dark", lit)
    assert dark.exit_code == 1
    assert "shows light, so it cannot serve as a dark frame" in _said(dark)
    flats = [_write(tmp_path / f"{k}.png", level * _vignette()) for k, level in enumerate((2000, 2500))]
    given = [option for flat in flats for option in ("--flat", flat)]
    flat = run("camera", "calibrate", "--name", "x", "--out", tmp_path / "x.npz", *given)
    assert flat.exit_code == 1
    assert "differs by +25 %" in _said(flat)
    assert not (tmp_path / "x.npz").exists()
    nothing = run("camera", "calibrate", "--name", "x", "--out", tmp_path / "x.npz")
    assert nothing.exit_code == 2


def _panel(seed: int, px_per_mm: float = 1.15, margin_mm: float = 40.0, down: int = 0) -> NDArray[np.float64]:
    recipe = ProductRecipe("Drawn", "1", Layout(1, 2, 4), CellFormat(156, 156, chamfer_mm=8.0), spacing=Spacing())
    camera = CameraSettings(
        px_per_mm=px_per_mm, margin_mm=margin_mm, vignetting=0, glow=0, dark_level=0, signal_to_noise=400
    )
    true = simulate_panel(recipe, np.random.default_rng(seed), (), camera).picture.astype(float)
    picture = np.zeros((HEIGHT, WIDTH))
    rows, columns = true.shape
    top, left = (HEIGHT - rows) // 2 + down, (WIDTH - columns) // 2
    picture[top : top + rows, left : left + columns] = true
    return picture


def _stored(seed: int) -> NDArray[np.float64]:
    clean = _through(_lens(), _panel(seed)) * _vignette()
    return 90 + _hot() + clean + np.random.default_rng(seed).normal(0, 10, (HEIGHT, WIDTH))


def test_a_panel_is_inspected_through_its_camera_file(calibrated: tuple[Path, str], tmp_path: Path) -> None:
    path, _ = calibrated
    image = _write(tmp_path / "0042.png", _stored(7))
    (tmp_path / "recipe.toml").write_text(RECIPE)
    plain = ["inspect", image, "--recipe", tmp_path / "recipe.toml", "--json"]
    raw, corrected = run(*plain, tmp_path / "raw"), run(*plain, tmp_path / "corrected", "--camera", path)
    assert (raw.exit_code, corrected.exit_code) == (0, 0), corrected.output
    before, after = (json.loads((tmp_path / name / "0042.json").read_text()) for name in ("raw", "corrected"))
    assert after["versions"]["camera"].startswith("gate 1 ")
    assert before["versions"]["camera"] is None
    # The vignette makes outer cells dimmer; the flat field takes that off (the cells' own spread stays).
    spreads = [np.std([cell["relative_luminance"] for cell in data["cells"]]) for data in (before, after)]
    assert spreads[1] < 0.75 * spreads[0]
    # Both say where cells lie in the same stored file.
    corners = [np.array([cell["corners_px"] for cell in data["cells"]]) for data in (before, after)]
    assert np.median(np.linalg.norm(corners[0] - corners[1], axis=-1)) < 0.6


def test_a_camera_file_of_another_camera_is_refused_in_words(calibrated: tuple[Path, str], tmp_path: Path) -> None:
    image = _write(tmp_path / "0042.png", _stored(7)[:-8])
    done = run("inspect", image, "--layout", "2x4", "--camera", calibrated[0])
    assert done.exit_code == 1
    assert "is for 900 x 640" in _said(done)


def test_fall_off_is_estimated_from_panels_where_there_is_no_flat_field(tmp_path: Path) -> None:
    (tmp_path / "panels").mkdir()
    for seed in range(4):
        _write(tmp_path / "panels" / f"{seed}.png", _panel(seed, 1.36, 6.0, (-80, 80)[seed % 2]) * _vignette())
    given = ["--panels", tmp_path / "panels", "--layout", "2x4"]
    done = run("camera", "calibrate", "--name", "gate", "--out", tmp_path / "gate.npz", *given)
    assert done.exit_code == 0, done.output
    assert "Fall-off estimated from 4 panels, no flat field" in _said(done)
    flat = read_camera_file(tmp_path / "gate.npz").flat
    assert flat is not None
    true = _vignette()
    found, real = flat[60, 60] / flat[HEIGHT // 2, WIDTH // 2], true[60, 60] / true[HEIGHT // 2, WIDTH // 2]
    assert found == pytest.approx(real, abs=0.08)


def test_what_two_tiles_both_show_is_not_taken_for_the_ground_beside_the_panel(tmp_path: Path) -> None:
    light, noise = 60 + _panel(3), np.random.default_rng(4).normal(0, 8, (HEIGHT, WIDTH))
    light, noise = light[120:520], noise[120:520]  # little ground beside the panel
    # Out of focus: nearly all that both show is judged in the other tile.
    soft = cv2.GaussianBlur(light, (0, 0), 1.5)
    for name, part in (("0041", light), ("0042_l", soft[:, :700]), ("0042_r", light[:, 200:])):
        _write(tmp_path / f"{name}.png", part + noise[:, : part.shape[1]])
    rule = 'name = "gate"\nfiles = "{serial}_{tile}"\n[[tiles]]\nname = "l"\nat_px = [0, 0]\n'
    (tmp_path / "capture.toml").write_text(rule + '[[tiles]]\nname = "r"\nat_px = [200, 0]\n')
    options = ["--layout", "2x4", "--json", tmp_path / "json"]
    run("inspect", tmp_path / "0041.png", *options)
    tiles = sorted(tmp_path.glob("0042_?.png"))
    run("inspect", *tiles, "--camera", tmp_path / "capture.toml", *options)
    alone, tiled = (
        json.loads((tmp_path / "json" / f"{name}.json").read_text(encoding="utf-8"))["quality"]
        for name in ("0041", "0042_l")
    )
    assert tiled["usable"]
    assert tiled["signal_to_noise"] == pytest.approx(alone["signal_to_noise"], rel=0.1)
    assert tiled["dark_fraction"] == pytest.approx(alone["dark_fraction"], abs=0.01)


def test_a_panel_in_two_files_is_one_panel(tmp_path: Path) -> None:
    rule = 'name = "gate"\nfiles = "{serial}_{tile}"\n[[tiles]]\nname = "l"\nat_px = [0, 0]\n'
    (tmp_path / "capture.toml").write_text(rule + '[[tiles]]\nname = "r"\nat_px = [350, 0]\n')
    whole = 60 + _panel(3)
    noise = np.random.default_rng(4)
    for name, part in (("l", whole[:, :560]), ("r", whole[:, 350:])):
        _write(tmp_path / f"0042_{name}.png", part + noise.normal(0, 8, part.shape))
    options = ["--layout", "2x4", "--camera", tmp_path / "capture.toml", "--json", tmp_path / "json"]
    images = sorted(tmp_path.glob("*.png"))
    done = run("inspect", *images, *options, "--annotate", tmp_path / "pictures")
    assert done.exit_code == 0, done.output
    data = json.loads((tmp_path / "json" / "0042_l.json").read_text())
    assert (data["serial"], data["image"]["tiles"]) == ("0042", [str(tmp_path / "0042_r.png")])
    assert {cell["tile"] for cell in data["cells"]} == {0, 1}
    assert len(list((tmp_path / "pictures").iterdir())) == 2
    (tmp_path / "0042_r.png").unlink()
    missing = run("inspect", images[0], *options)
    assert missing.exit_code == 1
    assert "1 tile of the panel is missing" in _said(missing)
    held = json.loads((tmp_path / "json" / "0042_l.json").read_text())
    assert (held["quality"]["usable"], held["proposal"]["disposition"], held["serial"]) == (False, "hold", "0042")
