"""The truth about a panel's picture: what is wrong, where, and what it does."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.frames import address_of
from elinspect.recipe import ProductRecipe
from elinspect.records import CrackMode, Kind, Points, read_only
from elinspect.synthetic.circuit import circuits_of
from elinspect.synthetic.defects import (
    BridgedString,
    DarkCell,
    DarkString,
    Defect,
    MisplacedCell,
    OpenString,
    ReversedCell,
)
from elinspect.synthetic.marks import Mark, drop_of
from elinspect.vision import cv2

Onto = Callable[[Points], Points]
"""Brings points (x, y) in mm of the gate view to file pixels."""


@dataclass(frozen=True, slots=True, eq=False)
class TrueDefect:
    """What truly is in the picture.

    Attributes
    ----------
    kind : Kind
        What it is.
    string, position : int or None
        Address; position None for a whole string.
    outlines_px : tuple of ndarray, each of shape (n, 2)
        Polygons (x, y) in file pixels; the defect is their union.
    paths_px : tuple of ndarray, each of shape (n, 2)
        A crack and its branches, file pixels; empty for other kinds.
    contrast : float
        Deepest drop of luminance it makes, natural logarithm, before blur and noise.
    length_mm, area_fraction : float or None
        Length of all paths or of the streak; share of the cell.
    mode : CrackMode or None
        What the crack does to the current, as the network says.
    step, line : float or None
        How much darker a crack makes what it changes, mean of the natural logarithm (0: a mere line); depth of its
        line.
    caused_by : int or None
        Index, among the panel's defects, of the crack that cut this area off.
    dim_fraction : float or None
        Share of the cell that a crack makes darker by a third or more, cut off or not.
    """

    kind: Kind
    string: int
    position: int | None
    outlines_px: tuple[Points, ...]
    contrast: float
    paths_px: tuple[Points, ...] = ()
    length_mm: float | None = None
    area_fraction: float | None = None
    mode: CrackMode | None = None
    step: float | None = None
    line: float | None = None
    caused_by: int | None = None
    dim_fraction: float | None = None

    def mask(self, shape: tuple[int, ...]) -> NDArray[np.bool_]:
        """Return the pixels of the defect in a picture of this shape (rows, columns)."""
        ink = np.zeros(shape, np.uint8)
        for outline in self.outlines_px:
            # One by one: together, OpenCV would leave out where they overlap.
            cv2.fillPoly(ink, [np.round(outline * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        return ink > 0

    def seen_through(self, matrix: NDArray[np.float64]) -> "TrueDefect":
        """Return the defect with its points (x, y) brought through a homography."""
        outlines, paths = (
            tuple(read_only(moved(matrix, points)) for points in group) for group in (self.outlines_px, self.paths_px)
        )
        return replace(self, outlines_px=outlines, paths_px=paths)


def moved(matrix: NDArray[np.float64], points: Points) -> Points:
    """Return points (x, y) brought through a homography."""
    return np.asarray(cv2.perspectiveTransform(points.reshape(-1, 1, 2), matrix), np.float64).reshape(points.shape)


def truth_of_panel(
    recipe: ProductRecipe,
    onto: Onto,
    corners_mm: Points,
    place_mm: Points,
    marks: list[tuple[Mark, ...]],
    defects: Sequence[Defect],
) -> tuple[tuple[TrueDefect, ...], tuple[TrueDefect, ...]]:
    """Return the defects, and the patterns that are none."""
    found: list[TrueDefect] = []
    patterns: list[TrueDefect] = []
    for index, of_cell in enumerate(marks):
        address = address_of(recipe.layout, index)
        beside, _ = cv2.findHomography(place_mm[index] - place_mm[index, 0], corners_mm[index])
        for mark in of_cell:
            outlines, paths = (
                tuple(onto(moved(beside, points)) for points in group) for group in (mark.outlines_mm, mark.paths_mm)
            )
            true = TrueDefect(
                mark.kind, address.string, address.position, outlines, mark.contrast,
                paths, mark.length_mm, mark.area_fraction, mark.mode, mark.step, mark.line,
                dim_fraction=mark.dim_fraction,
            )  # fmt: skip
            if mark.kind is Kind.MATERIAL_PATTERN:
                patterns.append(true)
            else:
                found.append(replace(true, caused_by=len(found) - 1) if mark.of_crack else true)
    found += _whole(recipe, defects, corners_mm, onto)
    return tuple(found), tuple(patterns)


def _whole(recipe: ProductRecipe, defects: Sequence[Defect], corners_mm: Points, onto: Onto) -> list[TrueDefect]:
    """Return the truth about what makes cells dark, or lies beside its place, as a whole."""
    each = recipe.layout.cells_per_string
    found = []
    for defect in defects:
        first = (defect.string - 1) * each
        if isinstance(defect, DarkCell | ReversedCell | MisplacedCell):
            at = corners_mm[first + defect.position - 1]
            kind = {DarkCell: Kind.DARK_CELL, ReversedCell: Kind.REVERSED_CELL, MisplacedCell: Kind.MISPLACED_CELL}
            drop = drop_of(defect.remaining) if isinstance(defect, DarkCell) else drop_of(
                0.0 if isinstance(defect, ReversedCell) else 1.0
            )  # fmt: skip
            outline = (onto(at),)
            found.append(
                TrueDefect(kind[type(defect)], defect.string, defect.position, outline, drop, area_fraction=1.0)
            )
        elif isinstance(defect, DarkString | BridgedString | OpenString):
            strings = [defect.string]
            drop = drop_of(0.0) if isinstance(defect, OpenString) else drop_of(defect.remaining)
            if isinstance(defect, OpenString):
                strings = [s for circuit in circuits_of(recipe) if defect.string in circuit for s in circuit]
            boxes = tuple(onto(_box_of(corners_mm[(string - 1) * each : string * each])) for string in strings)
            kind_of = {
                # What does not go through a string goes past it: only an open joint beside a partner is a dark string.
                DarkString: Kind.BRIDGED_STRING, BridgedString: Kind.BRIDGED_STRING, OpenString: Kind.OPEN_CIRCUIT,
            }  # fmt: skip
            found.append(TrueDefect(kind_of[type(defect)], defect.string, None, boxes, drop, area_fraction=1.0))
    return found


def _box_of(corners_mm: Points) -> Points:
    points = corners_mm.reshape(-1, 2)
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
