"""The current flag: large, beside the same place of a good cell and less the typical one, with figures and answers."""

from collections.abc import Mapping, Sequence

import numpy as np
from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction, QResizeEvent
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from elinspect.catalogue import words
from elinspect.recipe import write_address
from elinspect.records import Address, PanelResult
from elinspect_ui.panes.buttons import CommandButton
from elinspect_ui.panes.flag_list import FlagList
from elinspect_ui.panes.labels import ElidedLabel, plain_label, spread
from elinspect_ui.presenters.commands import BY_NAME
from elinspect_ui.presenters.flag_lines import FlagLine, Standing, alike
from elinspect_ui.presenters.places import good_cell
from elinspect_ui.presenters.state import GateState, PictureState
from elinspect_ui.theme import DARK, Theme, standing_colour
from elinspect_ui.viewer.close_up import place_around
from elinspect_ui.viewer.close_up_view import CloseUpView
from elinspect_ui.viewer.glyphs import glyph_icon, standing_path
from elinspect_ui.viewer.picture import Contrast, Grey, Picture

_FIGURE_ROWS = 4
_ANSWERS = ("confirm", "dismiss", "change_kind")
_FURTHER = ("add_flag", "take_back", "undo", "redo")
_BESIDE = ("redraw", "note")
"""Beside the close-ups, where there is room."""
_STEPS = ("previous_flag", "next_flag")
_OTHER_LINES = 23
"""Lines of text that everything but the close-ups takes, two flags of the list among it."""


