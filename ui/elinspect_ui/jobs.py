"""Work off the Qt thread: reading pictures, and one thread that alone talks to the log."""

import logging
from collections.abc import Callable
from typing import Any, TypeVar

from PySide6.QtCore import QObject, Qt, QThreadPool, Signal, Slot

_T = TypeVar("_T")
_log = logging.getLogger(__name__)


class Job:
    """One piece of work on its way.

    Attributes
    ----------
    cancelled : bool
        Nothing is brought back from a cancelled job; work that has not begun is not begun.
    """

    __slots__ = ("cancelled",)

    def __init__(self) -> None:
        self.cancelled = False

    def cancel(self) -> None:
        """Give the work up."""
        self.cancelled = True


class Jobs(QObject):
    """Runs work on threads of its own and brings the outcome back to the Qt thread.

    Parameters
    ----------
    threads : int
        With one, work is done strictly in the order it was given, always on the same thread.
    parent : QObject, optional
        Owner.
    """

    _finished = Signal(object)

    def __init__(self, threads: int, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._pool = QThreadPool(self)
        self._pool.setMaxThreadCount(threads)
        self._pool.setExpiryTimeout(-1)
        self._under_way: set[Job] = set()
        self._finished.connect(self._bring_back, Qt.ConnectionType.QueuedConnection)

    def submit(
        self,
        work: Callable[[], _T],
        done: Callable[[_T], None],
        failed: Callable[[Exception], None],
    ) -> Job:
        """Start work; `done` or `failed` is called on the Qt thread unless the job is cancelled first."""
        job = Job()
        self._under_way.add(job)

        def run() -> None:
            if job.cancelled:
                self._finished.emit((job, None, None))
                return
            try:
                value = work()
            except Exception as error:
                self._finished.emit((job, failed, error))
            else:
                self._finished.emit((job, done, value))

        self._pool.start(run)
        return job

    @Slot(object)
    def _bring_back(self, outcome: tuple[Job, Callable[[Any], None] | None, Any]) -> None:
        job, receiver, value = outcome
        self._under_way.discard(job)
        if receiver is not None and not job.cancelled:
            receiver(value)

    @property
    def idle(self) -> bool:
        """Whether nothing is under way."""
        return not self._under_way

    def close(self, wait_ms: int, *, finish: bool) -> bool:
        """Bring nothing back any more and wait for what runs.

        Parameters
        ----------
        wait_ms : int
            Longest wait.
        finish : bool
            Let work that was given be done (the log); otherwise what has not begun is dropped.

        Returns
        -------
        bool
            Whether everything ended in time.
        """
        self._finished.disconnect(self._bring_back)
        if not finish:
            for job in self._under_way:
                job.cancel()
            self._pool.clear()
        ended = self._pool.waitForDone(wait_ms)
        if not ended:
            _log.warning("work was still running %d ms after the window closed", wait_ms)
        return ended
