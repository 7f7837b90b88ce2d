"""Time at the gate: the clock of the panel on screen, seconds per panel, the figures of the shift."""

import time
from collections.abc import Mapping, Sequence
from datetime import datetime

from PySide6.QtCore import QObject, QTimer
from PySide6.QtWidgets import QLabel

from elinspect.catalogue import words
from elinspect_ui.panes.queue_pane import QueuePane
from elinspect_ui.presenters.gate import GatePresenter
from elinspect_ui.presenters.shift import clock_line, shift_start, shift_words
from elinspect_ui.presenters.state import GateState

FIGURES_MS = 5_000
"""How often the figures of the shift and the files that could not be inspected are read."""


class ShiftClock(QObject):
    """Runs the takt clock from the moment a panel is on screen, and keeps the figures of the shift at the foot.

    Parameters
    ----------
    presenter : GatePresenter
        Whose panels are timed.
    queue : QueuePane
        Holds the clock.
    takts : mapping from str to float
        Takt of each station in seconds; under ``""`` that of every other.
    shifts : sequence of str
        When shifts begin, ``06:00``.

    Attributes
    ----------
    label : QLabel
        The figures of the shift.
    """

    def __init__(
        self, presenter: GatePresenter, queue: QueuePane, takts: Mapping[str, float], shifts: Sequence[str]
    ) -> None:
        super().__init__(queue)
        self._presenter, self._queue, self._takts = presenter, queue, takts
        self._since = shift_start(shifts, datetime.now().astimezone()).isoformat(timespec="seconds")
        self._from: float | None = None
        self._seconds: list[float] = []
        self.label = QLabel()
        self.label.setProperty("role", "keys")
        self.label.setAccessibleName(words("desktop.shift.name"))
        self.label.setContentsMargins(0, 0, 8, 0)
        self._each_second = QTimer(self)
        self._each_second.setInterval(1000)
        self._each_second.timeout.connect(self.tick)
        self._figures = QTimer(self)
        self._figures.setInterval(FIGURES_MS)
        self._figures.timeout.connect(self.read_figures)

    def start(self) -> None:
        """Begin to count."""
        self.read_figures()
        self._each_second.start()
        self._figures.start()

    def stop(self) -> None:
        """Count no more."""
        self._each_second.stop()
        self._figures.stop()

    def read_figures(self) -> None:
        """Read the figures of the shift."""
        self._presenter.line.read_figures(self._since)

    def panel_changed(self) -> None:
        """Another panel comes: its clock begins when its picture is on screen."""
        self._from = None

    def painted(self) -> None:
        """A picture of the panel is on screen."""
        if self._from is None:
            self._from = time.monotonic()
            self.tick()

    def decided(self) -> None:
        """Keep the seconds of a panel that was decided."""
        if self._from is not None:
            self._seconds.append(time.monotonic() - self._from)
        self.read_figures()

    def tick(self) -> None:
        """Show the time on this panel."""
        elapsed = time.monotonic() - self._from if self._from is not None else 0.0
        state = self._presenter.state
        review = state.review
        station = next(
            (panel.station for panel in state.panels if review and panel.inspection == review.inspection), ""
        )
        self._queue.clock.show_line(clock_line(elapsed, self._takts.get(station, self._takts.get(""))))

    def show_figures(self, state: GateState) -> None:
        """Show the figures of the shift as last read."""
        self._queue.show_unread(len(state.unread))
        if state.shift is not None:
            short, detail = shift_words(state.shift, self._seconds)
            self.label.setText(short)
            self.label.setToolTip(detail)
