"""The page for second readings: the picture alone, cells marked by the reader, the reading logged."""

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QPoint, QSignalBlocker, Qt
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QPushButton,
    QSpinBox,
    QVBoxLayout,
)

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.operations.reading_desk import ReadingDesk
from elinspect.records import ElImage
from elinspect.review.desk import Person
from elinspect.review.gate import Role
from elinspect.review.session import Review
from elinspect_ui.actions import PageKeys
from elinspect_ui.jobs import Jobs
from elinspect_ui.panes.buttons import CommandButton
from elinspect_ui.panes.kind_menu import kind_menu
from elinspect_ui.panes.labels import plain_label
from elinspect_ui.panes.log_page import Choice, LogPage
from elinspect_ui.panes.panel_pane import PanelPane
from elinspect_ui.pictures import Pictures
from elinspect_ui.presenters.commands import BY_NAME
from elinspect_ui.presenters.flag_lines import scheme_of
from elinspect_ui.presenters.panel_words import PanelWords
from elinspect_ui.presenters.readings import READING_KINDS, ReadingsPresenter, ReadingsState
from elinspect_ui.presenters.state import PictureState, Tone
from elinspect_ui.theme import Theme
from elinspect_ui.viewer.picture import Picture

_PERIODS = (1, 7, 28)
_ASKED = 30
"""Panels of one draw put forward; common practice, no source."""
_ASKING = (Role.QUALITY_ENGINEER, Role.AUDITOR)
_TOOLS = ("fit", "zoom_flag")
_ROLES = {Tone.DONE: "soft", Tone.HINT: "soft", Tone.REFUSED: "warning", Tone.FAILED: "problem"}


def _read(path: Path) -> ElImage:
    from elinspect.imaging import read_image

    return read_image(path)


