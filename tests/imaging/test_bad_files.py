"""Files that are not fine: each is refused with a text that names the file and says what to do."""

import io
import os
import socket
import tracemalloc
import zlib
from collections.abc import Callable
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from image_files import (
    GREY_ALPHA,
    PALETTE,
    PNG_SIGNATURE,
    RGB,
    RGB_ALPHA,
    png_chunk,
    png_file,
    png_header,
    tiff_file,
    with_exif,
)

from elinspect.errors import ImageFileError
from elinspect.imaging import read_image
from elinspect.vision import cv2

RNG = np.random.default_rng(11)
NOISY = RNG.normal(20000, 3000, (61, 83)).clip(0, 65535).astype(np.uint16)
SMOOTH = cv2.GaussianBlur(RNG.normal(120, 60, (217, 301)).clip(0, 255).astype(np.uint8), (0, 0), 1.5)


def encoded(values: np.ndarray, suffix: str, options: list[int] | None = None) -> bytes:
    done, data = cv2.imencode(suffix, values, options or [])
    assert done
    return data.tobytes()


def tiff_bytes(values: np.ndarray, **options: object) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(stream, values, **options)
    return stream.getvalue()


def refusal(path: Path) -> tuple[str, str]:
    """Return code and text of the error; the text must name the file and tell what to do."""
    with pytest.raises(ImageFileError) as caught:
        read_image(path)
    text = str(caught.value)
    assert str(path) in text
    assert text.count(".") >= 2
    assert text.endswith(".")
    return caught.value.message.code, text


def refused(folder: Path, data: bytes, name: str = "panel.png") -> str:
    path = folder / name
    path.write_bytes(data)
    return refusal(path)[0]


# Not a file to read ---------------------------------------------------------------------------------------------------


def test_missing_file(tmp_path: Path) -> None:
    assert refusal(tmp_path / "nothing.png")[0] == "imaging.missing"
    assert refusal(tmp_path / "no folder" / "nothing.png")[0] == "imaging.missing"
    with pytest.raises(ImageFileError, match="does not exist"):
        read_image(Path("a\0b.png"))


def test_folder(tmp_path: Path) -> None:
    assert refusal(tmp_path)[0] == "imaging.folder"


def test_path_through_a_file_and_overlong_name(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"x")
    assert refusal(tmp_path / "a.png" / "b.png")[0] == "imaging.unreadable"
    assert refusal(tmp_path / ("n" * 5000 + ".png"))[0] == "imaging.unreadable"


def test_link_to_nothing_and_to_itself(tmp_path: Path) -> None:
    (tmp_path / "dangling.png").symlink_to(tmp_path / "gone.png")
    assert refusal(tmp_path / "dangling.png")[0] == "imaging.missing"
    (tmp_path / "loop.png").symlink_to(tmp_path / "loop.png")
    assert refusal(tmp_path / "loop.png")[0] == "imaging.unreadable"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_pipe_socket_and_device_are_not_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pipe = tmp_path / "pipe.png"
    os.mkfifo(pipe)
    assert refusal(pipe)[0] == "imaging.not_a_file"
    with socket.socket(socket.AF_UNIX) as listener:
        monkeypatch.chdir(tmp_path)  # the name of a socket may only be about 100 characters long
        listener.bind("socket.png")
        assert refusal(tmp_path / "socket.png")[0] == "imaging.not_a_file"
    assert refusal(Path("/dev/zero"))[0] == "imaging.not_a_file"


def test_file_without_the_right_to_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "secret.png"
    path.write_bytes(png_file(NOISY))

    def denied(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    # The tests may run as a user for whom no file is closed.
    monkeypatch.setattr(Path, "open", denied)
    assert refusal(path)[0] == "imaging.no_permission"


def test_failing_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "panel.png"
    path.write_bytes(png_file(NOISY))

    def failing(*_: object, **__: object) -> None:
        raise OSError(5, "Input/output error", str(path))

    monkeypatch.setattr(Path, "open", failing)
    code, text = refusal(path)
    assert code == "imaging.unreadable"
    assert "Input/output error" in text


# Not a picture --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "imaging.empty"),
        (b"panel,string,position\n1,2,3\n", "imaging.not_an_image"),
        (bytes(4096), "imaging.not_an_image"),
        (b"\x89P", "imaging.truncated"),
        (b"\xff\xd8", "imaging.truncated"),
        (b"II*", "imaging.truncated"),
        (b"II*\0\x08", "imaging.truncated"),
        (PNG_SIGNATURE, "imaging.truncated"),
        (b"BM" + bytes(100), "imaging.other_format"),
        (b"GIF89a" + bytes(100), "imaging.other_format"),
    ],
)
def test_wrong_content(tmp_path: Path, data: bytes, code: str) -> None:
    assert refused(tmp_path, data) == code


