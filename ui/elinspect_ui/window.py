"""The window: panes put together, actions for every command, pictures read in the background."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from PySide6.QtCore import QTimer
from PySide6.QtGui import QAction, QCloseEvent, QKeySequence, QResizeEvent
from PySide6.QtWidgets import (
    QApplication,
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QMenu,
    QSplitter,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.records import Address, Answer, Disposition, ElImage
from elinspect.review.desk import Desk, EarlierPicture
from elinspect.review.session import Review
from elinspect_ui.desk_hands import DeskHands
from elinspect_ui.jobs import Jobs
from elinspect_ui.pages import Page, PageWidget
from elinspect_ui.panes.decision_pane import DecisionPane
from elinspect_ui.panes.earlier import Earlier
from elinspect_ui.panes.flag_pane import FlagPane
from elinspect_ui.panes.help_window import HelpWindow
from elinspect_ui.panes.kind_choice import KindChoice
from elinspect_ui.panes.labels import key_line
from elinspect_ui.panes.page_bar import PageBar
from elinspect_ui.panes.panel_pane import PanelPane
from elinspect_ui.panes.queue_pane import QueuePane
from elinspect_ui.panes.unread_window import UnreadWindow
from elinspect_ui.panes.walk_strip import WalkStrip
from elinspect_ui.pictures import Pictures
from elinspect_ui.presenters.commands import COMMANDS, GROUPS
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.presenters.panel_words import panel_words
from elinspect_ui.presenters.queue import queue_lines, waiting_count
from elinspect_ui.presenters.shift import clock_line, shift_start, shift_words, unread_words
from elinspect_ui.presenters.state import Asked, Busy, GateState, PictureState
from elinspect_ui.presenters.walk import Walk, may_practise
from elinspect_ui.theme import DARK, LIGHT, style_sheet, text_px
from elinspect_ui.viewer.picture import Contrast, Picture

POLL_MS = 500
"""How often the queue is read; the log asks for 250 ms at least between two readings."""
FIGURES_MS = 5_000
"""How often the figures of the shift and the files that could not be inspected are read."""
CLOSE_MS = 20_000
"""Longest wait at the end for an answer that is being written."""


@dataclass(frozen=True, slots=True)
class WindowSettings:
    """What the window needs to know beside the desk.

    Attributes
    ----------
    title : str
        What stands in the title bar after the program's name.
    who : str
        Inspector and station, as shown.
    light : bool
        Begin with the light theme.
    pages : sequence of Page
        Pages beside the gate.
    takts : mapping from str to float
        Takt of each station in seconds; under ``""`` that of every other.
    shifts : sequence of str
        When shifts begin, ``06:00``.
    lock_after_s : float or None
        The window locks itself after so long without a key or a touch; never with None, or where nobody has a PIN.
    walk : bool
        Lead through the gate on the first practice panel.
    """

    title: str = ""
    who: str = ""
    light: bool = False
    pages: Sequence[Page] = ()
    takts: Mapping[str, float] = field(default_factory=dict)
    shifts: Sequence[str] = ()
    lock_after_s: float | None = 600.0
    walk: bool = False


class GateWindow(QMainWindow):
    """The reviewer's window.

    Parameters
    ----------
    desk : Desk
        The place to review panels.
    settings : WindowSettings
        Title and addresses.
    read : callable
        Reads an exposure from its file; called in the background.
    """

    def __init__(self, desk: Desk, settings: WindowSettings, read: Callable[[Path], ElImage]) -> None:
        super().__init__()
        self._settings = settings
        self._theme = LIGHT if settings.light else DARK
        self._larger = 0
        self._size_px = 0
        self._writer = Jobs(1, self)
        self._page_jobs = Jobs(1, self)
        self._pages: dict[str, PageWidget] = {}
        self._pictures = Pictures(Jobs(2, self), read, self._picture_ready, self._picture_failed)
        self._presenter = GatePresenter(desk, self._writer.submit, self._show, settings.takts)
        self._since = shift_start(settings.shifts, datetime.now().astimezone()).isoformat(timespec="seconds")
        self._clock_from: float | None = None
        self._seconds: list[float] = []
        self._earlier: Earlier | None = None
        self._on_screen: str | None = None
        self._shown: GateState | None = None
        self._problem = ""
        self._help: HelpWindow | None = None
        self._walk: Walk | None = None
        self._walked = False
        self._whole = False
        self._panel_share = 0.63
        self._actions = self._make_actions()
        self._build()
        self._desk_hands = DeskHands(self, desk, self._writer, self._front, self._person_changed)
        self._kinds = KindChoice(self, self._panel, self._presenter)
        self._connect()
        self._apply_theme()
        self._poll = QTimer(self)
        self._poll.setInterval(POLL_MS)
        self._poll.timeout.connect(self._presenter.poll)
        self._poll.timeout.connect(self._show_news)
        self._seconds_timer = QTimer(self)
        self._seconds_timer.setInterval(1000)
        self._seconds_timer.timeout.connect(self._tick)
        self._figures_timer = QTimer(self)
        self._figures_timer.setInterval(FIGURES_MS)
        self._figures_timer.timeout.connect(lambda: self._presenter.read_figures(self._since))
        self._show(self._presenter.state)

    # Putting together

    def _make_actions(self) -> dict[str, QAction]:
        does: dict[str, Callable[[], object]] = {
            "next_flag": lambda: self._step_flag(1),
            "previous_flag": lambda: self._step_flag(-1),
            "confirm": lambda: self._presenter.confirm(),
            "dismiss": lambda: self._presenter.dismiss(),
            "confirm_cell": lambda: self._presenter.answer_alike(Answer.CONFIRMED, whole_string=False),
            "dismiss_cell": lambda: self._presenter.answer_alike(Answer.DISMISSED, whole_string=False),
            "confirm_string": lambda: self._presenter.answer_alike(Answer.CONFIRMED, whole_string=True),
            "change_kind": lambda: self._kinds.change(),
            "redraw": lambda: self._kinds.redraw(),
            "note": lambda: self._presenter.ask_note(),
            "add_flag": lambda: self._kinds.add(),
            "take_back": lambda: self._presenter.take_back(),
            "undo": lambda: self._presenter.undo(),
            "redo": lambda: self._presenter.redo(),
            "accept": lambda: self._presenter.ask(Disposition.ACCEPT),
            "rework": lambda: self._presenter.ask(Disposition.REWORK),
            "hold": lambda: self._presenter.ask(Disposition.HOLD),
            "concession": lambda: self._presenter.ask(Disposition.CONCESSION),
            "scrap": lambda: self._presenter.ask(Disposition.SCRAP),
            "withdraw": lambda: self._presenter.ask_take_back(),
            "scan": lambda: self._presenter.ask_serial(),
            "unread": self._open_unread,
            "earlier": self._toggle_earlier,
            "rule": self._toggle_rule,
            "next_picture": self._turn_picture,
            "sign_in": lambda: self._desk_hands.ask(),
            "lock": lambda: self._desk_hands.lock(),
            "next_panel": lambda: self._presenter.step_panel(1),
            "previous_panel": lambda: self._presenter.step_panel(-1),
            "open_again": self._open_again,
            "zoom_flag": self._zoom_flag,
            "fit": lambda: self._panel.view.fit(),
            "zoom_in": lambda: self._panel.view.zoom(1.25),
            "zoom_out": lambda: self._panel.view.zoom(0.8),
            "true_pixels": lambda: self._panel.view.true_pixels(),
            "cell_left": lambda: self._step_cell(-1, 0),
            "cell_right": lambda: self._step_cell(1, 0),
            "cell_up": lambda: self._step_cell(0, -1),
            "cell_down": lambda: self._step_cell(0, 1),
            "marks": self._toggle_marks,
            "whole_cell": self._toggle_whole_cell,
            "lighter": lambda: self._panel.step_middle(8),
            "darker": lambda: self._panel.step_middle(-8),
            "contrast_reset": lambda: self._panel.reset_contrast(),
            "page_gate": lambda: self.show_page("gate"),
            "page_technician": lambda: self.show_page("technician"),
            "page_figures": lambda: self.show_page("figures"),
            "theme": self._toggle_theme,
            "larger_text": lambda: self._step_text(1),
            "smaller_text": lambda: self._step_text(-1),
            "help": self._open_help,
            "walk": self._begin_walk,
            "close": self.close,
        }
        actions = {}
        for command in COMMANDS:
            action = QAction(command.text, self)
            action.setShortcuts([QKeySequence(key) for key in command.keys])
            # A key held down answers one flag, not one after the other.
            action.setAutoRepeat(command.group == "view")
            action.triggered.connect(lambda _checked=False, do=does[command.name]: do())
            self.addAction(action)
            actions[command.name] = action
        return actions

    def _build(self) -> None:
        title = words("desktop.title")
        self.setWindowTitle(f"{title} · {self._settings.title}" if self._settings.title else title)
        self.setMinimumSize(960, 600)
        self.resize(1366, 768)
        for group in GROUPS:
            menu = QMenu(words(f"desktop.menu.{group}"), self)
            for command in COMMANDS:
                if command.group == group:
                    menu.addAction(self._actions[command.name])
            self.menuBar().addMenu(menu)
        self._who = QLabel(self._settings.who)
        self._who.setProperty("role", "soft")
        self._page_bar = PageBar(["gate", *(page.name for page in self._settings.pages)], self._actions)
        self._page_bar.setVisible(bool(self._settings.pages))
        self._corner = corner = QWidget()  # the menu bar does not keep it alive
        row = QHBoxLayout(corner)
        row.setContentsMargins(8, 2, 8, 0)
        row.setSpacing(12)
        row.addWidget(self._page_bar)
        row.addWidget(self._who)
        self.menuBar().setCornerWidget(corner)
        self._queue = QueuePane(self._actions)
        self._panel = PanelPane(self._actions)
        self._flag = FlagPane(self._actions)
        self._decision = DecisionPane(self._actions)
        self._keys = key_line([command for command in COMMANDS if command.line])
        self._keys.setContentsMargins(8, 0, 8, 0)
        self._keys.setMinimumWidth(1)
        self._splitter = QSplitter()
        self._splitter.addWidget(self._panel)
        self._splitter.addWidget(self._flag)
        self._splitter.splitterMoved.connect(self._splitter_moved)
        self._splitter.setChildrenCollapsible(False)
        ground = QWidget()
        ground.setObjectName("ground")
        layout = QVBoxLayout(ground)
        layout.setContentsMargins(4, 0, 4, 2)
        layout.setSpacing(4)
        self._strip = WalkStrip()
        self._strip.left.connect(self._leave_walk)
        layout.addWidget(self._strip)
        layout.addWidget(self._queue)
        layout.addWidget(self._splitter, 1)
        layout.addWidget(self._decision)
        foot = QHBoxLayout()
        foot.addWidget(self._keys, 1)
        self._shift = QLabel()
        self._shift.setProperty("role", "keys")
        self._shift.setAccessibleName(words("desktop.shift.name"))
        self._shift.setContentsMargins(0, 0, 8, 0)
        foot.addWidget(self._shift)
        layout.addLayout(foot)
        self._front = QStackedWidget()
        self._front.addWidget(ground)
        self.setCentralWidget(self._front)
        self._page_bar.show_front("gate")
        offered = {page.name for page in self._settings.pages}
        for name in ("technician", "figures"):
            self._actions[f"page_{name}"].setVisible(name in offered)

    def _connect(self) -> None:
        self._queue.opened.connect(self._presenter.open)
        self._panel.again.connect(self._read_picture_again)
        self._panel.contrast_changed.connect(self._contrast_changed)
        view = self._panel.view
        view.shown.connect(self._picture_painted)
        view.chosen.connect(self._cell_chosen)
        self._flag.asked.connect(self._presenter.go_to)
        view.looked.connect(self._looked)
        view.turned.connect(self._picture_turned)
        view.measured.connect(self._measured)
        self._decision.written.connect(self._presenter.written)
        self._decision.left.connect(self._presenter.leave_reason)

    def start(self, inspection: str | None = None) -> None:
        """Begin to read the log; the given panel is opened first."""
        if inspection is not None:
            self._presenter.open(inspection)
        self._presenter.poll()
        self._presenter.read_figures(self._since)
        self._poll.start()
        self._seconds_timer.start()
        self._figures_timer.start()
        self._desk_hands.start(self._settings.lock_after_s)

    # Showing the state

    @property
    def state(self) -> GateState:
        """What is shown."""
        return self._presenter.state

    def _show(self, state: GateState) -> None:
        """Show a state; panes whose part did not change are left alone, so that the next flag is there at once."""
        before, self._shown = self._shown, state
        if self._walk is not None and before is not None:
            self._walk = self._walk.after(before, state)
            self._strip.show_walk(self._walk)
        review = state.review
        here = review.inspection if review is not None else None
        if before is None or (state.panels, state.queue_problem, here) != (
            before.panels,
            before.queue_problem,
            self._on_screen,
        ):
            waiting = waiting_count(state.panels)
            lines = queue_lines(state.panels, here)
            self._queue.show_lines(lines, waiting, len(state.panels) - waiting, state.queue_problem)
            if state.picture is PictureState.SHOWN:
                self._presenter.look_ahead(self._pictures.prefetch)
        if before is None or review is not before.review:
            self._panel.show_words(panel_words(review) if review is not None else None)
        if here != self._on_screen:
            self._change_panel(here)
        elif review is None:
            self._show_empty()
        if before is None or (state.lines, state.current) != (before.lines, before.current):
            line = state.line
            self._panel.view.set_lines(state.lines, line.flag.id if line is not None else None)
            self._flag.show_selected(self._panel.view.selected)
            self._flag.show_state(state)
        self._flag.enable_buttons(state)
        if before is None or (state.shift, state.unread) != (before.shift, before.unread):
            self._show_figures(state)
        if before is not None and _decisions(state) > _decisions(before):
            self._note_seconds()
            self._presenter.read_figures(self._since)
        if state.asking is None and (self._decision.reason.hasFocus() or self._decision.owner.hasFocus()):
            self._panel.view.setFocus()  # otherwise the next key would still be written into the reason
        self._decision.show_state(state)

    def _change_panel(self, inspection: str | None) -> None:
        self._on_screen = inspection
        self._clock_from = None
        self._drop_earlier()
        self._flag.show_pictures(())
        review = self._presenter.state.review
        if inspection is None or review is None:
            self._show_empty()
            return
        ready = self._pictures.want(inspection, review.result)
        if ready is None:
            self._panel.show_message(words("desktop.picture.loading"), review.result.image.path, working=True)
        else:
            self._picture_ready(inspection, ready)

    def _show_empty(self) -> None:
        state = self._presenter.state
        if state.busy is Busy.OPENING:
            self._panel.show_message(words("desktop.opening"), working=True)
        elif state.queue_problem is not None:
            self._panel.show_message(words("desktop.empty.log"), state.queue_problem)
        else:
            done = bool(state.panels)
            self._panel.show_message(
                words("desktop.empty.done" if done else "desktop.empty.first"), words("desktop.empty.hint")
            )

    # Pictures

    def _picture_ready(self, inspection: str, pictures: tuple[Picture, ...]) -> None:
        if inspection == self._on_screen:
            state = self._presenter.state
            mm_per_px = state.review.result.quality.mm_per_px if state.review is not None else None
            self._panel.show_pictures(pictures, state.scheme, inspection, mm_per_px)
            self._flag.show_pictures(pictures)
            self._panel.view.set_lines(state.lines, state.line.flag.id if state.line is not None else None)
            self._flag.show_selected(self._panel.view.selected)
        elif self._earlier is not None and inspection == self._earlier.review.inspection:
            self._earlier.show(self._panel, pictures)

    def _picture_failed(self, inspection: str, error: Exception) -> None:
        if inspection == self._on_screen:
            text = str(error) if isinstance(error, ElinspectError) else words("desktop.unexpected", cause=str(error))
            self._panel.show_message(words("desktop.picture.failed"), text, again=True)
            self._presenter.picture_failed(inspection)
        elif self._earlier is not None and inspection == self._earlier.review.inspection:
            self._drop_earlier()
            self._presenter.say_refused(str(error))

    def _picture_painted(self) -> None:
        if self._on_screen is not None:
            self._presenter.picture_shown(self._on_screen)
            if self._settings.walk and not self._walked and may_practise(self.state):
                self._walked = True
                self._begin_walk()
            if self._clock_from is None:
                self._clock_from = time.monotonic()
                self._tick()
            self._presenter.look_ahead(self._pictures.prefetch)

    def _turn_picture(self) -> None:
        view = self._panel.view
        if view.count > 1:
            view.turn_to((view.number + 1) % view.count)
        elif view.count:
            self._presenter.say_hint(words("desktop.picture.only_one"))

    def _picture_turned(self) -> None:
        if self._earlier is not None:
            ready = self._pictures.kept(self._earlier.review.inspection)
            if ready is not None:
                self._earlier.show(self._panel, ready)
            else:  # the words above the picture must not outlive it
                self._drop_earlier()

    def _read_picture_again(self) -> None:
        review = self._presenter.state.review
        if review is not None:
            self._panel.show_message(words("desktop.picture.loading"), review.result.image.path, working=True)
            self._pictures.want(review.inspection, review.result)

    def _open_again(self) -> None:
        self._presenter.open_again()
        if self._presenter.state.picture is PictureState.FAILED:
            self._read_picture_again()

    def _contrast_changed(self, contrast: Contrast) -> None:
        self._flag.show_contrast(contrast)

    # Flags and cells

    def _step_flag(self, step: int) -> None:
        self._presenter.step_flag(step)

    def _cell_chosen(self, address: Address) -> None:
        """Go to the first flag of a cell that was clicked; a cell without flags is only selected."""
        found = next((line for line in self.state.lines if _is_on(line.flag.string, line.flag.position, address)), None)
        if found is not None:
            self._presenter.go_to(found.flag.id)
        self._flag.show_selected(address)

    def _step_cell(self, right: int, down: int) -> None:
        self._panel.view.step_selection(right, down)
        if self._panel.view.selected is not None:
            self._cell_chosen(self._panel.view.selected)

    def _zoom_flag(self) -> None:
        view, line = self._panel.view, self.state.line
        if line is not None and _is_on(line.flag.string, line.flag.position, view.selected):
            view.turn_to(line.flag.tile)
        picture = view.picture
        if picture is None:
            return
        index = picture.places.index_of(view.selected) if view.selected is not None else None
        if line is not None and line.flag.outline_px and _is_on(line.flag.string, line.flag.position, view.selected):
            view.zoom_to(picture.places.to_gate(np.array(line.flag.outline_px, dtype=np.float64)))
        elif index is not None:
            view.zoom_to(picture.places.quads[index], 0.8)

    def _toggle_marks(self) -> None:
        shown = not self._panel.view.marks_shown
        self._panel.view.show_marks(shown)
        self._flag.show_marks(shown)

    def _toggle_whole_cell(self) -> None:
        self._whole = not self._whole
        self._flag.show_whole_cell(self._whole)

    def _looked(self, unseen: int) -> None:
        if self._on_screen is not None:
            self._presenter.cells_seen(self._on_screen, unseen)

    def _toggle_rule(self) -> None:
        view = self._panel.view
        if view.measuring:
            view.leave_rule()
        elif view.picture is not None:
            view.begin_rule()
            self._panel.show_banner(words("desktop.rule.begin"))

    def _measured(self, length: str) -> None:
        self._panel.show_banner(words("desktop.rule.length", length=length) if length else "")

    # The earlier picture

    def _toggle_earlier(self) -> None:
        if self._earlier is not None:
            self._drop_earlier()
        else:
            self._presenter.look_at_earlier(self._earlier_found)

    def _earlier_found(self, found: EarlierPicture, review: Review) -> None:
        self._earlier = Earlier(found, review)
        self._panel.show_banner(words("desktop.earlier.loading"))
        ready = self._pictures.kept(review.inspection)
        if ready is not None:
            self._earlier.show(self._panel, ready)
        else:
            self._pictures.prefetch(review.inspection, review.result)

    def _drop_earlier(self) -> None:
        if self._earlier is not None:
            self._earlier = None
            self._panel.view.show_earlier(None)
            self._panel.show_banner("")

    # The clock and the figures of the shift

    def _tick(self) -> None:
        elapsed = time.monotonic() - self._clock_from if self._clock_from is not None else 0.0
        review = self.state.review
        station = next(
            (panel.station for panel in self.state.panels if review and panel.inspection == review.inspection), ""
        )
        takts = self._settings.takts
        self._queue.clock.show_line(clock_line(elapsed, takts.get(station, takts.get(""))))

    def _note_seconds(self) -> None:
        if self._clock_from is not None:
            self._seconds.append(time.monotonic() - self._clock_from)

    def _show_figures(self, state: GateState) -> None:
        self._queue.show_unread(len(state.unread))
        if state.shift is not None:
            short, detail = shift_words(state.shift, self._seconds)
            self._shift.setText(short)
            self._shift.setToolTip(detail)

    def _open_unread(self) -> None:
        window = UnreadWindow(unread_words(self.state.unread), self)
        window.resize(round(self.width() * 0.55), round(self.height() * 0.7))
        window.show()

    # Who is at the desk

    def _person_changed(self, shown: str) -> None:
        self._who.setText(shown)
        self._presenter.open_again()

    # Pages

    def show_page(self, name: str) -> None:
        """Bring the gate or another page to the front; the gate's keys are off while it is not."""
        if name != "gate" and name not in self._pages:
            page = next((page for page in self._settings.pages if page.name == name), None)
            if page is None:
                return
            self._pages[name] = page.make(self._page_jobs)
            self._pages[name].use_theme(self._theme, self._size_px)
            self._front.addWidget(self._pages[name])
        for command in COMMANDS:
            self._actions[command.name].setEnabled(name == "gate" or command.group == "window")
        if name == "gate":
            self._front.setCurrentIndex(0)
            self._shown = None
            self._show(self._presenter.state)
            self._panel.view.setFocus()
        else:
            self._front.setCurrentWidget(self._pages[name])
            self._pages[name].open()
            self._pages[name].setFocus()
        self._page_bar.show_front(name)

    def _show_news(self) -> None:
        for page in self._settings.pages:
            self._page_bar.show_news(page.name, page.news())

    # The window itself

    def _toggle_theme(self) -> None:
        self._theme = DARK if self._theme is LIGHT else LIGHT
        self._size_px = 0
        self._apply_theme()
        self._shown = None
        self._show(self._presenter.state)

    def _step_text(self, steps: int) -> None:
        self._larger = max(-2, min(6, self._larger + steps))
        self._apply_theme()

    def _apply_theme(self) -> None:
        size = text_px(self.height(), self._larger)
        if size == self._size_px:
            return
        self._size_px = size
        self.setStyleSheet(style_sheet(self._theme, size))
        self._kinds.theme = self._theme
        self._queue.use_theme(self._theme, size)
        self._flag.use_theme(self._theme, size)
        self._panel.use_size(size)
        self._desk_hands.page.use_size(size)
        self._decision.use_theme(self._theme, size)
        for page in self._pages.values():
            page.use_theme(self._theme, size)

    def _begin_walk(self) -> None:
        """Lead through the gate; only where nothing that is tried counts."""
        if may_practise(self.state):
            self._walk = Walk()
            self._strip.show_walk(self._walk)
        else:
            self._presenter.say_refused(words("desktop.walk.production"))

    def _leave_walk(self) -> None:
        self._walk = None
        self._strip.show_walk(None)

    def _help_topic(self) -> str:
        """Return which help belongs to where the focus is, or what is being done."""
        if self._desk_hands.asking or self.state.asking is Asked.SERIAL:
            return "people"
        if self.state.asking is not None:
            return "decision"
        focus = QApplication.focusWidget()
        if focus is not None and self._decision.isAncestorOf(focus):
            return "decision"
        if focus is not None and self._flag.isAncestorOf(focus):
            return "flags"
        return "picture" if self._panel.view.measuring or self._panel.view.earlier_shown else "gate"

    def _open_help(self) -> None:
        topic = self._help_topic()
        if self._help is None:
            self._help = HelpWindow(self)
        self._help.show_topic(topic)
        self._help.resize(round(self.width() * 0.6), round(self.height() * 0.85))
        self._help.move(self.geometry().center() - self._help.rect().center())
        self._help.show()
        self._help.raise_()
        self._help.activateWindow()

    def _splitter_moved(self) -> None:
        left, right = self._splitter.sizes()
        self._panel_share = left / max(1, left + right)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._apply_theme()
        left = round(self.width() * self._panel_share)
        self._splitter.setSizes([left, self.width() - left])

    def closeEvent(self, event: QCloseEvent) -> None:
        for timer in (self._poll, self._seconds_timer, self._figures_timer):
            timer.stop()
        self._desk_hands.stop()
        self._pictures.close()
        self._page_jobs.close(2_000, finish=False)
        QApplication.setOverrideCursor(self.cursor())
        self._writer.close(CLOSE_MS, finish=True)
        QApplication.restoreOverrideCursor()
        super().closeEvent(event)


def _decisions(state: GateState) -> int:
    return sum(panel.decision is not None for panel in state.panels)


def _is_on(string: int | None, position: int | None, address: Address | None) -> bool:
    return address is not None and (string, position) == (address.string, address.position)
