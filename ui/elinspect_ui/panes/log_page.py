"""What the pages about the log share: a row of controls, a place for figures, and words where there is nothing yet."""

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QImage, QPixmap, QResizeEvent
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QScrollArea,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect_ui.jobs import Job, Jobs
from elinspect_ui.pages import PageWidget
from elinspect_ui.theme import DARK, Theme

_T = TypeVar("_T")
_USUAL_LINE_PX = 16
"""Height of a line of text for which figures are drawn; beside larger text they are enlarged."""


class FigureLabel(QLabel):
    """A figure that fills the width it is given, on the ground of the theme: white paper would dazzle in a dark room.

    Parameters
    ----------
    png : bytes
        The figure, dark on white.
    theme : Theme
        In which it is shown.
    """

    def __init__(self, png: bytes, theme: Theme) -> None:
        super().__init__()
        self._drawn = QImage.fromData(png)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.use_theme(theme)

    def use_theme(self, theme: Theme) -> None:
        """Show the figure on the ground of a theme."""
        shown = on_dark_ground(self._drawn, theme) if theme is DARK else self._drawn
        self._whole = QPixmap.fromImage(shown)
        self._fill()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fill()

    def _fill(self) -> None:
        ratio = self.devicePixelRatioF()
        largest = 1.25 * max(1.0, self.fontMetrics().height() / _USUAL_LINE_PX)
        width = max(200, min(self.width(), round(self._whole.width() * largest)))
        shown = self._whole.scaledToWidth(round(width * ratio), Qt.TransformationMode.SmoothTransformation)
        shown.setDevicePixelRatio(ratio)
        self.setPixmap(shown)
        self.setFixedHeight(round(shown.height() / ratio))


def on_dark_ground(figure: QImage, theme: Theme) -> QImage:
    """Return a figure with light and dark exchanged, its colours kept: paper and ink become those of a theme.

    Parameters
    ----------
    figure : QImage
        Dark on white.
    theme : Theme
        Whose surface and ink are taken.
    """
    plain = figure.convertToFormat(QImage.Format.Format_RGB888)
    height, width = plain.height(), plain.width()
    rows = np.frombuffer(plain.constBits(), np.uint8).reshape(height, plain.bytesPerLine())
    colours = rows[:, : 3 * width].reshape(height, width, 3).astype(np.float32) / 255
    # Lightness becomes 1 - lightness; the spread of a pixel's channels, and with it the hue, stays.
    turned = colours + 1 - colours.max(axis=2, keepdims=True) - colours.min(axis=2, keepdims=True)
    paper, ink = (_channels(name) for name in (theme.surface, theme.ink))
    shown = np.ascontiguousarray(np.rint(paper + turned * (ink - paper)).astype(np.uint8))
    return QImage(shown.tobytes(), width, height, 3 * width, QImage.Format.Format_RGB888).copy()


def _channels(name: str) -> NDArray[np.float32]:
    colour = QColor(name)
    return np.array([colour.red(), colour.green(), colour.blue()], np.float32)


class Choice(QWidget):
    """A named choice.

    Parameters
    ----------
    name : str
        Shown beside it.
    entries : sequence of (value, str)
        Values and their words.
    changed : callable
        Called after another one was chosen.
    """

    def __init__(self, name: str, entries: Sequence[tuple[Any, str]], changed: Callable[[], None]) -> None:
        super().__init__()
        label = QLabel(name)
        label.setProperty("role", "soft")
        self.box = QComboBox()
        self.box.setAccessibleName(name)
        for value, text in entries:
            self.box.addItem(text, value)
        self.box.currentIndexChanged.connect(lambda _index: changed())
        label.setBuddy(self.box)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(label)
        row.addWidget(self.box)

    def shares_width(self) -> None:
        """Let the choice be narrower than its longest entry, and as wide as there is room."""
        self.box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.box.setMinimumContentsLength(8)
        self.box.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    @property
    def value(self) -> Any:
        """What is chosen."""
        return self.box.currentData()


