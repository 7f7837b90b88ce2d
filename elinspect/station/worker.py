"""The worker: one process of lower priority that inspects, started anew when it is lost."""

import logging
import os
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path

from elinspect.catalogue import Message
from elinspect.errors import ElinspectError
from elinspect.station.panel_work import Bench, Came, Outcome, set_up, work_on
from elinspect.station.station_file import StationFile

_log = logging.getLogger(__name__)
_NICE = 5
_TRIES = 2
_asked: tuple[StationFile, str] | None = None
_bench: Bench | None = None


def _begin(station: StationFile, log: str) -> None:
    """Make ready in the worker's process: it must never take the window's time."""
    global _asked
    if hasattr(os, "nice"):
        os.nice(_NICE)
    from elinspect.vision import cv2

    cv2.setNumThreads(max(1, (os.cpu_count() or 2) - 1))
    _asked = (station, log)


def _work(folder: Path, names: tuple[str, ...]) -> Outcome:
    """Inspect in the worker's process; what cannot be set up now (a log that is locked) is tried again next time."""
    global _bench
    if _bench is None:
        assert _asked is not None
        _bench = set_up(*_asked)
    return work_on(_bench, folder, names)


class Worker:
    """Inspects sets of files in a process of its own.

    Parameters
    ----------
    station : StationFile
        The settings.
    log : str
        File or URL.
    """

    def __init__(self, station: StationFile, log: str) -> None:
        self._station = station
        self._log = log
        self._pool: ProcessPoolExecutor | None = None

    def inspect(self, folder: Path, names: tuple[str, ...]) -> Outcome:
        """Inspect one set; waits for it.

        A process that dies on it (killed, out of memory) is replaced and tries once more; a set that two died on is
        refused, so that it does not stop the line.
        """
        for _ in range(_TRIES):
            try:
                future: Future[Outcome] = self._running().submit(_work, folder, names)
                return future.result()
            except BrokenProcessPool:
                self.close()
            except ElinspectError as error:
                return Outcome(Came.LATER, reason=error.message)
            except Exception as error:  # a bug of ours must not stop the line; the panel stays where it is
                _log.exception("inspecting %s", names)
                cause = f"{type(error).__name__}: {error}"
                return Outcome(Came.REFUSED, reason=Message("station.unexpected", {"file": names[0], "cause": cause}))
        return Outcome(Came.REFUSED, reason=Message("station.worker_lost", {"file": names[0]}))

    @property
    def process_ids(self) -> tuple[int, ...]:
        """Of the running worker; empty before the first set."""
        return tuple(self._pool._processes) if self._pool is not None else ()

    def close(self) -> None:
        """Let what runs end, and end the process."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None

    def _running(self) -> ProcessPoolExecutor:
        if self._pool is None:
            context = get_context("spawn")
            self._pool = ProcessPoolExecutor(1, context, _begin, (self._station, self._log))
        return self._pool
