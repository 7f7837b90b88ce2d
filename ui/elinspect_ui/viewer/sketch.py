"""An outline being drawn: a box dragged, or a line set point by point."""

from dataclasses import dataclass, replace

import numpy as np
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen

from elinspect.records import Kind, Points
from elinspect_ui.theme import ON_PICTURE
from elinspect_ui.viewer.marks import HALO
from elinspect_ui.viewer.viewport import Viewport

_Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Sketch:
    """What has been drawn so far, in the gate view.

    Attributes
    ----------
    kind : Kind
        What it will be.
    closed : bool
        True for a box, false for a line.
    points : tuple of (x, y)
        Corner the box was begun at, or the points of the line.
    pointer : (x, y) or None
        Where the pointer is.
    complete : bool
        Whether the box has been drawn.
    """

    kind: Kind
    closed: bool
    points: tuple[_Point, ...] = ()
    pointer: _Point | None = None
    complete: bool = False

    def pressed(self, point: _Point) -> "Sketch":
        """Return the sketch after the button went down at a point."""
        return replace(self, points=(point,) if self.closed else (*self.points, point), pointer=point)

    def moved(self, point: _Point) -> "Sketch":
        """Return the sketch after the pointer moved."""
        return replace(self, pointer=point)

    def released(self, point: _Point, smallest: float) -> "Sketch":
        """Return the sketch after the button went up; a box smaller than `smallest` is forgotten."""
        if not self.closed or not self.points:
            return replace(self, pointer=point)
        (left, top), (right, bottom) = self.points[0], point
        if abs(right - left) < smallest or abs(bottom - top) < smallest:
            return replace(self, points=(), pointer=point)
        return replace(self, points=(self.points[0], point), pointer=point, complete=True)

    def without_last(self) -> "Sketch":
        """Return the sketch without its last point."""
        return replace(self, points=self.points[:-1])

    def outline(self) -> Points | None:
        """Return what was drawn, shape (m, 2); None if it is no outline yet."""
        distinct = list(dict.fromkeys(self.points))
        if len(distinct) < 2:
            return None
        if not self.closed:
            return np.array(distinct)
        (x0, y0), (x1, y1) = distinct[0], distinct[1]
        left, right, top, bottom = min(x0, x1), max(x0, x1), min(y0, y1), max(y0, y1)
        return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])

    def paint(self, painter: QPainter, viewport: Viewport) -> None:
        """Draw it on screen."""
        points = list(self.points)
        if self.pointer is not None and points and not self.complete:
            points.append(self.pointer)
        if not points:
            return
        screen = [QPointF(float(x), float(y)) for x, y in viewport.to_screen(np.array(points))]
        path = QPainterPath(screen[0])
        if self.closed and len(screen) > 1:
            path.lineTo(screen[1].x(), screen[0].y())
            path.lineTo(screen[1])
            path.lineTo(screen[0].x(), screen[1].y())
            path.closeSubpath()
        else:
            for point in screen[1:]:
                path.lineTo(point)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.strokePath(path, QPen(QColor(HALO), 4))
        painter.strokePath(path, QPen(QColor(ON_PICTURE.added), 2))
        for point in screen if not self.closed else screen[:1]:
            painter.fillRect(int(point.x()) - 3, int(point.y()) - 3, 7, 7, QColor(ON_PICTURE.added))
