"""What a file format hands over: the stored picture, not yet counts."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.errors import ImageFileError
from elinspect.records import Orientation

StoredValues = NDArray[np.unsignedinteger[Any]]
"""Values of 8 or 16 bits."""


@dataclass(frozen=True, slots=True)
class ReadingLimits:
    """How large a file may be; checked before anything is decoded.

    Attributes
    ----------
    max_bytes : int
        Size of the file. An uncompressed 16-bit picture of `max_pixels` in three channels, with room for its tags.
    max_pixels : int
        Width times height. Three times the largest camera named for this gate (60 MP); decoding needs about 6 bytes per
        pixel of memory beside the file.
    max_side_px : int
        Width and height. OpenCV cannot resample pictures of 32,767 or more pixels a side.
    """

    max_bytes: int = 1_300_000_000
    max_pixels: int = 200_000_000
    max_side_px: int = 32_000


@dataclass(frozen=True, slots=True, eq=False)
class StoredPicture:
    """A decoded picture as the file stores it.

    Attributes
    ----------
    values : ndarray of uint8 or uint16, shape (height, width) or (height, width, channels)
        Stored values; two channels are grey with alpha, three colours, four colours with alpha.
    declared_bits : int or None
        Significant bits that the file declares; None where it only names its container of 8 or 16 bits.
    scaled_up : bool
        Whether the format asks for values of fewer declared bits to be scaled up to the container.
    orientation : Orientation
        Turn that the file's tag asks for; not applied to `values`.
    white_is_zero : bool
        Whether 0 is stored for the brightest pixel.
    colour_tolerance : int
        Difference between colour channels that the format's coding itself may cause in a grey picture.
    """

    values: StoredValues
    declared_bits: int | None = None
    scaled_up: bool = False
    orientation: Orientation = field(default_factory=Orientation)
    white_is_zero: bool = False
    colour_tolerance: int = 0


def check_size(file: str, width: int, height: int, limits: ReadingLimits) -> None:
    """Refuse a picture whose header states a useless size, before it is decoded.

    Raises
    ------
    ImageFileError
        If width or height is 0, or the picture larger than the limits.
    """
    if width < 1 or height < 1:
        raise ImageFileError("imaging.no_pixels", file=file, width=width, height=height)
    if width * height > limits.max_pixels or max(width, height) > limits.max_side_px:
        raise ImageFileError(
            "imaging.large_picture",
            file=file,
            width=width,
            height=height,
            megapixels=limits.max_pixels / 1e6,
            side=limits.max_side_px,
        )


def check_depth(file: str, bits: int) -> None:
    """Refuse a picture of fewer than 8 or more than 16 bits per value.

    Raises
    ------
    ImageFileError
        If so.
    """
    if not 8 <= bits <= 16:
        raise ImageFileError("imaging.depth", file=file, bits=bits)
