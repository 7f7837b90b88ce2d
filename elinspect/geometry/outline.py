"""The outline of the field of cells: where light is, bounded by four straight sides."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.frames import clockwise_from_top_left, gate_from_stored
from elinspect.geometry.coarse import CoarsePicture, coarse_picture
from elinspect.geometry.homography import moved, rectangle
from elinspect.recipe import Product
from elinspect.records import ElImage, FloatImage, NotFound, Orientation, PanelOutline, Points, read_only
from elinspect.vision import cv2

SIDES = ("left", "top", "right", "bottom")
_SMALLEST_PX = 16
_MASK_SIDE_PX = 500
_SUPPORT_PX = 3.0
_REACH = 0.04
_WIDEST_RIM = 0.025
"""Widest rim cut off a picture of one cell, share of its side: half a gap of up to 5 % of the cell."""
_INSIDE = 0.06


@dataclass(frozen=True, slots=True, eq=False)
class LitField:
    """Where light is, in a small copy of the coarse picture.

    Attributes
    ----------
    mask : ndarray of bool, shape (rows, columns)
        Lit, gaps between cells closed; only parts large enough to belong to a panel.
    scale : float
        Pixels of the mask per coarse pixel.
    cut : tuple of str
        Sides of the picture that light reaches over more than a short stretch; from `SIDES`.
    """

    mask: NDArray[np.bool_]
    scale: float
    cut: tuple[str, ...]


def find_panel(image: ElImage, product: Product) -> PanelOutline | NotFound:
    """Find the field of cells in an exposure.

    A first outline, good to a few file pixels where all cells at the sides are lit; `find_grid` makes it exact.

    Parameters
    ----------
    image : ElImage
        The exposure.
    product : Product
        What is looked for. A layout of one cell takes the whole picture as the cell, less a dark rim if there is one.

    Returns
    -------
    PanelOutline or NotFound
        The outline, or why none was found: no light, nothing but noise, no four-sided field, cut by the picture's
        border (the reason says on which side). A picture that is filled with cells on all sides, or, for layouts of
        one string, up to some of its sides, is taken as cropped to the field.
    """
    if min(image.height_px, image.width_px) < _SMALLEST_PX:
        return NotFound(Message("geometry.too_small", {"width_px": image.width_px, "height_px": image.height_px}))
    coarse = coarse_picture(image)
    if product.recipe.layout.n_cells == 1:
        return _single_cell(coarse)
    lit = _lit_field(coarse)
    if isinstance(lit, NotFound):
        return lit
    cropped = len(lit.cut) == len(SIDES) or product.recipe.layout.n_strings == 1
    if lit.cut and not cropped:
        return NotFound(Message(f"geometry.cut.{'_'.join(lit.cut)}"))
    found = _four_sides(lit)
    if found is None:
        return NotFound(Message("geometry.no_panel"))
    corners, confidence = found
    corners = clockwise_from_top_left(corners / lit.scale + (1 / lit.scale - 1) / 2)
    return _outline(coarse, _sharpened(coarse, corners, lit.cut), confidence)


def in_gate_view(corners: Points, orientation: Orientation, image: ElImage) -> Points:
    """Return the same corners in file pixels, ordered clockwise from the top left of the gate view."""
    matrix = gate_from_stored(orientation, image.width_px, image.height_px)
    return moved(np.linalg.inv(matrix), clockwise_from_top_left(moved(matrix, corners)))


def _sharpened(coarse: CoarsePicture, corners: Points, cut: tuple[str, ...]) -> Points:
    """Move each side to where the light has fallen half way: glow on the ground reaches beyond it.

    Parameters
    ----------
    coarse : CoarsePicture
        The picture.
    corners : ndarray, shape (4, 2)
        First corners, coarse pixels, clockwise from top left.
    cut : tuple of str
        Sides at the picture's border, which stay.
    """
    lines = []
    for k, side in enumerate(("top", "right", "bottom", "left")):
        start, end = corners[k], corners[(k + 1) % 4]
        moved_ends = None if side in cut else _half_way_line(coarse, start, end, corners.mean(axis=0))
        lines.append((start, end) if moved_ends is None else moved_ends)
    sharpened = np.array([_crossing(lines[k - 1], lines[k]) for k in range(4)])
    moved_far = np.abs(sharpened - corners).max() > 2 * _REACH * np.linalg.norm(corners[2] - corners[0])
    return corners if moved_far or not np.isfinite(sharpened).all() else sharpened


def _half_way_line(coarse: CoarsePicture, start: Points, end: Points, middle: Points) -> tuple[Points, Points] | None:
    along = end - start
    length = float(np.linalg.norm(along))
    outward = np.array([along[1], -along[0]]) / length
    outward = outward if (start + along / 2 - middle) @ outward > 0 else -outward
    depth = abs(float((start + along / 2 - middle) @ outward))
    # From a third of the way to the middle, where cells surely are, to as far outside as glow may reach.
    inside, outside = min(0.3 * depth, 0.08 * max(length, depth)), min(_REACH * max(length, depth), 0.4 * depth)
    share = np.linspace(0.04, 0.96, 72)
    steps = np.concatenate([np.linspace(outside, 0, 64, endpoint=False), np.linspace(0, -inside, 33)])
    points = (start + share[:, None, None] * along + steps[:, None] * outward).astype(np.float32)
    light = cv2.remap(coarse.counts, points[..., 0], points[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = light - coarse.floor
    within = np.percentile(light[:, 64:], 75, axis=1)
    ground = light[:, :8].min(axis=1)
    good = (within > 0.3 * np.median(within)) & (within > 1.3 * ground + 4 * coarse.noise)
    # A little above half way: glow next to bright cells may itself be half as bright as they are.
    level = ground + 0.65 * (within - ground)
    above = light > level[:, None]
    first = np.argmax(above & np.roll(above, -1, axis=1), axis=1)
    good &= first > 0
    if good.sum() < 12:
        return None
    here, before = np.arange(72)[good], first[good] - 1
    low, high = light[here, before], light[here, before + 1]
    rise = (level[good] - low) / np.maximum(high - low, 1e-6)
    out = steps[before] + np.clip(rise, 0, 1) * (steps[before + 1] - steps[before])
    line = _outermost_line(share[good] * length, outside - out, max(1.5, 0.002 * length))
    if line is None:
        return None
    ends = outside - (line[0] + line[1] * np.array([0.0, length]))
    return start + ends[0] * outward, end + ends[1] * outward


def _crossing(first: tuple[Points, Points], second: tuple[Points, Points]) -> Points:
    """Return where two lines through pairs of points cross."""
    along, other = first[1] - first[0], second[1] - second[0]
    between = second[0] - first[0]
    turn = along[0] * other[1] - along[1] * other[0]
    return np.asarray(first[0] + (between[0] * other[1] - between[1] * other[0]) / (turn or np.nan) * along)


def _outline(coarse: CoarsePicture, corners: Points, confidence: float) -> PanelOutline:
    return PanelOutline(read_only(coarse.to_file(clockwise_from_top_left(corners))), confidence)


def _lit_field(coarse: CoarsePicture) -> LitField | NotFound:
    scale = min(1.0, _MASK_SIDE_PX / max(coarse.counts.shape))
    size = (max(1, round(coarse.width * scale)), max(1, round(coarse.height * scale)))
    small = cv2.resize(coarse.counts, size, interpolation=cv2.INTER_AREA) if scale < 1 else coarse.counts
    small = np.asarray(cv2.blur(small, (3, 3)), np.float32)
    low, high = (float(value) for value in np.percentile(small[::2, ::2], (1, 99)))
    # Averaging over n pixels divides white noise by sqrt(n); JPEG noise is not white, hence the wide factor.
    noise = coarse.noise * scale / 3
    if high - low <= 1e-4 * abs(high):
        return NotFound(Message("geometry.uniform"))
    if high - low < 12 * noise:
        return NotFound(Message("geometry.only_noise"))
    mask = _brighter_part(small, low, high, noise)
    mask = _large_parts(mask)
    if not mask.any():
        return NotFound(Message("geometry.no_panel"))
    return LitField(mask, scale, _cut_sides(mask))


def _brighter_part(small: FloatImage, low: float, high: float, noise: float) -> NDArray[np.bool_]:
    # Otsu's threshold (1979, :doi:`10.1109/TSMC.1979.4310076`) of the logarithm: dim cells, a third as bright as
    # others, still lie far above the background, where counts themselves would part dim cells from bright ones.
    floor = 3 * noise + 0.03 * (high - low)
    logarithm = np.log(np.clip(small - low, 0, high - low) + floor)
    bottom, top = float(logarithm.min()), float(logarithm.max())
    levels = np.asarray((logarithm - bottom) * (255 / (top - bottom)), dtype=np.uint8)
    _, mask = cv2.threshold(levels, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return np.asarray(mask, dtype=bool)


def _large_parts(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    reach = max(3, round(0.014 * max(mask.shape))) | 1
    padded = np.pad(mask.astype(np.uint8), reach)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, np.ones((reach, reach), np.uint8))
    closed = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))[reach:-reach, reach:-reach]
    _, labels, stats, _ = cv2.connectedComponentsWithStats(np.ascontiguousarray(closed))
    areas = stats[:, cv2.CC_STAT_AREA].copy()
    areas[0] = 0
    # A dark string parts the panel into pieces; what is much smaller than the largest piece is a label or a reflection.
    keep = areas >= max(1, 0.08 * areas.max())
    keep[0] = False
    return np.asarray(keep[labels])


def _cut_sides(mask: NDArray[np.bool_]) -> tuple[str, ...]:
    extent = mask.any(axis=1).sum(), mask.any(axis=0).sum()
    edges = {
        "left": mask[:, 0].sum() / extent[0],
        "top": mask[0].sum() / extent[1],
        "right": mask[:, -1].sum() / extent[0],
        "bottom": mask[-1].sum() / extent[1],
    }
    return tuple(side for side in SIDES if edges[side] > 0.08)


def _four_sides(lit: LitField) -> tuple[Points, float] | None:
    """Return corners in mask pixels, clockwise, and how well light fills them (0..1)."""
    rows = np.flatnonzero(lit.mask.any(axis=1))
    first = np.argmax(lit.mask[rows], axis=1)
    last = lit.mask.shape[1] - 1 - np.argmax(lit.mask[rows, ::-1], axis=1)
    ends = np.stack([np.concatenate([first, last]), np.tile(rows, 2)], axis=1)
    box = cv2.minAreaRect(cv2.convexHull(ends.astype(np.int32)))
    (centre_x, centre_y), (width, height), angle = box
    if angle > 45:
        angle, width, height = angle - 90, height, width
    if min(width, height) < _SUPPORT_PX:
        return None
    upright_from_mask = cv2.getRotationMatrix2D((centre_x, centre_y), angle, 1.0)
    margin = 4
    upright_from_mask[:, 2] += np.array([width / 2 + margin - centre_x, height / 2 + margin - centre_y])
    size = (int(width) + 2 * margin + 1, int(height) + 2 * margin + 1)
    upright = cv2.warpAffine(lit.mask.astype(np.uint8), upright_from_mask, size, flags=cv2.INTER_NEAREST) > 0
    corners = _corners_of(upright)
    if corners is None:
        return None
    inside = cv2.fillConvexPoly(np.zeros(upright.shape, np.uint8), np.round(corners).astype(np.int32), 1) > 0
    filled = float(upright[inside].mean()) if inside.any() else 0.0
    outside = float(upright[~inside].sum() / max(1, upright.sum()))
    if filled < 0.5 or outside > 0.25:
        return None
    back = np.vstack([upright_from_mask, [0, 0, 1]])
    return moved(np.linalg.inv(back), corners), filled * (1 - outside)


def _corners_of(upright: NDArray[np.bool_]) -> Points | None:
    height, width = upright.shape
    lines = {}
    for side, turned in (("left", upright.T), ("top", upright), ("right", upright.T[::-1]), ("bottom", upright[::-1])):
        reached = turned.any(axis=0)
        along = np.flatnonzero(reached).astype(np.float64)
        line = _outermost_line(along, np.argmax(turned, axis=0)[reached].astype(np.float64), _SUPPORT_PX)
        if line is None:
            return None
        lines[side] = line
    (left, left_slope), (top, top_slope) = lines["left"], lines["top"]
    right, right_slope = width - 1 - lines["right"][0], -lines["right"][1]
    bottom, bottom_slope = height - 1 - lines["bottom"][0], -lines["bottom"][1]

    def crossing(x0: float, x_slope: float, y0: float, y_slope: float) -> tuple[float, float]:
        y = (y0 + y_slope * x0) / (1 - x_slope * y_slope)
        return x0 + x_slope * y, y

    return np.array(
        [
            crossing(left, left_slope, top, top_slope),
            crossing(right, right_slope, top, top_slope),
            crossing(right, right_slope, bottom, bottom_slope),
            crossing(left, left_slope, bottom, bottom_slope),
        ]
    )


def _outermost_line(along: NDArray[np.float64], depth: NDArray[np.float64], near: float) -> tuple[float, float] | None:
    """Fit depth = offset + slope * along to the outermost stretch with enough support.

    A dark half string leaves half of the side deeper, a label or a reflection makes a short stretch stick out: the best
    line has many points on it (nearer than `near`) and few outside.
    """
    if along.size < 8:
        return None
    chosen = np.linspace(0, along.size - 1, min(48, along.size)).astype(int)
    first, second = np.triu_indices(chosen.size, max(1, chosen.size // 6))
    start, end = chosen[first], chosen[second]
    slope = (depth[end] - depth[start]) / (along[end] - along[start])
    slope, start = slope[np.abs(slope) < 0.35], start[np.abs(slope) < 0.35]
    if slope.size == 0:
        return None
    offset = depth[start] - slope * along[start]
    sparse = slice(None, None, max(1, along.size // 250))
    away = depth[sparse] - offset[:, None] - slope[:, None] * along[sparse]
    worth = (np.abs(away) <= near).mean(axis=1) - 2 * (away < -near).mean(axis=1)
    best = int(np.argmax(worth))
    if worth[best] < 0.15:
        return None
    close = np.abs(depth - offset[best] - slope[best] * along) <= near
    fitted_slope, fitted_offset = (
        np.polyfit(along[close], depth[close], 1) if close.sum() > 2 else (slope[best], offset[best])
    )
    return float(fitted_offset), float(fitted_slope)


def _single_cell(coarse: CoarsePicture) -> PanelOutline:
    """Take the picture as one whole cell, less a dark rim; a cell on a wide dark ground is found like a panel."""
    lit = _lit_field(coarse)
    if isinstance(lit, LitField) and not lit.cut:
        found = _four_sides(lit)
        if found is not None and found[1] > 0.8 and lit.mask.mean() < 0.8:
            corners, confidence = found
            return _outline(coarse, corners / lit.scale + (1 / lit.scale - 1) / 2, confidence)
    counts = coarse.counts
    middle_rows = counts[coarse.height // 6 : coarse.height - coarse.height // 6]
    middle_columns = counts[:, coarse.width // 6 : coarse.width - coarse.width // 6]
    across, along = np.median(middle_rows, axis=0), np.median(middle_columns, axis=1)
    left, right = _rim(across), coarse.width - 1 - _rim(across[::-1])
    top, bottom = _rim(along), coarse.height - 1 - _rim(along[::-1])
    return _outline(coarse, rectangle(right - left, bottom - top, left, top), 0.5)


def _rim(profile: NDArray[np.float32]) -> float:
    """Return the width of a dark rim at the start of a profile, 0 if there is none as narrow as half a gap."""
    inside = max(2, round(_INSIDE * profile.size))
    inner = float(np.median(profile[inside : 3 * inside]))
    rim = float(profile[:2].min())
    scatter = float(np.abs(np.diff(profile[inside : 3 * inside])).mean()) if profile.size > 8 else 0.0
    if inner - rim < max(0.2 * inner, 4 * scatter):
        return 0.0
    level = (inner + rim) / 2
    after = int(np.argmax(profile > level))
    # A wider dark edge belongs to the cell: an inactive area, not the gap around it.
    if not 0 < after <= _WIDEST_RIM * profile.size:
        return 0.0
    before, here = float(profile[after - 1]), float(profile[after])
    return after - 1 + (level - before) / (here - before)
