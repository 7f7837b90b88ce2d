"""Files that are fine: the counts, depth, saturation, turn and hash are those of the file."""

import hashlib
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from image_files import GREY_ALPHA, RGB, RGB_ALPHA, exif_block, png_chunk, png_file, tiff_file, with_exif

from elinspect.errors import ImageFileError
from elinspect.imaging import ReadingLimits, read_exposures, read_image, single_exposure
from elinspect.records import ElImage, Orientation
from elinspect.vision import cv2

RNG = np.random.default_rng(7)
NOISY_16 = RNG.normal(20000, 3000, (37, 53)).clip(0, 65535).astype(np.uint16)
NOISY_12 = RNG.normal(2000, 300, (37, 53)).clip(0, 4095).astype(np.uint16)
NOISY_8 = RNG.normal(120, 20, (37, 53)).clip(0, 255).astype(np.uint8)


def written(folder: Path, data: bytes, name: str = "panel.bin") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def encoded(values: np.ndarray, suffix: str, options: list[int] | None = None) -> bytes:
    done, data = cv2.imencode(suffix, values, options or [])
    assert done
    return data.tobytes()


def tiff_bytes(values: np.ndarray, **options: Any) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(stream, values, **options)
    return stream.getvalue()


def assert_holds(image: ElImage, values: np.ndarray, bits: int) -> None:
    assert image.counts.dtype == np.float32
    assert np.array_equal(image.counts, values)
    assert (image.bit_depth, image.saturation) == (bits, 2**bits - 1)
    assert (image.height_px, image.width_px) == values.shape


@pytest.mark.parametrize(("values", "bits"), [(NOISY_8, 8), (NOISY_12, 12), (NOISY_16, 16)], ids=["8", "12", "16"])
@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_pixels_are_read_as_stored(tmp_path: Path, values: np.ndarray, bits: int, suffix: str) -> None:
    image = read_image(written(tmp_path, encoded(values, suffix), f"panel{suffix}"))
    assert_holds(image, values, bits)
    assert image.orientation == Orientation()


def test_hash_is_of_the_stored_bytes_and_the_picture_cannot_be_written(tmp_path: Path) -> None:
    data = encoded(NOISY_16, ".png")
    image = read_image(written(tmp_path, data))
    assert image.sha256 == hashlib.sha256(data).hexdigest()
    with pytest.raises(ValueError, match="read-only"):
        image.counts[0, 0] = 1


def test_the_name_does_not_matter_the_content_does(tmp_path: Path) -> None:
    assert_holds(read_image(written(tmp_path, encoded(NOISY_16, ".png"), "panel.tif")), NOISY_16, 16)


@pytest.mark.parametrize("compression", [None, "lzw", "deflate", "packbits", "zstd", "lzma"])
@pytest.mark.parametrize(
    "options",
    [{}, {"rowsperstrip": 5}, {"tile": (16, 32)}, {"byteorder": ">"}, {"bigtiff": True}],
    ids=["one strip", "strips", "tiles", "big-endian", "BigTIFF"],
)
def test_every_usual_kind_of_tiff_is_read(tmp_path: Path, compression: str | None, options: dict[str, Any]) -> None:
    data = tiff_bytes(NOISY_16, compression=compression, **options)
    assert_holds(read_image(written(tmp_path, data)), NOISY_16, 16)


@pytest.mark.parametrize("compression", ["lzw", "deflate", "zstd"])
@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_tiff_with_predictor(tmp_path: Path, compression: str, byteorder: str) -> None:
    data = tiff_bytes(NOISY_16, compression=compression, predictor=True, byteorder=byteorder)
    assert_holds(read_image(written(tmp_path, data)), NOISY_16, 16)


def test_packed_12_bit_tiff_declares_its_depth(tmp_path: Path) -> None:
    values = NOISY_12 & 0xFF0  # low bits never set: still not shifted, the depth is declared
    rows = [np.packbits(((row[:, None] >> np.arange(11, -1, -1)) & 1).astype(np.uint8)).tobytes() for row in values]
    data = tiff_file(b"".join(rows), values.shape[1], values.shape[0], {258: 12})
    assert_holds(read_image(written(tmp_path, data)), values, 12)


def test_white_is_zero_is_turned_round(tmp_path: Path) -> None:
    for values, bits in ((NOISY_16, 16), (NOISY_8, 8)):
        data = tiff_bytes(values, photometric="miniswhite")
        assert_holds(read_image(written(tmp_path, data)), 2**bits - 1 - values, bits)


def test_previews_in_a_tiff_are_passed_over(tmp_path: Path) -> None:
    stream = io.BytesIO()
    with tifffile.TiffWriter(stream) as tiff:
        tiff.write(NOISY_16[::4, ::4].copy(), subfiletype=1)
        tiff.write(NOISY_16)
    assert_holds(read_image(written(tmp_path, stream.getvalue())), NOISY_16, 16)


# Bit depth ------------------------------------------------------------------------------------------------------------


def test_12_bits_shifted_left_are_shifted_back(tmp_path: Path) -> None:
    assert_holds(read_image(written(tmp_path, png_file(NOISY_12 << 4))), NOISY_12, 12)


