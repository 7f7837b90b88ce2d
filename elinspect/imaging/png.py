"""PNG: header and chunks are checked here, imagecodecs decodes the pixels.

References
----------
Portable Network Graphics (PNG) Specification (Third Edition), W3C Recommendation, sections 5 (datastream structure) and
11 (chunk specifications).
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from elinspect.errors import ImageFileError
from elinspect.imaging.exif import orientation_in_exif
from elinspect.imaging.stored import ReadingLimits, StoredPicture, check_depth, check_size
from elinspect.records import Orientation

SIGNATURE = b"\x89PNG\r\n\x1a\n"

_PALETTE = 3


@dataclass(frozen=True, slots=True)
class _Header:
    declared_bits: int | None
    orientation: Orientation


def read_png(data: bytes, file: str, limits: ReadingLimits) -> StoredPicture:
    """Decode a PNG file.

    Parameters
    ----------
    data : bytes
        The whole file, beginning with the signature.
    file : str
        Its name, for error texts.
    limits : ReadingLimits
        Largest picture.

    Raises
    ------
    ImageFileError
        If the picture is too large, cut off, damaged, animated, made with a colour table or of less than 8 bits.
    """
    header = _checked_header(data, file, limits)
    # imagecodecs rather than OpenCV: as fast, and it raises what OpenCV prints on the error stream.
    import imagecodecs

    try:
        values = imagecodecs.png_decode(data)
    # The chunks were complete: what still fails is a checksum or the compressed stream.
    except imagecodecs.PngError as error:
        raise ImageFileError("imaging.damaged", file=file) from error
    return StoredPicture(values, header.declared_bits, scaled_up=True, orientation=header.orientation)


def _checked_header(data: bytes, file: str, limits: ReadingLimits) -> _Header:
    if len(data) < 33:
        raise ImageFileError("imaging.truncated", file=file)
    length, name, width, height, depth, colour = struct.unpack_from(">I4sIIBB", data, 8)
    if name != b"IHDR" or length != 13:
        raise ImageFileError("imaging.damaged", file=file)
    check_size(file, width, height, limits)
    if colour == _PALETTE:
        raise ImageFileError("imaging.colour_table", file=file)
    check_depth(file, depth)
    declared: int | None = None
    orientation = Orientation()
    for chunk, start, end in _chunks(data, file):
        if chunk == b"acTL":
            raise ImageFileError("imaging.animated", file=file)
        if chunk == b"sBIT" and end > start:
            declared = _significant_bits(data[start], depth)
        elif chunk == b"eXIf":
            orientation = orientation_in_exif(data[start:end])
    return _Header(declared, orientation)


def _significant_bits(stated: int, depth: int) -> int | None:
    """Take the sBIT chunk at its word where it can be true; an impossible value is as good as none."""
    return stated if 8 <= stated < depth else None


def _chunks(data: bytes, file: str) -> Iterator[tuple[bytes, int, int]]:
    """Yield name, start and end of each chunk up to the end chunk, which must be there."""
    position = len(SIGNATURE)
    while True:
        if position + 12 > len(data):
            raise ImageFileError("imaging.truncated", file=file)
        length, name = struct.unpack_from(">I4s", data, position)
        start, end = position + 8, position + 8 + length
        if not name.isalpha():
            raise ImageFileError("imaging.damaged", file=file)
        if end + 4 > len(data):
            raise ImageFileError("imaging.truncated", file=file)
        if name == b"IEND":
            return
        yield name, start, end
        position = end + 4