class LogPage(PageWidget):
    """A page that reads the log in the background.

    Parameters
    ----------
    jobs : Jobs
        Does the reading.
    title : str
        At its top.
    scrolls : bool
        Whether the whole body scrolls.
    """

    def __init__(self, jobs: Jobs, title: str, *, scrolls: bool = True) -> None:
        super().__init__()
        self._jobs = jobs
        self._job: Job | None = None
        self._theme: Theme = DARK
        self.setObjectName("pane")
        self._title = QLabel(title)
        self._title.setProperty("role", "title")
        self._purpose = QLabel()
        self._purpose.setProperty("role", "soft")
        self.controls = QHBoxLayout()
        self.controls.setSpacing(10)
        head = QHBoxLayout()
        head.addWidget(self._title)
        head.addWidget(self._purpose)
        head.addSpacing(16)
        head.addStretch(1)
        head.addLayout(self.controls)
        self._words = QLabel()
        self._words.setProperty("role", "empty")
        self._words.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._words.setWordWrap(True)
        self.body = QWidget()
        self._front = QStackedWidget()
        self._front.addWidget(self._words)
        self._front.addWidget(scrolling(self.body) if scrolls else self.body)
        self.notice = QLabel()
        self.notice.setWordWrap(True)
        self.filters = QVBoxLayout()  # more rows of choices, for pages that have them
        layout = QVBoxLayout(self)
        layout.addLayout(head)
        layout.addLayout(self.filters)
        layout.addWidget(self._front, 1)
        layout.addWidget(self.notice)

    def use_theme(self, theme: Theme, size_px: int) -> None:
        self._theme = theme
        for figure in self.findChildren(FigureLabel):
            figure.use_theme(theme)
        self.setStyleSheet(
            f"QComboBox {{ background: {theme.raised}; color: {theme.ink}; border: 1px solid {theme.line};"
            f" border-radius: 3px; padding: {size_px // 4}px {size_px // 2}px; }}"
            f"QComboBox:focus {{ border: 2px solid {theme.current}; }}"
            f"QComboBox QAbstractItemView {{ background: {theme.raised}; color: {theme.ink};"
            f" selection-background-color: {theme.current}; selection-color: {theme.ink_on_current}; }}"
            f"QTableWidget {{ background: {theme.surface}; color: {theme.ink}; gridline-color: {theme.line};"
            f" border: 1px solid {theme.line}; }}"
            f"QTableWidget::item:selected, QListWidget::item:selected"
            f" {{ background: {theme.current}; color: {theme.ink_on_current}; }}"
            f"QHeaderView {{ background: {theme.raised}; }}"
            f"QHeaderView::section {{ background: {theme.raised}; color: {theme.ink}; border: none;"
            f" border-bottom: 1px solid {theme.line}; padding: 4px; }}"
            f"QScrollArea, QScrollArea > QWidget > QWidget, QStackedWidget {{ background: {theme.surface}; }}"
        )

    def read(self, work: Callable[[], _T], done: Callable[[_T], None]) -> None:
        """Read in the background; what was being read before is given up."""
        if self._job is not None:
            self._job.cancel()
        if self._front.currentIndex() == 0:
            self.say(words("page.reading"))
        self._job = self._jobs.submit(work, done, self.fail)

    def say(self, text: str) -> None:
        """Show words in the place of figures."""
        self._words.setText(text)
        self._front.setCurrentIndex(0)

    def show_body(self, purpose: str) -> None:
        """Show the figures."""
        self._purpose.setText(words("page.purpose", purpose=purpose))
        self._front.setCurrentIndex(1)

    def fail(self, error: Exception) -> None:
        """Say what went wrong."""
        text = str(error) if isinstance(error, ElinspectError) else words("page.failed", cause=str(error))
        if self._front.currentIndex() == 0:
            self.say(text)
        else:
            self.tell(text, role="problem")

    def tell(self, text: str, role: str = "soft") -> None:
        """Show a notice below."""
        self.notice.setProperty("role", role)
        self.notice.style().unpolish(self.notice)
        self.notice.style().polish(self.notice)
        self.notice.setText(text)


def scrolling(widget: QWidget) -> QScrollArea:
    """Return a place in which a widget scrolls."""
    area = QScrollArea()
    area.setWidgetResizable(True)
    area.setFrameShape(QScrollArea.Shape.NoFrame)
    area.setWidget(widget)
    return area


def emptied(layout: Any) -> None:
    """Take everything out of a layout."""
    while layout.count():
        item = layout.takeAt(0)
        if item.widget() is not None:
            item.widget().deleteLater()
