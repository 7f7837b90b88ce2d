"""Two fingers on the picture: they enlarge and move it as wheel and dragging do. One finger is a mouse to Qt."""

from PySide6.QtCore import QEvent, QObject, QPointF, Qt
from PySide6.QtWidgets import QGestureEvent, QPinchGesture, QWidget

_MOUSE = frozenset(
    {
        QEvent.Type.MouseButtonPress,
        QEvent.Type.MouseMove,
        QEvent.Type.MouseButtonRelease,
        QEvent.Type.MouseButtonDblClick,
    }
)


class Pinch(QObject):
    """Watches a view for two fingers.

    Parameters
    ----------
    view : QWidget
        With `zoom(factor, at)`, `pan(right, down)` and `forget_press()`.
    """

    def __init__(self, view: QWidget) -> None:
        super().__init__(view)
        self._view = view
        self._active = False
        view.grabGesture(Qt.GestureType.PinchGesture)
        view.installEventFilter(self)

    def eventFilter(self, _watched: QObject, event: QEvent) -> bool:
        """Take pinches, and the mouse that Qt makes of the first finger meanwhile."""
        if isinstance(event, QGestureEvent):
            pinch = event.gesture(Qt.GestureType.PinchGesture)
            if isinstance(pinch, QPinchGesture):
                self._pinched(pinch)
                event.accept(pinch)
                return True
        if event.type() is QEvent.Type.TouchEnd:
            self._active = False
        return self._active and event.type() in _MOUSE

    def _pinched(self, pinch: QPinchGesture) -> None:
        if pinch.state() is Qt.GestureState.GestureStarted:
            self._active = True
            self._view.forget_press()  # type: ignore[attr-defined]
        if pinch.state() is not Qt.GestureState.GestureUpdated:
            return  # at the end Qt says the last step once more
        moved = pinch.centerPoint() - pinch.lastCenterPoint()
        self._view.pan(moved.x(), moved.y())  # type: ignore[attr-defined]
        middle = QPointF(self._view.mapFromGlobal(pinch.centerPoint().toPoint()))
        if pinch.scaleFactor() > 0:
            self._view.zoom(pinch.scaleFactor(), middle)  # type: ignore[attr-defined]