# Size is looked at first ----------------------------------------------------------------------------------------------


def test_a_huge_png_is_refused_before_it_is_decoded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = zlib.compress(bytes(1000))
    data = PNG_SIGNATURE + png_header(40000, 40000) + png_chunk(b"IDAT", rows) + png_chunk(b"IEND")
    path = tmp_path / "huge.png"
    path.write_bytes(data)
    monkeypatch.setattr(imagecodecs, "png_decode", None)
    code, text = refusal(path)
    assert code == "imaging.large_picture"
    assert "40000 x 40000" in text


def test_huge_headers_of_all_formats_cost_no_memory(tmp_path: Path) -> None:
    jpeg = bytearray(encoded(SMOOTH, ".jpg"))
    frame = jpeg.index(b"\xff\xc0")
    jpeg[frame + 5 : frame + 9] = b"\xff\xff\xff\xff"
    read_image(_saved(tmp_path, tiff_file(b"ab", 1, 1, {})))  # loads the libraries
    tracemalloc.start()
    try:
        assert refused(tmp_path, PNG_SIGNATURE + png_header(2**31 - 1, 2**31 - 1)) == "imaging.large_picture"
        assert refused(tmp_path, bytes(jpeg)) == "imaging.large_picture"
        assert refused(tmp_path, tiff_file(bytes(100), 2**31, 2**31, {})) == "imaging.large_picture"
        assert refused(tmp_path, tiff_file(bytes(100), 40000, 10, {})) == "imaging.large_picture"
        assert tracemalloc.get_traced_memory()[1] < 5e6
    finally:
        tracemalloc.stop()


def test_no_pixels(tmp_path: Path) -> None:
    assert refused(tmp_path, PNG_SIGNATURE + png_header(0, 5)) == "imaging.no_pixels"
    assert refused(tmp_path, tiff_file(b"ab", 0, 5, {})) == "imaging.no_pixels"


def test_a_compressed_strip_that_grows_without_end_is_stopped(tmp_path: Path) -> None:
    press = zlib.compressobj(9)
    strip = b"".join(press.compress(bytes(1 << 20)) for _ in range(60)) + press.flush()
    tracemalloc.start()
    try:
        assert refused(tmp_path, tiff_file(strip, 100, 100, {259: 8})) == "imaging.tiff_broken"
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()


# Cut off --------------------------------------------------------------------------------------------------------------

_FORMATS: dict[str, Callable[[], bytes]] = {
    "png": lambda: encoded(NOISY, ".png"),
    "tiff": lambda: tiff_bytes(NOISY),
    "tiff, directory last": lambda: tiff_file(NOISY.tobytes(), NOISY.shape[1], NOISY.shape[0], {}),
    "tiff, lzw strips": lambda: tiff_bytes(NOISY, compression="lzw", rowsperstrip=8),
    "tiff, deflate tiles": lambda: tiff_bytes(NOISY, compression="deflate", tile=(16, 16)),
    "bigtiff": lambda: tiff_bytes(NOISY, bigtiff=True),
    "jpeg": lambda: encoded(SMOOTH, ".jpg"),
    "jpeg, progressive": lambda: encoded(SMOOTH, ".jpg", [cv2.IMWRITE_JPEG_PROGRESSIVE, 1]),
    "jpeg, restarts": lambda: encoded(SMOOTH, ".jpg", [cv2.IMWRITE_JPEG_RST_INTERVAL, 9]),
    "jpeg with exif": lambda: with_exif(encoded(SMOOTH, ".jpg"), 6),
}


@pytest.mark.parametrize("make", _FORMATS.values(), ids=_FORMATS.keys())
@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.95, 1])
def test_cut_files_are_refused(tmp_path: Path, make: Callable[[], bytes], share: float) -> None:
    data = make()
    read_image(_saved(tmp_path, data))
    # The last four bytes of a TIFF may be the place of a next directory, which one does without.
    assert refused(tmp_path, data[: int(len(data) * share) - 5]) in ("imaging.truncated", "imaging.tiff_broken")


