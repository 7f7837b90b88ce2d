"""Pixels of one cell, its silicon and its busbars on them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.recipe import CellFormat, CutEdge
from elinspect.records import FloatImage, Points
from elinspect.synthetic.look import Look
from elinspect.vision import cv2


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

    def turned(self, cell: CellFormat) -> "CellSpot":
        """Return the same pixels as seen when the cell is rotated by 180°."""
        return CellSpot((cell.along_mm - self.x_mm)[::-1], (cell.across_mm - self.y_mm)[::-1])

    def sampled(self, grid: FloatImage, step_mm: tuple[float, float], first_mm: tuple[float, float]) -> FloatImage:
        """Return a regular grid of values at the pixels, linear in between and constant beyond.

        Parameters
        ----------
        grid : ndarray of float32, shape (n, m)
            Values.
        step_mm, first_mm : tuple of float
            Distance of the grid's points, and place of the first, (x, y).
        """
        x = np.clip((self.x_mm - first_mm[0]) / step_mm[0], 0, grid.shape[1] - 1).astype(np.float32)
        y = np.clip((self.y_mm - first_mm[1]) / step_mm[1], 0, grid.shape[0] - 1).astype(np.float32)
        at_x, at_y = np.broadcast_to(x, self.shape), np.broadcast_to(y[:, None], self.shape)
        return np.asarray(cv2.remap(grid, at_x.copy(), at_y.copy(), cv2.INTER_LINEAR), np.float32)


def silicon(cell: CellFormat, spot: CellSpot) -> FloatImage:
    """Return the share of each pixel that is silicon, shape (rows, columns); a cut edge lies on the left."""
    scale = spot.px_per_mm
    x = np.clip(np.minimum(spot.x_mm, cell.along_mm - spot.x_mm) * scale + 0.5, 0, 1)
    y = np.clip(np.minimum(spot.y_mm, cell.across_mm - spot.y_mm) * scale + 0.5, 0, 1)
    cover = np.outer(y, x).astype(np.float32)
    if cell.chamfer_mm > 0:
        from_side = np.minimum(spot.y_mm, cell.across_mm - spot.y_mm)[:, None]
        ends = [cell.along_mm - spot.x_mm]
        if cell.cut_edge is CutEdge.NONE:
            ends.append(spot.x_mm)
        for from_end in ends:
            beyond = (from_end[None] + from_side - cell.chamfer_mm) * (scale / np.sqrt(2))
            cover *= np.clip(beyond + 0.5, 0, 1).astype(np.float32)
    return cover


def busbar_places(cell: CellFormat) -> NDArray[np.float64]:
    """Return the distance of each busbar from the cell's top edge, mm."""
    return np.asarray((np.arange(cell.busbars) + 0.5) * (cell.across_mm / max(cell.busbars, 1)), np.float64)


def let_through(cell: CellFormat, look: Look, spot: CellSpot, offsets_mm: NDArray[np.float64]) -> FloatImage:
    """Return the share of light that busbars and ribbons let through, shape (rows, columns).

    Parameters
    ----------
    cell : CellFormat
        Busbars.
    look : Look
        How wide and how dark they are.
    spot : CellSpot
        Pixels.
    offsets_mm : ndarray, shape (busbars,)
        How far each ribbon lies beside its busbar.
    """
    centres = busbar_places(cell)
    if not len(centres):
        return np.ones(spot.shape, np.float32)
    inset = np.minimum(spot.x_mm, cell.along_mm - spot.x_mm) > look.busbar_inset_mm
    # The ribbon enters over one end of the cell, the busbar itself begins a little further in.
    present = np.where(inset | (spot.x_mm < cell.along_mm / 2), 1.0, 0.3)
    if look.dashed:
        on_pad = np.abs((spot.x_mm / cell.along_mm * max(look.pads, 1)) % 1.0 - 0.5) < 0.28
        present = np.where(on_pad, present, 0.35 * present)
    hidden = np.outer(_across(spot, centres + offsets_mm, look.busbar_mm / 2), present)
    beside = np.abs(offsets_mm) > 0.2 * look.busbar_mm
    if beside.any():  # the bare busbar is seen beside its ribbon
        hidden = np.maximum(hidden, 0.6 * np.outer(_across(spot, centres[beside], look.busbar_mm / 2), present))
    if look.pads and not look.dashed:
        pad = np.clip((0.2 - np.abs((spot.x_mm / cell.along_mm * look.pads) % 1.0 - 0.5)) * 20, 0, 1)
        hidden = np.maximum(hidden, np.outer(_across(spot, centres, look.pad_width * look.busbar_mm), pad))
    return np.asarray(1 - (1 - look.busbar_remaining) * hidden, np.float32)


def _across(spot: CellSpot, centres: NDArray[np.float64], half_mm: float) -> NDArray[np.float64]:
    away = np.abs(spot.y_mm[:, None] - centres).min(axis=1)
    return np.asarray(np.clip((half_mm - away) * spot.px_per_mm + 0.5, 0, 1) * min(1.0, 2 * half_mm * spot.px_per_mm))
