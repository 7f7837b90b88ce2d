"""TIFF: tags and strips are checked here, tifffile (with imagecodecs) decodes the pixels.

References
----------
TIFF Revision 6.0 (1992), section 8 (Baseline field reference).
"""

import io
import logging
import struct
from typing import TYPE_CHECKING

import numpy as np

from elinspect.errors import ImageFileError
from elinspect.imaging.exif import ORIENTATION_TAG, orientation_of_tag
from elinspect.imaging.stored import ReadingLimits, StoredPicture, StoredValues, check_depth, check_size

if TYPE_CHECKING:
    from tifffile import TiffPage

# What tifffile has to say about a broken file stands in the error; without a handler it would go to the error stream.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

SIGNATURES = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
"""Classic TIFF and BigTIFF, both byte orders."""

_REDUCED, _MASK = 1, 4
_UNSIGNED, _SIGNED, _FLOAT = 1, 2, 3
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE, _YCBCR = 0, 1, 2, 3, 6
_BITS_PER_SAMPLE, _SAMPLE_FORMAT, _MAX_SAMPLE_VALUE, _WHITE_LEVEL = 258, 339, 281, 50717


def read_tiff(data: bytes, file: str, limits: ReadingLimits) -> StoredPicture:
    """Decode a TIFF file: one picture, in strips or tiles, of any usual compression and byte order.

    Pages marked as previews or masks are passed over; a file with several pictures is refused, since nothing says
    which of them shows the panel.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for error texts.
    limits : ReadingLimits
        Largest picture.

    Raises
    ------
    ImageFileError
        If the picture is too large, cut off, damaged, not of unsigned whole numbers of 8 to 16 bits, made with a colour
        table, or if the file holds several.
    """
    from tifffile import TiffFile

    _check_directory(data, file)
    try:
        with TiffFile(io.BytesIO(data)) as tiff:
            pages = [page.aspage() for page in tiff.pages]
            page = _only_picture(pages, file)
            _check_tags(page, file, limits)
            _check_complete(page, len(data), file)
            values = _decoded(page, file)
            return StoredPicture(
                values,
                _declared_bits(page),
                orientation=orientation_of_tag(_whole_number(page, ORIENTATION_TAG) or 1),
                white_is_zero=page.photometric == _WHITE_IS_ZERO,
                colour_tolerance=2 if page.photometric == _YCBCR else 0,
            )
    except ImageFileError:
        raise
    except Exception as error:
        # Whatever a reader of foreign bytes stumbles over, from struct.error to the codecs' own exceptions, the file is
        # to blame; a TIFF cut before its directory shows up as any of them.
        raise ImageFileError("imaging.tiff_broken", file=file, cause=str(error) or type(error).__name__) from error


def _check_directory(data: bytes, file: str) -> None:
    """Refuse a file cut before its directory of tags, which many programs write last."""
    order = "<" if data[:2] == b"II" else ">"
    place, size = (8, "Q") if data[2:4] in (b"+\0", b"\0+") else (4, "I")
    if len(data) < place + 8:
        raise ImageFileError("imaging.truncated", file=file)
    (directory,) = struct.unpack_from(order + size, data, place)
    if directory + 2 > len(data):
        raise ImageFileError("imaging.truncated", file=file)


def _only_picture(pages: "list[TiffPage]", file: str) -> "TiffPage":
    pictures = [page for page in pages if not page.subfiletype & (_REDUCED | _MASK)]
    if len(pictures) > 1:
        raise ImageFileError("imaging.several_pictures", file=file, n=len(pictures))
    if not pictures:
        raise ImageFileError("imaging.no_picture", file=file)
    return pictures[0]


def _check_tags(page: "TiffPage", file: str, limits: ReadingLimits) -> None:
    check_size(file, page.imagewidth, page.imagelength, limits)
    if page.imagedepth > 1:
        raise ImageFileError("imaging.several_pictures", file=file, n=page.imagedepth)
    formats = {page.sampleformat} if isinstance(page.sampleformat, int) else set(page.sampleformat)
    if formats & {_FLOAT}:
        raise ImageFileError("imaging.floating_point", file=file)
    if formats & {_SIGNED}:
        raise ImageFileError("imaging.signed", file=file)
    if page.photometric == _PALETTE:
        raise ImageFileError("imaging.colour_table", file=file)
    if page.photometric not in (_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _YCBCR) or page.samplesperpixel > 4:
        raise ImageFileError("imaging.coloured", file=file)
    check_depth(file, page.bitspersample)


def _check_complete(page: "TiffPage", file_bytes: int, file: str) -> None:
    """Refuse strips or tiles that are missing or lie behind the end of the file: the decoder would fill them."""
    offsets, sizes = page.dataoffsets, page.databytecounts
    across = page.samplesperpixel if page.planarconfig == 2 else 1
    if page.is_tiled:
        expected = -(-page.imagelength // page.tilelength) * -(-page.imagewidth // page.tilewidth) * across
    else:
        expected = -(-page.imagelength // page.rowsperstrip) * across
    ends = [offset + size for offset, size in zip(offsets, sizes, strict=False)]
    if len(ends) < expected or not ends or min(sizes) < 1 or max(ends) > file_bytes:
        raise ImageFileError("imaging.truncated", file=file)


def _decoded(page: "TiffPage", file: str) -> StoredValues:
    values = page.asarray()
    if page.planarconfig == 2 and page.samplesperpixel > 1:
        values = np.moveaxis(values, 0, -1)
    if values.dtype not in (np.uint8, np.uint16):
        raise ImageFileError("imaging.depth", file=file, bits=page.bitspersample)
    return np.ascontiguousarray(values)


def _declared_bits(page: "TiffPage") -> int | None:
    """Return the significant bits that the tags state.

    BitsPerSample says so for packed 10, 12 or 14 bits. For 16-bit containers MaxSampleValue (or the white level of a
    raw file) counts only if it is a full range, 2^n - 1: some programs write the brightest value of the picture there.
    """
    if page.bitspersample not in (8, 16):
        return int(page.bitspersample)
    for tag in (_WHITE_LEVEL, _MAX_SAMPLE_VALUE):
        top = _whole_number(page, tag)
        if top is not None and (top & (top + 1)) == 0 and 8 <= top.bit_length() < page.bitspersample:
            return top.bit_length()
    return None


def _whole_number(page: "TiffPage", code: int) -> int | None:
    tag = page.tags.get(code)
    value = tag.value if tag is not None else None
    if isinstance(value, tuple):
        value = value[0] if value else None
    return int(value) if isinstance(value, int) else None