def test_round_values_of_a_drawn_picture_are_not_taken_for_shifted(tmp_path: Path) -> None:
    drawn = np.where(NOISY_16 > 20000, 32000, 8000).astype(np.uint16)
    assert_holds(read_image(written(tmp_path, png_file(drawn))), drawn, 16)


@pytest.mark.parametrize(
    ("brightest", "bits"),
    [(4095, 12), (4096, 16), (1023, 10), (1022, 12), (16383, 14), (16382, 16), (65535, 16)],
)
def test_depth_of_16_bit_files_is_inferred_from_the_brightest_value(tmp_path: Path, brightest: int, bits: int) -> None:
    values = (NOISY_16 // 70 | 1).astype(np.uint16)
    values[3, 4] = brightest
    assert_holds(read_image(written(tmp_path, png_file(values))), values, bits)


def test_declared_depth_wins_over_the_values(tmp_path: Path) -> None:
    dim = NOISY_12 | 1
    assert_holds(read_image(written(tmp_path, png_file(dim, chunks=[png_chunk(b"sBIT", b"\x0e")]))), dim, 14)
    for tag in (281, 50717):
        data = tiff_file(dim.astype("<u2").tobytes(), dim.shape[1], dim.shape[0], {tag: 16383})
        assert_holds(read_image(written(tmp_path, data)), dim, 14)


def test_significant_bits_of_a_png_scaled_as_its_specification_asks(tmp_path: Path) -> None:
    # Left bit replication, PNG specification (third edition) section 12.4: 0xABC becomes 0xABCA.
    scaled = (NOISY_12 << 4) | (NOISY_12 >> 8)
    assert scaled.max() > 4095
    image = read_image(written(tmp_path, png_file(scaled, chunks=[png_chunk(b"sBIT", b"\x0c")])))
    assert_holds(image, NOISY_12, 12)


def test_a_declared_depth_that_cannot_be_true_is_ignored(tmp_path: Path) -> None:
    assert_holds(read_image(written(tmp_path, png_file(NOISY_16, chunks=[png_chunk(b"sBIT", b"\x00")]))), NOISY_16, 16)
    data = tiff_file(NOISY_16.astype("<u2").tobytes(), 53, 37, {281: 4095})
    assert_holds(read_image(written(tmp_path, data)), NOISY_16, 16)
    dim = NOISY_12 // 2
    brightest_as_top = tiff_file(dim.astype("<u2").tobytes(), 53, 37, {281: int(dim.max())})
    assert_holds(read_image(written(tmp_path, brightest_as_top)), dim, 12)


# Channels -------------------------------------------------------------------------------------------------------------


def test_equal_channels_are_read_as_grey(tmp_path: Path) -> None:
    for values, bits in ((NOISY_8, 8), (NOISY_16, 16)):
        grey = np.dstack([values] * 3)
        full = np.full_like(values, np.iinfo(values.dtype).max)
        files = (
            png_file(grey, RGB),
            png_file(np.dstack([grey, full]), RGB_ALPHA),
            png_file(np.dstack([values, full]), GREY_ALPHA),
            tiff_bytes(grey, photometric="rgb"),
            tiff_bytes(np.stack([values] * 3), photometric="rgb", planarconfig="separate", compression="lzw"),
            tiff_bytes(np.dstack([grey, full]), photometric="rgb", extrasamples=["unassalpha"]),
        )
        for data in files:
            assert_holds(read_image(written(tmp_path, data)), values, bits)


# JPEG -----------------------------------------------------------------------------------------------------------------

SMOOTH_8 = cv2.GaussianBlur(RNG.normal(120, 60, (217, 301)).clip(0, 255).astype(np.uint8), (0, 0), 1.5)


@pytest.mark.parametrize(
    "options",
    [[], [cv2.IMWRITE_JPEG_PROGRESSIVE, 1], [cv2.IMWRITE_JPEG_RST_INTERVAL, 7], [cv2.IMWRITE_JPEG_OPTIMIZE, 1]],
    ids=["baseline", "progressive", "restart markers", "own tables"],
)
@pytest.mark.parametrize("channels", [1, 3])
def test_jpeg_is_read_within_its_own_loss(tmp_path: Path, options: list[int], channels: int) -> None:
    stored = SMOOTH_8 if channels == 1 else np.dstack([SMOOTH_8] * 3)
    image = read_image(written(tmp_path, encoded(stored, ".jpg", [cv2.IMWRITE_JPEG_QUALITY, 95, *options])))
    assert (image.bit_depth, image.saturation, image.counts.shape) == (8, 255, SMOOTH_8.shape)
    assert np.abs(image.counts - SMOOTH_8).max() <= 6
    assert image.counts.std() > 10


@pytest.mark.parametrize("options", [[], [cv2.IMWRITE_JPEG_RST_INTERVAL, 5]], ids=["baseline", "restart markers"])
def test_a_dark_border_at_the_bottom_is_no_missing_part(tmp_path: Path, options: list[int]) -> None:
    bordered = SMOOTH_8.copy()
    bordered[100:] = 0
    image = read_image(written(tmp_path, encoded(bordered, ".jpg", options)))
    assert np.all(image.counts[-1] == 0)
    all_black = read_image(written(tmp_path, encoded(np.zeros_like(bordered), ".jpg", options)))
    assert np.all(all_black.counts == 0)


def test_bytes_behind_the_end_of_a_jpeg_or_png_are_ignored(tmp_path: Path) -> None:
    for data in (encoded(SMOOTH_8, ".jpg"), encoded(SMOOTH_8, ".png")):
        plain = read_image(written(tmp_path, data))
        image = read_image(written(tmp_path, data + b"serial 0012345 \xff\xd8\xff\xda"))
        assert np.array_equal(image.counts, plain.counts)


# Orientation ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("tag", range(1, 9))
def test_exif_turn_is_reported_and_not_applied(tmp_path: Path, tag: int) -> None:
    data = with_exif(encoded(SMOOTH_8, ".jpg"), tag)
    image = read_image(written(tmp_path, data))
    assert image.counts.shape == SMOOTH_8.shape
    turned = np.rot90(image.counts, -image.orientation.rotation_deg // 90)
    upright = turned[:, ::-1] if image.orientation.mirrored else turned
    # OpenCV itself turns a picture as its tag asks unless told not to.
    assert np.array_equal(upright, cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE))


@pytest.mark.parametrize("tag", range(1, 9))
def test_all_formats_read_the_same_turn(tmp_path: Path, tag: int) -> None:
    expected = read_image(written(tmp_path, with_exif(encoded(SMOOTH_8, ".jpg"), tag))).orientation
    as_png = png_file(NOISY_16, chunks=[png_chunk(b"eXIf", exif_block(tag))])
    as_tiff = tiff_bytes(NOISY_16, extratags=[(274, "H", 1, tag, True)])
    for data in (as_png, as_tiff):
        image = read_image(written(tmp_path, data))
        assert image.orientation == expected
        assert np.array_equal(image.counts, NOISY_16)


def test_a_broken_exif_block_says_nothing(tmp_path: Path) -> None:
    for block in (exif_block(6)[:15], b"", b"XX" + exif_block(6)[2:], exif_block(99)):
        image = read_image(written(tmp_path, png_file(NOISY_16, chunks=[png_chunk(b"eXIf", block)])))
        assert image.orientation == Orientation()


# Sizes and sets -------------------------------------------------------------------------------------------------------


def test_a_single_pixel_is_read(tmp_path: Path) -> None:
    one = np.array([[7]], np.uint8)
    for data in (png_file(one), tiff_bytes(one), encoded(one, ".jpg")):
        assert read_image(written(tmp_path, data)).counts.tolist() == [[7]]


@settings(max_examples=30, deadline=None)
@given(
    hnp.arrays(
        st.sampled_from([np.uint8, np.uint16]),
        hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9),
        elements={"min_value": 0, "max_value": 255},
    ),
    st.sampled_from(["png", "tiff", "lzw"]),
)
def test_small_pictures_of_any_shape_survive(
    tmp_path_factory: pytest.TempPathFactory, values: np.ndarray, kind: str
) -> None:
    data = {"png": png_file, "tiff": tiff_bytes, "lzw": lambda v: tiff_bytes(v, compression="lzw")}[kind](values)
    image = read_image(written(tmp_path_factory.mktemp("any"), data))
    assert_holds(image, values, 8 if values.dtype == np.uint8 else 12)


