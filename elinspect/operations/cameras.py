"""Calibrate a camera from files on disk, also from panels where no evenly lit surface exists."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from elinspect.catalogue import Message
from elinspect.errors import ImageFileError
from elinspect.geometry import find_grid, find_panel
from elinspect.imaging import Camera, read_image
from elinspect.imaging.calibration import Sources, calibrate, report_in_words
from elinspect.imaging.camera import LEAST_FLAT, correct, write_camera_file
from elinspect.imaging.vignetting import estimate_vignetting
from elinspect.recipe import Product
from elinspect.records import NotFound, read_only

_ENDINGS = frozenset({".png", ".tif", ".tiff", ".jpg", ".jpeg"})


@dataclass(frozen=True, slots=True)
class PanelSources:
    """Exposures of panels from which the fall-off of light is estimated.

    Attributes
    ----------
    paths : sequence of Path
        The more panels, the better.
    product : Product
        What they show.
    """

    paths: Sequence[Path]
    product: Product


def picture_files(given: Iterable[Path]) -> tuple[Path, ...]:
    """Return the files given, and of each folder given the pictures in it, in order of their names."""
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            found += sorted(file for file in path.iterdir() if file.suffix.casefold() in _ENDINGS)
        else:
            found.append(path)
    return tuple(found)


def calibrate_camera(name: str, sources: Sources, out: Path, panels: PanelSources | None = None) -> tuple[Message, ...]:
    """Calibrate a camera and write its file.

    Parameters
    ----------
    name : str
        The plant's name for the camera.
    sources : Sources
        Exposures; may be empty if there are panels.
    out : Path
        The camera file.
    panels : PanelSources, optional
        Used where there is no flat field.

    Returns
    -------
    tuple of Message
        How good it is, and what should be better.

    Raises
    ------
    ImageFileError
        If an exposure cannot serve; the text says why and what to do.
    SettingsFileError
        If the camera file cannot be written.
    """
    made_at = datetime.now(UTC).isoformat(timespec="seconds")
    if sources.dark or sources.flat or sources.target:
        camera, report = calibrate(name, made_at, sources)
        lines = report_in_words(report)
    else:
        assert panels is not None
        first = read_image(panels.paths[0])
        camera, lines = Camera(name, made_at, first.width_px, first.height_px), ()
    if panels is not None and camera.flat is None:
        camera, further = _with_fall_off(camera, panels)
        lines = (*lines, *further)
    write_camera_file(out, camera)
    return lines


def _with_fall_off(camera: Camera, panels: PanelSources) -> tuple[Camera, tuple[Message, ...]]:
    seen, notes = [], []
    for path in panels.paths:
        image = correct(read_image(path), camera)
        outline = find_panel(image, panels.product)
        grid = outline if isinstance(outline, NotFound) else find_grid(image, outline, panels.product)
        if isinstance(grid, NotFound):
            notes.append(grid.reason)
        else:
            seen.append((image.counts, grid.corners_px))
    found = estimate_vignetting(seen) if seen else None
    if found is None:
        raise ImageFileError("camera.no_fall_off", n=len(seen))
    flat = np.maximum(found.flat(camera.width_px, camera.height_px), np.float32(LEAST_FLAT))
    values = {"n": len(seen), "percent": 100 * found.corner, "error": 100 * found.corner_error}
    return replace(camera, flat=read_only(flat)), (Message("camera.report_fall_off", values), *notes)