class FlagPane(QWidget):
    """The current flag and the list of all.

    Parameters
    ----------
    actions : mapping from str to QAction
        Of the window, by command.

    Attributes
    ----------
    asked : Signal
        The inspector asks for a flag: its id.
    """

    asked = Signal(str)

    def __init__(self, actions: Mapping[str, QAction], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("pane")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self._theme: Theme = DARK
        self._pictures: tuple[Picture, ...] = ()
        self._table: Grey | None = None
        self._state = GateState()
        self._whole = False
        self._marks = True
        self._selected: Address | None = None
        self._compared: tuple[tuple[int, Address, frozenset[Address]], Address | None] | None = None
        self._count = ElidedLabel("soft")
        self._title = plain_label("title", wrap=True)
        self._glyph = QLabel()
        self._standing = plain_label("", wrap=True)
        self.flagged = CloseUpView(words("desktop.close_up.nothing"))
        self.good = CloseUpView(words("desktop.close_up.no_good_cell"))
        self.alone = CloseUpView(words("desktop.close_up.no_typical"), less_typical=True)
        self._flagged_caption = plain_label("soft")
        self._good_caption = plain_label("caption", wrap=True)
        self._alone_caption = plain_label("caption", wrap=True)
        self._note = ElidedLabel("")
        self._below = ElidedLabel("soft")
        self._figures = [(plain_label("soft"), plain_label("")) for _ in range(2 * _FIGURE_ROWS)]
        self.flags = FlagList()
        self.flags.asked.connect(self.asked)
        self.buttons: dict[str, CommandButton] = {}
        self._build(actions)

    def _build(self, actions: Mapping[str, QAction]) -> None:
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 6, 8, 6)
        layout.setSpacing(5)
        layout.addLayout(self._button_row(_STEPS, actions, self._count))
        layout.addWidget(self._title)
        standing = QHBoxLayout()
        standing.setSpacing(6)
        standing.addWidget(self._glyph, 0, Qt.AlignmentFlag.AlignTop)
        standing.addWidget(self._standing, 1)
        layout.addLayout(standing)
        layout.addWidget(self._note)
        layout.addLayout(self._picture_grid(actions))
        layout.addLayout(self._figure_grid())
        layout.addLayout(self._button_row(_ANSWERS, actions))
        layout.addLayout(self._button_row(_FURTHER, actions))
        layout.addWidget(self._below)
        layout.addWidget(self.flags, 1)

    def _button_row(
        self, names: Sequence[str], actions: Mapping[str, QAction], first: QWidget | None = None
    ) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(4)
        if first is not None:
            row.addWidget(first, 1)
        for name in names:
            self.buttons[name] = CommandButton(name, actions[name])
            if name in _ANSWERS:
                self.buttons[name].setProperty("role", "answer")
            row.addWidget(self.buttons[name])
        return row

    def _picture_grid(self, actions: Mapping[str, QAction]) -> QGridLayout:
        grid = QGridLayout()
        grid.setSpacing(4)
        self._flagged_caption.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        grid.addWidget(self._flagged_caption, 0, 0)
        grid.addWidget(self.flagged, 1, 0, 2, 1)
        self._alone_caption.setToolTip(words("desktop.close_up.typical_hint"))
        self.alone.setToolTip(words("desktop.close_up.typical_hint"))
        for row, (caption, view, name) in enumerate(
            zip((self._good_caption, self._alone_caption), (self.good, self.alone), _BESIDE, strict=True), start=1
        ):
            caption.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
            caption.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Ignored)
            self.buttons[name] = CommandButton(name, actions[name])
            beside = QVBoxLayout()
            beside.addWidget(caption, 1)
            beside.addWidget(self.buttons[name], 0, Qt.AlignmentFlag.AlignLeft)
            grid.addWidget(view, row, 1)
            grid.addLayout(beside, row, 2)
        grid.setColumnStretch(2, 1)
        return grid

    def _figure_grid(self) -> QGridLayout:
        grid = QGridLayout()
        grid.setHorizontalSpacing(8)
        grid.setVerticalSpacing(0)
        for number, (name, value) in enumerate(self._figures):
            row, half = number % _FIGURE_ROWS, number // _FIGURE_ROWS
            grid.addWidget(name, row, 2 * half)
            grid.addWidget(value, row, 2 * half + 1)
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(3, 1)
        return grid

    # What is shown

    def use_theme(self, theme: Theme, size_px: int) -> None:
        """Paint in a theme, text of a size."""
        self._theme = theme
        spread(self, size_px)
        self.flags.use_theme(theme)
        self._show_line(self._state.line)

    def show_pictures(self, pictures: tuple[Picture, ...]) -> None:
        """Use the pictures of a panel from now on; a cell is shown in the one in which it was judged."""
        self._pictures = pictures
        self._table = pictures[0].automatic.table() if pictures else None
        self._show_close_ups()

    def show_contrast(self, contrast: Contrast) -> None:
        """Show both close-ups with another contrast, always the same for both."""
        self._table = contrast.table()
        self._show_close_ups()

    def show_whole_cell(self, whole: bool) -> None:
        """Show the whole cell, or only the place of the flag."""
        self._whole = whole
        self._show_close_ups()

    def show_marks(self, shown: bool) -> None:
        """Draw the outline over the close-up, or not."""
        self._marks = shown
        self._show_close_ups()

    def show_selected(self, address: Address | None) -> None:
        """Show the selected cell where there is no flag on it."""
        if address != self._selected:
            self._selected = address
            self._show_close_ups()

    def show_state(self, state: GateState) -> None:
        """Show the current flag and the list."""
        self._state = state
        line = state.line
        self.flags.show_lines(state.lines, state.current)
        self._show_line(line)
        self._show_close_ups()

    def enable_buttons(self, state: GateState) -> None:
        """Buttons follow what can be done; the keys stay alive and say in words why they do nothing."""
        open_panel = state.review is not None and not state.closed and state.picture is PictureState.SHOWN
        for name in (*_ANSWERS, "take_back", "redraw", "note"):
            self.buttons[name].setEnabled(open_panel and state.line is not None)
        self.buttons["add_flag"].setEnabled(open_panel)
        for name in _BESIDE:
            self.buttons[name].setVisible(state.line is not None)
        self.buttons["undo"].setEnabled(open_panel and state.can_undo)
        self.buttons["redo"].setEnabled(open_panel and state.can_redo)
        for name in _STEPS:
            self.buttons[name].setEnabled(len(state.lines) > 1)

    def _show_line(self, line: FlagLine | None) -> None:
        state = self._state
        if line is None:
            empty = "desktop.flag.none" if state.review is not None else "desktop.flag.no_panel"
            self._count.setText("")
            self._title.setText(words(empty))
            self._standing.setText(words("desktop.flag.none_hint") if state.review is not None else "")
            self._note.setText("")
            self._glyph.clear()
        else:
            self._count.setText(
                words(
                    "desktop.flag.count",
                    place=(state.current or 0) + 1,
                    total=len(state.lines),
                    unanswered=state.unanswered,
                )
            )
            self._title.setText(line.reason)
            self._standing.setText(f"{line.standing_text} {_alike_words(state, line)}".strip())
            self._note.setText(words("desktop.flag.note", note=line.note) if line.note else "")
            size = self.fontMetrics().height()
            colour = standing_colour(self._theme, line.standing, line.above)
            icon = glyph_icon(standing_path(line.standing), size, colour, self.devicePixelRatioF())
            self._glyph.setPixmap(icon.pixmap(size, size))
        self._note.setVisible(bool(self._note.text()))
        below = sum(line.standing is Standing.BELOW_LIMITS for line in state.lines)
        self._below.setText(words("desktop.flags.below", n=below) if below else "")
        self._below.setVisible(below > 0)
        figures = line.figures if line is not None else ()
        for number, (name, value) in enumerate(self._figures):
            shown = number < len(figures)
            name.setText(figures[number][0] if shown else "")
            value.setText(figures[number][1] if shown else "")
            name.setVisible(shown)
            value.setVisible(shown)

    def _show_close_ups(self) -> None:
        line = self._state.line
        address = _address_of(line)
        if self._selected is not None and self._selected != address:
            line, address = None, self._selected
        picture = self._picture_with(line, address)
        if picture is None or self._state.review is None or address is None:
            for view, caption in (
                (self.flagged, self._flagged_caption),
                (self.good, self._good_caption),
                (self.alone, self._alone_caption),
            ):
                view.show_place(picture if view is self.flagged else None, self._table, None, None)
                caption.setText("")
            return
        outline = None
        if line is not None and line.flag.outline_px:
            outline = picture.places.to_gate(np.array(line.flag.outline_px, dtype=np.float64))
        place = place_around(picture.places, address, outline, self._whole)
        self.flagged.show_place(picture, self._table, address, place, line if self._marks else None)
        flagged = {flagged for flagged in map(_address_of, self._state.lines) if flagged is not None}
        other = self._good_cell(self._state.review.result, address, frozenset(flagged))
        self.good.show_place(picture, self._table, other, place if other is not None else None)
        self.alone.show_place(picture, self._table, address, place)
        self._alone_caption.setText(words("desktop.close_up.typical"))
        self._flagged_caption.setText(words("desktop.close_up.this", address=self._written(address)))
        self._good_caption.setText(
            words("desktop.close_up.good", address=self._written(other)) if other is not None else ""
        )

    def _picture_with(self, line: FlagLine | None, address: Address | None) -> Picture | None:
        if line is not None and line.flag.tile < len(self._pictures):
            return self._pictures[line.flag.tile]
        showing = (each for each in self._pictures if address is not None and address in each.places.addresses)
        return next(showing, self._pictures[0] if self._pictures else None)

    def _good_cell(self, result: PanelResult, address: Address, flagged: frozenset[Address]) -> Address | None:
        key = (id(result), address, flagged)
        if self._compared is None or self._compared[0] != key:
            self._compared = (key, good_cell(result, address, flagged))
        return self._compared[1]

    def _written(self, address: Address) -> str:
        return write_address(self._state.scheme, address.string, address.position)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        line = self.fontMetrics().height()
        room = self.height() - _OTHER_LINES * line
        side = max(8 * line, min(round(self.width() * 0.5), round(self.height() * 0.42), room))
        self.flagged.setFixedSize(side, side)
        for view in (self.good, self.alone):
            view.setFixedSize((side - 4) // 2, (side - 4) // 2)


def _alike_words(state: GateState, line: FlagLine) -> str:
    found = alike(state.lines, line, whole_string=False)
    if len(found) < 2:
        return ""
    keys = {name: BY_NAME[f"{name}_cell"].shown_key for name in ("confirm", "dismiss")}
    return words("desktop.alike", n=len(found), **keys)


def _address_of(line: FlagLine | None) -> Address | None:
    if line is None or line.flag.string is None or line.flag.position is None:
        return None
    return Address(line.flag.string, line.flag.position)
