"""What is drawn over the exposure: outlines beside what they mark, never over it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPainterPath, QPainterPathStroker, QPen, QPolygonF

from elinspect.catalogue import words
from elinspect.records import Address, Points
from elinspect.vision import cv2
from elinspect_ui.presenters.drawing import LINE_KINDS
from elinspect_ui.presenters.flag_lines import GRAVITY, FlagLine, Standing
from elinspect_ui.theme import ON_PICTURE, standing_colour
from elinspect_ui.viewer.glyphs import draw_glyph, kind_path, standing_path

HALO = "#0b0c0e"
_PLATE = (11, 12, 14, 170)
"""Red, green, blue, opacity behind words on a cell: legible on the brightest one, which still shines through."""
_USUAL_UNIT_PX = 12.4
_AROUND = ((-1.3, -1.3), (1.3, -1.3), (1.3, 1.3), (-1.3, 1.3), (0.0, 1.6), (0.0, -1.6))
_QUIET = frozenset({Standing.BELOW_LIMITS, Standing.DISMISSED, Standing.NOT_ANSWERED})
"""Standings that ask nothing of the inspector: drawn thin, so that a hundred of them do not hide one that does."""
_ROOM_FOR_QUIET_PX = 130
_DASHES: dict[Standing, list[float]] = {
    Standing.BELOW_LIMITS: [5.0, 3.0],
    Standing.NOT_ANSWERED: [5.0, 3.0],
    Standing.DISMISSED: [1.5, 3.0],
}


@dataclass(frozen=True, slots=True)
class CellMark:
    """What the picture shows about one cell.

    Attributes
    ----------
    address : Address
        The cell.
    line : FlagLine
        The flag it shows: the one that asks most of the inspector.
    further : int
        Other flags of the cell.
    """

    address: Address
    line: FlagLine
    further: int


def cell_marks(lines: Sequence[FlagLine]) -> tuple[CellMark, ...]:
    """Return one mark per flagged cell; doubtful flags mark none."""
    by_cell: dict[Address, list[FlagLine]] = {}
    for line in lines:
        if line.flag.string is not None and line.flag.position is not None and not line.flag.doubtful:
            by_cell.setdefault(Address(line.flag.string, line.flag.position), []).append(line)
    return tuple(
        CellMark(address, min(found, key=lambda line: GRAVITY[line.standing]), len(found) - 1)
        for address, found in by_cell.items()
    )


def polygon(points: Points) -> QPolygonF:
    """Return points (x, y) as Qt draws them."""
    return QPolygonF([QPointF(float(x), float(y)) for x, y in points])


def pen_for(line: FlagLine, width: float) -> QPen:
    """Return the pen of a flag: colour and dashes say the same."""
    pen = QPen(QColor(standing_colour(ON_PICTURE, line.standing, line.above)), width)
    if line.standing in _DASHES:
        pen.setDashPattern(_DASHES[line.standing])
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    return pen


def draw_cell_mark(painter: QPainter, mark: CellMark, quad: Points, unit: float) -> None:
    """Draw the outline of a flagged cell, its standing and, where there is room, its kind.

    Parameters
    ----------
    painter : QPainter
        On the picture, in screen pixels.
    mark : CellMark
        What to show.
    quad : ndarray, shape (4, 2)
        Corners of the cell on screen.
    unit : float
        Size of text in screen pixels.
    """
    shape = polygon(quad)
    loud = mark.line.standing not in _QUIET
    thick = thickness(unit)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if loud:
        painter.setPen(QPen(QColor(HALO), 4.4 * thick))
        painter.drawPolygon(shape)
    painter.setPen(pen_for(mark.line, (2.4 if loud else 1.0) * thick))
    painter.drawPolygon(shape)
    side = float(np.ptp(quad[:, 1]))
    size = min(unit * (1.05 if loud else 0.8), 0.22 * side)
    if size < 7:
        return
    colour = standing_colour(ON_PICTURE, mark.line.standing, mark.line.above)
    left, top = quad.min(axis=0) + 0.35 * size
    draw_glyph(painter, standing_path(mark.line.standing), QPointF(left, top), size, colour, HALO)
    if not loud and side < _ROOM_FOR_QUIET_PX:
        return
    if left + 2.6 * size > float(quad[:, 0].max()):  # a narrow cell: the kind stands below
        draw_glyph(painter, kind_path(mark.line.flag.kind), QPointF(left, top + 1.35 * size), size, colour, HALO)
        return
    draw_glyph(painter, kind_path(mark.line.flag.kind), QPointF(left + 1.35 * size, top), size, colour, HALO)
    _draw_words(painter, mark, quad, QPointF(left + 2.9 * size, top + size * 0.92), colour)


def draw_unjudged(painter: QPainter, quad: Points, unit: float) -> None:
    """Strike a cell through that could not be judged, so that nobody takes it for a clean one, and say so.

    Parameters
    ----------
    painter : QPainter
        On the picture, in screen pixels.
    quad : ndarray, shape (4, 2)
        Corners of the cell on screen.
    unit : float
        Size of text in screen pixels.
    """
    for colour, width in ((HALO, 4.4), (ON_PICTURE.warning, 1.6)):
        painter.setPen(QPen(QColor(colour), width * thickness(unit)))
        for one, other in ((0, 2), (1, 3)):
            painter.drawLine(*(QPointF(*quad[corner]) for corner in (one, other)))
    text, middle = words("desktop.cell_not_judged"), quad.mean(axis=0)
    box = QFontMetricsF(painter.font()).boundingRect(text)
    if box.width() + unit < float(np.ptp(quad[:, 0])):
        plate = box.translated(QPointF(*middle) - box.center())
        painter.fillRect(plate.adjusted(-3, -1, 3, 1), QColor(HALO))
        painter.drawText(QPointF(*middle) - box.center(), text)


def _draw_words(painter: QPainter, mark: CellMark, quad: Points, place: QPointF, colour: str) -> None:
    text = mark.line.kind + (f" +{mark.further}" if mark.further else "")
    room = float(quad[:, 0].max()) - place.x() - 4
    if QFontMetricsF(painter.font()).horizontalAdvance(text) > room:
        text = f"+{mark.further}" if mark.further else ""
    metrics = QFontMetricsF(painter.font())
    if text and metrics.horizontalAdvance(text) <= room:
        plate = metrics.boundingRect(text).translated(place).adjusted(-3, -1, 3, 1)
        painter.fillRect(plate, QColor(*_PLATE))
        painter.setPen(QColor(colour))
        painter.drawText(place, text)


def draw_words(painter: QPainter, text: str, place: QPointF, colour: str) -> None:
    """Write text with a dark halo, its baseline starting at a place."""
    painter.setPen(QColor(HALO))
    for right, down in _AROUND:  # ten times as fast as stroking the text's outline
        painter.drawText(place + QPointF(right, down), text)
    painter.setPen(QColor(colour))
    painter.drawText(place, text)


def draw_outline(painter: QPainter, line: FlagLine, points: Points, gap: float, width: float) -> None:
    """Draw the outline of a flag: a band beside a line, a border around an area.

    Parameters
    ----------
    painter : QPainter
        On the picture, in screen pixels.
    line : FlagLine
        The flag.
    points : ndarray, shape (m, 2)
        Its outline on screen.
    gap : float
        Distance of a band from the line it marks.
    width : float
        Of the pen.
    """
    if len(points) == 0:
        return
    shape = _band(points, gap) if line.flag.kind in LINE_KINDS or len(points) < 3 else _border(points, gap)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.strokePath(shape, QPen(QColor(HALO), width + 1.6))
    painter.strokePath(shape, pen_for(line, width))


def _band(points: Points, gap: float) -> QPainterPath:
    stroker = QPainterPathStroker()
    stroker.setWidth(2 * gap)
    stroker.setCapStyle(Qt.PenCapStyle.RoundCap)
    stroker.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    path = QPainterPath()
    path.addPolygon(polygon(_thinned(points, gap / 3)))
    return stroker.createStroke(path).simplified()


def _border(points: Points, gap: float) -> QPainterPath:
    path = QPainterPath()
    path.addPolygon(polygon(_thinned(points, gap / 3)))
    path.closeSubpath()
    if len(points) > 400:
        return path
    stroker = QPainterPathStroker()
    stroker.setWidth(gap)
    stroker.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    return stroker.createStroke(path).united(path).simplified()


def _thinned(points: Points, distance: float) -> Points:
    """Leave out points that lie within a distance of the line without them: drawn in no time, and not wavy."""
    thinned = cv2.approxPolyDP(points.astype(np.float32).reshape(-1, 1, 2), distance, closed=False)
    return np.asarray(thinned, dtype=np.float64).reshape(-1, 2)


def thickness(unit: float) -> float:
    """Return the factor for the width of lines where text has a given size: a large screen gets thicker ones."""
    return max(1.0, unit / _USUAL_UNIT_PX)


def draw_current(painter: QPainter, box: QRectF, unit: float) -> None:
    """Draw the four corner brackets around what is chosen."""
    thick = thickness(unit)
    box = box.adjusted(-4 * thick, -4 * thick, 4 * thick, 4 * thick)
    arm = max(8.0, min(box.width(), box.height()) * 0.22)
    corners = (
        (box.topLeft(), 1, 1),
        (box.topRight(), -1, 1),
        (box.bottomRight(), -1, -1),
        (box.bottomLeft(), 1, -1),
    )
    path = QPainterPath()
    for corner, right, down in corners:
        path.moveTo(corner + QPointF(right * arm, 0))
        path.lineTo(corner)
        path.lineTo(corner + QPointF(0, down * arm))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.strokePath(path, QPen(QColor(HALO), 6 * thick))
    painter.strokePath(path, QPen(QColor(ON_PICTURE.current), 3 * thick))
