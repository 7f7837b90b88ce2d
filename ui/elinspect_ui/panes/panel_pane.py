"""The whole panel: which one it is, what is proposed, its picture, contrast."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from PySide6.QtCore import QSignalBlocker, Qt, Signal
from PySide6.QtGui import QAction, QResizeEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QSlider,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from elinspect.catalogue import words
from elinspect.recipe import AddressScheme
from elinspect_ui.panes.buttons import CommandButton
from elinspect_ui.panes.labels import ElidedLabel, plain_label, spread
from elinspect_ui.presenters.commands import BY_NAME
from elinspect_ui.presenters.panel_words import PanelWords
from elinspect_ui.viewer.picture import Contrast, Picture
from elinspect_ui.viewer.picture_view import PictureView

TOOLS: Final = ("fit", "zoom_flag", "marks", "earlier", "rule")
_SLIDER_STEPS: Final = 200
_BRIGHT_REST: Final = 0.75
_REST: Final = {"dark": 0, "middle": _SLIDER_STEPS // 2, "bright": round(_BRIGHT_REST * _SLIDER_STEPS)}
_REMEMBERED: Final = 50
"""Panels whose contrast is remembered while the window is open."""
_GAMMA_RANGE: Final = 4.0
"""Midtones from 1/4 to 4: beyond it only noise or nothing is left to see. Common practice, no source."""


class PanelPane(QWidget):
    """The panel on screen.

    Parameters
    ----------
    actions : mapping from str to QAction
        By command.
    tools : sequence of str
        Commands with a button below the picture.

    Attributes
    ----------
    again : Signal
        The inspector asks to read the picture again.
    contrast_changed : Signal
        The contrast is another: a `Contrast`.
    """

    again = Signal()
    contrast_changed = Signal(object)

    def __init__(
        self, actions: Mapping[str, QAction], tools: Sequence[str] = TOOLS, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.setObjectName("pane")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self._automatic: Contrast | None = None
        self._panel = ""
        self._chosen: dict[str, tuple[int, ...]] = {}
        self.view = PictureView()
        self.view.setAccessibleName(words("desktop.picture.name"))
        self.view.turned.connect(self._show_turn)
        self._serial = plain_label("serial")
        self._facts = ElidedLabel("soft")
        self._warning = plain_label("warning")
        self._proposal = plain_label("title")
        self._reasons = ElidedLabel("soft")
        self._stack = QStackedWidget()
        self._stack.addWidget(self.view)
        self._stack.addWidget(self._message_page())
        self._banner = plain_label("warning", wrap=True)
        self._top = QStackedWidget()
        self._top.addWidget(self._heading(actions))
        self._top.addWidget(self._banner_row())
        self._top.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 6, 8, 6)
        layout.setSpacing(4)
        layout.addWidget(self._top)
        layout.addWidget(self._stack, 1)
        layout.addLayout(self._tools(actions, tools))

    def _banner_row(self) -> QWidget:
        """Return the banner, and for whoever has no keyboard at hand the ends of a drawing."""
        self._drawing_ends: list[QPushButton] = []
        row = QHBoxLayout()
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self._banner, 1)
        for code, does in (
            ("desktop.add.take", self.view.finish_drawing),
            ("desktop.add.leave", self.view.leave_drawing),
        ):
            button = QPushButton(words(code))
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.clicked.connect(does)
            button.hide()
            row.addWidget(button)
            self._drawing_ends.append(button)
        page = QWidget()
        page.setLayout(row)
        return page

    def _heading(self, actions: Mapping[str, QAction]) -> QWidget:
        first = QHBoxLayout()
        first.setSpacing(12)
        first.addWidget(self._serial)
        first.addWidget(self._facts, 1)
        first.addWidget(self._warning)
        second = QHBoxLayout()
        second.setSpacing(12)
        second.addWidget(self._proposal)
        second.addWidget(self._reasons, 1)
        self.turn = CommandButton("next_picture", actions["next_picture"])
        self.turn.setVisible(False)
        heading = QWidget()
        beside = QHBoxLayout(heading)
        beside.setContentsMargins(0, 0, 0, 0)
        beside.setSpacing(8)
        both = QVBoxLayout()
        both.setSpacing(0)
        both.addLayout(first)
        both.addLayout(second)
        beside.addLayout(both, 1)
        beside.addWidget(self.turn)
        return heading

    def _message_page(self) -> QWidget:
        page = QWidget()
        self._message = plain_label("empty", wrap=True)
        self._message.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._detail = plain_label("soft", wrap=True)
        self._detail.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._progress = QProgressBar()
        self._progress.setRange(0, 0)
        self._progress.setTextVisible(False)
        self._progress.setFixedWidth(240)
        self._again = QPushButton(words("desktop.picture.again"))
        self._again.clicked.connect(self.again)
        layout = QVBoxLayout(page)
        layout.setContentsMargins(40, 0, 40, 0)
        layout.addStretch(1)
        layout.addWidget(self._message)
        layout.addWidget(self._detail)
        layout.addWidget(self._progress, 0, Qt.AlignmentFlag.AlignCenter)
        layout.addWidget(self._again, 0, Qt.AlignmentFlag.AlignCenter)
        layout.addStretch(1)
        return page

    def _tools(self, actions: Mapping[str, QAction], tools: Sequence[str]) -> QHBoxLayout:
        self._tool_row = row = QHBoxLayout()
        row.setSpacing(6)
        self._tool_buttons = [CommandButton(name, actions[name]) for name in (*tools, "contrast_reset")]
        for button in self._tool_buttons[:-1]:
            row.addWidget(button)
        row.addSpacing(8)
        self._sliders: dict[str, QSlider] = {}
        self._slider_labels: list[QLabel] = []
        for name in _REST:
            label = plain_label("soft")
            label.setText(words(f"desktop.contrast.{name}"))
            slider = QSlider(Qt.Orientation.Horizontal)
            slider.setRange(0, _SLIDER_STEPS)
            slider.setValue(_REST[name])
            slider.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
            slider.setAccessibleName(words(f"desktop.contrast.{name}"))
            slider.setToolTip(words("desktop.contrast.hint"))
            slider.valueChanged.connect(self._slid)
            self._sliders[name] = slider
            self._slider_labels.append(label)
            row.addWidget(label)
            row.addWidget(slider, 1)
        row.addWidget(self._tool_buttons[-1])
        return row

    def use_size(self, size_px: int) -> None:
        """Leave room for text of a size."""
        spread(self, size_px)
        for slider in self._sliders.values():
            slider.setMinimumWidth(round(3.6 * size_px))
            slider.setMaximumWidth(12 * size_px)
        self._tool_row.setSpacing(round(0.45 * size_px))
        self._make_room()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._make_room()

    def _make_room(self) -> None:
        """Leave the names beside the sliders out where they would cut the buttons; tool tips still say them."""
        row = self._tool_row
        parts: list[QWidget] = [*self._tool_buttons, *self._slider_labels, *self._sliders.values()]
        least = (part.minimumWidth() if isinstance(part, QSlider) else part.sizeHint().width() for part in parts)
        room = self.contentsRect().width() - row.spacing() * (len(parts) + 2)
        fits = sum(least) < room
        for label in self._slider_labels:
            label.setVisible(fits)

    # What is shown

    def show_words(self, said: PanelWords | None) -> None:
        """Show which panel this is and what is proposed; nothing without one."""
        self._serial.setText(said.serial if said else "")
        self._facts.setText(said.facts if said else "")
        self._warning.setText(said.warning if said else "")
        self._proposal.setText(said.proposal if said else "")
        self._reasons.setText(said.reasons if said else "")
        self._facts.setToolTip(said.facts if said else "")
        self._reasons.setToolTip(said.all_reasons if said else "")

    def show_message(self, text: str, detail: str = "", *, working: bool = False, again: bool = False) -> None:
        """Show words in place of the picture."""
        self._message.setText(text)
        self._detail.setText(detail)
        self._progress.setVisible(working)
        self._again.setVisible(again)
        self._stack.setCurrentIndex(1)
        self.view.set_pictures(())
        self._show_turn()
        self._automatic = None

    def show_pictures(
        self, pictures: tuple[Picture, ...], scheme: AddressScheme, panel: str = "", mm_per_px: float | None = None
    ) -> None:
        """Show a panel with the contrast its own percentiles give, or the one chosen for it before."""
        self._automatic = pictures[0].automatic
        self._panel = panel
        self._stack.setCurrentIndex(0)
        self.view.set_pictures(pictures, scheme, mm_per_px)
        self._show_turn()
        self._set_sliders(self._chosen.get(panel, tuple(_REST.values())))

    def _show_turn(self) -> None:
        """Say on the button which of several pictures is in front."""
        count = self.view.count
        self.turn.setVisible(count > 1)
        if count > 1:
            which = words("desktop.picture.which", place=self.view.number + 1, total=count)
            self.turn.setText(f"{which}  [{BY_NAME['next_picture'].shown_key}]")

    def show_banner(self, text: str, *, drawing: bool = False) -> None:
        """Show what to do in place of the heading, with the ends of a drawing; an empty text brings that back."""
        self._banner.setText(text)
        for button in self._drawing_ends:
            button.setVisible(drawing)
        self._top.setCurrentIndex(1 if text else 0)

    # Contrast

    def reset_contrast(self) -> None:
        """Go back to the panel's own percentiles."""
        self._set_sliders(tuple(_REST.values()))

    def _set_sliders(self, values: tuple[int, ...]) -> None:
        for slider, value in zip(self._sliders.values(), values, strict=True):
            with QSignalBlocker(slider):
                slider.setValue(value)
        self._slid()

    def step_middle(self, steps: int) -> None:
        """Lighten (above 0) or darken what is in between."""
        self._sliders["middle"].setValue(self._sliders["middle"].value() + steps)

    def _slid(self) -> None:
        if self._automatic is None:
            return
        contrast = contrast_from(
            self._automatic,
            self._sliders["dark"].value() / _SLIDER_STEPS,
            self._sliders["middle"].value() / _SLIDER_STEPS,
            self._sliders["bright"].value() / _SLIDER_STEPS,
        )
        self._chosen[self._panel] = tuple(slider.value() for slider in self._sliders.values())
        while len(self._chosen) > _REMEMBERED:
            del self._chosen[next(iter(self._chosen))]
        self.view.set_contrast(contrast)
        self.contrast_changed.emit(contrast)


def contrast_from(automatic: Contrast, dark: float, middle: float, bright: float) -> Contrast:
    """Return the contrast the three sliders ask for.

    Parameters
    ----------
    automatic : Contrast
        Of the panel: `dark` 0, `middle` 0.5, `bright` `_BRIGHT_REST`.
    dark, middle, bright : float
        Sliders, 0..1; `dark` is shown black, `bright` white, beyond its rest also above the panel's own percentile.
    """
    span = automatic.high - automatic.low
    low = automatic.low + 0.95 * dark * span
    high = max(automatic.low + bright / _BRIGHT_REST * span, low + 0.02 * span)
    return replace(automatic, low=low, high=high, gamma=float(_GAMMA_RANGE ** (1 - 2 * middle)))
