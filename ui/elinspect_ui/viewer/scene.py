"""What is on the picture at one moment, and the painter that draws no more of it anew than changed."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QRectF
from PySide6.QtGui import QFont, QFontMetricsF, QImage, QPainter

from elinspect.recipe import AddressScheme
from elinspect.records import Address, Points
from elinspect_ui.presenters.flag_lines import FlagLine
from elinspect_ui.viewer.marks import (
    cell_marks,
    draw_cell_mark,
    draw_current,
    draw_outline,
    draw_unjudged,
    thickness,
)
from elinspect_ui.viewer.picture import Grey, Picture, render
from elinspect_ui.viewer.rulers import draw_rulers
from elinspect_ui.viewer.viewport import Viewport

_LARGE_CELL_PX = 130
"""From this size of a cell on screen the outlines of all flags are drawn: below they would only hide it."""


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Everything the picture shows.

    Attributes
    ----------
    picture : Picture
        The exposure.
    table : ndarray of uint8, shape (65536,)
        Grey of every step.
    viewport : Viewport
        What part of it is on screen.
    ratio : float
        Pixels of the screen per pixel of Qt.
    lines : sequence of FlagLine
        The flags; none where marks are switched off.
    current : str or None
        Id of the current flag.
    selected : Address or None
        The selected cell.
    scheme : AddressScheme
        How strings and positions are written.
    font : QFont
        Of all words.
    """

    picture: Picture
    table: Grey
    viewport: Viewport
    ratio: float
    lines: Sequence[FlagLine]
    current: str | None
    selected: Address | None
    scheme: AddressScheme
    font: QFont

    @property
    def line(self) -> FlagLine | None:
        """The current flag."""
        return next((line for line in self.lines if line.flag.id == self.current), None)

    @property
    def unit(self) -> float:
        """Size of text in pixels of Qt."""
        return QFontMetricsF(self.font).height() * 0.8

    def outline(self, line: FlagLine) -> Points:
        """Return the outline of a flag on screen."""
        outline = np.array(line.flag.outline_px, dtype=np.float64).reshape(-1, 2)
        return self.viewport.to_screen(self.picture.places.to_gate(outline))

    def cell_size(self) -> float:
        """Return the height of a cell on screen; 0 without cells."""
        quads = self.picture.places.quads
        return float(np.ptp(quads[0, :, 1])) * self.viewport.scale if len(quads) else 0.0

    def is_visible(self, points: Points) -> bool:
        """Return whether points of the screen, shape (n, 2), may be seen."""
        if len(points) == 0:
            return False
        (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
        return bool(right >= 0 and bottom >= 0 and left <= self.viewport.width and top <= self.viewport.height)


class ScenePainter:
    """Paints scenes and keeps the layers that stay: the exposure, and the exposure with its marks."""

    def __init__(self) -> None:
        self._exposure: tuple[Scene, QImage] | None = None
        self._marked: tuple[Scene, QImage] | None = None

    def paint(self, painter: QPainter, scene: Scene) -> None:
        """Paint a scene from the top left corner."""
        painter.drawImage(0, 0, self._with_marks(scene))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        line = scene.line
        if line is not None:
            draw_outline(painter, line, scene.outline(line), _gap(scene), 2.2 * thickness(scene.unit))
        _paint_brackets(painter, scene, line)

    def _with_marks(self, scene: Scene) -> QImage:
        if self._marked is not None and _same_marks(self._marked[0], scene):
            return self._marked[1]
        image = self._exposed(scene).copy()
        painter = QPainter(image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(scene.font)
        draw_rulers(painter, scene.viewport, scene.picture.places, scene.scheme, scene.unit)
        _paint_marks(painter, scene)
        painter.end()
        self._marked = (scene, image)
        return image

    def _exposed(self, scene: Scene) -> QImage:
        if self._exposure is not None and _same_exposure(self._exposure[0], scene):
            return self._exposure[1]
        width = max(1, round(scene.viewport.width * scene.ratio))
        height = max(1, round(scene.viewport.height * scene.ratio))
        matrix = np.diag([scene.ratio, scene.ratio, 1.0]) @ scene.viewport.screen_from_gate()
        grey = np.ascontiguousarray(render(scene.picture, matrix, width, height, scene.table))
        image = QImage(grey.data, width, height, width, QImage.Format.Format_Grayscale8)
        image = image.convertToFormat(QImage.Format.Format_RGB32)
        image.setDevicePixelRatio(scene.ratio)
        self._exposure = (scene, image)
        return image


def _same_exposure(one: Scene, other: Scene) -> bool:
    same = one.picture is other.picture and one.table is other.table
    return same and (one.viewport, one.ratio) == (other.viewport, other.ratio)


def _same_marks(one: Scene, other: Scene) -> bool:
    return _same_exposure(one, other) and one.lines is other.lines and one.font == other.font


def _gap(scene: Scene) -> float:
    return float(np.clip(0.02 * scene.cell_size(), 3.0, 14.0)) * thickness(scene.unit)


def _paint_marks(painter: QPainter, scene: Scene) -> None:
    places = scene.picture.places
    for number in places.unjudged:
        struck = scene.viewport.to_screen(places.quads[number])
        if scene.is_visible(struck):
            draw_unjudged(painter, struck, scene.unit)
    for mark in cell_marks(scene.lines):
        index = places.index_of(mark.address)
        quad = scene.viewport.to_screen(places.quads[index]) if index is not None else None
        if quad is not None and scene.is_visible(quad):
            draw_cell_mark(painter, mark, quad, scene.unit)
    if scene.cell_size() < _LARGE_CELL_PX:
        return
    for line in scene.lines:
        if line.flag.doubtful:
            continue  # drawn where it is the current one
        points = scene.outline(line)
        if scene.is_visible(points):
            draw_outline(painter, line, points, _gap(scene), 1.3 * thickness(scene.unit))


def _paint_brackets(painter: QPainter, scene: Scene, line: FlagLine | None) -> None:
    places = scene.picture.places
    index = places.index_of(scene.selected) if scene.selected is not None else None
    if index is not None:
        draw_current(painter, box_of(scene.viewport.to_screen(places.quads[index])), scene.unit)
    elif line is not None and line.flag.position is None:
        draw_current(painter, box_of(scene.outline(line)), scene.unit)


def box_of(points: Points) -> QRectF:
    """Return the box around points of the screen, shape (n, 2)."""
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return QRectF(left, top, right - left, bottom - top)
