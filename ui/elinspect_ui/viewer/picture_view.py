"""The exposure on screen: painted by itself from the counts, with marks over it; zoom, pan, choose and draw."""

from collections.abc import Sequence
from dataclasses import replace

from PySide6.QtCore import QPoint, QPointF, QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import (
    QColor,
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
from elinspect_ui.viewer.picture import Contrast, Grey, Picture
from elinspect_ui.viewer.pinch import Pinch
from elinspect_ui.viewer.rule import Rule
from elinspect_ui.viewer.scene import Scene, ScenePainter, box_of
from elinspect_ui.viewer.seen import SeenCells
from elinspect_ui.viewer.sketch import Sketch
from elinspect_ui.viewer.typical import aligned
from elinspect_ui.viewer.viewport import Viewport

_DRAG_PX = 4
_SAME_PLACE_PX = 30
"""A second click within so much is a double click: a finger in a glove does not hit the same place twice."""
_STEP = 1.25
_CLOSE_SCALE = 5.0
"""Screen pixels per camera pixel at most when zooming to a flag: a small one still shows what is around it."""


class PictureView(QWidget):
    """Shows one exposure in the gate view; of a panel of several, each cell in the one in which it was judged.

    Parameters
    ----------
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
        The pictures set last: the first has been painted.
    turned : Signal
        Another picture of the panel is in front.
    looked : Signal
        More of the panel has been on screen: how many cells have not yet been, each whole and from the camera's own
        pixels.
    measured : Signal
        The rule was laid, or taken off: its length in words, or ''.
    """

    chosen = Signal(object)
    drawn = Signal(object)
    drawing_left = Signal()
    shown = Signal()
    turned = Signal()
    looked = Signal(int)
    measured = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._scheme = AddressScheme()
        self._pictures: tuple[Picture, ...] = ()
        self._picture: Picture | None = None
        self._table: Grey | None = None
        self._viewport = Viewport(1, 1)
        self._fitted = True
        self._all_lines: Sequence[FlagLine] = ()
        self._lines: Sequence[FlagLine] = ()
        self._current: str | None = None
        self._selected: Address | None = None
        self._marks_shown = True
        self._painter = ScenePainter()
        self._unpainted = False
        self._sketch: Sketch | None = None
        self._rule: Rule | None = None
        self._mm_per_px: float | None = None
        self._seen = SeenCells()
        self._earlier: tuple[Picture, Sequence[FlagLine]] | None = None
        self._earlier_table: tuple[Picture, Grey] | None = None
        self._press: QPoint | None = None
        self._last_press = QPoint()
        self._dragged = False
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setMinimumSize(240, 160)
        Pinch(self)

    # What is shown

    @property
    def picture(self) -> Picture | None:
        """The picture on screen."""
        return self._picture

    @property
    def number(self) -> int:
        """Which of the panel's pictures it is."""
        return self._pictures.index(self._picture) if self._picture is not None else 0

    @property
    def count(self) -> int:
        """How many pictures the panel has."""
        return len(self._pictures)

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

    def set_pictures(
        self, pictures: tuple[Picture, ...], scheme: AddressScheme | None = None, mm_per_px: float | None = None
    ) -> None:
        """Show the first picture of a panel, all of it, or none; rulers write strings as the scheme says."""
        self._pictures = pictures
        self._picture = picture = pictures[0] if pictures else None
        self._mm_per_px = mm_per_px
        self._earlier = None
        self._seen = SeenCells(pictures)
        self._all_lines = self._lines = ()
        self.leave_rule()
        self._scheme = scheme or AddressScheme()
        self._selected = self._current = None
        self.leave_drawing()
        self._unpainted = picture is not None
        if picture is not None:
            self._table = picture.automatic.table()
            self.fit()
        self.update()

    def turn_to(self, number: int) -> None:
        """Bring another picture of the panel to the front, at the same scale where it was enlarged."""
        if not 0 <= number < len(self._pictures) or self._pictures[number] is self._picture:
            return
        self.leave_rule()
        self.leave_drawing()
        self._earlier = None
        self._picture = self._pictures[number]
        self._sort_lines()
        if self._fitted:
            self.fit()
        else:
            self._look(self._viewport)
        self.turned.emit()

    def _sort_lines(self) -> None:
        number = self.number
        self._lines = tuple(line for line in self._all_lines if line.flag.tile == number)

    def set_contrast(self, contrast: Contrast) -> None:
        """Show the picture with another contrast."""
        self._table = contrast.table()
        self.update()

    def set_lines(self, lines: Sequence[FlagLine], current: str | None) -> None:
        """Mark flags; the current one is also selected, and its picture brought to the front."""
        moved = current != self._current
        if lines is not self._all_lines:
            self._all_lines = lines
            self._sort_lines()
        self._current = current
        line = next((line for line in lines if line.flag.id == current), None)
        if moved and line is not None:
            self.turn_to(line.flag.tile)
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
        if self._selected is None or places.index_of(self._selected) is None:
            self._selected = places.nearest_cell(float(places.quads[..., 0].min()), float(places.quads[..., 1].min()))
        else:
            self._selected = places.neighbour(self._selected, right, down)
        self._follow(self._selected)
        self.update()

    # An earlier picture, and the rule

    @property
    def earlier_shown(self) -> bool:
        """Whether an earlier picture of the panel lies over this one."""
        return self._earlier is not None

    def show_earlier(self, picture: Picture | None, lines: Sequence[FlagLine] = ()) -> None:
        """Lay an earlier picture of the panel over this one, at the same place and scale, or take it off again."""
        self._earlier = None
        if picture is not None and self._picture is not None:
            self._earlier = (replace(picture, places=aligned(picture.places, self._picture.places)), lines)
        self.update()

    def begin_rule(self) -> None:
        """Begin to measure: the next two points are the ends of the rule."""
        self.leave_drawing()
        self._rule = Rule()
        self.setCursor(Qt.CursorShape.CrossCursor)
        self.setFocus()
        self.update()

    def leave_rule(self) -> None:
        """Take the rule off."""
        if self._rule is not None:
            self._rule = None
            self.unsetCursor()
            self.update()
            self.measured.emit("")

    @property
    def measuring(self) -> bool:
        """Whether the rule lies on the picture, or is being laid."""
        return self._rule is not None

    def _rule_words(self) -> str:
        if self._rule is None or self._picture is None:
            return ""
        return self._rule.words(self._picture.places, self._mm_per_px)

    # Zoom

    def fit(self) -> None:
        """Show the whole panel."""
        if self._picture is None:
            return
        margin = 1.8 * self.fontMetrics().height() if self._picture.places.addresses else 4
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

    def pan(self, right: float, down: float) -> None:
        """Move the picture by so many pixels of the screen."""
        if self._picture is not None:
            self._fitted = False
            self._look(self._viewport.moved(right, down))

    def forget_press(self) -> None:
        """Forget where a button or a finger went down, and a point that was drawn there: it was meant otherwise."""
        if self._sketch is not None and self._press is not None:
            self._sketch = self._sketch.without_last()
        self._press = None

    def true_pixels(self) -> None:
        """Show one pixel of the camera on one of the screen."""
        self.zoom(1.0 / (self._viewport.scale * self.devicePixelRatioF()))

    def zoom_to(self, points: Points, share: float = 0.4) -> None:
        """Enlarge points (x, y) of the gate view to a share of the screen."""
        if self._picture is None:
            return
        margin = (1 - share) / 2 * min(self.width(), self.height())
        self._fitted = False
        wanted = self._viewport.fitted(points, margin)
        self._look(replace(wanted, scale=min(wanted.scale, _CLOSE_SCALE / self.devicePixelRatioF())))

    def _follow(self, address: Address | None) -> None:
        """Bring a cell to the middle, at the same scale, where an enlarged picture does not show all of it."""
        if self._picture is None or self._fitted or address is None:
            return
        index = self._picture.places.index_of(address)
        if index is None:
            return
        box = box_of(self._viewport.to_screen(self._picture.places.quads[index]))
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
        self._painter.paint(painter, self._scene(self._picture, self._table))
        if self._rule is not None:
            self._rule.paint(painter, self._viewport, self._rule_words(), 0.8 * self.fontMetrics().height())
        if self._sketch is not None:
            self._sketch.paint(painter, self._viewport)
        painter.end()
        if self._unpainted:
            self._unpainted = False
            QTimer.singleShot(0, self.shown.emit)
        self._note_what_is_seen(self._picture)

    def _note_what_is_seen(self, picture: Picture) -> None:
        if self._earlier is None and self._seen.note(self.number, picture, self._viewport):
            unseen = self._seen.unseen
            QTimer.singleShot(0, lambda: self.looked.emit(unseen))

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
        self._last_press = self._press
        if self._rule is not None and event.button() is Qt.MouseButton.LeftButton:
            self._rule = self._rule.pressed(self._gate_point(event))
            self.update()
            return
        if self._sketch is not None:
            if event.button() is Qt.MouseButton.RightButton:
                self._sketch = self._sketch.without_last()
            elif event.button() is Qt.MouseButton.LeftButton:
                self._sketch = self._sketch.pressed(self._gate_point(event))
            self.update()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._rule is not None:
            self._rule = self._rule.moved(self._gate_point(event))
            self.update()
            return
        if self._sketch is not None:
            self._sketch = self._sketch.moved(self._gate_point(event))
            self.update()
            return
        if self._press is None or not event.buttons() & Qt.MouseButton.LeftButton or self._picture is None:
            return
        moved = event.position().toPoint() - self._press
        if self._dragged or moved.manhattanLength() > _DRAG_PX:
            self._dragged = True
            self._press = event.position().toPoint()
            self.pan(moved.x(), moved.y())

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        press, self._press = self._press, None
        if event.button() is not Qt.MouseButton.LeftButton or press is None or self._picture is None:
            return
        if self._rule is not None:
            self._rule = self._rule.released(self._gate_point(event), _DRAG_PX / self._viewport.scale)
            self.update()
            if self._rule.laid:
                self.measured.emit(self._rule_words())
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
        if (event.position().toPoint() - self._last_press).manhattanLength() > _SAME_PLACE_PX:
            self.mousePressEvent(event)  # two quick taps of a finger at two places are none to Qt
            return
        if self._sketch is not None:
            self.finish_drawing()
            return
        if self._picture is None or self._rule is not None:
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
        elif self._rule is not None and event.key() == Qt.Key.Key_Escape:
            self.leave_rule()
        else:
            super().keyPressEvent(event)

    def _gate_point(self, event: QMouseEvent) -> tuple[float, float]:
        return self._viewport.to_gate(event.position().x(), event.position().y())

    def _scene(self, picture: Picture, table: Grey) -> Scene:
        lines = self._lines
        if self._earlier is not None:
            picture, lines = self._earlier
            if self._earlier_table is None or self._earlier_table[0] is not picture:
                self._earlier_table = (picture, picture.automatic.table())
            table = self._earlier_table[1]
        return Scene(
            picture,
            table,
            self._viewport,
            self.devicePixelRatioF(),
            lines if self._marks_shown else (),
            self._current,
            self._selected,
            self._scheme,
            self.font(),
        )
