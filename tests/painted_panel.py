"""A panel drawn by hand with known flags, as file and result, for tests of the window."""

from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path

import numpy as np

from elinspect.catalogue import Message
from elinspect.recipe import AddressScheme, default_criteria, write_address
from elinspect.records import (
    Address,
    CellResult,
    Corner,
    CrackMode,
    Disposition,
    Flag,
    ImageFacts,
    ImageQuality,
    Kind,
    Layout,
    PanelFacts,
    PanelResult,
    Proposal,
    Purpose,
    Stage,
    Versions,
    ViewSide,
)
from elinspect.triage import with_limit
from elinspect.vision import cv2

MARGIN_PX = 30
GAP_PX = 4

Outline = Sequence[tuple[float, float]]
"""In units of the cell, x along the string, y down."""

CRACK: Outline = ((0.2, 0.25), (0.45, 0.4), (0.5, 0.62), (0.85, 0.8))
AREA: Outline = ((0.62, 0.02), (0.98, 0.02), (0.98, 0.6), (0.7, 0.5))
FINGER: Outline = ((0.4, 0.3), (0.4, 0.45))
WHOLE: Outline = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


def painted_panel(
    path: Path,
    flagged: Sequence[tuple[Kind, int, int, Outline]],
    *,
    layout: str = "3x4",
    cell_px: int = 60,
    serial: str | None = "000123",
    purpose: Purpose = Purpose.PRODUCTION,
    seed: int = 1,
) -> PanelResult:
    """Draw a panel, write it as 16-bit PNG, and return the result a pipeline would give."""
    parsed = Layout.parse(layout)
    rng = np.random.default_rng(seed)
    assert parsed.blocks == 1
    rows, columns = parsed.grid_shape
    pitch = cell_px + GAP_PX
    size = (2 * MARGIN_PX + rows * pitch - GAP_PX, 2 * MARGIN_PX + columns * pitch - GAP_PX)
    picture = np.full(size, 90.0, np.float32)
    for string in range(rows):
        for position in range(columns):
            top, left = MARGIN_PX + string * pitch, MARGIN_PX + position * pitch
            picture[top : top + cell_px, left : left + cell_px] = _cell(cell_px, rng)
    flags = [_flag(number, *what, parsed, cell_px, picture) for number, what in enumerate(flagged, start=1)]
    picture = cv2.GaussianBlur(picture, None, 0.8) + rng.normal(0, 18, size).astype(np.float32)
    stored = np.clip(np.rint(picture), 0, 4095).astype(np.uint16)
    encoded, data = cv2.imencode(".png", stored)
    assert encoded
    path.write_bytes(data.tobytes())
    return _result(path, data.tobytes(), size, parsed, cell_px, flags, serial, purpose)


