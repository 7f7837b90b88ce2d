"""Image files made by hand, byte by byte, for what no writer would write."""

import struct
import zlib
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
GREY, RGB, PALETTE, GREY_ALPHA, RGB_ALPHA = 0, 2, 3, 4, 6


def png_chunk(name: bytes, body: bytes = b"") -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def png_header(width: int, height: int, depth: int = 16, colour: int = GREY) -> bytes:
    return png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0))


def png_file(values: NDArray[np.unsignedinteger], colour: int = GREY, chunks: Iterable[bytes] = ()) -> bytes:
    """Write values (height, width[, channels]) of 8 or 16 bits without filters; `chunks` go before the data."""
    height, width = values.shape[:2]
    depth = 8 * values.dtype.itemsize
    rows = values.astype(f">u{values.dtype.itemsize}").reshape(height, -1)
    data = zlib.compress(b"".join(b"\0" + row.tobytes() for row in rows))
    parts = (png_header(width, height, depth, colour), *chunks, png_chunk(b"IDAT", data), png_chunk(b"IEND"))
    return PNG_SIGNATURE + b"".join(parts)


def exif_block(orientation: int, order: str = "<") -> bytes:
    """EXIF with nothing but the orientation tag (274, one SHORT)."""
    mark = b"II" if order == "<" else b"MM"
    return mark + struct.pack(f"{order}HIHHHIHHI", 42, 8, 1, 274, 3, 1, orientation, 0, 0)


def with_exif(jpeg: bytes, orientation: int) -> bytes:
    """Put an EXIF block behind the first marker of a JPEG."""
    body = b"Exif\0\0" + exif_block(orientation, ">")
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + jpeg[2:]


def tiff_file(strip: bytes, width: int, height: int, tags: dict[int, int], strip_bytes: int | None = None) -> bytes:
    """Write one strip, the directory behind it; `tags` of type LONG are added to or replace the usual ones."""
    entries = {
        256: width, 257: height, 258: 16, 259: 1, 262: 1, 273: 8, 277: 1, 278: height,
        279: len(strip) if strip_bytes is None else strip_bytes, **tags,
    }  # fmt: skip
    directory = struct.pack("<H", len(entries))
    directory += b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in sorted(entries.items()))
    return b"II*\0" + struct.pack("<I", 8 + len(strip)) + strip + directory + bytes(4)
