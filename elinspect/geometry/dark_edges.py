"""Cells without light at the edge of the panel: the outline ends before them, the recipe says that they are there."""

from dataclasses import dataclass
from itertools import product as all_pairs

import numpy as np

from elinspect.geometry.coarse import CoarsePicture
from elinspect.geometry.flat import Bands, FlatPicture
from elinspect.geometry.lattice import DarkEdges, Lattice, lattice_in
from elinspect.geometry.settling import settled
from elinspect.geometry.verdict import LIT, cell_means, faintest_row, is_sound, weighed
from elinspect.recipe import Product
from elinspect.records import Layout, Points

_MOST_STRINGS, _MOST_COLUMNS = 2, 1
_FEWEST_LIT = 2
_SURE = 6.0
"""Least contrast, in multiples of its noise, of the gaps within a dark string at the edge of the field."""
_CENTRED, _CENTRED_ASIDE = 0.3, 0.6
"""How far the panel may lie from the middle of the picture, in pitches, where only that tells on which side the dark
cells are (the other side then lies at least 0.7 away), and how far in the other direction."""


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A lattice that reaches beyond the lit field.

    Attributes
    ----------
    lattice : Lattice
        Fitted to what is lit.
    confidence : float
        0..1; at most a half where nothing but the panel's place in the picture says on which side the dark cells are.
    dark : DarkEdges
        Rows and columns of cells beyond the lit field.
    by_place : bool
        Whether the place in the picture alone says so.
    """

    lattice: Lattice
    confidence: float
    dark: DarkEdges
    by_place: bool


def with_dark_edges(coarse: CoarsePicture, corners: Points, product: Product, size: tuple[int, int]) -> Placed | None:
    """Look for the layout with whole strings, or a whole column of cells, that the outline does not show.

    The lit rest is symmetric, so either side would explain it. Faint light of the dark strings themselves says which;
    without any, the side that puts the panel into the middle of the picture, if the other one clearly does not.

    Parameters
    ----------
    coarse : CoarsePicture
        The picture.
    corners : ndarray, shape (4, 2)
        Corners (x, y) of the lit field in file pixels, clockwise in the gate view.
    product : Product
        The layout sought.
    size : tuple of int
        Width and height of the file.

    Returns
    -------
    Placed or None
        None where the lit field is no part of the layout, or nothing says on which side the rest lies.
    """
    tried = []
    for dark in _arrangements(product.recipe.layout):
        lattice, flat, bands = settled(coarse, lattice_in(corners, product.recipe.layout, product.recipe, size, dark))
        evidence = weighed(flat, bands, product)
        if is_sound(evidence, product) and _inside_picture(lattice):
            tried.append((dark, lattice, flat, bands, evidence.confidence))
    faint = [(_faint_light(dark, flat, bands), dark, lattice, share) for dark, lattice, flat, bands, share in tried]
    faint.sort(key=lambda answer: answer[0], reverse=True)
    if faint and faint[0][0] >= _SURE and (len(faint) == 1 or faint[0][0] >= 2 * faint[1][0]):
        _, dark, lattice, confidence = faint[0]
        return Placed(lattice, confidence, dark, by_place=False)
    for dark, lattice, flat, bands, confidence in tried:
        one_side = sum(count > 0 for count in dark) == 1
        if one_side and _without_light(dark, flat, bands) and _centred(lattice, across_strings=sum(dark[:2]) > 0):
            return Placed(lattice, min(confidence, 0.5), dark, by_place=True)
    return None


def _arrangements(layout: Layout) -> list[DarkEdges]:
    rows, _ = layout.grid_shape
    most = min(_MOST_STRINGS, rows - _FEWEST_LIT)
    counts = range(most + 1)
    strings = [(above, below, 0, 0) for above, below in all_pairs(counts, counts) if 0 < above + below <= most]
    if layout.cells_per_string <= _MOST_COLUMNS + _FEWEST_LIT or rows < _FEWEST_LIT:
        return strings
    return [*strings, (0, 0, _MOST_COLUMNS, 0), (0, 0, 0, _MOST_COLUMNS)]


def _inside_picture(lattice: Lattice) -> bool:
    corners = lattice.field_corners()
    return bool(((corners >= 0) & (corners <= np.array(lattice.size) - 1)).all())


def _faint_light(dark: DarkEdges, flat: FlatPicture, bands: Bands) -> float:
    return faintest_row(flat, bands, dark[:2]) if sum(dark[:2]) else 0.0


def _without_light(dark: DarkEdges, flat: FlatPicture, bands: Bands) -> bool:
    means = cell_means(flat, bands)
    beyond = np.ones(means.shape, bool)
    rows, columns = means.shape
    beyond[dark[0] : rows - dark[1], dark[2] : columns - dark[3]] = False
    return bool(means[beyond].max() < LIT * np.median(means[~beyond]))


def _centred(lattice: Lattice, across_strings: bool) -> bool:
    """Whether about as much of the picture is left on one side of the panel as on the other, in both directions."""
    corners = lattice.cell_corners().reshape(-1, 2)
    low, high = corners.min(axis=0), corners.max(axis=0)
    away_px = np.abs((low + high) / 2 - (np.array(lattice.size) - 1) / 2)
    middle = np.array(lattice.extent) / 2
    here, *ahead = lattice.to_file(middle + np.array([[0, 0], [1, 0], [0, 1]]))
    along_px, across_px = (float(np.abs(point - here).max()) for point in ahead)
    across_axis = int(np.argmax(np.abs(ahead[1] - here)))
    away = {True: away_px[across_axis] / across_px, False: away_px[1 - across_axis] / along_px}
    return bool(away[across_strings] <= _CENTRED and away[not across_strings] <= _CENTRED_ASIDE)


def dark_rows(dark: DarkEdges, rows: int) -> list[int]:
    """Return the rows of the gate view that lie beyond the lit field."""
    return [*range(dark[0]), *range(rows - dark[1], rows)]
