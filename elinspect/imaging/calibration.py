"""Make a camera file's content from exposures: dark frames, an evenly lit surface, a target; and say how good it is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.errors import ImageFileError
from elinspect.imaging.camera import LEAST_FLAT, Camera, repair_pixels
from elinspect.imaging.lens_fit import LensReport, fit_lens
from elinspect.imaging.reading import read_image
from elinspect.imaging.target import Sighting, Target, find_target
from elinspect.records import ElImage, FloatImage, read_only
from elinspect.vision import cv2

_HOT_SIGMA = 12.0
_NOISY = 6.0
_DEAD_SHARE = 0.6
_BLOCK_PX = 32
_MAD = 1.4826

_MOST_FULL = 1e-3
_LEVELS = (0.15, 0.85)
_MOST_FLAT_NOISE = 0.005
_MOST_RESIDUAL = 0.02
_MOST_BAD = 0.005
_FEWEST_DARK = 5
_MOST_LIT_DARK = 0.02
_MOST_DRIFT = 0.1
_LEAST_COVERAGE = 0.6
_MOST_CHECK_PX = 0.3


@dataclass(frozen=True, slots=True)
class Sources:
    """Files to calibrate from; what is empty is not calibrated. All at the settings used for panels.

    Attributes
    ----------
    dark : sequence of Path
        Exposures without any light, the more the better.
    flat : sequence of Path
        Exposures of an evenly lit surface; moving it between them averages its own unevenness out.
    target : sequence of Path
        Exposures of a target in the plane of the panel, in several places and if possible tilted.
    pattern : Target or None
        What the target is.
    """

    dark: Sequence[Path] = ()
    flat: Sequence[Path] = ()
    target: Sequence[Path] = ()
    pattern: Target | None = None


@dataclass(frozen=True, slots=True)
class CalibrationReport:
    """How good a calibration is; None where the exposures for it were not given.

    Attributes
    ----------
    dark_level, read_noise : float or None
        Median of the dark frame and noise of one pixel of one dark exposure, counts.
    bad_pixels : int
        Hot, dead and noisy pixels.
    flat_level : float or None
        Median of the flat exposures over full scale.
    flat_noise : float or None
        Noise that the flat field itself brings into every corrected image, over the signal.
    flat_residual : float or None
        Half the range (1st to 99th percentile) of large-scale unevenness left when one half of the flat exposures is
        corrected by the other; None for a single exposure. It tells how repeatable the flat field is, not how even the
        surface was.
    corner_light : float or None
        Light in the darkest corner over light in the middle.
    lens : LensReport or None
        How well the lens model fits.
    notes : tuple of Message
        What should be better, and how.
    """

    dark_level: float | None = None
    read_noise: float | None = None
    bad_pixels: int = 0
    flat_level: float | None = None
    flat_noise: float | None = None
    flat_residual: float | None = None
    corner_light: float | None = None
    lens: LensReport | None = None
    notes: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Stack:
    """Mean of exposures of the same thing, noise of one of them, and means of every second and every other one."""

    count: int
    mean: FloatImage
    noise: FloatImage | None
    halves: tuple[FloatImage, FloatImage] | None
    full_scale: float


@dataclass(slots=True)
class _Shape:
    """Width and height that all exposures must have; taken from the first one read."""

    px: tuple[int, ...] | None = None
    first: str = ""

    def check(self, image: ElImage) -> None:
        if self.px is None:
            self.px, self.first = image.counts.shape, str(image.path)
        if image.counts.shape != self.px:
            raise ImageFileError(
                "imaging.sizes_differ",
                file=str(image.path),
                width=image.width_px,
                height=image.height_px,
                other=self.first,
                other_width=self.px[1],
                other_height=self.px[0],
            )


def calibrate(name: str, made_at: str, sources: Sources) -> tuple[Camera, CalibrationReport]:
    """Make what a camera file holds.

    Parameters
    ----------
    name : str
        The plant's name for the camera.
    made_at : str
        Date and time, ISO 8601.
    sources : Sources
        Exposures; at least one.

    Returns
    -------
    Camera, CalibrationReport
        The camera with whatever the sources allow, and how good it is. A lens model that fails towards the corners is
        left out, which the notes say.

    Raises
    ------
    ImageFileError
        If a file cannot be read, sizes differ, a dark exposure shows light, a flat exposure is saturated or partly
        dark, flat exposures differ in level, or no picture shows the target.
    ValueError
        If there are no exposures, or target pictures without a pattern.
    """
    if not (sources.dark or sources.flat or sources.target) or (sources.target and sources.pattern is None):
        raise ValueError("calibration needs exposures, and the pattern of the target where there are pictures of it")
    shape, notes = _Shape(), list[Message]()
    sightings, missed = _sightings(sources, shape)
    dark = _stack(sources.dark, shape)
    flat = _stack(sources.flat, shape, lit=True)
    assert shape.px is not None
    height, width = shape.px
    base = dark.mean if dark is not None else np.float32(0)
    bad = np.zeros((height, width), bool)
    if dark is not None:
        bad |= _hot_or_noisy(dark)
    light = None if flat is None else _light(flat, base, bad, str(sources.flat[0]))
    bad_pixels = np.argwhere(bad).astype(np.int32)
    lens, lens_report = fit_lens(sightings, width, height) if sightings else (None, None)
    report = CalibrationReport(
        dark_level=None if dark is None else float(np.median(dark.mean)),
        read_noise=None if dark is None or dark.noise is None else float(np.median(dark.noise)),
        bad_pixels=len(bad_pixels),
        flat_level=None if flat is None else float(np.median(flat.mean)) / flat.full_scale,
        flat_noise=None if flat is None else _flat_noise(flat, base),
        flat_residual=None if flat is None else _flat_residual(flat, base),
        corner_light=None if light is None else _corner_light(light),
        lens=lens_report,
    )
    notes += _notes(report, sources, bad.size, missed)
    camera = Camera(
        name,
        made_at,
        width,
        height,
        None if dark is None else read_only(dark.mean),
        None if light is None else read_only(light),
        read_only(bad_pixels),
        lens if lens_report is not None and lens_report.holds_everywhere else None,
    )
    return camera, replace(report, notes=tuple(notes))


def report_in_words(report: CalibrationReport) -> tuple[Message, ...]:
    """Say how good a calibration is, line by line; what could not be told is left out."""
    lines = []
    if report.dark_level is not None:
        lines.append(Message("camera.report_dark", {"level": report.dark_level}))
    if report.read_noise is not None:
        lines.append(Message("camera.report_noise", {"noise": report.read_noise}))
    if report.dark_level is not None or report.flat_level is not None:
        lines.append(Message("camera.report_bad_pixels", {"n": report.bad_pixels}))
    if report.corner_light is not None:
        lines.append(Message("camera.report_corner", {"percent": 100 * report.corner_light}))
    if report.flat_residual is not None:
        lines.append(Message("camera.report_residual", {"percent": 100 * report.flat_residual}))
    if report.flat_noise is not None:
        lines.append(Message("camera.report_flat_noise", {"percent": 100 * report.flat_noise}))
    lens = report.lens
    if lens is not None:
        lines.append(Message("camera.report_target", {"n": lens.views, "points": lens.points}))
        if lens.strays:
            lines.append(Message("camera.report_strays", {"n": lens.strays}))
        lines.append(Message("camera.report_bend", {"before_px": lens.bend_before_px, "after_px": lens.bend_after_px}))
        lines.append(Message("camera.report_check", {"check_px": lens.check_px, "percent": 100 * lens.coverage}))
    return (*lines, *report.notes)


def _sightings(sources: Sources, shape: _Shape) -> tuple[list[Sighting], list[str]]:
    """Return the sightings, and the names of files in which the target was not found."""
    seen, missed = [], []
    for path in sources.target:
        image = read_image(path)
        shape.check(image)
        assert sources.pattern is not None
        sighting = find_target(image.counts, sources.pattern)
        if sighting is None:
            missed.append(str(path))
        else:
            seen.append(sighting)
    if missed and not seen:
        raise ImageFileError("camera.no_target", file=missed[0], n=len(missed))
    return seen, missed


def _stack(paths: Sequence[Path], shape: _Shape, lit: bool = False) -> _Stack | None:
    """Read exposures one at a time; what is kept does not grow with their number."""
    if not paths:
        return None
    first = read_image(paths[0])
    shape.check(first)
    level = float(np.median(first.counts))
    # Differences from the first exposure are small numbers, which single precision adds up without loss.
    sums = [np.zeros_like(first.counts), np.zeros_like(first.counts)]
    squares = np.zeros_like(first.counts)
    for number, path in enumerate(paths):
        image = first if number == 0 else read_image(path)
        shape.check(image)
        if lit:
            _check_flat(image, level)
        else:
            _check_dark(image)
        away = image.counts - first.counts
        sums[number % 2] += away
        squares += away**2
    count = len(paths)
    mean = (sums[0] + sums[1]) / np.float32(count)
    noise = halves = None
    if count > 1:
        noise = np.sqrt(np.maximum(squares - count * mean**2, 0) / np.float32(count - 1))
        evens, odds = (
            first.counts + sums[0] / np.float32((count + 1) // 2),
            first.counts + sums[1] / np.float32(count // 2),
        )
        halves = (evens, odds)
    return _Stack(count, first.counts + mean, noise, halves, first.saturation)


def _check_flat(image: ElImage, level: float) -> None:
    if np.mean(image.counts >= image.saturation) > _MOST_FULL:
        raise ImageFileError("camera.flat_full", file=str(image.path))
    drift = float(np.median(image.counts)) / max(level, 1e-6) - 1
    if abs(drift) > _MOST_DRIFT:
        raise ImageFileError("camera.flat_unsteady", file=str(image.path), percent=100 * drift)


def _check_dark(image: ElImage) -> None:
    """Refuse a picture with light in it: a panel, stray light, a lamp."""
    rows, columns = (max(size // _BLOCK_PX, 1) for size in image.counts.shape)
    blocks = cv2.resize(image.counts, (columns, rows), interpolation=cv2.INTER_AREA)
    uneven = float(blocks.max() - blocks.min()) / image.saturation
    if uneven > _MOST_LIT_DARK or float(np.median(image.counts)) > _LEVELS[0] * image.saturation:
        raise ImageFileError("camera.dark_lit", file=str(image.path))


def _hot_or_noisy(dark: _Stack) -> NDArray[np.bool_]:
    """Pixels far above their neighbourhood without light, or far noisier than the others."""
    away = dark.mean - cv2.medianBlur(dark.mean, 5)
    spread = max(_MAD * float(np.median(np.abs(away))), 0.1)
    bad = np.abs(away) > _HOT_SIGMA * spread
    if dark.noise is not None and dark.count >= _FEWEST_DARK:
        bad |= dark.noise > _NOISY * max(float(np.median(dark.noise)), 0.3)
    return np.asarray(bad, np.bool_)


def _light(flat: _Stack, base: FloatImage | np.float32, bad: NDArray[np.bool_], file: str) -> FloatImage:
    """Return the flat field over its median; adds dead pixels to `bad`."""
    light = np.asarray(flat.mean - base, np.float32)
    middle = float(np.median(light))
    if middle <= 0:
        raise ImageFileError("camera.flat_dark", file=file)
    light /= np.float32(middle)
    around = np.maximum(cv2.medianBlur(light, 5), 1e-6)
    bad |= np.abs(light / around - 1) > _DEAD_SHARE
    repair_pixels(light, np.argwhere(bad).astype(np.int32))
    if np.mean(light < LEAST_FLAT) > _MOST_FULL:
        raise ImageFileError("camera.flat_dark", file=file)
    return np.maximum(light, np.float32(LEAST_FLAT))


def _flat_noise(flat: _Stack, base: FloatImage | np.float32) -> float | None:
    if flat.noise is None:
        return None
    return float(np.median(flat.noise)) / math.sqrt(flat.count) / float(np.median(flat.mean - base))


def _flat_residual(flat: _Stack, base: FloatImage | np.float32) -> float | None:
    if flat.halves is None:
        return None
    first, second = (half - base for half in flat.halves)
    rows, columns = max(first.shape[0] // _BLOCK_PX, 1), max(first.shape[1] // _BLOCK_PX, 1)
    blocks = [cv2.resize(half, (columns, rows), interpolation=cv2.INTER_AREA) for half in (first, second)]
    ratio = blocks[0] / np.maximum(blocks[1], 1e-6)
    low, high = np.percentile(ratio / np.median(ratio), (1, 99))
    return float(high - low) / 2


def _corner_light(light: FloatImage) -> float:
    small = cv2.resize(light, (11, 11), interpolation=cv2.INTER_AREA)
    return float(min(small[0, 0], small[0, -1], small[-1, 0], small[-1, -1]) / small[5, 5])


def _notes(report: CalibrationReport, sources: Sources, pixels: int, missed: Sequence[str]) -> list[Message]:
    notes = []
    if 0 < len(sources.dark) < _FEWEST_DARK:
        notes.append(Message("camera.few_dark", {"n": len(sources.dark), "wanted": _FEWEST_DARK}))
    if report.bad_pixels > _MOST_BAD * pixels:
        notes.append(Message("camera.many_bad", {"percent": 100 * report.bad_pixels / pixels}))
    if report.flat_level is not None and not _LEVELS[0] <= report.flat_level <= _LEVELS[1]:
        notes.append(Message("camera.flat_level", {"percent": 100 * report.flat_level}))
    if report.flat_level is not None and report.flat_noise is None:
        notes.append(Message("camera.single_flat"))
    if report.flat_noise is not None and report.flat_noise > _MOST_FLAT_NOISE:
        notes.append(Message("camera.flat_noise", {"percent": 100 * report.flat_noise}))
    if report.flat_residual is not None and report.flat_residual > _MOST_RESIDUAL:
        notes.append(Message("camera.flat_residual", {"percent": 100 * report.flat_residual}))
    notes += [Message("camera.target_missed", {"file": file}) for file in missed]
    if report.lens is not None:
        notes += _lens_notes(report.lens)
    return notes


def _lens_notes(lens: LensReport) -> list[Message]:
    notes = []
    if lens.coverage < _LEAST_COVERAGE:
        notes.append(Message("camera.coverage", {"percent": 100 * lens.coverage}))
    if lens.check_px > _MOST_CHECK_PX:
        notes.append(Message("camera.lens_misfit", {"away_px": lens.check_px}))
    if not lens.holds_everywhere:
        notes.append(Message("camera.lens_left_out"))
    return notes
