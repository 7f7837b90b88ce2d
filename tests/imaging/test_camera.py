"""Camera file and correction of counts: worked numbers, drawn truth, round trip through the file."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from image_files import png_file
from numpy.typing import NDArray
from real_cells import FREE_PANELS, lay_out

from elinspect.errors import ImageFileError, SettingsFileError
from elinspect.imaging import blank_reason
from elinspect.imaging.calibration import Sources, calibrate
from elinspect.imaging.camera import Camera, correct, read_camera_file, write_camera_file
from elinspect.imaging.lens import Lens
from elinspect.imaging.target import Pattern, Sighting, Target
from elinspect.imaging.vignetting import Vignetting, estimate_vignetting
from elinspect.records import ElImage, Layout, Orientation, read_only

HEIGHT, WIDTH = 96, 128
RNG = np.random.default_rng(17)


def image_of(counts: NDArray[np.floating], name: str = "panel.png") -> ElImage:
    stored = np.asarray(counts, np.float32).copy()
    return ElImage(Path(name), "0" * 64, read_only(stored), 12, 4095.0, Orientation(90, False))


def camera_of(height: int = HEIGHT, width: int = WIDTH, **parts: object) -> Camera:
    return Camera("gate 1", "2031-04-02T06:00:00+02:00", width, height, **parts)


# Correction -----------------------------------------------------------------------------------------------------------


def test_dark_then_flat_by_hand() -> None:
    dark = np.array([[10, 20, 10, 10]], np.float32)
    flat = np.array([[1.0, 0.5, 2.0, 1.0]], np.float32)
    raw = image_of(np.array([[110, 120, 210, 5]]))
    corrected = correct(raw, camera_of(1, 4, dark=dark, flat=flat))
    assert corrected.counts.tolist() == [[100, 200, 100, -5]]
    assert (corrected.path, corrected.bit_depth, corrected.orientation) == (raw.path, 12, raw.orientation)
    assert raw.counts.tolist() == [[110, 120, 210, 5]]
    with pytest.raises(ValueError, match="read-only"):
        corrected.counts[0, 0] = 1


def test_a_dark_exposure_of_the_set_replaces_the_one_of_the_camera() -> None:
    camera = camera_of(1, 2, dark=np.array([[10, 10]], np.float32))
    stray = image_of(np.array([[40, 50]]), "dark.png")
    assert correct(image_of(np.array([[110, 110]])), camera, stray).counts.tolist() == [[70, 60]]


def test_nothing_else_reaches_saturation_and_saturated_pixels_stay_so() -> None:
    flat = RNG.uniform(0.4, 1.3, (HEIGHT, WIDTH)).astype(np.float32)
    counts = RNG.integers(3000, 4096, (HEIGHT, WIDTH))
    raw = image_of(counts)
    corrected = correct(raw, camera_of(dark=np.full((HEIGHT, WIDTH), 100, np.float32), flat=flat))
    full = raw.counts >= raw.saturation
    assert 0 < full.mean() < 0.01
    assert np.array_equal(corrected.counts >= corrected.saturation, full)


def test_without_dark_and_flat_nothing_changes() -> None:
    raw = image_of(RNG.integers(0, 4096, (HEIGHT, WIDTH)))
    corrected = correct(raw, camera_of())
    assert np.array_equal(corrected.counts, raw.counts)
    assert corrected.saturation == raw.saturation


def test_bad_pixels_take_the_median_of_good_neighbours() -> None:
    rows, columns = np.indices((HEIGHT, WIDTH))
    clean = (500 + 3 * rows + 2 * columns).astype(np.float32)
    bad = np.array([[0, 0], [5, 5], [5, 6], [6, 5], [6, 6], [40, 127], [95, 60]], np.int32)
    spoilt = clean.copy()
    spoilt[tuple(bad.T)] = [4095, 0, 4095, 4095, 0, 4095, 1]
    repaired = correct(image_of(spoilt), camera_of(bad_pixels=bad)).counts
    assert np.abs(repaired - clean)[tuple(bad.T)].max() <= 10
    untouched = np.ones(clean.shape, bool)
    untouched[tuple(bad.T)] = False
    assert np.array_equal(repaired[untouched], clean[untouched])


def test_a_whole_bad_column_and_a_bad_block_are_repaired() -> None:
    clean = np.full((HEIGHT, WIDTH), 700, np.float32)
    column = [(row, 30) for row in range(HEIGHT)]
    block = [(row, line) for row in range(50, 55) for line in range(70, 75)]
    bad = np.array(column + block, np.int32)
    spoilt = clean.copy()
    spoilt[tuple(bad.T)] = 4000
    assert np.array_equal(correct(image_of(spoilt), camera_of(bad_pixels=bad)).counts, clean)


def test_another_size_is_refused() -> None:
    camera = camera_of()
    with pytest.raises(ImageFileError, match=r"small\.png has 10 x 20 pixels, but .* 'gate 1' is for 128 x 96"):
        correct(image_of(np.zeros((20, 10)), "small.png"), camera)
    with pytest.raises(ImageFileError, match=r"dark\.png"):
        correct(image_of(np.zeros((HEIGHT, WIDTH))), camera, image_of(np.zeros((20, 10)), "dark.png"))


# The file -------------------------------------------------------------------------------------------------------------


def full_camera() -> Camera:
    lens = Lens(np.array([[900.0, 0, 60], [0, 900, 50], [0, 0, 1]]), np.array([-0.1, 0.02, 1e-3, 0, 0]), WIDTH, HEIGHT)
    dark = RNG.normal(1000, 4, (HEIGHT, WIDTH)).astype(np.float32)
    flat = RNG.uniform(0.5, 1.2, (HEIGHT, WIDTH)).astype(np.float32)
    return camera_of(dark=dark, flat=flat, bad_pixels=np.array([[3, 4], [90, 100]], np.int32), lens=lens)


def test_a_camera_comes_back_from_its_file(tmp_path: Path) -> None:
    camera, path = full_camera(), tmp_path / "gate 1.npz"
    write_camera_file(path, camera)
    back = read_camera_file(path)
    assert (back.name, back.made_at, back.width_px, back.height_px) == ("gate 1", camera.made_at, WIDTH, HEIGHT)
    assert back.label == "gate 1 2031-04-02T06:00:00+02:00"
    assert np.abs(back.dark - camera.dark).max() < 0.02
    assert np.abs(back.flat / camera.flat - 1).max() < 5e-4
    assert np.array_equal(back.bad_pixels, camera.bad_pixels)
    assert np.array_equal(back.lens.matrix, camera.lens.matrix)
    assert np.array_equal(back.lens.distortion, camera.lens.distortion)
    assert not back.dark.flags.writeable
    assert list(tmp_path.iterdir()) == [path]


def test_what_is_not_known_is_not_in_the_file(tmp_path: Path) -> None:
    path = tmp_path / "plain.npz"
    write_camera_file(path, camera_of())
    back = read_camera_file(path)
    assert (back.dark, back.flat, back.lens, len(back.bad_pixels)) == (None, None, None, 0)


def _without(name: str) -> Callable[[dict[str, np.ndarray]], None]:
    return lambda arrays: arrays.pop(name)  # type: ignore[arg-type, return-value]


def _with(name: str, value: np.ndarray) -> Callable[[dict[str, np.ndarray]], None]:
    return lambda arrays: arrays.update({name: value})


@pytest.mark.parametrize(
    "spoil",
    [
        _without("about"),
        _without("bad_pixels"),
        _without("lens_distortion"),
        _with("about", np.array("no JSON")),
        _with("about", np.array("[1, 2]")),
        _with("about", np.array('{"schema": "elinspect.camera/9"}')),
        _with("dark", np.zeros((5, 5), np.float16)),
        _with("dark", np.full((HEIGHT, WIDTH), np.nan, np.float16)),
        _with("flat", np.zeros((HEIGHT, WIDTH), np.float16)),
        _with("bad_pixels", np.array([[HEIGHT, 0]], np.int32)),
        _with("bad_pixels", np.array([1, 2, 3], np.int32)),
        _with("lens_matrix", np.eye(2)),
        _with("dark", np.array([object()], object)),
    ],
)
def test_a_wrong_camera_file_is_refused_by_name(tmp_path: Path, spoil: Callable[[dict[str, np.ndarray]], None]) -> None:
    path = tmp_path / "gate.npz"
    write_camera_file(path, full_camera())
    with np.load(path) as archive:
        arrays = {name: archive[name] for name in archive.files}
    spoil(arrays)
    np.savez(path, **arrays)
    with pytest.raises(SettingsFileError, match=r"gate\.npz is not a camera file, or is damaged") as caught:
        read_camera_file(path)
    assert caught.value.message.code == "camera.invalid"


def test_files_that_are_no_archive_or_cannot_be_reached(tmp_path: Path) -> None:
    with pytest.raises(SettingsFileError, match=r"camera file .* does not exist"):
        read_camera_file(tmp_path / "none.npz")
    with pytest.raises(SettingsFileError, match="cannot be read"):
        read_camera_file(tmp_path)
    write_camera_file(tmp_path / "whole.npz", full_camera())
    whole = (tmp_path / "whole.npz").read_bytes()
    for content in (b"", b"no archive", whole[: len(whole) // 2], np.lib.format.magic(1, 0)):
        (tmp_path / "cut.npz").write_bytes(content)
        with pytest.raises(SettingsFileError, match=r"cut\.npz is not a camera file"):
            read_camera_file(tmp_path / "cut.npz")
    with pytest.raises(SettingsFileError, match="cannot be written"):
        write_camera_file(tmp_path / "no folder" / "a.npz", full_camera())


# Calibration ----------------------------------------------------------------------------------------------------------

FALL_OFF = Vignetting(-0.5, -0.1, float(np.exp(-0.6)), 0.0).flat(WIDTH, HEIGHT)
HOT = np.array([[10, 20], [40, 41], [70, 100]])
DEAD = np.array([[30, 64], [80, 9]])
NOISY = np.array([[55, 60]])


def exposure(light: float, seed: int, steady: float = 1.0) -> NDArray[np.uint16]:
    """What the drawn camera gives for an evenly lit surface: offset 200, noise 5, hot, dead and noisy pixels."""
    rng = np.random.default_rng(seed)
    seen = light * FALL_OFF * steady
    seen[tuple(DEAD.T)] *= 0.1
    counts = (
        200 + seen + rng.normal(0, 5, seen.shape) + rng.normal(0, 1, seen.shape) * np.sqrt(np.maximum(seen, 0) / 10)
    )
    counts[tuple(HOT.T)] += 600
    counts[tuple(NOISY.T)] += rng.normal(0, 300)
    return np.clip(np.round(counts), 0, 4095).astype(np.uint16)


def written(folder: Path, name: str, light: float, count: int, seed: int) -> list[Path]:
    paths = []
    for number in range(count):
        path = folder / f"{name} {number}.png"
        path.write_bytes(png_file(exposure(light, seed + number)))
        paths.append(path)
    return paths


def test_calibration_finds_what_was_drawn(tmp_path: Path) -> None:
    sources = Sources(dark=written(tmp_path, "dark", 0, 10, 1), flat=written(tmp_path, "flat", 2000, 10, 101))
    camera, report = calibrate("gate 1", "2031-04-02", sources)
    assert report.dark_level == pytest.approx(200, abs=1)
    assert report.read_noise == pytest.approx(5, rel=0.1)
    expected_bad = {tuple(pixel) for pixel in np.concatenate([HOT, DEAD, NOISY])}
    assert {tuple(pixel) for pixel in camera.bad_pixels} == expected_bad
    assert report.bad_pixels == len(expected_bad)
    # Dark 200 of 4095, light 2000: about half of full scale.
    assert report.flat_level == pytest.approx(2200 / 4095, rel=0.05)
    # One exposure: sqrt(5^2 + 200) = 15 counts; of ten, over 2000.
    assert report.flat_noise == pytest.approx(15 / np.sqrt(10) / 2000, rel=0.1)
    assert report.flat_residual is not None
    assert report.flat_residual < 0.003
    # Corner and middle are averages over an eleventh of the picture each way.
    in_corner, in_middle = FALL_OFF[:9, :12].mean(), FALL_OFF[44:52, 58:70].mean()
    assert report.corner_light == pytest.approx(in_corner / in_middle, rel=0.03)
    assert (report.lens, report.notes) == (None, ())
    assert camera.flat is not None
    assert camera.flat.min() > 0.9 * FALL_OFF.min()
    # Corrected, a panel of even luminance is even.
    corrected = correct(image_of(exposure(1500, 999)), camera).counts
    blocks = corrected.reshape(12, 8, 16, 8).mean(axis=(1, 3))
    assert np.ptp(blocks) / blocks.mean() < 0.02
    assert np.abs(corrected[tuple(HOT.T)] / blocks.mean() - 1).max() < 0.06


def test_calibration_says_what_should_be_better(tmp_path: Path) -> None:
    one_each = Sources(dark=written(tmp_path, "dark", 0, 1, 1), flat=written(tmp_path, "flat", 250, 1, 11))
    _, report = calibrate("gate 1", "2031-04-02", one_each)
    assert {note.code for note in report.notes} == {"camera.few_dark", "camera.flat_level", "camera.single_flat"}
    assert (report.read_noise, report.flat_noise, report.flat_residual) == (None, None, None)
    dim_pair = Sources(flat=written(tmp_path, "pair", 700, 2, 21))
    _, report = calibrate("gate 1", "2031-04-02", dim_pair)
    assert {note.code for note in report.notes} == {"camera.flat_noise"}
    assert "Take more" in report.notes[0].text


def test_an_unsteady_light_shows_in_the_residual(tmp_path: Path) -> None:
    paths = []
    for number in range(5):
        # The second exposure leans by 10 % each side: one of the two in its half, none of the three in the other.
        leaning = np.linspace(0.9, 1.1, WIDTH) if number == 1 else 1.0
        path = tmp_path / f"{number}.png"
        path.write_bytes(png_file(exposure(2000, 31 + number, steady=leaning)))
        paths.append(path)
    _, report = calibrate("gate 1", "2031-04-02", Sources(dark=written(tmp_path, "dark", 0, 5, 1), flat=paths))
    # Four blocks across: the outer ones lie at 3/4 of the way to the rim; half of 10 % there.
    assert report.flat_residual == pytest.approx(0.0375, abs=0.005)
    assert "camera.flat_residual" in {note.code for note in report.notes}


def test_a_lens_that_fails_towards_the_corners_is_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A strong barrel seen in the middle of the picture only; its coefficients make no sense in the corners.
    lens = Lens(np.array([[128.0, 0, 63.5], [0, 128, 47.5], [0, 0, 1]]), np.array([-1.2, 0, 0, 0, 0.0]), WIDTH, HEIGHT)
    places = np.stack(np.meshgrid(np.arange(8), np.arange(6)), axis=-1).reshape(-1, 2)
    sighting = Sighting(places, lens.to_file(places * 9.0 + (32, 25)))
    monkeypatch.setattr("elinspect.imaging.calibration.find_target", lambda *_: sighting)
    paths = written(tmp_path, "target", 2000, 1, 1)
    camera, report = calibrate("gate 1", "2031-04-02", Sources(target=paths, pattern=Target(Pattern.DOTS, 8, 6)))
    assert report.lens is not None
    assert not report.lens.holds_everywhere
    assert camera.lens is None
    assert {note.code for note in report.notes} == {"camera.coverage", "camera.lens_left_out"}


def test_flat_exposures_that_cannot_serve_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ImageFileError, match=r"bright 0\.png is saturated in part"):
        calibrate("gate 1", "2031-04-02", Sources(flat=written(tmp_path, "bright", 6000, 2, 1)))
    dark = written(tmp_path, "dark", 0, 2, 1)
    with pytest.raises(ImageFileError, match=r"dark 0\.png is dark in part"):
        calibrate("gate 1", "2031-04-02", Sources(dark=dark, flat=dark))
    half = tmp_path / "half.png"
    covered = exposure(2000, 5)
    covered[:, :40] = 200
    half.write_bytes(png_file(covered))
    with pytest.raises(ImageFileError, match=r"half\.png is dark in part"):
        calibrate("gate 1", "2031-04-02", Sources(dark=written(tmp_path, "d", 0, 2, 1), flat=[half]))


def test_sizes_must_agree_and_sources_must_be_there(tmp_path: Path) -> None:
    odd = tmp_path / "odd.png"
    odd.write_bytes(png_file(exposure(0, 1)[1:]))
    with pytest.raises(ImageFileError, match=r"odd\.png has 128 x 95 pixels, but .*dark 0\.png"):
        calibrate("gate 1", "2031-04-02", Sources(dark=[*written(tmp_path, "dark", 0, 1, 1), odd]))
    with pytest.raises(ValueError, match="needs exposures"):
        calibrate("gate 1", "2031-04-02", Sources())
    with pytest.raises(ValueError, match="needs exposures"):
        calibrate("gate 1", "2031-04-02", Sources(target=[odd]))


def test_target_pictures_give_a_lens_and_missed_ones_are_named(tmp_path: Path) -> None:
    rows, columns = np.indices((300, 400))
    nearest = np.hypot((columns - 12) % 25 - 12, (rows - 12) % 25 - 12)
    target = np.where(nearest < 6, 400, 3000).astype(np.uint16)
    (tmp_path / "dots.png").write_bytes(png_file(target))
    (tmp_path / "blank.png").write_bytes(png_file(np.full((300, 400), 3000, np.uint16)))
    pattern = Target(Pattern.DOTS, 16, 12)
    sources = Sources(target=[tmp_path / "dots.png", tmp_path / "blank.png"], pattern=pattern)
    camera, report = calibrate("gate 1", "2031-04-02", sources)
    assert report.lens is not None
    assert report.lens.bend_after_px < 0.1
    assert camera.lens is not None
    assert [note.code for note in report.notes] == ["camera.target_missed"]
    assert "blank.png" in report.notes[0].text
    with pytest.raises(ImageFileError, match=r"not found in the image .*blank\.png"):
        calibrate("gate 1", "2031-04-02", Sources(target=[tmp_path / "blank.png"], pattern=pattern))


# Vignetting without a flat field --------------------------------------------------------------------------------------


@pytest.mark.parametrize("panel", range(0, len(FREE_PANELS), 5))
def test_added_fall_off_is_found_on_real_cells(panel: int) -> None:
    # The photographs behind these cells had a fall-off of their own, so what was added is told from the difference.
    laid = lay_out(panel, Layout(1, 4, 6))
    height, width = laid.picture.shape
    added = Vignetting(-0.35, -0.1, float(np.exp(-0.45)), 0.0)
    before = estimate_vignetting([(laid.picture, laid.quads)])
    after = estimate_vignetting([(laid.picture * added.flat(width, height), laid.quads)])
    assert before is not None
    assert after is not None
    assert after.corner / before.corner == pytest.approx(added.corner, rel=0.08)


def cells_of_a_panel() -> NDArray[np.float64]:
    return np.array(
        [[(x, y), (x + 70, y), (x + 70, y + 70), (x, y + 70)] for y in range(10, 400, 76) for x in range(10, 700, 76)],
        np.float64,
    )


def test_patterns_and_dim_cells_do_not_pass_for_fall_off() -> None:
    light = Vignetting(-0.4, 0.1, float(np.exp(-0.3)), 0.0).flat(776, 476)
    even = np.full((476, 776), 2000, np.float32)
    even[:86, :86] = 200  # a dark cell
    even[80:160, 110:160] = 900  # half of one inactive
    # All cells have one pattern, bright in the middle, and are bright and dim in turn.
    down, along = np.indices((71, 71)) / 70 - 0.5
    for number, (left, top) in enumerate(cells_of_a_panel()[:, 0].astype(int)):
        pattern = (1.2 - 1.6 * (down**2 + along**2)) * (0.8 if number % 2 else 1.25)
        even[top : top + 71, left : left + 71] *= pattern
    found = estimate_vignetting([(even * light, cells_of_a_panel())])
    assert found is not None
    assert found.corner == pytest.approx(np.exp(-0.3), rel=0.01)
    remaining = light / found.flat(776, 476)
    assert np.ptp(remaining) / remaining.mean() < 0.01


def test_the_stated_error_is_the_real_one() -> None:
    true = Vignetting(-0.4, 0.1, float(np.exp(-0.3)), 0.0)
    light, corners = true.flat(776, 476), cells_of_a_panel()
    away = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        # Cells differ by 4 %, and each has a gradient and blotches of its own.
        panel = np.full((476, 776), 2000, np.float32)
        for left, top in corners[:, 0].astype(int):
            slope = rng.normal(0, 0.03, 2)
            down, along = np.indices((71, 71)) / 70 - 0.5
            cell = rng.normal(1, 0.04) * (1 + slope[0] * down + slope[1] * along)
            panel[top : top + 71, left : left + 71] = 2000 * cell * rng.normal(1, 0.02, (71, 71))
        found = estimate_vignetting([(panel * light, corners)])
        assert found is not None
        away.append((found.corner - true.corner) / found.corner_error)
    assert abs(np.mean(away)) < 0.6
    assert 0.5 < np.std(away) < 1.6


def test_fall_off_needs_cells_and_room() -> None:
    picture = np.full((300, 300), 1000, np.float32)
    one = np.array([[(100, 100), (200, 100), (200, 200), (100, 200)]], np.float64)
    assert estimate_vignetting([]) is None
    assert estimate_vignetting([(picture, one)]) is None
    huddled = np.concatenate([one * 0.5 + 80 + shift for shift in range(8)])
    assert estimate_vignetting([(picture, huddled)]) is None
    assert blank_reason(image_of(picture)) is not None
