"""Plainly drawn panels with the true place of every cell: flat rectangles of light, gaps, busbars, chamfers.

No physics: for what geometry has to get right (places), not for what cells look like inside.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from real_cells import LaidOut, as_image, tilted_view

from elinspect.records import ElImage, Layout, Orientation
from elinspect.vision import cv2


@dataclass(frozen=True, slots=True)
class Plan:
    """What is drawn; lengths in mm, strings horizontal, string 1 at the top, block 1 on the left.

    Attributes
    ----------
    gap_mm, string_gap_mm, block_gap_mm : float
        Between cells of a string, between strings, between blocks.
    levels : mapping from cell index to float
        Brightness of single cells as a share of the others.
    spread : float
        Standard deviation of the brightness of cells.
    texture : float
        Contrast of multi-crystalline grains; 0 for mono.
    chamfer_mm : float
        Leg of chamfered corners.
    shake_mm, turn_deg : float
        Standard deviation of each cell's displacement and turn.
    wire_mm : float
        Width of a busbar or wire.
    """

    layout: Layout
    along_mm: float = 156.0
    across_mm: float = 156.0
    gap_mm: float = 2.0
    string_gap_mm: float = 2.0
    block_gap_mm: float = 20.0
    busbars: int = 5
    wire_mm: float = 1.2
    chamfer_mm: float = 0.0
    texture: float = 0.0
    spread: float = 0.06
    shake_mm: float = 0.0
    turn_deg: float = 0.0
    margin_mm: float = 60.0
    levels: Mapping[int, float] = field(default_factory=dict)


HALF_CUT = {"along_mm": 91.0, "across_mm": 182.0, "busbars": 10, "wire_mm": 0.35}
"""Half cells of 182 mm with ten wires."""


def draw(
    plan: Plan, px_per_mm: float, rng: np.random.Generator, background: float = 6.0, light: float = 150.0
) -> LaidOut:
    """Draw a panel flat, in counts of an 8-bit camera; the quads are the silicon, by string and position."""
    rows, columns = plan.layout.grid_shape
    n = plan.layout.cells_per_string
    block = np.arange(columns) // n
    lefts = plan.margin_mm + np.arange(columns) * (plan.along_mm + plan.gap_mm)
    lefts = lefts + block * (plan.block_gap_mm - plan.gap_mm)
    tops = plan.margin_mm + np.arange(rows) * (plan.across_mm + plan.string_gap_mm)
    size = (
        round((lefts[-1] + plan.along_mm + plan.margin_mm) * px_per_mm),
        round((tops[-1] + plan.across_mm + plan.margin_mm) * px_per_mm),
    )
    picture = np.full(size[::-1], background, np.float32)
    shape = _cell_shape(plan, px_per_mm)
    quads = np.empty((plan.layout.n_cells, 4, 2))
    half = np.array([plan.along_mm, plan.across_mm]) / 2 * px_per_mm
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    for index in range(plan.layout.n_cells):
        string, position = divmod(index, n)
        part, row = divmod(string, plan.layout.strings_per_block)
        middle = np.array([lefts[part * n + position] + plan.along_mm / 2, tops[row] + plan.across_mm / 2])
        middle = (middle + rng.normal(0, 1, 2) * plan.shake_mm) * px_per_mm - 0.5
        angle = np.deg2rad(rng.normal(0, 1) * plan.turn_deg)
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        quads[index] = middle + corners @ turn.T
        level = light * max(0.2, 1 + plan.spread * rng.normal()) * plan.levels.get(index, 1.0)
        cell = shape * np.float32(level) * _grains(plan, shape.shape, rng)
        _paste(picture, cell, middle, turn)
    return LaidOut(picture, quads)


def _cell_shape(plan: Plan, px_per_mm: float) -> NDArray[np.float32]:
    """Return the share of light of each pixel of a cell, drawn eight times finer, with a dark rim of two pixels."""
    fine = 8
    width, height = (int(np.ceil(length * px_per_mm)) + 4 for length in (plan.along_mm, plan.across_mm))
    x = (np.arange(width * fine) + 0.5) / fine - width / 2
    y = (np.arange(height * fine) + 0.5) / fine - height / 2
    inside_x = np.abs(x) <= plan.along_mm * px_per_mm / 2
    inside_y = np.abs(y) <= plan.across_mm * px_per_mm / 2
    spacing = plan.across_mm / plan.busbars
    centres = (np.arange(plan.busbars) + 0.5) * spacing - plan.across_mm / 2
    on_wire = (np.abs(y[:, None] / px_per_mm - centres) <= plan.wire_mm / 2).any(axis=1)
    shape = inside_x[None] * (inside_y * np.where(on_wire, 0.12, 1.0))[:, None]
    if plan.chamfer_mm > 0:
        reach = (plan.along_mm + plan.across_mm) / 2 * px_per_mm - plan.chamfer_mm * px_per_mm
        shape = shape * (np.abs(x)[None] + np.abs(y)[:, None] <= reach)
    return shape.reshape(height, fine, width, fine).mean(axis=(1, 3)).astype(np.float32)


def _grains(plan: Plan, shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float32] | np.float32:
    if plan.texture == 0:
        return np.float32(1)
    coarse = rng.normal(0, 1, (shape[0] // 9 + 2, shape[1] // 9 + 2)).astype(np.float32)
    grains = cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.clip(1 + np.float32(plan.texture) * grains, 0.1, 2).astype(np.float32)


def _paste(picture: NDArray[np.float32], cell: NDArray[np.float32], middle: NDArray[np.float64], turn: NDArray) -> None:
    start = np.floor(middle - np.array(cell.shape[::-1]) / 2).astype(int) - 2
    width, height = cell.shape[1] + 5, cell.shape[0] + 5
    matrix = np.empty((2, 3))
    matrix[:, :2] = turn
    matrix[:, 2] = middle - start - turn @ ((np.array(cell.shape[::-1]) - 1) / 2)
    placed = cv2.warpAffine(cell, matrix, (width, height), flags=cv2.INTER_LINEAR)
    x0, y0 = np.maximum(start, 0)
    x1, y1 = np.minimum(start + np.array([width, height]), picture.shape[::-1])
    if x1 > x0 and y1 > y0:
        spot = picture[y0:y1, x0:x1]
        np.maximum(spot, placed[y0 - start[1] : y1 - start[1], x0 - start[0] : x1 - start[0]], out=spot)


@dataclass(frozen=True, slots=True)
class Shot:
    """How a flat panel is photographed.

    Attributes
    ----------
    turn_deg : float
        Turn of the panel in the picture.
    tilt_deg : tuple of float
        Tilt about the horizontal and the vertical axis.
    lens : float
        Radial displacement at the picture's corner, share of the distance from the centre.
    vignetting : float
        Loss of light at the picture's corner, share.
    blur_px : float
        Standard deviation of the optics' blur.
    noise : float
        Standard deviation, counts of an 8-bit camera.
    glare : float
        Share of the panel's light scattered widely over the picture.
    """

    turn_deg: float = 0.0
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    lens: float = 0.0
    vignetting: float = 0.0
    blur_px: float = 0.8
    noise: float = 1.5
    glare: float = 0.02
    bit_depth: int = 16


def photographed(flat: LaidOut, shot: Shot, rng: np.random.Generator) -> tuple[ElImage, NDArray[np.float64]]:
    """Photograph a flat panel; return the exposure and the true quads in file pixels.

    The picture grows so that the whole panel stays in it.
    """
    height, width = flat.picture.shape
    matrix = tilted_view(width, height, shot.turn_deg, shot.tilt_deg)
    frame = np.array([[[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]]], np.float64)
    outer = cv2.perspectiveTransform(frame, matrix)[0]
    low, high = outer.min(axis=0), outer.max(axis=0)
    size = np.ceil(high - low).astype(int) + 1
    centre, reach = (size - 1) / 2, np.linalg.norm((size - 1) / 2)
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
    ideal = cv2.perspectiveTransform(flat.quads.reshape(-1, 1, 2), shift @ matrix).reshape(flat.quads.shape)
    radius = ((ideal - centre) ** 2).sum(axis=-1, keepdims=True) / reach**2
    quads = centre + (ideal - centre) * (1 + shot.lens * radius)
    x, y = np.meshgrid(np.arange(size[0]) - centre[0], np.arange(size[1]) - centre[1])
    bent = (x**2 + y**2) / reach**2
    straight = bent.copy()
    for _ in range(8):
        straight = bent / (1 + shot.lens * straight) ** 2
    unbent = 1 / (1 + shot.lens * straight)
    back = np.linalg.inv(shift @ matrix)
    points = cv2.perspectiveTransform(
        np.stack([x * unbent + centre[0], y * unbent + centre[1]], axis=-1).reshape(-1, 1, 2), back
    ).reshape(size[1], size[0], 2)
    picture = cv2.remap(
        flat.picture,
        points.astype(np.float32),
        None,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    picture = cv2.GaussianBlur(picture, (0, 0), shot.blur_px)
    if shot.glare > 0:
        small = cv2.resize(picture, None, fx=0.05, fy=0.05, interpolation=cv2.INTER_AREA)
        wide = cv2.GaussianBlur(small, (0, 0), max(1.0, 0.03 * max(small.shape)))
        picture = picture + np.float32(shot.glare) * cv2.resize(wide, (int(size[0]), int(size[1])))
    picture = picture * (1 - shot.vignetting * bent).astype(np.float32)
    return as_image(picture, shot.bit_depth, shot.noise, rng), quads


def turned_file(image: ElImage, quads: NDArray[np.float64], quarter_turns: int) -> tuple[ElImage, NDArray[np.float64]]:
    """Store the same exposure turned clockwise by quarter turns; the quads follow, in the same order of corners."""
    counts = image.counts
    for _ in range(quarter_turns % 4):
        height = counts.shape[0]
        counts = np.ascontiguousarray(np.rot90(counts, -1))
        quads = np.stack([height - 1 - quads[..., 1], quads[..., 0]], axis=-1)
    return _with_counts(image, counts), quads


def mirrored_file(image: ElImage, quads: NDArray[np.float64]) -> tuple[ElImage, NDArray[np.float64]]:
    """Store the same exposure mirrored left-right."""
    width = image.counts.shape[1]
    mirrored = np.stack([width - 1 - quads[..., 0], quads[..., 1]], axis=-1)
    return _with_counts(image, np.ascontiguousarray(image.counts[:, ::-1])), mirrored


def _with_counts(image: ElImage, counts: NDArray[np.float32]) -> ElImage:
    counts.flags.writeable = False
    return ElImage(Path("drawn.png"), "0" * 64, counts, image.bit_depth, image.saturation, Orientation())