def test_exposure_sets(tmp_path: Path) -> None:
    full = written(tmp_path, png_file(NOISY_12), "full.png")
    low = written(tmp_path, png_file(NOISY_12 // 10), "low.png")
    assert [image.path for image in single_exposure(full).full_current] == [full]
    exposures = read_exposures([full, full], low_current=[low, low], dark=[low, low])
    assert [image.path for image in exposures.low_current] == [low, low]
    assert [image.path for image in exposures.dark] == [low, low]
    assert exposures.repeat == ()
    with pytest.raises(ValueError, match="one tile"):
        read_exposures([full, full], repeat=[full])
    with pytest.raises(ValueError, match="one tile"):
        read_exposures([])


def test_a_companion_of_another_size_is_refused(tmp_path: Path) -> None:
    full = written(tmp_path, png_file(NOISY_12), "full.png")
    low = written(tmp_path, png_file(NOISY_12[1:]), "low.png")
    with pytest.raises(ImageFileError, match=r"low\.png has 53 x 36 pixels, but .*full\.png.* has 53 x 37"):
        read_exposures([full], low_current=[low])


def test_limits_are_the_callers(tmp_path: Path) -> None:
    path = written(tmp_path, png_file(NOISY_12))
    assert read_image(path, ReadingLimits(max_pixels=NOISY_12.size)).counts.shape == NOISY_12.shape
    for limits in (
        ReadingLimits(max_pixels=NOISY_12.size - 1),
        ReadingLimits(max_side_px=52),
        ReadingLimits(max_bytes=path.stat().st_size - 1),
    ):
        with pytest.raises(ImageFileError, match="at most"):
            read_image(path, limits)
