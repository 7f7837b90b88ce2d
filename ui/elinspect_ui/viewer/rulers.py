"""Numbers of strings and positions along the panel, kept in sight at every zoom."""

import numpy as np
from PySide6.QtCore import QPointF
from PySide6.QtGui import QPainter

from elinspect.recipe import AddressScheme, write_address
from elinspect_ui.presenters.places import PanelPlaces
from elinspect_ui.theme import ON_PICTURE
from elinspect_ui.viewer.marks import draw_words
from elinspect_ui.viewer.viewport import Viewport


def draw_rulers(painter: QPainter, viewport: Viewport, places: PanelPlaces, scheme: AddressScheme, unit: float) -> None:
    """Write the string beside each string and the position above each column of cells.

    Parameters
    ----------
    painter : QPainter
        On the picture.
    viewport : Viewport
        What is on screen.
    places : PanelPlaces
        The cells.
    scheme : AddressScheme
        Numbers or letters, as the plant writes them.
    unit : float
        Size of text in screen pixels.
    """
    if not places.addresses:
        return
    centres = places.quads.mean(axis=1)
    _draw_strings(painter, viewport, places, centres, scheme, unit)
    _draw_positions(painter, viewport, places, centres, scheme, unit)


def _draw_strings(
    painter: QPainter,
    viewport: Viewport,
    places: PanelPlaces,
    centres: np.ndarray,
    scheme: AddressScheme,
    unit: float,
) -> None:
    strings = np.array([address.string for address in places.addresses])
    outline = viewport.to_screen(places.outline)
    middle = places.quads[..., 0].mean()
    half = np.ptp(places.quads[0, :, 0]) / 2
    goes_on = _goes_on(
        centres[:, 0], [address.position for address in places.addresses], (1, places.layout.cells_per_string)
    )
    for string in np.unique(strings):
        on_left = centres[strings == string, 0].mean() <= middle + half
        # Where the panel goes on into another picture, words would lie on cells.
        on_left = not on_left if goes_on == ((True, False) if on_left else (False, True)) else on_left
        y = float(viewport.to_screen(centres[strings == string].mean(axis=0, keepdims=True))[0, 1])
        if not 0 < y < viewport.height:
            continue
        text = write_address(scheme, int(string), None)
        width = painter.fontMetrics().horizontalAdvance(text)
        left = max(float(outline[:, 0].min()) - width - 0.5 * unit, 3.0)
        right = min(float(outline[:, 0].max()) + 0.5 * unit, viewport.width - width - 3)
        draw_words(painter, text, QPointF(left if on_left else right, y + 0.4 * unit), ON_PICTURE.soft)


def _draw_positions(
    painter: QPainter,
    viewport: Viewport,
    places: PanelPlaces,
    centres: np.ndarray,
    scheme: AddressScheme,
    unit: float,
) -> None:
    # The way strings are written, applied to the number of the position.
    positions = AddressScheme(strings=scheme.positions)
    half = np.ptp(places.quads[0, :, 1]) / 2
    outline = viewport.to_screen(places.outline)[:, 1]
    row, y = centres[:, 1] < centres[:, 1].min() + half, max(float(outline.min()) - 0.45 * unit, unit + 1)
    layout = places.layout
    edges = (1, layout.strings_per_block, layout.n_strings - layout.strings_per_block + 1, layout.n_strings)
    if _goes_on(centres[:, 1], [address.string for address in places.addresses], edges) == (True, False):
        row = centres[:, 1] > centres[:, 1].max() - half
        y = min(float(outline.max()) + 1.25 * unit, viewport.height - 0.45 * unit)
    last = -np.inf
    for index in np.flatnonzero(row)[np.argsort(centres[row, 0])]:
        x = float(viewport.to_screen(centres[index : index + 1])[0, 0])
        text = write_address(positions, places.addresses[index].position, None)
        width = painter.fontMetrics().horizontalAdvance(text)
        if 0 < x < viewport.width and x - width / 2 > last + 0.4 * unit:
            draw_words(painter, text, QPointF(x - width / 2, y), ON_PICTURE.soft)
            last = x + width / 2


def _goes_on(along: np.ndarray, number: list[int], ends: tuple[int, ...]) -> tuple[bool, bool]:
    """Whether the panel goes on into another picture before the first and after the last cells of this one.

    Parameters
    ----------
    along : ndarray, shape (n,)
        Where the middle of each cell lies in one direction.
    number : list of int
        The string, or position, of each cell.
    ends : tuple of int
        Strings, or positions, at the edges of the panel.
    """
    return number[int(np.argmin(along))] not in ends, number[int(np.argmax(along))] not in ends
