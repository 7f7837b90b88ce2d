"""The orientation tag, as EXIF blocks (JPEG, PNG) and TIFF files carry it."""

import struct

from elinspect.records import Orientation

ORIENTATION_TAG = 274

_SHORT = 3
_TURNS = {
    1: Orientation(0, False),
    2: Orientation(0, True),
    3: Orientation(180, False),
    4: Orientation(180, True),
    5: Orientation(90, True),
    6: Orientation(90, False),
    7: Orientation(270, True),
    8: Orientation(270, False),
}


def orientation_of_tag(value: int) -> Orientation:
    """Return what the orientation tag asks for: turn clockwise, then mirror left-right.

    Parameters
    ----------
    value : int
        1..8 as in TIFF 6.0, section 8 (Baseline field reference, Orientation); anything else counts as 1, 'as stored',
        because readers everywhere ignore values that do not exist.
    """
    return _TURNS.get(value, Orientation())


def orientation_in_exif(block: bytes) -> Orientation:
    """Return the turn that an EXIF block asks for; 'as stored' where it holds no readable orientation tag.

    Parameters
    ----------
    block : bytes
        A TIFF structure: byte order, 42, offset of the first directory. A damaged block says nothing about the
        picture, so it is passed over.
    """
    order = {b"II": "<", b"MM": ">"}.get(block[:2])
    if order is None:
        return Orientation()
    try:
        (directory,) = struct.unpack_from(f"{order}I", block, 4)
        (entries,) = struct.unpack_from(f"{order}H", block, directory)
        for entry in range(entries):
            tag, kind, _, value = struct.unpack_from(f"{order}HHIH", block, directory + 2 + 12 * entry)
            if tag == ORIENTATION_TAG and kind == _SHORT:
                return orientation_of_tag(value)
    except struct.error:
        pass
    return Orientation()
