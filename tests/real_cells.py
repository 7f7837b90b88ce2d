"""Panels laid out of real cells, with the true place of every cell.

The cells come from the package elpv-dataset (2,624 crops of 300 x 300 px, 8 bit, resampled to about 0.52 mm per pixel;
laminated modules with few busbars, so not this gate's pictures). In the crops busbars run horizontally, along the
string. Only the free panels are ever handed out; the guarded accessor raises on every reserved cell.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from elpv_dataset.utils import load_dataset
from numpy.typing import NDArray

from elinspect.operations.open_cells import PANEL_ENDS, SIDE_PX, is_reserved
from elinspect.records import ElImage, Layout, read_only
from elinspect.vision import cv2

FREE_PANELS = tuple(
    (first + 1, last) for first, last in zip((0, *PANEL_ENDS), PANEL_ENDS, strict=False) if not is_reserved(last)
)
"""First and last cell of each free panel."""


@cache
def _all_cells() -> tuple[NDArray[np.uint8], NDArray[np.float64], NDArray[np.str_]]:
    images, labels, wafers = load_dataset()
    return images, labels, wafers


def free_cells(numbers: list[int] | range) -> NDArray[np.uint8]:
    """Return crops by their number, from 1; raises on a reserved or unknown number."""
    for number in numbers:
        if is_reserved(number) or not 1 <= number <= PANEL_ENDS[-1]:
            raise PermissionError(f"cell {number} is reserved or does not exist")
    return _all_cells()[0][np.asarray(numbers) - 1]


def free_labels(numbers: list[int] | range) -> tuple[NDArray[np.float64], NDArray[np.str_]]:
    """Return the labelled probability of a defect and 'mono' or 'poly' of free cells."""
    free_cells(numbers)
    _, labels, wafers = _all_cells()
    return labels[np.asarray(numbers) - 1], wafers[np.asarray(numbers) - 1]


def wafer_of(panel: int) -> str:
    """Return 'mono' or 'poly' for the n-th free panel (from 0)."""
    return str(free_labels([FREE_PANELS[panel][0]])[1][0])


def panel_cells(panel: int, count: int) -> NDArray[np.uint8]:
    """Return `count` crops of the n-th free panel (from 0), going round when it has fewer."""
    first, last = FREE_PANELS[panel]
    return free_cells([first + i % (last - first + 1) for i in range(count)])


@cache
def silicon_edges(panel: int) -> tuple[float, float, float, float]:
    """Return where the silicon begins in the crops of a free panel: left, top, right, bottom in px from the edge.

    The place where the median crop reaches half way between the darkest rim and the cell; the crops of one panel were
    registered together and scatter by about a pixel about this figure.
    """
    first, last = FREE_PANELS[panel]
    typical = np.median(free_cells(range(first, last + 1)), axis=0)
    across, along = np.median(typical[60:240], axis=0), np.median(typical[:, 60:240], axis=1)
    left, right = _half_way(across), _half_way(across[::-1])
    return left, _half_way(along), right, _half_way(along[::-1])


def _half_way(profile: NDArray[np.float64]) -> float:
    level = (profile[:3].min() + np.median(profile[15:40])) / 2
    after = int(np.argmax(profile > level))
    if after == 0:
        return 0.0
    before, here = profile[after - 1], profile[after]
    return float(after - 1 + (level - before) / (here - before))


def own_edges(crop: NDArray[np.floating], typical: tuple[float, float, float, float]) -> NDArray[np.float64]:
    """Return left, top, right, bottom of the silicon in one crop; where it is dark at a side, the panel's figure."""
    across, along = np.median(crop[60:240], axis=0), np.median(crop[:, 60:240], axis=1)
    own = np.array([_half_way(profile) for profile in (across, along, across[::-1], along[::-1])])
    return np.where(np.abs(own - typical) <= 2.5, own, typical)


@dataclass(frozen=True, slots=True, eq=False)
class LaidOut:
    """A drawn panel and the truth about it.

    Attributes
    ----------
    picture : ndarray of float32, shape (rows, columns)
        Counts of an 8-bit camera.
    quads : ndarray, shape (n_cells, 4, 2)
        True corners (x, y) of the silicon, clockwise from top left as the flat picture shows them; by string, position.
    """

    picture: NDArray[np.float32]
    quads: NDArray[np.float64]


def lay_out(
    panel: int,
    layout: Layout,
    gap_px: float | None = None,
    string_gap_px: float | None = None,
    margin_px: int = 120,
    background: float = 12,
) -> LaidOut:
    """Lay real cells of one free panel side by side, strings horizontal, string 1 at the top.

    Parameters
    ----------
    panel : int
        Number of the free panel, from 0.
    layout : Layout
        Blocks are not drawn: one block.
    gap_px, string_gap_px : float, optional
        Distance between the silicon of neighbours; the crops' own dark rims are cut or continued to get it. By default
        the crops lie edge to edge as they are, which is the distance in the module they were cut from.
    margin_px : int
        Ground around the panel; it fades from the light of the gaps to `background`, as a white back sheet does.
    background : float
        Counts far from the panel.
    """
    rows, columns = layout.grid_shape
    cells = panel_cells(panel, layout.n_cells).astype(np.float32)
    left, top, right, bottom = silicon_edges(panel)
    gap_u, gap_v = gap_px or left + right, string_gap_px or top + bottom
    wide, high = SIDE_PX - left - right, SIDE_PX - top - bottom
    width = round(columns * (wide + gap_u)) + 2 * margin_px
    height = round(rows * (high + gap_v)) + 2 * margin_px
    picture = np.full((height, width), np.nan, np.float32)
    quads = np.empty((layout.n_cells, 4, 2))
    for index, crop in enumerate(cells):
        row, column = divmod(index, columns)
        # In the crop the half level lies `left` px from the centre of its first pixel.
        x = margin_px + column * (wide + gap_u) + gap_u / 2
        y = margin_px + row * (high + gap_v) + gap_v / 2
        own = own_edges(crop, (left, top, right, bottom))
        x0, y0 = x + own[0] - left, y + own[1] - top
        x1, y1 = x + wide - 1 - own[2] + right, y + high - 1 - own[3] + bottom
        quads[index] = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
        spot = (x - gap_u / 2, y - gap_v / 2, wide + gap_u, high + gap_v)
        _paste(picture, crop, spot, (left - gap_u / 2, top - gap_v / 2))
    return LaidOut(_faded(picture, background), quads)