class ReadingsPage(LogPage):
    """See the module.

    Parameters
    ----------
    jobs : Jobs
        Talks to the log and reads pictures.
    desk : ReadingDesk
        The log's side.
    who : callable
        Who is signed in.
    read : callable
        Reads an exposure.
    """

    def __init__(
        self,
        jobs: Jobs,
        desk: ReadingDesk,
        who: Callable[[], Person | None],
        read: Callable[[Path], ElImage] = _read,
    ) -> None:
        super().__init__(jobs, words("page.readings"), scrolls=False)
        self._who = who
        self._on_screen = ""
        self._presenter = ReadingsPresenter(desk, jobs.submit, self._show)
        self._pictures = Pictures(jobs, read, self._picture_ready, self._picture_failed)
        self._actions = PageKeys(self, self._deeds()).actions
        self.panel = PanelPane(self._actions, _TOOLS)
        self.panel.again.connect(self._want_picture)
        view = self.panel.view
        view.shown.connect(self._presenter.picture_shown)
        view.looked.connect(self._presenter.cells_seen)
        self._build_controls()
        row = QHBoxLayout(self.body)
        row.addLayout(self._left(), 1)
        row.addWidget(self.panel, 5)
        row.addLayout(self._right(), 2)

    def _deeds(self) -> dict[str, Callable[[], object]]:
        return {
            "add_flag": self._ask_kind,
            "take_back": lambda: self._presenter.unmark(self.panel.view.selected),
            "accept": self._log,
            "open_again": self._read_again,
            "next_picture": self._turn,
            "zoom_flag": self._zoom,
            "fit": lambda: self.panel.view.fit(),
            "zoom_in": lambda: self.panel.view.zoom(1.25),
            "zoom_out": lambda: self.panel.view.zoom(0.8),
            "true_pixels": lambda: self.panel.view.true_pixels(),
            "cell_left": lambda: self.panel.view.step_selection(-1, 0),
            "cell_right": lambda: self.panel.view.step_selection(1, 0),
            "cell_up": lambda: self.panel.view.step_selection(0, -1),
            "cell_down": lambda: self.panel.view.step_selection(0, 1),
            "lighter": lambda: self.panel.step_middle(8),
            "darker": lambda: self.panel.step_middle(-8),
            "contrast_reset": lambda: self.panel.reset_contrast(),
        }

    def _build_controls(self) -> None:
        self.number = QSpinBox()
        self.number.setRange(1, 1000)
        self.number.setValue(_ASKED)
        self.number.setAccessibleName(words("readings.how_many"))
        self.period = Choice(
            words("page.period"), [(days, words("page.days", n=days)) for days in _PERIODS], lambda: None
        )
        self.draw = QPushButton(words("readings.draw"))
        self.draw.setToolTip(words("readings.draw_hint"))
        self.draw.clicked.connect(lambda: self._presenter.ask(self.number.value(), self.period.value))
        label = QLabel(words("readings.how_many"))
        label.setProperty("role", "soft")
        label.setBuddy(self.number)
        for control in (label, self.number, self.period, self.draw):
            self.controls.addWidget(control)

    def _left(self) -> QVBoxLayout:
        self.waiting = QListWidget()
        self.waiting.setAccessibleName(words("readings.waiting"))
        self.waiting.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.waiting.currentRowChanged.connect(self._chosen)
        self._waiting_count = plain_label("soft", wrap=True)
        column = QVBoxLayout()
        column.addWidget(self._waiting_count)
        column.addWidget(self.waiting, 1)
        return column

    def _right(self) -> QVBoxLayout:
        hint = plain_label("soft", wrap=True)
        keys = {name: BY_NAME[name].shown_key for name in ("add_flag", "take_back")}
        hint.setText(words("readings.hint", add=keys["add_flag"], off=keys["take_back"]))
        self.seen = QListWidget()
        self.seen.setAccessibleName(words("readings.seen"))
        self.seen.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.seen.setSelectionMode(QListWidget.SelectionMode.NoSelection)
        self.mark, self.unmark = (CommandButton(name, self._actions[name]) for name in ("add_flag", "take_back"))
        self.mark.setText(f"{words('readings.mark')}  [{keys['add_flag']}]")
        self.unmark.setText(f"{words('readings.unmark')}  [{keys['take_back']}]")
        marks = QHBoxLayout()
        marks.addWidget(self.mark)
        marks.addWidget(self.unmark)
        self.note = QLineEdit()
        self.note.setMaxLength(500)
        self.note.setPlaceholderText(words("readings.note"))
        self.note.setAccessibleName(words("readings.note"))
        self.give = QPushButton()
        self.give.setProperty("role", "decide")
        self.give.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.give.clicked.connect(self._log)
        self._missing = plain_label("soft", wrap=True)
        column = QVBoxLayout()
        column.addWidget(hint)
        column.addLayout(marks)
        column.addWidget(self.seen, 1)
        column.addWidget(self.note)
        column.addWidget(self.give)
        column.addWidget(self._missing)
        return column

    # What is asked for

    def open(self) -> None:
        """Read who waits for the person at the desk."""
        person = self._who()
        self.draw.setEnabled(person is not None and person.role in _ASKING)
        self._presenter.open(person.name if person is not None else "")

    def use_theme(self, theme: Theme, size_px: int) -> None:
        super().use_theme(theme, size_px)
        self.panel.use_size(size_px)

    def _chosen(self, row: int) -> None:
        waiting = self._presenter.state.waiting
        if 0 <= row < len(waiting):
            self._presenter.choose(waiting[row])
            self.panel.view.setFocus()

    def _ask_kind(self) -> None:
        view = self.panel.view
        picture = view.picture
        if picture is None:
            return
        menu = kind_menu(
            self,
            words("readings.which"),
            lambda kind: self._presenter.mark(picture.places, view.selected, kind),
            self._theme,
            READING_KINDS,
        )
        menu.scanned.connect(self.scanned)
        menu.popup(view.mapToGlobal(QPoint(8, 8)))

    def _turn(self) -> None:
        view = self.panel.view
        if view.count > 1:
            view.turn_to((view.number + 1) % view.count)

    def _zoom(self) -> None:
        view = self.panel.view
        index = view.picture.places.index_of(view.selected) if view.picture and view.selected else None
        if view.picture is not None and index is not None:
            view.zoom_to(view.picture.places.quads[index], 0.8)

    def _read_again(self) -> None:
        if self._presenter.state.picture is PictureState.FAILED:
            self._want_picture()

    def _log(self) -> None:
        self._presenter.log(self.note.text())

    # Showing the state

    def _show(self, state: ReadingsState) -> None:
        self._show_waiting(state)
        if state.empty and not state.busy:
            lost = state.notice is not None and state.notice.tone is Tone.FAILED
            self.say(state.notice.text if lost and state.notice is not None else state.empty)
        elif state.result is not None:
            self.show_body(words(f"purpose.{state.result.purpose}"))
        here = state.current.inspection if state.current is not None and state.result is not None else ""
        if here != self._on_screen:
            self._on_screen = here
            self.note.clear()
            self.panel.show_words(_panel_words(state))
            self._want_picture()
        self.panel.view.set_lines(state.lines, None)
        self._show_seen(state)
        notice = state.notice
        self.tell(notice.text if notice is not None else "", _ROLES[notice.tone] if notice is not None else "soft")

    def _show_waiting(self, state: ReadingsState) -> None:
        if [self.waiting.item(row).text() for row in range(self.waiting.count())] != [
            each.serial for each in state.waiting
        ]:
            with QSignalBlocker(self.waiting):
                self.waiting.clear()
                self.waiting.addItems([each.serial for each in state.waiting])
        row = state.waiting.index(state.current) if state.current in state.waiting else -1
        with QSignalBlocker(self.waiting):
            self.waiting.setCurrentRow(row)
        count = words("readings.waiting_count", n=len(state.waiting))
        self._waiting_count.setText(f"{count} {words('readings.others', n=state.others)}" if state.others else count)

    def _show_seen(self, state: ReadingsState) -> None:
        self.seen.clear()
        self.seen.addItems([line.title for line in state.lines])
        n = len(state.seen)
        said = words("readings.log_cells", n=n) if n else words("readings.log_nothing")
        self.give.setText(f"{said}  [{BY_NAME['accept'].shown_key}]")
        self.give.setEnabled(not state.missing and not state.busy)
        self._missing.setText(state.missing)
        self.mark.setEnabled(state.picture is PictureState.SHOWN)
        self.unmark.setEnabled(bool(state.seen))

    # The picture

    def _want_picture(self) -> None:
        state = self._presenter.state
        if state.current is None or state.result is None:
            self.panel.show_message(words("desktop.picture.loading"), working=True)
            return
        ready = self._pictures.want(state.current.inspection, state.result)
        if ready is None:
            self.panel.show_message(words("desktop.picture.loading"), state.result.image.path, working=True)
        else:
            self._picture_ready(state.current.inspection, ready)

    def _picture_ready(self, inspection: str, pictures: tuple[Picture, ...]) -> None:
        state = self._presenter.state
        if inspection == self._on_screen and state.result is not None:
            scheme = scheme_of(Review("", state.result))
            self.panel.show_pictures(pictures, scheme, inspection, state.result.quality.mm_per_px)
            self.panel.view.setFocus()

    def _picture_failed(self, inspection: str, error: Exception) -> None:
        if inspection == self._on_screen:
            text = str(error) if isinstance(error, ElinspectError) else words("desktop.unexpected", cause=str(error))
            self.panel.show_message(words("desktop.picture.failed"), text, again=True)
            self._presenter.picture_failed()


def _panel_words(state: ReadingsState) -> PanelWords | None:
    """Say which panel it is, and that nothing else is said."""
    if state.current is None or state.result is None:
        return None
    facts = words("desktop.layout", layout=str(state.result.panel.layout))
    blind = words("readings.blind")
    return PanelWords(state.current.serial, facts, "", words("readings.title"), blind, blind)