def test_strips_behind_the_end_of_a_tiff_are_called_cut_off(tmp_path: Path) -> None:
    for make in ("tiff", "tiff, lzw strips", "tiff, deflate tiles", "bigtiff"):
        data = _FORMATS[make]()
        assert refused(tmp_path, data[: int(len(data) * 0.6)]) == "imaging.truncated"


def _saved(folder: Path, data: bytes) -> Path:
    path = folder / "whole"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(
    ("options", "share"),
    [
        *(([], share) for share in (0.25, 0.6, 0.9)),
        *(([cv2.IMWRITE_JPEG_RST_INTERVAL, 5], share) for share in (0.25, 0.6, 0.9)),
        *(([cv2.IMWRITE_JPEG_PROGRESSIVE, 1], share) for share in (0.25, 0.6, 0.9, 0.98)),
    ],
)
def test_a_jpeg_cut_and_closed_again_is_refused(tmp_path: Path, options: list[int], share: float) -> None:
    whole = encoded(SMOOTH, ".jpg", [cv2.IMWRITE_JPEG_QUALITY, 90, *options])
    cut = whole[: int(len(whole) * share)].rstrip(b"\xff") + b"\xff\xd9"
    # The decoder takes it for a whole picture.
    assert cv2.imdecode(np.frombuffer(cut, np.uint8), cv2.IMREAD_UNCHANGED).shape == SMOOTH.shape
    assert refused(tmp_path, cut) == "imaging.truncated"


@pytest.mark.parametrize("options", [[], [cv2.IMWRITE_JPEG_PROGRESSIVE, 1], [cv2.IMWRITE_JPEG_RST_INTERVAL, 9]])
def test_damage_that_breaks_the_codes_of_a_jpeg_is_seen(tmp_path: Path, options: list[int]) -> None:
    whole = encoded(SMOOTH, ".jpg", [cv2.IMWRITE_JPEG_QUALITY, 90, *options])
    rng = np.random.default_rng(3)
    first = whole.index(b"\xff\xda") + 30
    refusals = []
    for _ in range(60):
        damaged, at = bytearray(whole), int(rng.integers(first, len(whole) - 60))
        damaged[at : at + 24] = rng.integers(0, 255, 24).astype(np.uint8).tobytes()
        (tmp_path / "damaged.jpg").write_bytes(damaged)
        try:
            read_image(tmp_path / "damaged.jpg")
        except ImageFileError as error:
            refusals.append(error.message.code)
    # JPEG has no check sums: bytes that happen to form as many valid codes cannot be told from a picture.
    assert len(refusals) >= 20
    assert set(refusals) <= {"imaging.damaged", "imaging.truncated", "imaging.kind_of_jpeg"}


def test_a_jpeg_filled_up_with_zeros_is_refused(tmp_path: Path) -> None:
    whole = encoded(SMOOTH, ".jpg")
    kept = int(len(whole) * 0.6)
    assert refused(tmp_path, whole[:kept] + bytes(len(whole) - kept)) == "imaging.truncated"


def test_the_end_of_a_small_picture_inside_a_jpeg_is_not_its_end(tmp_path: Path) -> None:
    small, whole = encoded(SMOOTH[:64, :64], ".jpg"), encoded(SMOOTH, ".jpg")
    body = b"Exif\0\0" + small
    data = whole[:2] + b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body + whole[2:]
    assert read_image(_saved(tmp_path, data)).counts.shape == SMOOTH.shape
    assert refused(tmp_path, data[: int(len(data) * 0.6)]) == "imaging.truncated"


