"""Work at the desk: how it is handed over, what comes back, how its errors read."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol, TypeVar

from elinspect.catalogue import words
from elinspect.errors import ElinspectError
from elinspect.records import Disposition
from elinspect.review.desk import Desk
from elinspect.review.session import Review
from elinspect_ui.presenters.state import DISPOSITIONS

_T = TypeVar("_T")
_log = logging.getLogger(__name__)


class Courier(Protocol):
    """Runs work that touches the log, one piece after the other, and brings back the value or the exception."""

    def __call__(
        self, work: Callable[[], _T], done: Callable[[_T], None], failed: Callable[[Exception], None]
    ) -> object:
        """Start the work; `done` or `failed` is called later, on the thread of the caller."""


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """A review as the log has it, what is missing for each disposition, and the plan of a rework, in words."""

    review: Review
    missing: Mapping[Disposition, tuple[str, ...]]
    plan: tuple[str, ...] = ()


def loaded_from(desk: Desk, review: Review) -> Loaded:
    """Add to a review what is missing for each disposition; runs where the desk runs."""
    missing: dict[Disposition, tuple[str, ...]] = {}
    for disposition in DISPOSITIONS:
        try:
            missing[disposition] = tuple(desk.missing(review, disposition))
        except Exception as error:  # what was logged stands; what is not known to hold is missing
            missing[disposition] = (in_words(error),)
    try:
        plan = tuple(step.text for step in desk.plan(review))
    except Exception as error:  # the decision does not hang on it
        plan = (in_words(error),)
    return Loaded(review, missing, plan)


def in_words(error: Exception) -> str:
    """Return an error of the desk in words; one that nobody foresaw also goes to the program's log."""
    if isinstance(error, ElinspectError):
        return str(error)
    _log.error("unexpected error at the desk", exc_info=error)
    return words("desktop.unexpected", cause=f"{type(error).__name__}: {error}")
