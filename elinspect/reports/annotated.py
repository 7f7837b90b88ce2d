"""The annotated picture: the stored exposure with the grid, the flags and the proposal drawn over it."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import words
from elinspect.errors import told_as
from elinspect.recipe import write_address
from elinspect.records import AddressScheme, CellResult, Flag, FloatImage, Kind, PanelResult
from elinspect.vision import cv2

Picture = NDArray[np.uint8]

_LINE_KINDS = frozenset({Kind.CRACK, Kind.FINGER_INTERRUPTION})
# Blue, green, red. After Okabe and Ito's palette for colour-blind readers; line style tells the same without colour.
_ABOVE = (0, 94, 213)
_BELOW = (233, 180, 86)
_GRID = (150, 150, 150)
_INK = (240, 240, 240)
_ABOVE_INK = (120, 180, 255)
_BAND = (32, 28, 26)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A picture under work and what drawing on it needs."""

    pixels: Picture
    scale: float
    text_px: int


def annotate(counts: FloatImage, result: PanelResult, width_px: int = 2400) -> Picture:
    """Draw a result over its exposure.

    Parameters
    ----------
    counts : ndarray of float32, shape (height, width)
        The exposure as stored.
    result : PanelResult
        What the pipeline said about it.
    width_px : int
        Largest width of the picture; smaller exposures are enlarged up to twice.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        Blue, green, red. A band above holds serial and proposal with its reasons, a band below how to read the
        addresses.
    """
    scale = min(width_px / counts.shape[1], 2.0)
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    resized = np.asarray(cv2.resize(counts, None, fx=scale, fy=scale, interpolation=way), np.float32)
    pixels = np.repeat(stretched(resized)[..., None], 3, axis=2)
    sheet = _Sheet(pixels, scale, max(11, round(pixels.shape[1] / 130)))
    scheme = result.panel.addresses or AddressScheme()
    for cell in result.cells:
        _draw_cell(sheet, cell, scheme)
    for flag in reversed([flag for flag in result.flags if _is_drawn(flag)]):
        _draw_flag(sheet, flag)
    for flag in reversed(result.flags):
        if flag.parent is None and flag.limit is not None:
            _label_flag(sheet, flag, scheme)
    return np.vstack([_band(sheet, _heading(result)), sheet.pixels, _band(sheet, _footing(result))])


