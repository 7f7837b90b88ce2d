"""A first walk through the gate on a practice panel: what to try, and when it has been done. No Qt."""

from collections.abc import Callable
from dataclasses import dataclass

from elinspect.catalogue import words
from elinspect.records import Purpose
from elinspect_ui.presenters.commands import BY_NAME
from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.state import Asked, GateState

_ANSWERED = (Standing.CONFIRMED, Standing.CHANGED)


@dataclass(frozen=True, slots=True)
class WalkStep:
    """One thing to try.

    Attributes
    ----------
    name : str
        Its text is ``desktop.walk.<name>``.
    command : str
        Whose key the text names.
    done : callable
        From the state before and after to whether it has been tried.
    """

    name: str
    command: str
    done: Callable[[GateState, GateState], bool]

    @property
    def text(self) -> str:
        """What to try, in words."""
        return words(f"desktop.walk.{self.name}", key=BY_NAME[self.command].shown_key)


def _count(state: GateState, *standings: Standing) -> int:
    return sum(line.standing in standings for line in state.lines)


STEPS = (
    WalkStep("next", "next_flag", lambda before, now: now.current != before.current),
    WalkStep("confirm", "confirm", lambda before, now: _count(now, *_ANSWERED) > _count(before, *_ANSWERED)),
    WalkStep(
        "dismiss",
        "dismiss",
        lambda before, now: _count(now, Standing.DISMISSED) > _count(before, Standing.DISMISSED),
    ),
    WalkStep("undo", "undo", lambda before, now: now.can_redo and not before.can_redo),
    WalkStep("note", "note", lambda before, now: before.asking is Asked.NOTE and now.asking is None),
    WalkStep("accept", "accept", lambda before, now: now.notice is not None and now.notice != before.notice),
    WalkStep("decide", "rework", lambda before, now: _decided(now) > _decided(before)),
)


def _decided(state: GateState) -> int:
    return sum(panel.decision is not None for panel in state.panels)


@dataclass(frozen=True, slots=True)
class Walk:
    """How far the walk has come.

    Attributes
    ----------
    step : int
        Place in `STEPS`; past their end when it is over.
    """

    step: int = 0

    @property
    def over(self) -> bool:
        """Whether everything has been tried."""
        return self.step >= len(STEPS)

    @property
    def text(self) -> str:
        """What to try now; at the end, that it is over."""
        if self.over:
            return words("desktop.walk.over")
        progress = words("desktop.walk.progress", place=self.step + 1, total=len(STEPS))
        return f"{progress} {STEPS[self.step].text}"

    def after(self, before: GateState, now: GateState) -> "Walk":
        """Return the walk after the state changed."""
        if self.over or now.busy is not None or not STEPS[self.step].done(before, now):
            return self
        return Walk(self.step + 1)


def may_practise(state: GateState) -> bool:
    """Whether the panel on screen is one to practise on: nothing that is tried on it releases or counts."""
    return state.review is not None and state.review.result.purpose is not Purpose.PRODUCTION