def _faded(picture: NDArray[np.float32], background: float) -> NDArray[np.float32]:
    """Fill the ground: next to the panel as bright as the panel's rim, further out darker and darker."""
    ground = np.isnan(picture)
    rim = float(np.median(picture[~ground & (cv2.dilate(ground.astype(np.uint8), np.ones((3, 3))) > 0)]))
    away = cv2.distanceTransform(ground.astype(np.uint8), cv2.DIST_L2, 5)
    return np.where(ground, background + (rim - background) * np.exp(-away / 40), picture).astype(np.float32)


def _paste(
    picture: NDArray[np.float32],
    crop: NDArray[np.float32],
    spot: tuple[float, float, float, float],
    crop_start: tuple[float, float],
) -> None:
    x, y = round(spot[0]), round(spot[1])
    wide, high = round(spot[0] + spot[2]) - x, round(spot[1] + spot[3]) - y
    # The crop shifted by the part of a pixel that whole pixels of the picture cannot hold.
    start_x, start_y = crop_start[0] + x - spot[0], crop_start[1] + y - spot[1]
    matrix = np.array([[1, 0, start_x], [0, 1, start_y]], np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    picture[y : y + high, x : x + wide] = cv2.warpAffine(
        crop, matrix, (wide, high), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )


def tilted_view(width: int, height: int, turn_deg: float, tilt_deg: tuple[float, float]) -> NDArray[np.float64]:
    """Return the homography (x, y, 1) -> (x, y, 1) of a camera that looks at the flat picture turned and tilted.

    Parameters
    ----------
    width, height : int
        Size of the flat picture; the camera stands 1.5 times the larger of them away.
    turn_deg : float
        Turn of the picture, clockwise.
    tilt_deg : tuple of float
        Tilt about the horizontal and the vertical axis.
    """
    turn, about_x, about_y = np.deg2rad([turn_deg, *tilt_deg])
    turned = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    tilt_x = np.array([[1, 0, 0], [0, np.cos(about_x), -np.sin(about_x)], [0, np.sin(about_x), np.cos(about_x)]])
    tilt_y = np.array([[np.cos(about_y), 0, np.sin(about_y)], [0, 1, 0], [-np.sin(about_y), 0, np.cos(about_y)]])
    posed = tilt_y @ tilt_x @ turned
    distance = 1.5 * max(width, height)
    centred = np.array([[1, 0, -(width - 1) / 2], [0, 1, -(height - 1) / 2], [0, 0, 1.0]])
    plane = np.column_stack([posed[:, 0], posed[:, 1], [0, 0, distance]])
    camera = np.diag([distance, distance, 1.0])
    return np.asarray(np.linalg.inv(centred) @ camera @ plane @ centred)


def seen_by(
    panel: LaidOut, matrix: NDArray[np.float64], size: tuple[int, int] | None = None, background: float = 12
) -> LaidOut:
    """Look at a panel through a homography; the picture grows or shrinks to `size` (width, height), or keeps its own.

    With no size given the matrix is followed by the shift that brings the whole panel into the picture.
    """
    quads = cv2.perspectiveTransform(panel.quads.reshape(-1, 1, 2), matrix).reshape(panel.quads.shape)
    if size is None:
        margin = 0.03 * max(panel.picture.shape)
        low, high = quads.min(axis=(0, 1)) - margin, quads.max(axis=(0, 1)) + margin
        shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
        matrix, quads = shift @ matrix, quads - low
        size = (int(high[0] - low[0]) + 1, int(high[1] - low[1]) + 1)
    picture = cv2.warpPerspective(
        panel.picture, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=background
    )
    return LaidOut(picture, quads)


def as_image(
    picture: NDArray[np.float32], bit_depth: int = 8, noise: float = 0.0, rng: np.random.Generator | None = None
) -> ElImage:
    """Make an exposure of counts of an 8-bit camera, as a camera of `bit_depth` bits stores it.

    `noise` is the standard deviation in counts of the 8-bit camera, `rng` draws it.
    """
    noisy = picture if rng is None else picture + rng.normal(0, noise, picture.shape).astype(np.float32)
    full = 2**bit_depth - 1
    counts = np.clip(np.round(noisy * (full / 255)), 0, full).astype(np.float32)
    return ElImage(Path("drawn.png"), "0" * 64, read_only(counts), bit_depth, float(full))


def overlap(found: NDArray[np.float64], true: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the intersection over union of each pair of convex quadrilaterals, shape (n,)."""
    return np.array([_overlap(a, b) for a, b in zip(found, true, strict=True)])


def _overlap(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    # OpenCV's clipping works in float32; around the quad's own place the rounding does not matter.
    start = second.mean(axis=0)
    a, b = (first - start).astype(np.float32), (second - start).astype(np.float32)
    common, _ = cv2.intersectConvexConvex(a, b)
    whole = abs(cv2.contourArea(a)) + abs(cv2.contourArea(b)) - common
    return float(common / whole) if whole > 0 else 0.0
