"""What is known about one camera, its file, and the correction of exposures by it.

Published order of corrections (Bedrich 2017, PhD thesis, Loughborough University, section 3.7.3): dark frame, flat
field, lens, homography. The first two act on counts and are done here, as is the repair of bad pixels; the lens acts on
places and travels as `Lens` to the geometry, whose homography is the last.

The camera file is a NumPy archive (``.npz``, no pickled objects) with

- ``about``: JSON text: schema ``elinspect.camera/1``, name, made_at, width_px, height_px, dark_level;
- ``dark``: float16, height x width, counts above ``dark_level`` of an exposure without light;
- ``flat``: float16, height x width, sensitivity and illumination over their median;
- ``bad_pixels``: int32, n x 2, row and column of hot, dead and noisy pixels;
- ``lens_matrix``: float64, 3 x 3, and ``lens_distortion``: float64, 5, as in `Lens`.

Everything but ``about`` and ``bad_pixels`` may be missing: what is not known is not corrected.
"""

import json
import os
import zipfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.errors import ImageFileError, SettingsFileError
from elinspect.imaging.lens import Lens
from elinspect.records import ElImage, FloatImage, read_only
from elinspect.vision import cv2

CAMERA_SCHEMA = "elinspect.camera/1"

LEAST_FLAT = 0.05
"""Darker places of a flat field cannot be corrected: twenty times the noise would come with them."""


def _no_pixels() -> NDArray[np.int32]:
    return read_only(np.empty((0, 2), np.int32))


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """One camera at fixed settings: exposure time, gain, aperture, focus.

    Attributes
    ----------
    name : str
        The plant's name for it.
    made_at : str
        When the calibration was made, ISO 8601.
    width_px, height_px : int
        Size of its files.
    dark : ndarray of float32, shape (height_px, width_px), or None
        Counts of an exposure without light.
    flat : ndarray of float32, shape (height_px, width_px), or None
        Counts of an evenly lit exposure over their median, `LEAST_FLAT` at least.
    bad_pixels : ndarray of int32, shape (n, 2)
        Row and column of pixels that say nothing.
    lens : Lens or None
        Distortion.
    """

    name: str
    made_at: str
    width_px: int
    height_px: int
    dark: FloatImage | None = None
    flat: FloatImage | None = None
    bad_pixels: NDArray[np.int32] = field(default_factory=_no_pixels)
    lens: Lens | None = None

    @property
    def label(self) -> str:
        """Name and date, as versions are kept."""
        return f"{self.name} {self.made_at}"


def correct(image: ElImage, camera: Camera, dark: ElImage | None = None) -> ElImage:
    """Correct the counts of an exposure: dark frame, flat field, bad pixels. Pixels stay where they are.

    Parameters
    ----------
    image : ElImage
        As read.
    camera : Camera
        What is known about the camera.
    dark : ElImage, optional
        An exposure without current taken with this one; it replaces the camera's own dark frame and takes off stray
        light as well.

    Returns
    -------
    ElImage
        A new image. Counts may be a little below 0. Pixels at which the sensor was full stand at the new saturation,
        which nothing else reaches.

    Raises
    ------
    ImageFileError
        If the image (or the dark one) has another size than the camera.
    """
    for exposure in (image, dark):
        if exposure is not None and exposure.counts.shape != (camera.height_px, camera.width_px):
            raise ImageFileError(
                "camera.other_size",
                file=str(exposure.path),
                width=exposure.width_px,
                height=exposure.height_px,
                camera=camera.name,
                camera_width=camera.width_px,
                camera_height=camera.height_px,
            )
    base = camera.dark if dark is None else dark.counts
    counts = image.counts.copy() if base is None else image.counts - base
    saturation = image.saturation
    if camera.flat is not None:
        counts /= camera.flat
        saturation /= min(1.0, float(camera.flat.min()))
    if cv2.minMaxLoc(image.counts)[1] >= image.saturation:
        counts[image.counts >= image.saturation] = saturation
    repair_pixels(counts, camera.bad_pixels)
    return replace(image, counts=read_only(counts), saturation=saturation)


def repair_pixels(counts: FloatImage, bad_pixels: NDArray[np.int32]) -> None:
    """Put the median of the good neighbours in place of each bad pixel, in the array given.

    Parameters
    ----------
    counts : ndarray of float32, shape (height, width)
        Changed in place: the caller's own copy.
    bad_pixels : ndarray of int32, shape (n, 2)
        Row and column. In a patch of bad pixels wider than the 9 x 9 pixels round them, the innermost stay as they are.
    """
    if len(bad_pixels) == 0:
        return
    bad = np.zeros(counts.shape, bool)
    bad[bad_pixels[:, 0], bad_pixels[:, 1]] = True
    for reach in (1, 2, 4):
        rows, columns = np.nonzero(bad)
        if len(rows) == 0:
            return
        offsets = np.arange(-reach, reach + 1)
        # Places over the rim count twice as their mirror on it, which the median does not mind.
        near_rows = np.clip(rows[:, None, None] + offsets[:, None], 0, counts.shape[0] - 1)
        near_columns = np.clip(columns[:, None, None] + offsets, 0, counts.shape[1] - 1)
        near = counts[near_rows, near_columns].reshape(len(rows), -1)
        good = ~bad[near_rows, near_columns].reshape(len(rows), -1)
        # A pixel with fewer than three good neighbours waits for the next, wider round.
        ready = good.sum(axis=1) >= 3
        values = np.where(good[ready], near[ready], np.nan)
        counts[rows[ready], columns[ready]] = np.nanmedian(values, axis=1)
        bad[rows[ready], columns[ready]] = False


