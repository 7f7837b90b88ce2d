"""What the parts of the gate's presenter share: the state on show, the desk, who carries work to it.

No Qt: work on the log is handed to a courier, which in the window runs it on the one thread that talks to the desk and
in tests at once. Until it has come back nothing on screen moves on: a verdict is on disk before the next flag shows.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace

from elinspect.review.desk import Desk
from elinspect_ui.presenters.deeds import History
from elinspect_ui.presenters.desk_work import Courier, Loaded, in_words
from elinspect_ui.presenters.flag_lines import FlagLine
from elinspect_ui.presenters.state import Asked, GateState, Notice, Tone


class Shown:
    """The state of the gate and the one way to change it.

    Parameters
    ----------
    desk : Desk
        The place to review panels.
    courier : Courier
        Runs whatever touches the desk.
    on_change : callable
        Called with the new state after every change.
    takts : mapping from str to float
        Takt of each station in seconds.

    Attributes
    ----------
    state : GateState
        What is shown.
    history : History
        What can be undone in this visit to the panel on screen.
    """

    def __init__(
        self, desk: Desk, courier: Courier, on_change: Callable[[GateState], None], takts: Mapping[str, float]
    ) -> None:
        self.desk = desk
        self.courier = courier
        self.takts = takts
        self.state = GateState()
        self.history = History()
        self._on_change = on_change

    def show(self, **changes: object) -> None:
        """Change the state."""
        self.state = replace(self.state, **changes)  # type: ignore[arg-type]
        self._on_change(self.state)

    @property
    def question_left(self) -> Asked | None:
        """What goes on being asked while panels come and go: a scanner that has begun a label does not stop.

        Its letters would otherwise be taken for commands.
        """
        return Asked.SERIAL if self.state.asking is Asked.SERIAL else None

    def show_review(self, loaded: Loaded, current: int | None, lines: tuple[FlagLine, ...], **changes: object) -> None:
        """Show a review as it came from the log."""
        self.show(
            review=loaded.review,
            lines=lines,
            current=current,
            missing=loaded.missing,
            plan=loaded.plan,
            busy=None,
            can_undo=bool(self.history.undo),
            can_redo=bool(self.history.redo),
            **changes,
        )

    def say(self, text: str, tone: Tone) -> None:
        """Say something to the inspector."""
        self.show(notice=Notice(text, tone))

    @property
    def busy(self) -> bool:
        """Whether work is under way; a key pressed before the next flag was on screen was not meant for it."""
        return self.state.busy is not None

    def failed(self, error: Exception) -> None:
        """Say what went wrong at the desk."""
        self.show(busy=None, notice=Notice(in_words(error), Tone.FAILED))

    def is_on_screen(self, inspection: str) -> bool:
        """Return whether a panel is the one on screen."""
        return self.state.review is not None and self.state.review.inspection == inspection
