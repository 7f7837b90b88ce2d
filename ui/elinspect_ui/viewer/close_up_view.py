"""One straightened square of a cell on screen."""

import numpy as np
from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QImage, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from elinspect.records import Address
from elinspect_ui.presenters.flag_lines import FlagLine
from elinspect_ui.presenters.places import through
from elinspect_ui.theme import ON_PICTURE, PICTURE_GROUND
from elinspect_ui.viewer.close_up import Place, screen_from_gate
from elinspect_ui.viewer.marks import draw_outline, thickness
from elinspect_ui.viewer.picture import Grey, Picture, render, sampled
from elinspect_ui.viewer.typical import difference


class CloseUpView(QWidget):
    """Shows a place of one cell; nothing where there is none.

    Parameters
    ----------
    empty : str
        Words shown where there is nothing to show.
    parent : QWidget, optional
        Owner.
    less_typical : bool
        Show the place less the panel's typical cell.
    """

    def __init__(self, empty: str, parent: QWidget | None = None, *, less_typical: bool = False) -> None:
        super().__init__(parent)
        self._empty = empty
        self._picture: Picture | None = None
        self._table: Grey | None = None
        self._address: Address | None = None
        self._place: Place | None = None
        self._line: FlagLine | None = None
        self._less_typical = less_typical
        self.setMinimumSize(80, 80)
        policy = QSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)

    @property
    def address(self) -> Address | None:
        """The cell shown."""
        return self._address if self._place is not None else None

    def show_place(
        self,
        picture: Picture | None,
        table: Grey | None,
        address: Address | None,
        place: Place | None,
        line: FlagLine | None = None,
    ) -> None:
        """Show a place of a cell, with the outline of a flag where one is given."""
        self._picture, self._table = picture, table
        self._address, self._place, self._line = address, place, line
        self.update()

    def hasHeightForWidth(self) -> bool:
        return True

    def heightForWidth(self, width: int) -> int:
        return width

    def sizeHint(self) -> QSize:
        return QSize(230, 230)

    def paintEvent(self, _event: QPaintEvent) -> None:
        painter = QPainter(self)
        side = min(self.width(), self.height())
        square = QRectF((self.width() - side) / 2, 0, side, side)
        if self._picture is None or self._table is None:
            return
        painter.fillRect(square, QColor(PICTURE_GROUND))
        no_typical = self._less_typical and self._picture.typical is None
        if self._address is None or self._place is None or no_typical:
            painter.setPen(QColor(ON_PICTURE.soft))
            inner = square.adjusted(8, 8, -8, -8)
            painter.drawText(inner, int(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap), self._empty)
            return
        ratio = self.devicePixelRatioF()
        pixels = max(1, round(side * ratio))
        matrix = screen_from_gate(self._picture.places, self._address, self._place, side * ratio)
        if self._less_typical and self._picture.typical is not None:
            shown = sampled(self._picture, matrix, pixels, pixels)
            grey = np.ascontiguousarray(difference(shown, self._picture.typical, self._address, self._place))
        else:
            grey = np.ascontiguousarray(render(self._picture, matrix, pixels, pixels, self._table))
        image = QImage(grey.data, pixels, pixels, pixels, QImage.Format.Format_Grayscale8)
        image.setDevicePixelRatio(ratio)
        painter.drawImage(square.topLeft(), image)
        if self._line is not None:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setClipRect(square)
            outline = np.array(self._line.flag.outline_px, dtype=np.float64).reshape(-1, 2)
            on_screen = through(matrix, self._picture.places.to_gate(outline)) / ratio
            painter.translate(square.topLeft())
            draw_outline(
                painter, self._line, on_screen, max(4.0, side / 45), 1.6 * thickness(self.fontMetrics().height() * 0.8)
            )
