"""The window: panes put together, what every command does, the state shown."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from PySide6.QtCore import QTimer
from PySide6.QtGui import QCloseEvent, QResizeEvent
from PySide6.QtWidgets import QApplication, QHBoxLayout, QLabel, QMainWindow, QSplitter, QVBoxLayout, QWidget

from elinspect.catalogue import words
from elinspect.records import Answer, Disposition, ElImage
from elinspect.review.desk import Desk
from elinspect_ui.actions import make_actions
from elinspect_ui.desk_hands import DeskHands
from elinspect_ui.front import Front
from elinspect_ui.guidance import Guidance
from elinspect_ui.jobs import Jobs
from elinspect_ui.pages import Page
from elinspect_ui.panel_on_screen import PanelOnScreen
from elinspect_ui.panes.decision_pane import DecisionPane
from elinspect_ui.panes.flag_pane import FlagPane
from elinspect_ui.panes.kind_choice import KindChoice
from elinspect_ui.panes.labels import key_line
from elinspect_ui.panes.page_bar import MenuCorner
from elinspect_ui.panes.panel_pane import PanelPane
from elinspect_ui.panes.queue_pane import QueuePane
from elinspect_ui.panes.unread_window import UnreadWindow
from elinspect_ui.presenters.commands import COMMANDS
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.presenters.panel_words import panel_words
from elinspect_ui.presenters.queue import queue_lines, waiting_count
from elinspect_ui.presenters.shift import unread_words
from elinspect_ui.presenters.state import Asked, GateState, PictureState
from elinspect_ui.shift_clock import ShiftClock
from elinspect_ui.theme import DARK, LIGHT, style_sheet, text_px

POLL_MS = 500
"""How often the queue is read; the log asks for 250 ms at least between two readings."""
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
        self._panel_share = 0.63
        self._shown: GateState | None = None
        self._writer = Jobs(1, self)
        self._presenter = GatePresenter(desk, self._writer.submit, self._show, settings.takts)
        self._actions = make_actions(self, self._deeds())
        self._queue, self._panel = QueuePane(self._actions), PanelPane(self._actions)
        self._flag, self._decision = FlagPane(self._actions), DecisionPane(self._actions)
        self._on_screen = PanelOnScreen(self._panel, self._flag, self._presenter, read)
        self._clock = ShiftClock(self._presenter, self._queue, settings.takts, settings.shifts)
        self._guidance = Guidance(self, self._presenter, self._help_topic, settings.walk)
        self._front = Front(self._gate(), settings.pages, self._actions)
        self._build()
        self._desk_hands = DeskHands(self, desk, self._writer, self._front, self._person_changed)
        self._kinds = KindChoice(self, self._panel, self._presenter)
        self._connect()
        self._apply_theme()
        self._poll = QTimer(self)
        self._poll.setInterval(POLL_MS)
        self._poll.timeout.connect(self._presenter.line.poll)
        self._poll.timeout.connect(self._front.show_news)
        self._show(self._presenter.state)

    # Putting together

    def _deeds(self) -> dict[str, Callable[[], object]]:
        """Return what each command does; the parts of the window are looked up when it is done."""
        return {**self._review_deeds(), **self._view_deeds()}

    def _review_deeds(self) -> dict[str, Callable[[], object]]:
        gate = self._presenter
        return {
            "next_flag": lambda: gate.flags.step(1),
            "previous_flag": lambda: gate.flags.step(-1),
            "confirm": gate.flags.confirm,
            "dismiss": gate.flags.dismiss,
            "confirm_cell": lambda: gate.flags.answer_alike(Answer.CONFIRMED, whole_string=False),
            "dismiss_cell": lambda: gate.flags.answer_alike(Answer.DISMISSED, whole_string=False),
            "confirm_string": lambda: gate.flags.answer_alike(Answer.CONFIRMED, whole_string=True),
            "change_kind": lambda: self._kinds.change(),
            "redraw": lambda: self._kinds.redraw(),
            "note": gate.flags.ask_note,
            "add_flag": lambda: self._kinds.add(),
            "take_back": gate.flags.take_back,
            "undo": gate.flags.undo,
            "redo": gate.flags.redo,
            "accept": lambda: gate.decisions.ask(Disposition.ACCEPT),
            "rework": lambda: gate.decisions.ask(Disposition.REWORK),
            "hold": lambda: gate.decisions.ask(Disposition.HOLD),
            "concession": lambda: gate.decisions.ask(Disposition.CONCESSION),
            "scrap": lambda: gate.decisions.ask(Disposition.SCRAP),
            "withdraw": gate.decisions.ask_take_back,
            "scan": self._ask_serial,
            "unread": self._open_unread,
            "next_panel": lambda: gate.line.step_panel(1),
            "previous_panel": lambda: gate.line.step_panel(-1),
            "open_again": lambda: self._on_screen.open_again(),
        }

    def _view_deeds(self) -> dict[str, Callable[[], object]]:
        return {
            "earlier": lambda: self._on_screen.toggle_earlier(),
            "rule": lambda: self._on_screen.toggle_rule(),
            "next_picture": lambda: self._on_screen.turn_picture(),
            "zoom_flag": lambda: self._on_screen.zoom_flag(),
            "fit": lambda: self._panel.view.fit(),
            "zoom_in": lambda: self._panel.view.zoom(1.25),
            "zoom_out": lambda: self._panel.view.zoom(0.8),
            "true_pixels": lambda: self._panel.view.true_pixels(),
            "cell_left": lambda: self._on_screen.step_cell(-1, 0),
            "cell_right": lambda: self._on_screen.step_cell(1, 0),
            "cell_up": lambda: self._on_screen.step_cell(0, -1),
            "cell_down": lambda: self._on_screen.step_cell(0, 1),
            "marks": lambda: self._on_screen.toggle_marks(),
            "whole_cell": lambda: self._on_screen.toggle_whole_cell(),
            "lighter": lambda: self._panel.step_middle(8),
            "darker": lambda: self._panel.step_middle(-8),
            "contrast_reset": lambda: self._panel.reset_contrast(),
            "page_gate": lambda: self.show_page("gate"),
            "page_technician": lambda: self.show_page("technician"),
            "page_figures": lambda: self.show_page("figures"),
            "page_readings": lambda: self.show_page("readings"),
            "sign_in": lambda: self._desk_hands.ask(),
            "lock": lambda: self._desk_hands.lock(),
            "theme": self._toggle_theme,
            "larger_text": lambda: self._step_text(1),
            "smaller_text": lambda: self._step_text(-1),
            "help": lambda: self._guidance.open_help(),
            "walk": lambda: self._guidance.begin_walk(),
            "close": self.close,
        }

    def _gate(self) -> QWidget:
        """Return the panes of the gate, laid out."""
        self._splitter = QSplitter()
        self._splitter.addWidget(self._panel)
        self._splitter.addWidget(self._flag)
        self._splitter.splitterMoved.connect(self._splitter_moved)
        self._splitter.setChildrenCollapsible(False)
        keys = key_line([command for command in COMMANDS if command.line])
        keys.setContentsMargins(8, 0, 8, 0)
        keys.setMinimumWidth(1)
        foot = QHBoxLayout()
        foot.addWidget(keys, 1)
        foot.addWidget(self._clock.label)
        ground = QWidget()
        ground.setObjectName("ground")
        layout = QVBoxLayout(ground)
        layout.setContentsMargins(4, 0, 4, 2)
        layout.setSpacing(4)
        layout.addWidget(self._guidance.strip)
        layout.addWidget(self._queue)
        layout.addWidget(self._splitter, 1)
        layout.addWidget(self._decision)
        layout.addLayout(foot)
        return ground

    def _build(self) -> None:
        title = words("desktop.title")
        self.setWindowTitle(f"{title} · {self._settings.title}" if self._settings.title else title)
        ratio = self.devicePixelRatioF()
        self.setMinimumSize(round(960 / ratio), round(600 / ratio))
        self.resize(1366, 768)
        self._who = QLabel(self._settings.who)
        self._who.setProperty("role", "soft")
        self._corner = MenuCorner((self._front.bar, self._who))  # the menu bar does not keep it alive
        self.menuBar().setCornerWidget(self._corner)
        self.setCentralWidget(self._front)

    def _connect(self) -> None:
        self._queue.opened.connect(self._presenter.line.open)
        self._on_screen.changed.connect(self._clock.panel_changed)
        self._on_screen.painted.connect(self._clock.painted)
        self._on_screen.painted.connect(self._guidance.panel_painted)
        self._flag.asked.connect(self._presenter.flags.go_to)
        self._decision.written.connect(self._presenter.written)
        self._decision.left.connect(self._presenter.leave_reason)

    def start(self, inspection: str | None = None) -> None:
        """Begin to read the log; the given panel is opened first."""
        if inspection is not None:
            self._presenter.line.open(inspection)
        self._presenter.line.poll()
        self._poll.start()
        self._clock.start()
        self._desk_hands.start(self._settings.lock_after_s)

    # Showing the state

    @property
    def state(self) -> GateState:
        """What is shown."""
        return self._presenter.state

    def _show(self, state: GateState) -> None:
        """Show a state; panes whose part did not change are left alone, so that the next flag is there at once."""
        before, self._shown = self._shown, state
        if before is not None:
            self._guidance.state_changed(before, state)
        self._show_queue(before, state)
        if before is None or state.review is not before.review:
            self._panel.show_words(panel_words(state.review) if state.review is not None else None)
        self._on_screen.show_state(state)
        if before is None or (state.lines, state.current) != (before.lines, before.current):
            self._on_screen.show_flags(state)
            self._flag.show_state(state)
        self._flag.enable_buttons(state)
        if before is None or (state.shift, state.unread) != (before.shift, before.unread):
            self._clock.show_figures(state)
        if before is not None and _decisions(state) > _decisions(before):
            self._clock.decided()
        if state.asking is None and (self._decision.reason.hasFocus() or self._decision.owner.hasFocus()):
            self._panel.view.setFocus()  # otherwise the next key would still be written into the reason
        self._decision.show_state(state)

    def _show_queue(self, before: GateState | None, state: GateState) -> None:
        here = state.review.inspection if state.review is not None else None
        same = before is not None and (state.panels, state.queue_problem) == (before.panels, before.queue_problem)
        if same and here == self._on_screen.inspection:
            return
        waiting = waiting_count(state.panels)
        lines = queue_lines(state.panels, here)
        self._queue.show_lines(lines, waiting, len(state.panels) - waiting, state.queue_problem)
        if state.picture is PictureState.SHOWN:
            self._on_screen.look_ahead()

    def _ask_serial(self) -> None:
        if self._front.page != "gate":
            self.show_page("gate")
        self._presenter.serial.ask()

    def _open_unread(self) -> None:
        window = UnreadWindow(unread_words(self.state.unread), self)
        window.resize(round(self.width() * 0.55), round(self.height() * 0.7))
        window.show()

    def _person_changed(self, shown: str) -> None:
        self._who.setText(shown)
        self._presenter.line.open_again()
        self._front.look_again()

    def show_page(self, name: str) -> None:
        """Bring the gate or another page to the front."""
        if self._front.bring(name) and name == "gate":
            self._show_anew()
            self._panel.view.setFocus()

    # The window itself

    def _show_anew(self) -> None:
        self._shown = None
        self._show(self._presenter.state)

    def _toggle_theme(self) -> None:
        self._theme = DARK if self._theme is LIGHT else LIGHT
        self._size_px = 0
        self._apply_theme()
        self._show_anew()

    def _step_text(self, steps: int) -> None:
        self._larger = max(-2, min(6, self._larger + steps))
        self._apply_theme()

    def _apply_theme(self) -> None:
        size = text_px(self.height(), self._larger, self.devicePixelRatioF())
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
        self._front.use_theme(self._theme, size)

    def _help_topic(self) -> str:
        """Return which help belongs to where the focus is, or what is being done."""
        if self._front.page != "gate":
            return self._front.page
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

    def _splitter_moved(self) -> None:
        left, right = self._splitter.sizes()
        self._panel_share = left / max(1, left + right)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._apply_theme()
        left = round(self.width() * self._panel_share)
        self._splitter.setSizes([left, self.width() - left])

    def closeEvent(self, event: QCloseEvent) -> None:
        self._poll.stop()
        self._clock.stop()
        self._desk_hands.stop()
        self._on_screen.close()
        self._front.close_pages()
        QApplication.setOverrideCursor(self.cursor())
        self._writer.close(CLOSE_MS, finish=True)
        QApplication.restoreOverrideCursor()
        super().closeEvent(event)


def _decisions(state: GateState) -> int:
    return sum(panel.decision is not None for panel in state.panels)