def stretched(counts: FloatImage, low_percent: float = 0.5, high_percent: float = 99.7) -> Picture:
    """Return the picture between two percentiles as 8 bit; a constant picture becomes black."""
    step = max(1, counts.size // 400_000)
    low, high = np.percentile(counts.ravel()[::step], [low_percent, high_percent])
    if high <= low:
        return np.zeros(counts.shape, np.uint8)
    shown: Picture = np.clip((counts - low) * (255.0 / (high - low)), 0, 255).astype(np.uint8)
    return shown


def write_annotated(path: Path, picture: Picture) -> None:
    """Write a picture as PNG.

    Raises
    ------
    ElinspectError
        If the file cannot be written.
    """
    encoded, data = cv2.imencode(".png", picture)
    assert encoded
    with told_as("command.not_written", file=str(path)):
        path.write_bytes(data.tobytes())


def _points(sheet: _Sheet, points: Sequence[tuple[float, float]]) -> NDArray[np.int32]:
    # Pixel centres: file pixel (0, 0) lies at (scale - 1) / 2 of the resized picture. Four fractional bits.
    place = (np.asarray(points, dtype=np.float64) + 0.5) * sheet.scale - 0.5
    return np.rint(place * 16).astype(np.int32).reshape(-1, 1, 2)


def _draw_cell(sheet: _Sheet, cell: CellResult, scheme: AddressScheme) -> None:
    corners = _points(sheet, cell.corners_px)
    cv2.polylines(sheet.pixels, [corners], True, _GRID, 1, cv2.LINE_AA, 4)
    address = write_address(scheme, cell.address.string, cell.address.position)
    x, y = (int(side) for side in corners[0, 0] // 16)
    size = round(sheet.text_px * 0.8)
    # On a ground of its own the address is legible on bright cells and dark ones.
    if not cell.judged:
        cv2.line(sheet.pixels, corners[0, 0], corners[2, 0], _INK, 1, cv2.LINE_AA, 4)
        cv2.line(sheet.pixels, corners[1, 0], corners[3, 0], _INK, 1, cv2.LINE_AA, 4)
        address = words("annotated.not_judged", address=address)
    cv2.rectangle(sheet.pixels, (x + 2, y + 2), (x + 8 + _width(address, size), y + size + 6), _BAND, -1)
    _text(sheet, address, (x + 5, y + size + 2), size)


def _is_drawn(flag: Flag) -> bool:
    """Leave out doubtful flags and frames around the broken fingers of a cell, which say nothing of their own."""
    return not flag.doubtful and (flag.stands_for <= 1 or flag.limit is not None)


def _draw_flag(sheet: _Sheet, flag: Flag) -> None:
    outline = _points(sheet, flag.outline_px)
    closed = flag.kind not in _LINE_KINDS and len(outline) > 2
    above = flag.limit is not None
    colour = _ABOVE if above else _BELOW
    # A line is drawn beside what it marks, not over it: the outline of a crack is its band.
    if not closed:
        _draw_band(sheet, outline, colour, 2 if above else 1)
        return
    cv2.polylines(sheet.pixels, [outline], True, (0, 0, 0), 4 if above else 3, cv2.LINE_AA, 4)
    cv2.polylines(sheet.pixels, [outline], True, colour, 2 if above else 1, cv2.LINE_AA, 4)


def _draw_band(sheet: _Sheet, line: NDArray[np.int32], colour: tuple[int, int, int], thickness: int) -> None:
    """Draw the outline of a band around a line, so that the line itself stays visible."""
    place = np.rint(line / 16).astype(np.int32)
    gap = max(5, round(sheet.text_px * 0.45))
    low = place.reshape(-1, 2).min(axis=0) - 2 * gap
    size = place.reshape(-1, 2).max(axis=0) + 2 * gap - low + 1
    mask = np.zeros((int(size[1]), int(size[0])), np.uint8)
    cv2.polylines(mask, [place - low.astype(np.int32)], False, 255, 2 * gap, cv2.LINE_AA)
    contours, _ = cv2.findContours((mask > 127).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    moved = [contour + low.astype(np.int32) for contour in contours]
    cv2.polylines(sheet.pixels, moved, True, (0, 0, 0), thickness + 2, cv2.LINE_AA)
    cv2.polylines(sheet.pixels, moved, True, colour, thickness, cv2.LINE_AA)


def _label_flag(sheet: _Sheet, flag: Flag, scheme: AddressScheme) -> None:
    text = f"{words(f'kind.{flag.kind}')} {write_address(scheme, flag.string, flag.position)}".strip()
    size = round(sheet.text_px * 0.95)
    width = _width(text, size)
    left, top, _, height = (side * sheet.scale for side in flag.box_px)
    x = int(np.clip(left, 2, max(2, sheet.pixels.shape[1] - width - 8)))
    below = int(top + height) + round(size * 1.9)
    y = below if below < sheet.pixels.shape[0] - 4 else int(top) - size
    cv2.rectangle(sheet.pixels, (x - 3, y - size - 2), (x + width + 4, y + 5), _BAND, -1)
    _text(sheet, text, (x, y), size, _ABOVE_INK)


def _text(
    sheet: _Sheet | Picture,
    text: str,
    place: tuple[int, int],
    size: int,
    colour: tuple[int, int, int] = _INK,
) -> None:
    pixels = sheet.pixels if isinstance(sheet, _Sheet) else sheet
    cv2.putText(pixels, text, place, colour, _font(), size, 400)


@cache
def _font() -> "cv2.FontFace":
    return cv2.FontFace("sans")


def _width(text: str, size: int) -> int:
    return int(cv2.getTextSize((10, 10), text, (0, 0), _font(), size, 400)[2])


def _band(sheet: _Sheet, lines: Sequence[str]) -> Picture:
    size = round(sheet.text_px * 1.1)
    width = sheet.pixels.shape[1]
    wrapped = [part for line in lines for part in _wrapped(line, width - 24, size)]
    pixels = np.empty((round(size * (1.55 * len(wrapped) + 0.9)), width, 3), np.uint8)
    pixels[:] = _BAND
    for number, line in enumerate(wrapped):
        _text(pixels, line, (12, round(size * (1.5 + 1.55 * number))), size)
    return pixels


def _wrapped(line: str, width: int, size: int) -> list[str]:
    done: list[str] = []
    current = ""
    for word in line.split():
        longer = f"{current} {word}".strip()
        if current and _width(longer, size) > width:
            done.append(current)
            current = word
        else:
            current = longer
    return [*done, current]


def _heading(result: PanelResult) -> list[str]:
    serial = result.serial if result.serial is not None else words("common.unknown")
    lines = [
        words(
            "annotated.heading",
            serial=serial,
            proposal=result.proposal.disposition.value,
            stage=words(f"stage.{result.stage}"),
            purpose=words(f"purpose.{result.purpose}"),
        )
    ]
    shown = result.proposal.reasons[:4]
    lines += [reason.text for reason in shown]
    if len(result.proposal.reasons) > len(shown):
        lines.append(words("annotated.more", n=len(result.proposal.reasons) - len(shown)))
    return lines


def _footing(result: PanelResult) -> list[str]:
    panel = result.panel
    if not panel.found or panel.view_side is None or panel.origin_corner is None:
        return [words("annotated.not_found")]
    doubtful = sum(flag.doubtful for flag in result.flags)
    left_out = " " + words("annotated.doubtful", n=doubtful) if doubtful else ""
    return [
        words(
            "annotated.reading",
            view_side=words(f"view_side.{panel.view_side}"),
            corner=words(f"corner.{panel.origin_corner}"),
            mirrored=words("annotated.mirrored" if panel.mirrored else "annotated.not_mirrored"),
            layout=str(panel.layout),
        )
        + left_out,
        words("annotated.caution"),
    ]
