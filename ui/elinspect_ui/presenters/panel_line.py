"""The line of panels as the window drives it: reading it, opening a panel, looking ahead and back."""

from collections.abc import Callable, Sequence

from elinspect.catalogue import words
from elinspect.records import PanelResult
from elinspect.review.desk import EarlierPicture, ShiftFigures, UnreadFile, WaitingPanel
from elinspect.review.session import Review
from elinspect_ui.presenters.deeds import History
from elinspect_ui.presenters.desk_work import Loaded, in_words, loaded_from
from elinspect_ui.presenters.flag_lines import flag_lines, next_to_answer
from elinspect_ui.presenters.queue import neighbour, next_waiting
from elinspect_ui.presenters.shown import Shown
from elinspect_ui.presenters.state import Busy, Notice, PictureState, Tone


class PanelLine:
    """Reads the queue and opens panels.

    Parameters
    ----------
    shown : Shown
        What is on show.
    """

    def __init__(self, shown: Shown) -> None:
        self._shown = shown
        self._reading_queue = False
        self._unopened: set[str] = set()

    def poll(self) -> None:
        """Read the queue again; the first panel that waits is opened when none is on screen."""
        if self._reading_queue:
            return
        self._reading_queue = True
        self._shown.courier(self._shown.desk.queue, self._queue_read, self._queue_failed)

    def _queue_read(self, panels: Sequence[WaitingPanel]) -> None:
        self._reading_queue = False
        if tuple(panels) != self._shown.state.panels or self._shown.state.queue_problem is not None:
            self._shown.show(panels=tuple(panels), queue_problem=None)
        if self._shown.state.review is None and self._shown.state.busy is None:
            # One that could not be opened is not tried again and again; the inspector still can.
            self.open_next([panel for panel in panels if panel.inspection not in self._unopened])

    def _queue_failed(self, error: Exception) -> None:
        self._reading_queue = False
        self._shown.show(queue_problem=in_words(error))

    def open_next(self, panels: Sequence[WaitingPanel], notice: Notice | None = None) -> None:
        """Open the panel of these that is due next."""
        here = self._shown.state.review.inspection if self._shown.state.review is not None else None
        inspection = next_waiting(panels, here, self._shown.takts)
        if inspection is not None:
            self.open(inspection, notice)

    def read_figures(self, since: str) -> None:
        """Read the figures of the shift, and which files could not be inspected; asked for every few seconds."""

        def done(read: tuple[ShiftFigures, tuple[UnreadFile, ...]]) -> None:
            if read != (self._shown.state.shift, self._shown.state.unread):
                self._shown.show(shift=read[0], unread=read[1])

        # Where the log cannot be read the queue says so.
        self._shown.courier(
            lambda: (self._shown.desk.shift(since), self._shown.desk.unread()), done, lambda _error: None
        )

    def look_at_earlier(self, receive: Callable[[EarlierPicture, Review], None]) -> None:
        """Ask for the newest earlier picture of the panel on screen with what was answered on it."""
        review = self._shown.state.review
        if review is None or self._shown.busy:
            return

        def work() -> tuple[EarlierPicture, Review] | None:
            found = next(iter(self._shown.desk.earlier(review)), None)
            return (found, self._shown.desk.recall(found.inspection)) if found is not None else None

        def done(found: tuple[EarlierPicture, Review] | None) -> None:
            if found is None:
                self._shown.say(words("desktop.earlier.none"), Tone.HINT)
            elif self._shown.is_on_screen(review.inspection):
                receive(*found)

        self._shown.courier(work, done, self._shown.failed)

    def look_ahead(self, receive: Callable[[str, PanelResult], None]) -> None:
        """Ask what the pipeline said about the panel that comes next, so that its picture can be read ahead."""
        here = self._shown.state.review.inspection if self._shown.state.review is not None else None
        inspection = next_waiting(self._shown.state.panels, here, self._shown.takts)
        if inspection is not None:
            coming = inspection
            # If it fails the panel is merely opened more slowly, and says then what is wrong.
            self._shown.courier(
                lambda: self._shown.desk.look(coming), lambda result: receive(coming, result), lambda _error: None
            )

    def step_panel(self, step: int) -> None:
        """Open the panel `step` places further along the line."""
        here = self._shown.state.review.inspection if self._shown.state.review is not None else None
        inspection = neighbour(self._shown.state.panels, here, step)
        if inspection is None:
            self._shown.say(words("desktop.no_further_panel"), Tone.HINT)
        else:
            self.open(inspection)

    def open(self, inspection: str, notice: Notice | None = None, then: Callable[[], None] | None = None) -> None:
        """Open a panel; what is on screen stays until its review has been read. `then` is called once it is."""
        if self._shown.busy:
            return
        self._shown.show(busy=Busy.OPENING, asking=self._shown.question_left, suggestion="", notice=notice)
        desk = self._shown.desk

        def opened(loaded: Loaded) -> None:
            self.opened(loaded)
            if then is not None:
                then()

        def failed(error: Exception) -> None:
            self._unopened.add(inspection)
            self._shown.failed(error)

        self._shown.courier(lambda: loaded_from(desk, desk.open(inspection)), opened, failed)

    def open_again(self) -> None:
        """Read the review on screen, or the queue, from the log again."""
        if self._shown.state.review is None:
            self.poll()
        else:
            self.open(self._shown.state.review.inspection)

    def opened(self, loaded: Loaded) -> None:
        """Show a review that was read at its first flag that needs an answer."""
        state = self._shown.state
        again = self._shown.is_on_screen(loaded.review.inspection)
        shown = state.picture if again and state.picture is PictureState.SHOWN else PictureState.LOADING
        if not again:
            self._shown.history = History()
        lines = flag_lines(loaded.review)
        first = next_to_answer(lines, -1)
        current = (first if first is not None else 0) if lines else None
        self._unopened.discard(loaded.review.inspection)
        unseen = state.unseen if again else len(loaded.review.result.cells)
        self._shown.show_review(loaded, current, lines, picture=shown, unseen=unseen)
