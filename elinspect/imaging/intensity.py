"""From stored values to counts: bit depth, saturation and grey, settled once."""

import numpy as np

from elinspect.errors import ImageFileError
from elinspect.imaging.stored import StoredPicture, StoredValues
from elinspect.records import FloatImage

_FEWEST_LEVELS = 64
"""Grey levels from which on a picture counts as a camera's; fewer may be drawn in round values."""


def counts_of(stored: StoredPicture, file: str) -> tuple[FloatImage, int]:
    """Turn stored values into counts of the sensor.

    Parameters
    ----------
    stored : StoredPicture
        As decoded.
    file : str
        Its name, for error texts.

    Returns
    -------
    counts : ndarray of float32, shape (height, width)
        In the units of the sensor: a 12-bit camera gives 0..4095 also when the file holds its values shifted left.
    bits : int
        Bit depth; the sensor is full at 2**bits - 1.

    Raises
    ------
    ImageFileError
        If the picture is coloured or partly transparent.

    Notes
    -----
    An 8-bit file has 8 bits. For a 16-bit file the depth is what the file declares; where it declares nothing it is
    taken from the values, because most cameras of 10 to 14 bits write 16-bit files without saying so:

    - nothing above 4095: 12 bits. A dim picture of a true 16-bit camera is mistaken for one of a 12-bit camera, which
      changes nothing but the level called saturated, and that level does not occur in it; the other way round, a
      saturated picture of a 12-bit camera would be called well exposed.
    - the lowest four bits never set, something above 4095: a 12-bit camera with its values shifted left by four. Noise
      sets the lowest bits of any real 16-bit picture somewhere; a drawn picture of few grey levels is left alone.
    - the brightest value exactly 1023 or 16383: 10 or 14 bits, the sensor being full there. Otherwise 10 and 14 bits
      cannot be told from a dim picture of 12 or 16.
    """
    values = _grey(stored, file)
    bits = 8
    if values.dtype == np.uint16:
        shift, bits = _depth(values, stored)
        values = values >> np.uint16(shift) if shift else values
    counts = values.astype(np.float32)
    if stored.white_is_zero:
        counts = np.float32(2**bits - 1) - counts
    return counts, bits


def _depth(values: StoredValues, stored: StoredPicture) -> tuple[int, int]:
    """Return by how many bits the values are shifted left, and the depth that remains."""
    used = int(np.bitwise_or.reduce(values, axis=None))
    declared = stored.declared_bits
    if declared is not None and stored.scaled_up:
        # The PNG specification asks for scaled values, cameras mostly store them as they are: whatever exceeds the
        # declared range, or never sets a bit below it, was scaled.
        unused = (1 << (16 - declared)) - 1
        scaled = used >= 1 << declared or (used > 0 and not used & unused)
        return (16 - declared if scaled else 0), declared
    # A declaration that the values contradict is worth nothing.
    if declared is not None and used < 1 << declared:
        return 0, declared
    if used > 4095 and not used & 15 and len(np.unique(values[::4, ::4])) > _FEWEST_LEVELS:
        return 4, 12
    brightest = int(values.max())
    if brightest in (1023, 16383):
        return 0, brightest.bit_length()
    return 0, 12 if brightest <= 4095 else 16


def _grey(stored: StoredPicture, file: str) -> StoredValues:
    values = stored.values
    if values.ndim == 2:
        return values
    channels = values.shape[2]
    if channels in (2, 4) and np.any(values[:, :, -1] != np.iinfo(values.dtype).max):
        raise ImageFileError("imaging.transparent", file=file)
    if channels < 3:
        return np.ascontiguousarray(values[:, :, 0])
    green = values[:, :, 1]
    for other in (values[:, :, 0], values[:, :, 2]):
        difference = int(np.max(np.maximum(green, other) - np.minimum(green, other)))
        if difference > stored.colour_tolerance:
            raise ImageFileError("imaging.coloured", file=file)
    return np.ascontiguousarray(green)
