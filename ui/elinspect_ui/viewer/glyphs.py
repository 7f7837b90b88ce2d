"""Small drawings: one per kind of flag and one per standing, so that nothing is told by colour alone."""

from collections.abc import Callable

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QIcon, QPainter, QPainterPath, QPen, QPixmap

from elinspect.records import Kind
from elinspect_ui.presenters.flag_lines import Standing

BOX = 16.0
"""All drawings fit a square of this side."""


def _lines(*strokes: tuple[tuple[float, float], ...]) -> QPainterPath:
    path = QPainterPath()
    for stroke in strokes:
        path.moveTo(*stroke[0])
        for point in stroke[1:]:
            path.lineTo(*point)
    return path


def _boxes(*boxes: tuple[float, float, float, float]) -> QPainterPath:
    path = QPainterPath()
    for box in boxes:
        path.addRect(QRectF(*box))
    return path


def _crack() -> QPainterPath:
    return _lines(((2, 3), (7, 6), (6, 10), (14, 13)), ((7, 6), (12, 3)))


def _inactive_area() -> QPainterPath:
    path = _boxes((2, 2, 12, 12))
    path.addPath(_lines(((2, 8), (8, 2)), ((2, 14), (14, 2)), ((8, 14), (14, 8))))
    return path


def _dark_cell() -> QPainterPath:
    path = _boxes((2, 2, 12, 12))
    path.addPath(_lines(((5, 5), (11, 5)), ((5, 8), (11, 8)), ((5, 11), (11, 11))))
    return path


def _finger_interruption() -> QPainterPath:
    return _lines(((3, 2), (3, 14)), ((8, 2), (8, 5)), ((8, 11), (8, 14)), ((13, 2), (13, 14)))


def _solder_fault() -> QPainterPath:
    path = _lines(((1, 8), (5, 8)), ((11, 8), (15, 8)))
    path.addEllipse(QRectF(5, 5, 6, 6))
    return path


def _ribbon_offset() -> QPainterPath:
    return _boxes((1, 4, 8, 3), (7, 9, 8, 3))


def _chipped_cell() -> QPainterPath:
    return _lines(((2, 2), (9, 2), (10, 6), (14, 7), (14, 14), (2, 14), (2, 2)))


def _misplaced_cell() -> QPainterPath:
    return _lines(((5, 2), (14, 5), (11, 14), (2, 11), (5, 2)))


def _reversed_cell() -> QPainterPath:
    return _lines(((2, 5), (13, 5), (10, 2)), ((14, 11), (3, 11), (6, 14)))


def _foreign_body() -> QPainterPath:
    path = QPainterPath()
    path.addEllipse(QRectF(2, 2, 12, 12))
    path.addEllipse(QRectF(6.5, 6.5, 3, 3))
    return path


def _material_pattern() -> QPainterPath:
    path = QPainterPath()
    for inset in (1.5, 4.0, 6.5):
        path.addEllipse(QRectF(inset, inset, BOX - 2 * inset, BOX - 2 * inset))
    return path


def _dark_string() -> QPainterPath:
    return _boxes((1, 5, 4, 6), (6, 5, 4, 6), (11, 5, 4, 6))


def _bridged_string() -> QPainterPath:
    path = _boxes((1, 8, 4, 6), (6, 8, 4, 6), (11, 8, 4, 6))
    path.moveTo(3, 8)
    path.cubicTo(3, 1, 13, 1, 13, 8)
    return path


def _open_circuit() -> QPainterPath:
    path = _lines(((1, 11), (5, 11)), ((6, 10), (12, 4)), ((11, 11), (15, 11)))
    path.addEllipse(QRectF(4, 10, 2, 2))
    path.addEllipse(QRectF(10, 10, 2, 2))
    return path


def _bussing_joint_fault() -> QPainterPath:
    path = _lines(((1, 4), (15, 4)), ((8, 4), (8, 8)), ((8, 12), (8, 15)))
    path.addEllipse(QRectF(6, 8, 4, 4))
    return path


def _other() -> QPainterPath:
    path = QPainterPath()
    for left in (2.0, 6.5, 11.0):
        path.addEllipse(QRectF(left, 6.5, 3, 3))
    return path


_KINDS: dict[Kind, Callable[[], QPainterPath]] = {
    Kind.CRACK: _crack,
    Kind.INACTIVE_AREA: _inactive_area,
    Kind.DARK_CELL: _dark_cell,
    Kind.FINGER_INTERRUPTION: _finger_interruption,
    Kind.SOLDER_FAULT: _solder_fault,
    Kind.RIBBON_OFFSET: _ribbon_offset,
    Kind.CHIPPED_CELL: _chipped_cell,
    Kind.MISPLACED_CELL: _misplaced_cell,
    Kind.REVERSED_CELL: _reversed_cell,
    Kind.FOREIGN_BODY: _foreign_body,
    Kind.MATERIAL_PATTERN: _material_pattern,
    Kind.DARK_STRING: _dark_string,
    Kind.BRIDGED_STRING: _bridged_string,
    Kind.OPEN_CIRCUIT: _open_circuit,
    Kind.BUSSING_JOINT_FAULT: _bussing_joint_fault,
    Kind.OTHER: _other,
}

_STANDINGS: dict[Standing, tuple[tuple[tuple[float, float], ...], ...]] = {
    Standing.NEEDS_ANSWER: (((8, 2), (14.5, 13.5), (1.5, 13.5), (8, 2)), ((8, 6), (8, 9.5)), ((8, 11), (8, 12))),
    Standing.BELOW_LIMITS: (((3, 6), (8, 12), (13, 6)),),
    Standing.NOT_ANSWERED: (((3, 6), (8, 12), (13, 6)), ((3, 14), (13, 14))),
    Standing.CONFIRMED: (((2, 9), (6, 13), (14, 3)),),
    Standing.CHANGED: (((2, 11), (5, 13), (13, 5), (11, 3), (3, 10), (2, 14), (5, 13)),),
    Standing.DISMISSED: (((3, 3), (13, 13)), ((13, 3), (3, 13))),
    Standing.ADDED: (((8, 2), (8, 14)), ((2, 8), (14, 8))),
}


def kind_path(kind: Kind) -> QPainterPath:
    """Return the drawing of a kind, to be stroked."""
    return _KINDS[kind]()


def standing_path(standing: Standing) -> QPainterPath:
    """Return the drawing of a standing, to be stroked."""
    return _lines(*_STANDINGS[standing])


def draw_glyph(painter: QPainter, path: QPainterPath, place: QPointF, size: float, colour: str, halo: str) -> None:
    """Stroke a drawing with its top left corner at a place; a dark halo keeps it legible on any picture."""
    painter.save()
    painter.translate(place)
    painter.scale(size / BOX, size / BOX)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if halo:
        painter.strokePath(path, _pen(halo, 4.5))
    painter.strokePath(path, _pen(colour, 1.7))
    painter.restore()


def glyph_icon(path: QPainterPath, size: int, colour: str, pixel_ratio: float = 1.0) -> QIcon:
    """Return a drawing as an icon."""
    pixels = QPixmap(round(size * pixel_ratio), round(size * pixel_ratio))
    pixels.setDevicePixelRatio(pixel_ratio)
    pixels.fill(Qt.GlobalColor.transparent)
    painter = QPainter(pixels)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    draw_glyph(painter, path, QPointF(0, 0), size, colour, "")
    painter.end()
    return QIcon(pixels)


def _pen(colour: str, width: float) -> QPen:
    pen = QPen(QColor(colour), width)
    pen.setCapStyle(Qt.PenCapStyle.RoundCap)
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    return pen
