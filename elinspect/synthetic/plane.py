"""The panel's plane, seen straight and sharp: places of the cells, and what is drawn where."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import grid_places
from elinspect.recipe import CellFormat, ProductRecipe
from elinspect.records import FloatImage, Points
from elinspect.synthetic.defects import MisplacedCell
from elinspect.synthetic.spot import CellSpot
from elinspect.vision import cv2

BUSSING_MM = 14.0
"""Room for the bussing ribbons beside the cells."""


def cell_corners_mm(recipe: ProductRecipe) -> Points:
    """Return the corners (x, y) of every cell in mm of the gate view, shape (n_cells, 4, 2), from the top left."""
    cell, spacing = recipe.cell, recipe.spacing
    places = grid_places(recipe.layout, recipe.addresses.origin_corner).astype(np.float64)
    row, column = places[:, 0], places[:, 1]
    blocks_before = column // recipe.layout.cells_per_string
    x = column * (cell.along_mm + spacing.cell_gap_mm) + blocks_before * (spacing.block_gap_mm - spacing.cell_gap_mm)
    y = row * (cell.across_mm + spacing.string_gap_mm)
    box = np.array([[0, 0], [cell.along_mm, 0], [cell.along_mm, cell.across_mm], [0, cell.across_mm]])
    return np.asarray(np.stack([x, y], axis=1)[:, None] + box)


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """The panel seen straight and sharp; drawn into while it is being made."""

    luminance: FloatImage
    px_per_mm: float

    @classmethod
    def make(cls, size_mm: NDArray[np.float64], px_per_mm: float) -> "Plane":
        """Return an empty plane for a field of this size."""
        columns, rows = np.ceil((size_mm + 2 * BUSSING_MM) * px_per_mm).astype(int) + 1
        return cls(np.zeros((rows, columns), np.float32), px_per_mm)

    @property
    def mm_from_px(self) -> NDArray[np.float64]:
        """Homography from pixels of the plane to mm of the field."""
        step = 1 / self.px_per_mm
        return np.array([[step, 0, -BUSSING_MM], [0, step, -BUSSING_MM], [0, 0, 1.0]])

    def window(self, low_mm: Points, high_mm: Points) -> tuple[tuple[slice, slice], CellSpot]:
        """Return the pixels that hold a rectangle of the plane, and their places from its top left corner."""
        low = np.floor((low_mm + BUSSING_MM) * self.px_per_mm - 1).astype(int)
        high = np.ceil((high_mm + BUSSING_MM) * self.px_per_mm + 1).astype(int)
        x, y = (np.arange(low[i], high[i] + 1) / self.px_per_mm - BUSSING_MM - low_mm[i] for i in (0, 1))
        return (slice(low[1], high[1] + 1), slice(low[0], high[0] + 1)), CellSpot(x, y)

    def paste(
        self,
        window: tuple[slice, slice],
        luminance: FloatImage,
        cover: FloatImage,
        spot: CellSpot,
        cell: CellFormat,
        shift: MisplacedCell | None,
    ) -> None:
        """Lay a drawn cell on the plane, beside its place where it is misplaced."""
        if shift is None:
            under = self.luminance[window]
            under *= 1 - cover
            under += luminance * cover
            return
        box = np.array([[0.0, 0], [cell.along_mm, 0], [cell.along_mm, cell.across_mm], [0, cell.across_mm]])
        start = np.array([window[1].start, window[0].start])
        before = spot.to_px(box)
        matrix, _ = cv2.findHomography(before, spot.to_px(shifted(box, shift)) + start)
        size = self.luminance.shape[::-1]
        light, on = (cv2.warpPerspective(layer, matrix, size, flags=cv2.INTER_LINEAR) for layer in (luminance, cover))
        whole = self.luminance
        whole *= 1 - on
        whole += np.asarray(light * on, np.float32)


def draw_bussing(recipe: ProductRecipe, plane: Plane, size_mm: NDArray[np.float64], shine: float) -> None:
    """Draw the ribbons that join the strings' ends: they only reflect a little of the light around them."""
    for x in (-9.0, float(size_mm[0]) + 4.0):
        window, _ = plane.window(np.array([x, 4.0]), np.array([x + 5.0, float(size_mm[1]) - 4.0]))
        plane.luminance[window] = shine
    between = recipe.spacing.block_gap_mm
    if recipe.layout.blocks > 1 and between > 10:
        block = (size_mm[0] + between) / recipe.layout.blocks
        for number in range(1, recipe.layout.blocks):
            middle = number * block - between / 2
            window, _ = plane.window(np.array([middle - 2.5, 4.0]), np.array([middle + 2.5, float(size_mm[1]) - 4.0]))
            plane.luminance[window] = shine


def shifted(corners_mm: Points, shift: MisplacedCell) -> Points:
    """Return the corners of a misplaced cell."""
    middle = corners_mm.mean(axis=0)
    angle = np.deg2rad(shift.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray((corners_mm - middle) @ turn.T + middle + (shift.shift_x_mm, shift.shift_y_mm))
