"""JPEG: markers and scans are checked here, simplejpeg decodes the pixels.

Most decoders fill what a cut or damaged file lacks and say nothing. Completeness is therefore checked from the
structure (end-of-image marker, all restart intervals, every component and coefficient in a scan), and what the decoder
stumbles over in the coded data is an error here, not a warning: a file that was cut and closed again, or codes that do
not exist. JPEG has no check sums: damage that happens to form other valid codes goes unseen.

References
----------
ITU-T Recommendation T.81 (1992), annex B (compressed data formats).
"""

import math
import re
import struct
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from elinspect.errors import ImageFileError
from elinspect.imaging.exif import orientation_in_exif
from elinspect.imaging.stored import ReadingLimits, StoredPicture, check_size
from elinspect.records import Orientation

SIGNATURE = b"\xff\xd8\xff"

_READ = (0xC0, 0xC1, 0xC2)
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_STANDALONE = frozenset({0x01, *range(0xD0, 0xD8)})
_EOI, _SOS, _DRI, _APP1 = 0xD9, 0xDA, 0xDD, 0xE1
_MARKER_IN_SCAN = re.compile(rb"\xff+[^\x00\xff\xd0-\xd7]")
_RESTART = re.compile(rb"\xff[\xd0-\xd7]")
_ALL_COEFFICIENTS = (1 << 64) - 1


@dataclass(slots=True)
class _Structure:
    """What the markers say, filled while walking through them."""

    frame: int = 0
    width: int = 0
    height: int = 0
    sampling: dict[int, tuple[int, int]] = field(default_factory=dict)
    """Component -> horizontal and vertical sampling factor."""
    arrived: dict[int, int] = field(default_factory=dict)
    """Component -> bit set of the coefficients that have come at full precision."""
    restart_interval: int = 0
    units_in_scan: int = 0
    orientation: Orientation = field(default_factory=Orientation)
    end: int = 0
    """Position of the end-of-image marker."""
    components: int = 1


def read_jpeg(data: bytes, file: str, limits: ReadingLimits) -> StoredPicture:
    """Decode a JPEG file of 8 bits; pixels stay as stored, an EXIF turn is only reported.

    Parameters
    ----------
    data : bytes
        The whole file. Bytes behind the end-of-image marker are ignored.
    file : str
        Its name, for error texts.
    limits : ReadingLimits
        Largest picture.

    Raises
    ------
    ImageFileError
        If the picture is too large, incomplete, damaged or of a kind not read (lossless, arithmetic, 12-bit, CMYK).
    """
    structure = _walk(data, file, limits)
    values = _decoded(data[: structure.end + 2], structure.components, file)
    return StoredPicture(values, orientation=structure.orientation, colour_tolerance=2)


def _decoded(data: bytes, components: int, file: str) -> NDArray[np.uint8]:
    # Not OpenCV nor imagecodecs, the same library underneath: they keep its warnings to themselves, and OpenCV prints
    # them. None of them turns the picture as its EXIF tag asks.
    import simplejpeg

    try:
        if components == 1:
            return np.asarray(simplejpeg.decode_jpeg(data, colorspace="GRAY"), np.uint8)[:, :, 0]
        return np.asarray(simplejpeg.decode_jpeg(data, colorspace="RGB"), np.uint8)
    except ValueError as error:
        cut = "premature end" in str(error)
        raise ImageFileError("imaging.truncated" if cut else "imaging.damaged", file=file) from error


def _walk(data: bytes, file: str, limits: ReadingLimits) -> _Structure:
    """Go through all markers up to the end of the image; raise where they break off."""
    structure, position = _Structure(), 2
    while True:
        while data[position : position + 2] == b"\xff\xff":
            position += 1
        if position + 2 > len(data):
            raise ImageFileError("imaging.truncated", file=file)
        if data[position] != 0xFF:
            raise ImageFileError("imaging.damaged", file=file)
        marker, position = data[position + 1], position + 2
        if marker == _EOI:
            structure.end = position - 2
            break
        if marker in _STANDALONE:
            continue
        end = position + int.from_bytes(data[position : position + 2], "big")
        if end > len(data) or position + 2 > end:
            raise ImageFileError("imaging.truncated", file=file)
        _take_segment(structure, marker, data[position + 2 : end], file, limits)
        position = end if marker != _SOS else _end_of_scan(structure, data, end, file)
    if not structure.arrived or any(bits != _ALL_COEFFICIENTS for bits in structure.arrived.values()):
        raise ImageFileError("imaging.truncated", file=file)
    return structure


def _take_segment(structure: _Structure, marker: int, body: bytes, file: str, limits: ReadingLimits) -> None:
    try:
        if marker in _FRAMES:
            _take_frame(structure, marker, body, file, limits)
        elif marker == _SOS:
            _take_scan(structure, body)
        elif marker == _DRI:
            (structure.restart_interval,) = struct.unpack_from(">H", body)
        elif marker == _APP1 and body.startswith(b"Exif\0\0"):
            structure.orientation = orientation_in_exif(body[6:])
    except (struct.error, IndexError, KeyError, ValueError) as error:
        raise ImageFileError("imaging.damaged", file=file) from error


def _take_frame(structure: _Structure, marker: int, body: bytes, file: str, limits: ReadingLimits) -> None:
    precision, height, width, components = struct.unpack_from(">BHHB", body)
    check_size(file, width, height, limits)
    if marker not in _READ or precision != 8 or components not in (1, 3):
        raise ImageFileError("imaging.kind_of_jpeg", file=file)
    structure.frame, structure.width, structure.height = marker, width, height
    structure.components = components
    for start in range(6, 6 + 3 * components, 3):
        across, down = body[start + 1] >> 4, body[start + 1] & 15
        if not (1 <= across <= 4 and 1 <= down <= 4):
            raise ValueError("sampling factors out of range")
        structure.sampling[body[start]] = (across, down)
        structure.arrived[body[start]] = 0


def _take_scan(structure: _Structure, body: bytes) -> None:
    """Note which coefficients of which components the scan that begins here brings, and how many units it has."""
    count = body[0]
    components = body[1 : 1 + 2 * count : 2]
    first, last, approximation = struct.unpack_from(">BBB", body, 1 + 2 * count)
    for component in components:
        if approximation & 15 == 0:
            structure.arrived[component] |= (1 << (last + 1)) - (1 << first)
    most_across = max(across for across, _ in structure.sampling.values())
    most_down = max(down for _, down in structure.sampling.values())
    # T.81, A.2: a scan of one component counts its own blocks, one of several counts blocks of all of them together.
    across, down = structure.sampling[components[0]] if count == 1 else (most_across, most_down)
    units_across = math.ceil(math.ceil(structure.width * across / most_across) / (8 * (1 if count == 1 else across)))
    units_down = math.ceil(math.ceil(structure.height * down / most_down) / (8 * (1 if count == 1 else down)))
    structure.units_in_scan = units_across * units_down


def _end_of_scan(structure: _Structure, data: bytes, start: int, file: str) -> int:
    """Return where the coded data of a scan end; they must end with a marker and hold every restart interval."""
    found = _MARKER_IN_SCAN.search(data, start)
    if found is None:
        raise ImageFileError("imaging.truncated", file=file)
    if structure.restart_interval:
        restarts = sum(1 for _ in _RESTART.finditer(data, start, found.start()))
        if restarts < math.ceil(structure.units_in_scan / structure.restart_interval) - 1:
            raise ImageFileError("imaging.truncated", file=file)
    return found.start()
