"""Layout, cut of the cells and number of busbars taken from the picture alone."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.frames import then_turned
from elinspect.geometry.coarse import coarse_picture
from elinspect.geometry.flat import gap_likeness
from elinspect.geometry.lattice import Lattice
from elinspect.geometry.likeness import Seen, height_over_width, seen_layout
from elinspect.geometry.outline import find_panel, in_gate_view
from elinspect.geometry.ribbons import counted
from elinspect.geometry.verdict import inner_lines
from elinspect.recipe import assumed_product
from elinspect.records import ElImage, FloatImage, Layout, NotFound, Orientation, PanelOutline
from elinspect.vision import cv2

_SEVERAL, _ONE_STRING = Layout(1, 2, 2), Layout(1, 1, 2)
_BUSBAR_CELLS = 16
_SAMPLES = 512


@dataclass(frozen=True, slots=True)
class LayoutSeen:
    """What the picture says about the product.

    Attributes
    ----------
    layout : Layout
        Blocks, strings, cells.
    orientation : Orientation
        Turn that lays the strings horizontally, the file's own tag included.
    cut : {1, 2, 3}
        Into how many parts the cells' wafers were cut: whole, halves, thirds.
    busbars : int or None
        Busbars or wires of a cell; None where none can be told apart.
    confidence : float
        0..1: share of the gaps that were seen, less where cells show lines both ways.
    """

    layout: Layout
    orientation: Orientation
    cut: int
    busbars: int | None
    confidence: float


def find_layout(image: ElImage) -> LayoutSeen | NotFound:
    """Tell layout, cut and busbars from the picture.

    Parameters
    ----------
    image : ElImage
        The exposure.

    Returns
    -------
    LayoutSeen or NotFound
        What is seen, or in words why no layout can be told. A string that gives no light at the edge of the panel
        cannot be counted: a recipe says more than this.
    """
    outline = find_panel(image, assumed_product(_SEVERAL))
    if isinstance(outline, NotFound):
        string = find_panel(image, assumed_product(_ONE_STRING))
        if isinstance(string, NotFound):
            return outline
        refusal, outline = outline, string
        found = _seen_best(image, outline)
        return refusal if found is None or found.layout.n_strings > 1 else found
    return _seen_best(image, outline) or NotFound(Message("geometry.no_layout"))


def _seen_best(image: ElImage, outline: PanelOutline) -> LayoutSeen | None:
    coarse = coarse_picture(image)
    views = []
    for turn in (Orientation(0), Orientation(90)):
        orientation = then_turned(image.orientation, turn)
        corners = in_gate_view(outline.corners_px, orientation, image)
        seen = seen_layout(coarse, corners, (image.width_px, image.height_px))
        if seen is not None:
            views.append((inner_lines(seen.flat, seen.bands), seen, orientation))
    if not views:
        return None
    across, seen, orientation = min(views, key=lambda view: view[0])
    busbars = busbars_in(image.counts, seen.lattice, coarse.floor)
    # Even lines along the strings settle which way those run; without them, lines across raise doubts.
    doubt = 0.0 if busbars is not None else max(0.0, 2 * across - 0.5)
    return LayoutSeen(seen.layout, orientation, _cut(seen), busbars, float(seen.evidence.confidence * (1 - doubt)))


def _cut(seen: Seen) -> int:
    ratio = height_over_width(seen.lattice)
    return min((1, 2, 3), key=lambda cut: abs(np.log(ratio / cut)))


def busbars_in(counts: FloatImage, lattice: Lattice, floor: float) -> int | None:
    """Count the busbars or wires of the cells.

    Parameters
    ----------
    counts : ndarray of float32, shape (rows, columns)
        The exposure.
    lattice : Lattice
        Fitted to it.
    floor : float
        Background, counts.

    Returns
    -------
    int or None
        None where the light across the cells shows no evenly spaced lines.
    """
    profiles = _across_cells(counts, lattice) - np.float32(floor)
    bright = np.median(profiles, axis=1)
    lit = bright > 0.3 * np.median(bright)
    if not lit.any() or bright[lit].min() <= 0:
        return None
    usual = np.median(profiles[lit] / bright[lit][:, None], axis=0)[None].astype(np.float32)
    dips = gap_likeness(usual, (5, 9), 0.0)[0].clip(0)
    return counted(dips)


def _across_cells(counts: FloatImage, lattice: Lattice) -> NDArray[np.float32]:
    """Return the light across some cells spread over the panel, mean along the string, shape (cells, samples)."""
    rows, columns = lattice.layout.grid_shape
    chosen = np.unique(np.linspace(0, rows * columns - 1, min(_BUSBAR_CELLS, rows * columns)).astype(int))
    row, column = np.divmod(chosen, columns)
    half = lattice.gaps[1] / 2
    v = row[:, None] + half + (1 - 2 * half) * (np.arange(_SAMPLES) + 0.5) / _SAMPLES
    u = lattice.columns_from[column][:, None] + np.linspace(0.15, 0.85, 24)
    shape = (chosen.size, 24, _SAMPLES)
    plane = np.stack([np.broadcast_to(u[:, :, None], shape), np.broadcast_to(v[:, None], shape)], axis=-1)
    points = lattice.to_file(plane).astype(np.float32).reshape(-1, _SAMPLES, 2)
    light = cv2.remap(counts, points[..., 0], points[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(light.reshape(shape).mean(axis=1), np.float32)