def _cell(side: int, rng: np.random.Generator) -> np.ndarray:
    v, u = np.mgrid[0:side, 0:side] / side
    cell = 2100 * (1 + 0.05 * rng.standard_normal()) * (1 - 0.25 * ((u - 0.5) ** 2 + (v - 0.5) ** 2))
    for busbar in (0.1, 0.3, 0.5, 0.7, 0.9):
        cell[np.abs(v - busbar) < 0.012] *= 0.45
    cell *= 1 - 0.05 * (np.arange(side) % max(4, side // 60) == 0)
    corner = 0.06
    cell[(np.minimum(u, 1 - u) + np.minimum(v, 1 - v)) < corner] = 90
    return cell.astype(np.float32)


def _corners(string: int, position: int, cell_px: int) -> np.ndarray:
    left = MARGIN_PX + (position - 1) * (cell_px + GAP_PX)
    top = MARGIN_PX + (string - 1) * (cell_px + GAP_PX)
    far = cell_px - 1
    return np.array([(left, top), (left + far, top), (left + far, top + far), (left, top + far)], float)


def _flag(
    number: int,
    kind: Kind,
    string: int,
    position: int,
    outline: Outline,
    layout: Layout,
    cell_px: int,
    picture: np.ndarray,
) -> Flag:
    corners = _corners(string, position, cell_px)
    points = np.round(corners[0] + np.array(outline) * (cell_px - 1), 2)
    low, high = points.min(axis=0), points.max(axis=0)
    _draw_fault(picture, kind, points, cell_px)
    length = float(np.hypot(*np.diff(points, axis=0).T).sum()) * 156 / cell_px
    x, y = np.array(outline).T
    area = abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2
    address = write_address(AddressScheme(), string, position)
    line = kind in (Kind.CRACK, Kind.FINGER_INTERRUPTION)
    code = "flag.crack_length" if kind is Kind.CRACK else "flag.length" if line else "flag.area"
    flag = Flag(
        id=f"m{number}",
        kind=kind,
        string=string,
        position=position,
        score=0.9 - 0.05 * number,
        outline_px=tuple((float(x), float(y)) for x, y in points),
        box_px=(*map(float, low), *map(float, high - low)),
        message=Message(
            code,
            {"kind": kind.value, "address": address, "length_mm": length, "percent": 100 * area, "mode": "B"},
        ),
        length_mm=length if line else None,
        area_fraction=None if line else area,
        mode=CrackMode.B if kind is Kind.CRACK else None,
        measurements={"contrast": 0.31, "width_mm": 1.2} if line else {"relative_luminance": 0.41},
    )
    return with_limit(flag, default_criteria())


def _draw_fault(picture: np.ndarray, kind: Kind, points: np.ndarray, cell_px: int) -> None:
    shape = np.rint(points).astype(np.int32).reshape(-1, 1, 2)
    if kind in (Kind.CRACK, Kind.FINGER_INTERRUPTION):
        darker = picture.copy()
        cv2.polylines(darker, [shape], False, 500.0, max(1, cell_px // 120))
        np.copyto(picture, np.minimum(picture, darker))
        return
    mask = np.zeros(picture.shape, np.uint8)
    cv2.fillPoly(mask, [shape], 1)
    picture[mask > 0] *= 0.25 if kind is Kind.INACTIVE_AREA else 0.45


def _result(
    path: Path,
    data: bytes,
    size: tuple[int, int],
    layout: Layout,
    cell_px: int,
    flags: Sequence[Flag],
    serial: str | None,
    purpose: Purpose,
) -> PanelResult:
    flagged = {(flag.string, flag.position) for flag in flags}
    cells = tuple(
        CellResult(
            Address(string, position),
            tuple((float(x), float(y)) for x, y in _corners(string, position, cell_px)),
            1.0,
            {"crack": 0.8 if (string, position) in flagged else 0.05},
            None,
            True,
        )
        for string in range(1, layout.n_strings + 1)
        for position in range(1, layout.cells_per_string + 1)
    )
    right, bottom = size[1] - MARGIN_PX - 1.0, size[0] - MARGIN_PX - 1.0
    start = float(MARGIN_PX)
    reached = [flag for flag in flags if flag.limit is not None]
    reasons = tuple(
        Message(
            flag.message.code.replace("flag.", "reason.", 1),
            {**flag.message.values, "limit": flag.limit, "disposition": "rework", "rule": ""},
        )
        for flag in reached
    )
    return PanelResult(
        serial=serial,
        stage=Stage.BEFORE_LAMINATION,
        purpose=purpose,
        attempt=1,
        image=ImageFacts(str(path), sha256(data).hexdigest(), size[1], size[0], 12),
        versions=Versions("0", "drawn 1", "shipped default 2"),
        quality=ImageQuality(True, 40.0, 1.2, 0.0, 156.0 / cell_px),
        panel=PanelFacts(
            True,
            None,
            layout,
            ViewSide.FRONT,
            Corner.TOP_LEFT,
            False,
            0,
            ((start, start), (right, start), (right, bottom), (start, bottom)),
        ),
        cells=cells,
        flags=tuple(flags),
        proposal=Proposal(Disposition.REWORK, reasons)
        if reached
        else Proposal(Disposition.ACCEPT, (Message("proposal.no_flags"),)),
        timing_s={"total": 0.5},
    )
