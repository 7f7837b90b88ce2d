"""One cell: wafer, metallisation, defects, and what the defects truly do to it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.recipe import CellFormat, CutEdge
from elinspect.records import CrackMode, FloatImage, Kind, Points
from elinspect.synthetic.current import Effect, FingerGrid, effect_of, intact_drop
from elinspect.synthetic.defects import CellDefect, Crack, FingerInterruption, InactiveArea
from elinspect.synthetic.look import Look
from elinspect.synthetic.wafer import cloudy, wafer_texture
from elinspect.synthetic.wandering import length_of, path_points, stroke
from elinspect.vision import cv2

VISIBLE_DROP = 0.03
"""Drop (natural logarithm) that counts as a change of the current: about the weakest streak seen in real cells."""
LEAST_CUT_OFF = 0.001
"""Share of the cell that must be without feed for mode C; less is a splinter of single fingers."""
LEAST_CHANGED = 0.004
"""Share of the cell that must become darker for mode B."""
_SUBPIXEL_BITS = 4


@dataclass(frozen=True, slots=True, eq=False)
class CellSpot:
    """Pixels of one cell.

    Attributes
    ----------
    x_mm, y_mm : ndarray, shapes (columns,) and (rows,)
        Places of the pixels from the cell's top left corner; they reach a little over the cell's edges.
    """

    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return len(self.y_mm), len(self.x_mm)

    @property
    def px_per_mm(self) -> float:
        """Pixels per mm."""
        return float((len(self.x_mm) - 1) / (self.x_mm[-1] - self.x_mm[0]))

    def to_px(self, points_mm: Points) -> Points:
        """Bring points (x, y) in mm of the cell to (x, y) in pixels of the spot."""
        return np.asarray((points_mm - (self.x_mm[0], self.y_mm[0])) * self.px_per_mm)

    def to_mm(self, points_px: Points) -> Points:
        """Bring points (x, y) in pixels of the spot to mm of the cell; the inverse of `to_px`."""
        return np.asarray(points_px / self.px_per_mm + (self.x_mm[0], self.y_mm[0]))


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """The truth about one defect of a cell, in mm of the cell.

    Attributes
    ----------
    kind : Kind
        What it is.
    outlines_mm : tuple of ndarray, each of shape (n, 2)
        Polygons (x, y); the defect is their union.
    paths_mm : tuple of ndarray, each of shape (n, 2)
        The crack and its branches; empty for other kinds.
    length_mm, area_fraction : float or None
        Length of all paths or of the streak; share of the cell.
    mode : CrackMode or None
        What the crack does to the current.
    contrast : float
        Deepest drop of luminance it makes, natural logarithm.
    of_crack : bool
        An inactive area that the mark before it, a crack, has cut off.
    """

    kind: Kind
    outlines_mm: tuple[Points, ...]
    contrast: float
    paths_mm: tuple[Points, ...] = ()
    length_mm: float | None = None
    area_fraction: float | None = None
    mode: CrackMode | None = None
    of_crack: bool = False


def draw_cell(
    cell: CellFormat,
    look: Look,
    rng: np.random.Generator,
    spot: CellSpot,
    defects: tuple[CellDefect, ...] = (),
    turned: bool = False,
) -> tuple[FloatImage, FloatImage, tuple[Mark, ...]]:
    """Draw one cell.

    Parameters
    ----------
    cell : CellFormat
        Its format.
    look : Look
        What the panel's cells have in common.
    rng : numpy.random.Generator
        Draws wafer and fingers.
    spot : CellSpot
        Pixels to draw.
    defects : tuple of CellDefect
        Defects of this cell.
    turned : bool
        Whether the string lies rotated by 180°, and with it the cut edge.

    Returns
    -------
    luminance : ndarray of float32, shape (rows, columns)
        1 is a good place of a usual cell.
    cover : ndarray of float32, shape (rows, columns)
        Share of each pixel that is silicon.
    marks : tuple of Mark
        The truth, in the order of `defects`.
    """
    grid = _fingers(cell, look, rng, spot)
    height = wafer_texture(cell, look, rng, spot.x_mm, spot.y_mm)
    if turned != (cell.cut_edge is CutEdge.RIGHT):  # drawn with the cut edge on the left
        height = np.ascontiguousarray(height[::-1, ::-1])
    level = rng.normal(0, look.cell_spread)
    height += np.float32(level)
    height += _uneven_fingers(grid, look, rng)
    height -= intact_drop(grid)[:, None]
    drop, marks = _defect_drops(cell, spot, grid, rng, defects)
    if drop is not None:
        height -= drop
    luminance = np.exp(height)
    _shade_rim(cell, look, spot, luminance)
    luminance *= _busbars(cell, look, spot)
    return luminance, silicon(cell, spot, turned), marks


def _uneven_fingers(grid: FingerGrid, look: Look, rng: np.random.Generator) -> FloatImage:
    """Return how the print differs from finger to finger, in each strip on its own."""
    strip, finger = grid.strip, grid.finger - grid.finger[0]
    uneven = rng.normal(0, look.finger_spread, (int(strip[-1]) + 1, int(finger[-1]) + 1)).astype(np.float32)
    return uneven[strip][:, finger]


def silicon(cell: CellFormat, spot: CellSpot, turned: bool = False) -> FloatImage:
    """Return the share of each pixel that is silicon, shape (rows, columns)."""
    scale = spot.px_per_mm
    x = np.clip(np.minimum(spot.x_mm, cell.along_mm - spot.x_mm) * scale + 0.5, 0, 1)
    y = np.clip(np.minimum(spot.y_mm, cell.across_mm - spot.y_mm) * scale + 0.5, 0, 1)
    cover = np.outer(y, x).astype(np.float32)
    if cell.chamfer_mm > 0:
        from_side = np.minimum(spot.y_mm, cell.across_mm - spot.y_mm)[:, None]
        cut = cell.cut_edge
        if turned and cut is not CutEdge.NONE:
            cut = CutEdge.LEFT if cut is CutEdge.RIGHT else CutEdge.RIGHT
        for end, from_end in ((CutEdge.LEFT, spot.x_mm), (CutEdge.RIGHT, cell.along_mm - spot.x_mm)):
            if end is not cut:
                beyond = (from_end[None] + from_side - cell.chamfer_mm) * (scale / np.sqrt(2))
                cover *= np.clip(beyond + 0.5, 0, 1).astype(np.float32)
    return cover


def _busbar_places(cell: CellFormat) -> NDArray[np.float64]:
    return np.asarray((np.arange(cell.busbars) + 0.5) * (cell.across_mm / max(cell.busbars, 1)), np.float64)


def _fingers(cell: CellFormat, look: Look, rng: np.random.Generator, spot: CellSpot) -> FingerGrid:
    finger = np.floor(spot.x_mm / look.finger_pitch_mm + rng.uniform()).astype(np.intp)
    return FingerGrid(spot.y_mm, _busbar_places(cell), cell.across_mm, finger, look.middle_drop)


def _shade_rim(cell: CellFormat, look: Look, spot: CellSpot, luminance: FloatImage) -> None:
    x = np.clip(np.minimum(spot.x_mm, cell.along_mm - spot.x_mm), 0, None)
    y = np.clip(np.minimum(spot.y_mm, cell.across_mm - spot.y_mm), 0, None)
    luminance *= np.exp(-look.rim_drop * np.exp(-x / look.rim_mm)).astype(np.float32)[None]
    luminance *= np.exp(-look.rim_drop * np.exp(-y / look.rim_mm)).astype(np.float32)[:, None]


def _busbars(cell: CellFormat, look: Look, spot: CellSpot) -> FloatImage:
    """Return the share of light that busbars and ribbons let through, shape (rows, columns)."""
    centres = _busbar_places(cell)
    dark = 1 - look.busbar_remaining
    inset = np.minimum(spot.x_mm, cell.along_mm - spot.x_mm) > look.busbar_inset_mm
    # The ribbon enters over one end of the cell, the busbar itself begins a little further in.
    present = np.where(inset | (spot.x_mm < cell.along_mm / 2), 1.0, 0.3)
    hidden = np.outer(_across(spot, centres, look.busbar_mm / 2), present)
    if look.pads:
        on_pad = (spot.x_mm / cell.along_mm * look.pads) % 1.0
        pad = np.clip((0.3 - np.abs(on_pad - 0.5)) * 20, 0, 1)
        hidden = np.maximum(hidden, np.outer(_across(spot, centres, 0.9 * look.busbar_mm), pad))
    return np.asarray(1 - dark * hidden, np.float32)


def _across(spot: CellSpot, centres: NDArray[np.float64], half_mm: float) -> NDArray[np.float64]:
    if not len(centres):
        return np.zeros(len(spot.y_mm))
    away = np.abs(spot.y_mm[:, None] - centres).min(axis=1)
    return np.asarray(np.clip((half_mm - away) * spot.px_per_mm + 0.5, 0, 1))


def _defect_drops(
    cell: CellFormat, spot: CellSpot, grid: FingerGrid, rng: np.random.Generator, defects: tuple[CellDefect, ...]
) -> tuple[FloatImage | None, tuple[Mark, ...]]:
    if not defects:
        return None, ()
    marks: list[Mark] = []
    total = np.zeros(spot.shape, np.float32)
    all_cuts = np.zeros(spot.shape, np.float32)
    for defect in defects:
        if isinstance(defect, InactiveArea):
            total += _area_drop(cell, spot, defect)
            marks.append(_area_mark(cell, defect))
            continue
        cuts = _cuts(cell, spot, grid, rng, defect)
        np.maximum(all_cuts, cuts, out=all_cuts)
        own = effect_of(grid, cuts)
        if isinstance(defect, Crack):
            line = _line_drop(cell, spot, rng, defect)
            total += line
            marks += _crack_marks(cell, spot, defect, own, float(line.max()))
        else:
            marks.append(_finger_mark(cell, spot, grid, defect, own))
    return total + effect_of(grid, all_cuts).drop, tuple(marks)


def _fixed(points_px: Points) -> NDArray[np.int32]:
    return np.asarray(np.round(points_px * 2**_SUBPIXEL_BITS), np.int32)


def _cuts(
    cell: CellFormat, spot: CellSpot, grid: FingerGrid, rng: np.random.Generator, defect: Crack | FingerInterruption
) -> NDArray[np.float32]:
    cuts = np.zeros(spot.shape, np.float32)
    if isinstance(defect, FingerInterruption):
        row = int(np.argmin(np.abs(spot.y_mm - defect.place.v * cell.across_mm)))
        first = grid.finger[np.argmin(np.abs(spot.x_mm - defect.place.u * cell.along_mm))]
        cuts[row, (grid.finger >= first) & (grid.finger < first + defect.fingers)] = defect.severed
        return cuts
    if defect.severed > 0:
        ink = np.zeros(spot.shape, np.uint8)
        for path in defect.paths:
            points = spot.to_px(path_points(path, cell.along_mm, cell.across_mm))
            cv2.polylines(ink, [_fixed(points)], False, 1, 1, cv2.LINE_8, _SUBPIXEL_BITS)
        broken = _broken_fingers(rng, int(grid.finger[-1] - grid.finger[0]) + 1, defect.severed)
        cuts[(ink > 0) & broken[grid.finger - grid.finger[0]]] = 1.0
    return cuts


def _broken_fingers(rng: np.random.Generator, count: int, share: float) -> NDArray[np.bool_]:
    """Return which fingers a crack breaks: neighbours often share their fate."""
    alike = cv2.GaussianBlur(rng.standard_normal((1, count)), (0, 0), 1.5)[0]
    return np.asarray(np.argsort(np.argsort(alike)) < round(share * count))


def _line_drop(cell: CellFormat, spot: CellSpot, rng: np.random.Generator, crack: Crack) -> FloatImage:
    ink = np.zeros(spot.shape, np.uint8)
    for path in crack.paths:
        points = spot.to_px(path_points(path, cell.along_mm, cell.across_mm))
        cv2.polylines(ink, [_fixed(points)], False, 255, 1, cv2.LINE_AA, _SUBPIXEL_BITS)
    sigma = max(crack.width_mm / 2 * spot.px_per_mm, 0.4)
    soft = np.asarray(cv2.GaussianBlur(ink.astype(np.float32), (0, 0), sigma), np.float32)
    # A crack is seen in places more, in places less.
    visible = np.clip(0.75 + 0.35 * cloudy(rng, spot.shape, 12 * spot.px_per_mm), 0.2, 1.0)
    return np.asarray(np.minimum(soft * (crack.contrast / _peak(sigma)), 1.5 * crack.contrast) * visible, np.float32)


def _peak(sigma: float) -> float:
    """Return the greatest value of a line of 255 and width 1 after a Gaussian blur."""
    kernel = cv2.getGaussianKernel(2 * max(1, round(4 * sigma)) + 1, sigma)
    return 255 * float(kernel.max())


def _area_drop(cell: CellFormat, spot: CellSpot, area: InactiveArea) -> FloatImage:
    ink = np.zeros(spot.shape, np.uint8)
    outline = spot.to_px(path_points(area.outline, cell.along_mm, cell.across_mm))
    cv2.fillPoly(ink, [_fixed(outline)], 255, cv2.LINE_AA, _SUBPIXEL_BITS)
    share = ink.astype(np.float32) / 255
    return np.asarray(-np.log(1 - (1 - max(area.remaining, 0.005)) * share), np.float32)


def _area_mark(cell: CellFormat, area: InactiveArea) -> Mark:
    outline = path_points(area.outline, cell.along_mm, cell.across_mm)
    share = abs(cv2.contourArea(outline.astype(np.float32))) / (cell.along_mm * cell.across_mm)
    drop = -float(np.log(max(area.remaining, 0.005)))
    return Mark(Kind.INACTIVE_AREA, (outline,), drop, area_fraction=share)


def _crack_marks(cell: CellFormat, spot: CellSpot, crack: Crack, effect: Effect, line_depth: float) -> list[Mark]:
    paths = tuple(path_points(path, cell.along_mm, cell.across_mm) for path in crack.paths)
    whole = cell.along_mm * cell.across_mm * spot.px_per_mm**2
    on_silicon = silicon(cell, spot) > 0.5
    cut_off = effect.floating & on_silicon
    cut_off_share = float(cut_off.sum()) / whole
    changed_share = float(((effect.drop > VISIBLE_DROP) & on_silicon).sum()) / whole
    mode = CrackMode.A
    if changed_share >= LEAST_CHANGED:
        mode = CrackMode.B
    pieces = _contours(spot, cut_off, LEAST_CUT_OFF * whole)
    if pieces:
        mode = CrackMode.C
    mark = Mark(
        Kind.CRACK,
        tuple(stroke(path, max(crack.width_mm, 0.8)) for path in paths),
        max(line_depth, float(effect.drop.max())),
        paths,
        sum(length_of(path) for path in paths),
        mode=mode,
    )
    if not pieces:
        return [mark]
    drop = float(effect.drop.max())
    return [mark, Mark(Kind.INACTIVE_AREA, pieces, drop, area_fraction=cut_off_share, of_crack=True)]


def _finger_mark(
    cell: CellFormat, spot: CellSpot, grid: FingerGrid, defect: FingerInterruption, effect: Effect
) -> Mark:
    contrast = float(effect.drop.max())
    rows, columns = np.nonzero(effect.drop > max(0.35 * contrast, 1e-6))
    if not len(rows):  # a break in the middle between busbars: nothing to be seen
        x, y = defect.place.u * cell.along_mm, defect.place.v * cell.across_mm
        left, top, right, bottom = x, y - 0.5, x + 0.5, y + 0.5
    else:
        half = 0.5 / spot.px_per_mm
        left, right = spot.x_mm[columns.min()] - half, spot.x_mm[columns.max()] + half
        top, bottom = grid.rows_mm[rows.min()] - half, grid.rows_mm[rows.max()] + half
    outline = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    outline = np.clip(outline, 0, (cell.along_mm, cell.across_mm))
    share = float((right - left) * (bottom - top)) / (cell.along_mm * cell.across_mm)
    return Mark(Kind.FINGER_INTERRUPTION, (outline,), contrast, length_mm=float(bottom - top), area_fraction=share)


def _contours(spot: CellSpot, mask: NDArray[np.bool_], least_px: float) -> tuple[Points, ...]:
    # One finger's gap must not split a piece in two.
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((1, 5), np.uint8))
    found, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    kept = [cv2.approxPolyDP(one, 0.7, True)[:, 0] for one in found if cv2.contourArea(one) >= least_px]
    return tuple(spot.to_mm(one.astype(np.float64)) for one in kept if len(one) > 2)
