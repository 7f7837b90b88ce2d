"""From image files to counts: the door through which every picture comes in."""

import os
import stat
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from pathlib import Path

from elinspect.errors import ImageFileError
from elinspect.imaging import jpeg, png, tiff
from elinspect.imaging.intensity import counts_of
from elinspect.imaging.stored import ReadingLimits, StoredPicture
from elinspect.records import ElImage, Exposures, read_only

_OTHER_FORMATS = (
    (b"BM", "BMP"),
    (b"GIF8", "GIF"),
    (b"RIFF", "WebP"),
    (b"\0\0\0\x0cjP", "JPEG 2000"),
    (b"\xff\x4f\xff\x51", "JPEG 2000"),
    (b"%PDF", "PDF"),
    (b"PK\x03\x04", "ZIP"),
    (b"\x1f\x8b", "gzip"),
    (b"SIMPLE  =", "FITS"),
    (b"P5", "PGM"),
    (b"P2", "PGM"),
)


def read_image(path: Path, limits: ReadingLimits | None = None) -> ElImage:
    """Read an exposure from a PNG, TIFF or JPEG file of 8 to 16 bits.

    The format is told from the content, not from the name. The file is read once; hash and picture are of the same
    bytes. Size and completeness are checked before anything is decoded.

    Parameters
    ----------
    path : Path
        The file.
    limits : ReadingLimits, optional
        Largest file and picture.

    Returns
    -------
    ElImage
        Pixels as stored, float32 counts, with bit depth and saturation (see `counts_of`) and the turn the file's tag
        asks for.

    Raises
    ------
    ImageFileError
        If the file does not exist, cannot be read, is no such picture, is cut off, damaged, coloured, too large; the
        text names the file and says what to do.
    """
    limits = limits or ReadingLimits()
    data = _stored_bytes(path, limits)
    # Hashing and decoding both leave the interpreter lock, so the hash costs no time where there is a second core.
    with ThreadPoolExecutor(1) as beside:
        digest = beside.submit(lambda: sha256(data).hexdigest())
        try:
            stored = _decode(data, str(path), limits)
        except MemoryError as error:
            raise ImageFileError("imaging.no_memory", file=str(path)) from error
        counts, bits = counts_of(stored, str(path))
        return ElImage(path, digest.result(), read_only(counts), bits, float(2**bits - 1), stored.orientation)


def single_exposure(path: Path, limits: ReadingLimits | None = None) -> Exposures:
    """Read one file as the whole exposure set of a panel; raises as `read_image`."""
    return Exposures((read_image(path, limits),))


def read_exposures(
    full_current: Sequence[Path],
    *,
    low_current: Sequence[Path] = (),
    repeat: Sequence[Path] = (),
    dark: Sequence[Path] = (),
    limits: ReadingLimits | None = None,
) -> Exposures:
    """Read the exposure set of a panel.

    Parameters
    ----------
    full_current : sequence of Path
        Tiles at full current, at least one.
    low_current, repeat, dark : sequence of Path
        The same tiles at low current, again at full current, and without current; as many as there are tiles, or none.
    limits : ReadingLimits, optional
        Largest file and picture.

    Raises
    ------
    ImageFileError
        As `read_image`; also if an exposure has another size than the tile it belongs to.
    ValueError
        If there is no tile, or a companion is missing for some tiles.
    """
    if not full_current or any(len(paths) not in (0, len(full_current)) for paths in (low_current, repeat, dark)):
        raise ValueError("need at least one tile and, for each kind of companion, none or one per tile")
    tiles = tuple(read_image(path, limits) for path in full_current)
    low = tuple(_companion(path, tile, limits) for path, tile in zip(low_current, tiles, strict=False))
    again = tuple(_companion(path, tile, limits) for path, tile in zip(repeat, tiles, strict=False))
    without = tuple(_companion(path, tile, limits) for path, tile in zip(dark, tiles, strict=False))
    return Exposures(tiles, low, again, without)


def _companion(path: Path, tile: ElImage, limits: ReadingLimits | None) -> ElImage:
    image = read_image(path, limits)
    if image.counts.shape != tile.counts.shape:
        raise ImageFileError(
            "imaging.sizes_differ",
            file=str(path),
            width=image.width_px,
            height=image.height_px,
            other=str(tile.path),
            other_width=tile.width_px,
            other_height=tile.height_px,
        )
    return image


def _stored_bytes(path: Path, limits: ReadingLimits) -> bytes:
    file = str(path)
    try:
        # Looked at before opening: opening a pipe would wait for its writer, opening a device may set it going.
        kind = path.stat()
        if stat.S_ISDIR(kind.st_mode):
            raise ImageFileError("imaging.folder", file=file)
        if not stat.S_ISREG(kind.st_mode):
            raise ImageFileError("imaging.not_a_file", file=file)
        if kind.st_size > limits.max_bytes:
            raise ImageFileError(
                "imaging.large_file", file=file, megabytes=kind.st_size / 1e6, limit=limits.max_bytes / 1e6
            )
        with path.open("rb") as stream:
            data = stream.read(kind.st_size)
    except FileNotFoundError as error:
        raise ImageFileError("imaging.missing", file=file) from error
    except PermissionError as error:
        raise ImageFileError("imaging.no_permission", file=file) from error
    except MemoryError as error:
        raise ImageFileError("imaging.no_memory", file=file) from error
    except OSError as error:
        raise ImageFileError("imaging.unreadable", file=file, cause=_cause(error)) from error
    except ValueError as error:  # a NUL in the name
        raise ImageFileError("imaging.missing", file=file.replace("\0", "\\0")) from error
    if not data:
        raise ImageFileError("imaging.empty", file=file)
    return data


def _cause(error: OSError) -> str:
    return os.strerror(error.errno) if error.errno else str(error)


def _decode(data: bytes, file: str, limits: ReadingLimits) -> StoredPicture:
    if data.startswith(png.SIGNATURE):
        return png.read_png(data, file, limits)
    if data.startswith(jpeg.SIGNATURE):
        return jpeg.read_jpeg(data, file, limits)
    if data.startswith(tiff.SIGNATURES):
        return tiff.read_tiff(data, file, limits)
    # A file whose first bytes already are missing may be any of the three.
    if any(signature.startswith(data) for signature in (png.SIGNATURE, jpeg.SIGNATURE, *tiff.SIGNATURES)):
        raise ImageFileError("imaging.truncated", file=file)
    for start, name in _OTHER_FORMATS:
        if data.startswith(start):
            raise ImageFileError("imaging.other_format", file=file, format=name)
    raise ImageFileError("imaging.not_an_image", file=file)