def write_camera_file(path: Path, camera: Camera) -> None:
    """Write a camera file; the file is whole or not there.

    Raises
    ------
    SettingsFileError
        If it cannot be written.
    """
    arrays: dict[str, Any] = {"bad_pixels": camera.bad_pixels}
    level = 0.0 if camera.dark is None else float(np.median(camera.dark))
    if camera.dark is not None:
        # Half precision keeps a hundredth of a count where it matters, near the level; bad pixels are repaired anyway.
        arrays["dark"] = np.clip(camera.dark - level, -60000, 60000).astype(np.float16)
    if camera.flat is not None:
        arrays["flat"] = camera.flat.astype(np.float16)
    if camera.lens is not None:
        arrays["lens_matrix"], arrays["lens_distortion"] = camera.lens.matrix, camera.lens.distortion
    about = {
        "schema": CAMERA_SCHEMA,
        "name": camera.name,
        "made_at": camera.made_at,
        "width_px": camera.width_px,
        "height_px": camera.height_px,
        "dark_level": level,
    }
    beside = path.with_name(path.name + ".part")
    try:
        with beside.open("wb") as stream:
            np.savez(stream, about=np.array(json.dumps(about)), **arrays)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise SettingsFileError("camera.not_written", file=str(path), cause=str(error.strerror or error)) from error


def read_camera_file(path: Path) -> Camera:
    """Read a camera file.

    Raises
    ------
    SettingsFileError
        If it is missing, no camera file, or does not fit together; the text names the file.
    """
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
            arrays = {name: archive[name] for name in archive.files}
            return _camera_from(arrays, json.loads(str(arrays["about"])))
    except FileNotFoundError:
        raise SettingsFileError("settings.missing", what="camera", file=str(path)) from None
    except OSError as error:
        raise SettingsFileError("camera.unreadable", file=str(path), cause=str(error.strerror or error)) from error
    except (ValueError, KeyError, TypeError, AttributeError, EOFError, zipfile.BadZipFile) as error:
        raise SettingsFileError("camera.invalid", file=str(path), cause=str(error) or type(error).__name__) from error


def _camera_from(arrays: dict[str, NDArray[Any]], about: dict[str, Any]) -> Camera:
    if about.get("schema") != CAMERA_SCHEMA:
        raise ValueError(f"schema {about.get('schema')!r}, expected {CAMERA_SCHEMA!r}")
    width, height = int(about["width_px"]), int(about["height_px"])
    dark = _picture(arrays, "dark", (height, width))
    if dark is not None:
        dark = read_only(dark + np.float32(about["dark_level"]))
    flat = _picture(arrays, "flat", (height, width))
    if flat is not None and flat.min() < LEAST_FLAT / 2:
        raise ValueError("flat has places that are dark")
    bad = arrays["bad_pixels"].astype(np.int32)
    if bad.ndim != 2 or bad.shape[1] != 2 or np.any(bad < 0) or np.any(bad >= (height, width)):
        raise ValueError("bad_pixels lie outside the picture")
    return Camera(
        str(about["name"]),
        str(about["made_at"]),
        width,
        height,
        dark,
        None if flat is None else read_only(flat),
        read_only(bad),
        _lens(arrays, width, height),
    )


def _picture(arrays: dict[str, NDArray[Any]], name: str, shape: tuple[int, int]) -> FloatImage | None:
    if name not in arrays:
        return None
    picture = arrays[name].astype(np.float32)
    if picture.shape != shape or not np.all(np.isfinite(picture)):
        raise ValueError(f"{name} does not fit the size of the camera")
    return picture


def _lens(arrays: dict[str, NDArray[Any]], width: int, height: int) -> Lens | None:
    if "lens_matrix" not in arrays:
        return None
    matrix, distortion = arrays["lens_matrix"].astype(np.float64), arrays["lens_distortion"].astype(np.float64)
    if matrix.shape != (3, 3) or distortion.shape != (5,) or not np.all(np.isfinite(matrix)):
        raise ValueError("the lens is not described by a 3 x 3 matrix and 5 coefficients")
    return Lens(read_only(matrix), read_only(distortion), width, height)
