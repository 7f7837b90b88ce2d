"""What a camera gave: images, tiles, exposure sets, and how good they are."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.records.places import Orientation

FloatImage = NDArray[np.float32]
"""Picture or stack of pictures in counts above the dark level."""


Points = NDArray[np.float64]
"""Points in one of the frames that `elinspect.records` names, shape (n, 2) unless said otherwise."""


_Array = TypeVar("_Array", bound=np.ndarray)


def read_only(array: _Array) -> _Array:
    """Return the array with writing switched off: records are shared between rooms."""
    array.flags.writeable = False
    return array


@dataclass(frozen=True, slots=True, eq=False)
class ElImage:
    """One exposure as read: counts above dark level, no absolute grey level means anything.

    Attributes
    ----------
    path : Path
        The file.
    sha256 : str
        Hash of the stored bytes.
    counts : ndarray of float32, shape (height_px, width_px)
        Counts above the dark level, in the units of the sensor (a 12-bit camera gives 0..4095).
    bit_depth : int
        8, 12 or 16: declared by the file or, for 16-bit containers, taken from the values that occur.
    saturation : float
        Counts at and above which the sensor was full.
    orientation : Orientation
        Turn that the file's own tag asks for (EXIF, TIFF); the pixels here are the stored ones, not turned.
    """

    path: Path
    sha256: str
    counts: FloatImage
    bit_depth: int
    saturation: float
    orientation: Orientation = field(default_factory=Orientation)

    @property
    def height_px(self) -> int:
        """Rows of the file."""
        return int(self.counts.shape[0])

    @property
    def width_px(self) -> int:
        """Columns of the file."""
        return int(self.counts.shape[1])


class PixelPlace(Protocol):
    """How the pixels of a file lie in the straight picture, in which a panel's lines are straight.

    Lens and place of a tile are known to it; the homography of the panel is not part of it.
    """

    def to_file(self, points: Points) -> Points:
        """Bring points (x, y) of the straight picture to file pixels, shape (..., 2)."""

    def to_straight(self, points_px: Points) -> Points:
        """Bring points (x, y) in file pixels to the straight picture, shape (..., 2)."""


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """One file of a panel's picture, ready to cut cells from.

    Attributes
    ----------
    full_current : ElImage
        Corrected counts, pixels as stored.
    low_current : ElImage or None
        The same view at low current.
    place : PixelPlace or None
        Where its pixels lie in the straight picture; None where the file is the straight picture.
    gain : float
        Counts are multiplied by it, so that all tiles show one panel.
    masks : ndarray, shape (n, 4)
        Rectangles (left, top, right, bottom) in file pixels that show something else than the panel.
    """

    full_current: ElImage
    low_current: ElImage | None = None
    place: PixelPlace | None = None
    gain: float = 1.0
    masks: NDArray[np.float64] = field(default_factory=lambda: read_only(np.empty((0, 4))))


@dataclass(frozen=True, slots=True)
class ExposureConditions:
    """What a side file says about the exposure; a value of None was not given."""

    current_a: float | None = None
    voltage_v: float | None = None
    temperature_c: float | None = None
    taken_at: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Exposures:
    """The exposure set of one panel.

    Attributes
    ----------
    full_current : tuple of ElImage
        Tiles taken at full current, in the order of their tile number; one image for most cameras.
    low_current : tuple of ElImage
        The same tiles at about a tenth of the current; empty if not taken.
    repeat : tuple of ElImage
        A second full-current exposure at identical settings, for noise; empty if not taken.
    dark : tuple of ElImage
        The same tiles without current; empty if not taken.
    serial : str or None
        Serial of the panel, an opaque string.
    conditions : ExposureConditions
        Current, voltage, temperature, time.
    notes : tuple of Message
        What was left out while the set was read, and why.
    """

    full_current: tuple[ElImage, ...]
    low_current: tuple[ElImage, ...] = ()
    repeat: tuple[ElImage, ...] = ()
    dark: tuple[ElImage, ...] = ()
    serial: str | None = None
    conditions: ExposureConditions = ExposureConditions()
    notes: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True)
class ImageQuality:
    """How good the raw image is; a figure of None could not be measured.

    Attributes
    ----------
    usable : bool
        Whether the panel may be judged by this image.
    signal_to_noise : float or None
        Median signal of the cells over the noise of one pixel.
    sharpness_px : float or None
        Standard deviation of the edge spread, file pixels.
    saturated_fraction : float or None
        Share of the cells' pixels at or above saturation, 0..1.
    mm_per_px : float or None
        Size of a file pixel; None while the cell size is only assumed.
    notes : tuple of Message
        What a person should know, also why the image is not usable.
    signal_to_noise_from : {'pair', 'image'} or None
        Whether two exposures at the same settings told the noise, or one alone.
    sharpness_mm : float or None
        `sharpness_px` on the panel.
    dark_fraction : float or None
        Share of the cells' pixels below a tenth of the usual cell's light above the ground, 0..1.
    shortest_crack_mm, narrowest_crack_mm : float or None
        Length and width of the smallest crack that this image supports a judgement on, an estimate.
    exposure_factor : float or None
        Factor by which a longer (above 1) or shorter exposure would use the sensor well; None where nothing is gained.
    grey_steps : float or None
        Steps of grey between the dark ground and a usual cell; None where the noise covers the steps.
    """

    usable: bool
    signal_to_noise: float | None = None
    sharpness_px: float | None = None
    saturated_fraction: float | None = None
    mm_per_px: float | None = None
    notes: tuple[Message, ...] = ()
    signal_to_noise_from: Literal["pair", "image"] | None = None
    sharpness_mm: float | None = None
    dark_fraction: float | None = None
    shortest_crack_mm: float | None = None
    narrowest_crack_mm: float | None = None
    exposure_factor: float | None = None
    grey_steps: float | None = None
