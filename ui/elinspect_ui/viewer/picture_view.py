"""The exposure on screen: painted by itself from the counts, with marks over it; zoom, pan, choose and draw."""

from collections.abc import Sequence

import numpy as np
from PySide6.QtCore import QPoint, QPointF, QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import (
    QColor,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QWidget

from elinspect.recipe import AddressScheme
from elinspect.records import Address, Kind, Points
from elinspect_ui.presenters.drawing import LINE_KINDS
from elinspect_ui.presenters.flag_lines import FlagLine
from elinspect_ui.theme import PICTURE_GROUND
from elinspect_ui.viewer.marks import CellMark, cell_marks, draw_cell_mark, draw_current, draw_outline
from elinspect_ui.viewer.picture import Contrast, Grey, Picture, render
from elinspect_ui.viewer.rulers import draw_rulers
from elinspect_ui.viewer.sketch import Sketch
from elinspect_ui.viewer.viewport import Viewport

_DRAG_PX = 4
_STEP = 1.25


class PictureView(QWidget):
    """Shows one exposure in the gate view.

    Parameters
    ----------
    scheme : AddressScheme
        How the rulers write strings and positions.
    parent : QWidget, optional
        Owner.

    Attributes
    ----------
    chosen : Signal
        A cell was clicked: its `Address`.
    drawn : Signal
        The inspector has drawn an outline: points (x, y) of the gate view, or None to take the selected cell.
    drawing_left : Signal
        The inspector left the drawing without a flag.
    shown : Signal
        The picture set last has been painted.
    """

    chosen = Signal(object)
    drawn = Signal(object)
    drawing_left = Signal()
    shown = Signal()

    def __init__(self, scheme: AddressScheme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._scheme = scheme
        self._picture: Picture | None = None
        self._table: Grey | None = None
        self._viewport = Viewport(1, 1)
        self._fitted = True
        self._lines: Sequence[FlagLine] = ()
        self._marks: tuple[CellMark, ...] = ()
        self._current: str | None = None
        self._selected: Address | None = None
        self._marks_shown = True
        self._rendered: tuple[tuple[object, ...], QImage] | None = None
        self._unpainted = False
        self._sketch: Sketch | None = None
        self._press: QPoint | None = None
        self._dragged = False
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setMinimumSize(240, 160)

    # What is shown

    @property
    def picture(self) -> Picture | None:
        """The picture on screen."""
        return self._picture

    @property
    def viewport(self) -> Viewport:
        """What part of it is on screen."""
        return self._viewport

    @property
    def selected(self) -> Address | None:
        """The selected cell."""
        return self._selected

    @property
    def marks_shown(self) -> bool:
        """Whether marks are drawn over the picture."""
        return self._marks_shown

    @property
    def drawing(self) -> Kind | None:
        """The kind being drawn; None while nothing is."""
        return self._sketch.kind if self._sketch is not None else None

    def set_picture(self, picture: Picture | None) -> None:
        """Show a picture, all of it, or none."""
        self._picture = picture
        self._selected = self._current = None
        self.leave_drawing()
        self._unpainted = picture is not None
        self._rendered = None
        if picture is not None:
            self._table = picture.automatic.table()
            self.fit()
        self.update()

    def set_contrast(self, contrast: Contrast) -> None:
        """Show the picture with another contrast."""
        self._table = contrast.table()
        self._rendered = None
        self.update()

    def set_lines(self, lines: Sequence[FlagLine], current: str | None) -> None:
        """Mark flags; the current one is also selected."""
        moved = current != self._current
        self._lines, self._current = lines, current
        self._marks = cell_marks(lines)
        line = self._current_line()
        if moved and line is not None and line.flag.string is not None and line.flag.position is not None:
            self._selected = Address(line.flag.string, line.flag.position)
            self._follow(self._selected)
        self.update()

    def show_marks(self, shown: bool) -> None:
        """Draw marks over the picture, or only the picture."""
        self._marks_shown = shown
        self.update()

    def select(self, address: Address | None) -> None:
        """Select a cell."""
        self._selected = address
        self.update()

    def step_selection(self, right: int, down: int) -> None:
        """Select the next cell in a direction; the first one where none is selected."""
        if self._picture is None or not self._picture.places.addresses:
            return
        places = self._picture.places
        if self._selected is None:
            self._selected = places.nearest_cell(float(places.quads[..., 0].min()), float(places.quads[..., 1].min()))
        else:
            self._selected = places.neighbour(self._selected, right, down)
        self._follow(self._selected)
        self.update()

    # Zoom

    def fit(self) -> None:
        """Show the whole panel."""
        if self._picture is None:
            return
        margin = 2.2 * self._unit() if self._picture.places.addresses else 4
        self._fitted = True
        self._look(self._viewport.fitted(self._picture.places.outline, margin))

    def zoom(self, factor: float, at: QPointF | None = None) -> None:
        """Enlarge about a point of the screen, or the middle."""
        if self._picture is None:
            return
        x, y = (at.x(), at.y()) if at is not None else (self.width() / 2, self.height() / 2)
        smallest = 0.5 * self._viewport.fitted(self._picture.places.outline).scale
        self._fitted = False
        self._look(self._viewport.zoomed(factor, x, y, smallest))

    def true_pixels(self) -> None:
        """Show one pixel of the camera on one of the screen."""
        self.zoom(1.0 / (self._viewport.scale * self.devicePixelRatioF()))

    def zoom_to(self, points: Points, share: float = 0.4) -> None:
        """Enlarge points (x, y) of the gate view to a share of the screen."""
        if self._picture is None:
            return
        margin = (1 - share) / 2 * min(self.width(), self.height())
        self._fitted = False
        self._look(self._viewport.fitted(points, margin))

    def _follow(self, address: Address | None) -> None:
        """Bring a cell to the middle, at the same scale, where an enlarged picture does not show all of it."""
        if self._picture is None or self._fitted or address is None:
            return
        index = self._picture.places.index_of(address)
        if index is None:
            return
        box = self._screen_box(self._picture.places.quads[index])
        if not QRectF(self.rect()).contains(box):
            middle = box.center()
            self._look(self._viewport.moved(self.width() / 2 - middle.x(), self.height() / 2 - middle.y()))

    def _look(self, viewport: Viewport) -> None:
        assert self._picture is not None
        self._viewport = viewport.kept_on(self._picture.places.width_px, self._picture.places.height_px)
        self.update()

    # Drawing a flag

    def draw_flag(self, kind: Kind) -> None:
        """Begin to draw a flag of a kind: a line for `LINE_KINDS`, else a box."""
        self._sketch = Sketch(kind, closed=kind not in LINE_KINDS)
        self.setCursor(Qt.CursorShape.CrossCursor)
        self.setFocus()
        self.update()

    def leave_drawing(self) -> None:
        """Stop drawing."""
        if self._sketch is not None:
            self._sketch = None
            self.unsetCursor()
            self.update()
            self.drawing_left.emit()

    def finish_drawing(self) -> None:
        """Take what is drawn as the flag's outline; with nothing drawn, the selected cell."""
        if self._sketch is None:
            return
        outline = self._sketch.outline()
        self._sketch = None
        self.unsetCursor()
        self.update()
        self.drawn.emit(outline)

    # Qt's events

    def sizeHint(self) -> QSize:
        return QSize(900, 560)

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(PICTURE_GROUND))
        if self._picture is None or self._table is None:
            return
        painter.drawImage(0, 0, self._image(self._picture, self._table))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._paint_marks(painter, self._picture)
        if self._sketch is not None:
            self._sketch.paint(painter, self._viewport)
        painter.end()
        if self._unpainted:
            self._unpainted = False
            QTimer.singleShot(0, self.shown.emit)

    def resizeEvent(self, event: QResizeEvent) -> None:
        self._viewport = self._viewport.resized(self.width(), self.height())
        if self._fitted:
            self.fit()
        super().resizeEvent(event)

    def wheelEvent(self, event: QWheelEvent) -> None:
        self.zoom(_STEP ** (event.angleDelta().y() / 120), event.position())
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self._press, self._dragged = event.position().toPoint(), False
        if self._sketch is not None:
            if event.button() is Qt.MouseButton.RightButton:
                self._sketch = self._sketch.without_last()
            elif event.button() is Qt.MouseButton.LeftButton:
                self._sketch = self._sketch.pressed(self._gate_point(event))
            self.update()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._sketch is not None:
            self._sketch = self._sketch.moved(self._gate_point(event))
            self.update()
            return
        if self._press is None or not event.buttons() & Qt.MouseButton.LeftButton or self._picture is None:
            return
        moved = event.position().toPoint() - self._press
        if self._dragged or moved.manhattanLength() > _DRAG_PX:
            self._dragged, self._fitted = True, False
            self._press = event.position().toPoint()
            self._look(self._viewport.moved(moved.x(), moved.y()))

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        press, self._press = self._press, None
        if event.button() is not Qt.MouseButton.LeftButton or press is None or self._picture is None:
            return
        if self._sketch is not None:
            self._sketch = self._sketch.released(self._gate_point(event), _DRAG_PX / self._viewport.scale)
            self.update()
            if self._sketch.complete:
                self.finish_drawing()
        elif not self._dragged:
            address = self._picture.places.cell_at(*self._gate_point(event))
            if address is not None:
                self.select(address)
                self.chosen.emit(address)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        if self._sketch is not None:
            self.finish_drawing()
            return
        if self._picture is None:
            return
        address = self._picture.places.cell_at(*self._gate_point(event))
        index = self._picture.places.index_of(address) if address is not None else None
        if index is None or not self._fitted:
            self.fit()
        else:
            self.zoom_to(self._picture.places.quads[index], 0.8)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if self._sketch is not None and event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.finish_drawing()
        elif self._sketch is not None and event.key() == Qt.Key.Key_Escape:
            self.leave_drawing()
        else:
            super().keyPressEvent(event)

    # Painting

    def _image(self, picture: Picture, table: Grey) -> QImage:
        ratio = self.devicePixelRatioF()
        width, height = max(1, round(self.width() * ratio)), max(1, round(self.height() * ratio))
        key = (id(picture), id(table), self._viewport, ratio)
        if self._rendered is not None and self._rendered[0] == key:
            return self._rendered[1]
        matrix = np.diag([ratio, ratio, 1.0]) @ self._viewport.screen_from_gate()
        grey = np.ascontiguousarray(render(picture, matrix, width, height, table))
        image = QImage(grey.data, width, height, width, QImage.Format.Format_Grayscale8).copy()
        image.setDevicePixelRatio(ratio)
        self._rendered = (key, image)
        return image

    def _paint_marks(self, painter: QPainter, picture: Picture) -> None:
        unit = self._unit()
        places = picture.places
        draw_rulers(painter, self._viewport, places, self._scheme, unit)
        line = self._current_line()
        if self._marks_shown:
            for mark in self._marks:
                index = places.index_of(mark.address)
                if index is not None:
                    draw_cell_mark(painter, mark, self._viewport.to_screen(places.quads[index]), unit)
            self._paint_outlines(painter, picture, line)
        self._paint_brackets(painter, picture, line)

    def _paint_outlines(self, painter: QPainter, picture: Picture, current: FlagLine | None) -> None:
        """Outlines are drawn when cells are large enough to tell them from the cell's own mark."""
        large = self._cell_size(picture) > 130
        for line in self._lines:
            is_current = current is not None and line.flag.id == current.flag.id
            if not (large or is_current) or (line.flag.position is not None and not self._visible(picture, line)):
                continue
            points = self._on_screen(picture, line)
            gap = float(np.clip(0.02 * self._cell_size(picture), 3.0, 14.0))
            draw_outline(painter, line, points, gap, 2.2 if is_current else 1.3)

    def _paint_brackets(self, painter: QPainter, picture: Picture, line: FlagLine | None) -> None:
        index = picture.places.index_of(self._selected) if self._selected is not None else None
        if index is not None:
            draw_current(painter, self._screen_box(picture.places.quads[index]).adjusted(-4, -4, 4, 4))
        elif line is not None and line.flag.position is None:
            box = self._screen_box(picture.places.to_gate(np.array(line.flag.outline_px)))
            draw_current(painter, box.adjusted(-5, -5, 5, 5))

    def _current_line(self) -> FlagLine | None:
        return next((line for line in self._lines if line.flag.id == self._current), None)

    def _on_screen(self, picture: Picture, line: FlagLine) -> Points:
        outline = np.array(line.flag.outline_px, dtype=np.float64).reshape(-1, 2)
        return self._viewport.to_screen(picture.places.to_gate(outline))

    def _visible(self, picture: Picture, line: FlagLine) -> bool:
        points = self._on_screen(picture, line)
        if len(points) == 0:
            return False
        (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
        return bool(right >= 0 and bottom >= 0 and left <= self.width() and top <= self.height())

    def _cell_size(self, picture: Picture) -> float:
        quads = picture.places.quads
        return float(np.ptp(quads[0, :, 1])) * self._viewport.scale if len(quads) else 0.0

    def _screen_box(self, points: Points) -> QRectF:
        screen = self._viewport.to_screen(points)
        (left, top), (right, bottom) = screen.min(axis=0), screen.max(axis=0)
        return QRectF(left, top, right - left, bottom - top)

    def _gate_point(self, event: QMouseEvent) -> tuple[float, float]:
        return self._viewport.to_gate(event.position().x(), event.position().y())

    def _unit(self) -> float:
        return float(self.fontMetrics().height()) * 0.8
