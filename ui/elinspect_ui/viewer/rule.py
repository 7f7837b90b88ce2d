"""A rule laid on the picture: two points, the distance between them in words. No Qt but the painting."""

from dataclasses import dataclass, replace

import numpy as np
from PySide6.QtCore import QPointF
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen

from elinspect.catalogue import words
from elinspect_ui.presenters.places import PanelPlaces
from elinspect_ui.theme import ON_PICTURE
from elinspect_ui.viewer.marks import HALO, draw_words, thickness
from elinspect_ui.viewer.viewport import Viewport

_Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Rule:
    """Two points (x, y) of the gate view; nothing is measured before both are set.

    Attributes
    ----------
    start, end : (x, y) or None
        Where it begins and ends.
    laid : bool
        Whether the end has been set.
    """

    start: _Point | None = None
    end: _Point | None = None
    laid: bool = False

    def pressed(self, point: _Point) -> "Rule":
        """Return the rule after the button went down: a new one, or the end of one begun by a click."""
        if self.start is not None and not self.laid and self.start != point:
            return replace(self, end=point, laid=True)
        return Rule(point, point)

    def moved(self, point: _Point) -> "Rule":
        """Return the rule after the pointer moved."""
        return self if self.start is None or self.laid else replace(self, end=point)

    def released(self, point: _Point, smallest: float) -> "Rule":
        """Return the rule after the button went up; a click, shorter than `smallest`, waits for the second point."""
        if self.start is None or self.laid:
            return self
        far = np.hypot(point[0] - self.start[0], point[1] - self.start[1]) >= smallest
        return replace(self, end=point, laid=bool(far))

    def words(self, places: PanelPlaces, mm_per_px: float | None) -> str:
        """Return the length in mm, or in sides of a cell where its size is not known; '' without a length."""
        if self.start is None or self.end is None or self.start == self.end:
            return ""
        length = float(np.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1]))
        if mm_per_px is not None:
            return words("desktop.rule.mm", value=length * mm_per_px)
        if not len(places.quads):
            return ""
        side = float(np.hypot(*(places.quads[:, 1] - places.quads[:, 0]).T).mean())
        return words("desktop.rule.cells", value=length / side)

    def paint(self, painter: QPainter, viewport: Viewport, text: str, unit: float) -> None:
        """Draw it with its length beside the middle."""
        if self.start is None or self.end is None:
            return
        (x0, y0), (x1, y1) = viewport.to_screen(np.array([self.start, self.end]))
        path = QPainterPath(QPointF(x0, y0))
        path.lineTo(x1, y1)
        length = max(float(np.hypot(x1 - x0, y1 - y0)), 1e-6)
        across = np.array([-(y1 - y0), x1 - x0]) / length * 0.6 * unit
        for x, y in ((x0, y0), (x1, y1)):
            path.moveTo(x - across[0], y - across[1])
            path.lineTo(x + across[0], y + across[1])
        thick = thickness(unit)
        painter.strokePath(path, QPen(QColor(HALO), 4.5 * thick))
        painter.strokePath(path, QPen(QColor(ON_PICTURE.current), 2 * thick))
        if text:
            place = QPointF((x0 + x1) / 2 + 0.8 * unit, (y0 + y1) / 2 - 0.8 * unit)
            draw_words(painter, text, place, ON_PICTURE.current)