def test_strips_that_are_missing_or_empty_are_refused(tmp_path: Path) -> None:
    rows, columns = NOISY.shape
    packed = zlib.compress(NOISY.tobytes())
    assert refused(tmp_path, tiff_file(packed, columns, rows, {259: 8}, strip_bytes=0)) == "imaging.truncated"
    assert refused(tmp_path, tiff_file(packed, columns, rows, {259: 8, 278: 10})) == "imaging.truncated"
    half = zlib.compress(NOISY.tobytes()[: NOISY.nbytes // 2])
    assert refused(tmp_path, tiff_file(half, columns, rows, {259: 8})) == "imaging.tiff_broken"


# Damaged --------------------------------------------------------------------------------------------------------------


def test_png_with_a_flipped_bit_or_too_little_data(tmp_path: Path) -> None:
    data = bytearray(png_file(NOISY))
    data[len(data) // 2] ^= 1
    assert refused(tmp_path, bytes(data)) == "imaging.damaged"
    rows = zlib.compress(bytes(500))
    few = PNG_SIGNATURE + png_header(83, 61) + png_chunk(b"IDAT", rows) + png_chunk(b"IEND")
    assert refused(tmp_path, few) == "imaging.damaged"
    assert refused(tmp_path, PNG_SIGNATURE + png_header(83, 61) + png_chunk(b"IEND")) == "imaging.damaged"


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(sorted(_FORMATS)), st.data())
def test_whatever_is_wrong_with_a_file_it_is_read_or_refused_in_words(
    tmp_path: Path, kind: str, data: st.DataObject
) -> None:
    stored = bytearray(_FORMATS[kind]())
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, min(len(stored) - 1, 600)))
        stored[place] = data.draw(st.integers(0, 255))
    path = _saved(tmp_path, bytes(stored))
    try:
        in_order = read_image(path).counts.size > 0
    except ImageFileError as error:
        in_order = str(path) in str(error)
    assert in_order


# Not a grey picture of whole numbers ----------------------------------------------------------------------------------

_GREY_3 = np.dstack([NOISY] * 3)
_COLOURED = _GREY_3 + np.array([0, 0, 9], np.uint16)
_HALF = np.full_like(NOISY, 32768)


@pytest.mark.parametrize(
    ("make", "code"),
    [
        (lambda: png_file(_COLOURED, RGB), "imaging.coloured"),
        (lambda: encoded(_COLOURED, ".tif"), "imaging.coloured"),
        (lambda: tiff_bytes(_COLOURED, photometric="rgb", planarconfig="contig"), "imaging.coloured"),
        (lambda: encoded(cv2.applyColorMap(SMOOTH, cv2.COLORMAP_JET), ".jpg"), "imaging.coloured"),
        (lambda: png_file(np.dstack([_GREY_3, _HALF]), RGB_ALPHA), "imaging.transparent"),
        (lambda: png_file(np.dstack([NOISY, _HALF]), GREY_ALPHA), "imaging.transparent"),
        (
            lambda: png_file(SMOOTH, PALETTE, [png_chunk(b"PLTE", bytes(np.repeat(np.arange(256, dtype="u1"), 3)))]),
            "imaging.colour_table",
        ),
        (
            lambda: tiff_bytes(SMOOTH, photometric="palette", colormap=np.zeros((3, 256), np.uint16)),
            "imaging.colour_table",
        ),
        (lambda: tiff_bytes(NOISY.astype(np.float32)), "imaging.floating_point"),
        (lambda: tiff_bytes(NOISY.astype(np.float64), compression="lzw"), "imaging.floating_point"),
        (lambda: tiff_bytes((NOISY // 2).astype(np.int16)), "imaging.signed"),
        (lambda: tiff_bytes(NOISY.astype(np.uint32)), "imaging.depth"),
        (lambda: tiff_bytes(NOISY > 20000), "imaging.depth"),
        (lambda: PNG_SIGNATURE + png_header(8, 8, depth=4) + png_chunk(b"IEND"), "imaging.depth"),
        (lambda: png_file(NOISY, chunks=[png_chunk(b"acTL", bytes(8))]), "imaging.animated"),
        (lambda: tiff_bytes(np.stack([NOISY] * 3), photometric="minisblack"), "imaging.several_pictures"),
    ],
)
def test_pictures_of_other_kinds(tmp_path: Path, make: Callable[[], bytes], code: str) -> None:
    assert refused(tmp_path, make()) == code


def test_a_tiff_of_previews_only(tmp_path: Path) -> None:
    assert refused(tmp_path, tiff_bytes(NOISY, subfiletype=1)) == "imaging.no_picture"


@pytest.mark.parametrize(
    ("marker", "precision", "components"), [(0xC3, 8, 1), (0xC9, 8, 1), (0xC1, 12, 1), (0xC0, 8, 4)]
)
def test_kinds_of_jpeg_that_are_not_read(tmp_path: Path, marker: int, precision: int, components: int) -> None:
    frame = bytes([precision, 0, 8, 0, 8, components]) + b"".join(bytes([n, 0x11, 0]) for n in range(components))
    data = b"\xff\xd8\xff" + bytes([marker]) + (len(frame) + 2).to_bytes(2, "big") + frame + b"\xff\xd9"
    assert refused(tmp_path, data) == "imaging.kind_of_jpeg"
