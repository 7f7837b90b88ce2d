"""The worker: one process of lower priority that inspects, started anew when it is lost or hangs."""

import logging
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context, parent_process
from pathlib import Path

from elinspect.catalogue import Message
from elinspect.errors import ElinspectError
from elinspect.station.panel_work import Bench, Came, Outcome, set_up, work_on
from elinspect.station.station_file import StationFile

_log = logging.getLogger(__name__)
_NICE = 5
_TRIES = 2
PATIENCE_S = 180.0
"""How long one panel may take before its process is given up as hanging (a network share that no longer answers).
Common practice, no source: many times the slowest panel on a busy machine, short enough that the line is told.
"""
_STOPS = frozenset({signal.SIGINT, signal.SIGTERM})
"""Ctrl+C and a stop of the service reach the whole group; it is the station that ends the worker, after its panel."""
_asked: tuple[StationFile, str] | None = None
_bench: Bench | None = None


def _begin(station: StationFile, log: str) -> None:
    """Make ready in the worker's process: it must never take the window's time."""
    global _asked
    for number in _STOPS:
        signal.signal(number, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_station, daemon=True).start()
    if hasattr(os, "nice"):
        os.nice(_NICE)
    from elinspect.vision import cv2

    cv2.setNumThreads(max(1, (os.cpu_count() or 2) - 1))
    _asked = (station, log)


def _end_with_the_station() -> None:
    """End this process when the station has gone without ending it (killed): nobody would ever ask it again."""
    station = parent_process()
    if station is not None:
        station.join()
        os._exit(1)


def _work(folder: Path, names: tuple[str, ...]) -> Outcome:
    """Inspect in the worker's process; what cannot be set up now (a log that is locked) is tried again next time."""
    global _bench
    if _bench is None:
        assert _asked is not None
        try:
            _bench = set_up(*_asked)
        except ElinspectError as error:
            return Outcome(Came.LATER, reason=error.message)
    return work_on(_bench, folder, names)


class Worker:
    """Inspects sets of files in a process of its own.

    Parameters
    ----------
    station : StationFile
        The settings.
    log : str
        File or URL.
    patience_s : float
        How long a set may take before its process is killed.
    """

    def __init__(self, station: StationFile, log: str, patience_s: float = PATIENCE_S) -> None:
        self._station = station
        self._log = log
        self._patience_s = patience_s
        self._pool: ProcessPoolExecutor | None = None

    def inspect(self, folder: Path, names: tuple[str, ...]) -> Outcome:
        """Inspect one set; waits for it.

        A process that dies on it (killed, out of memory) or hangs is replaced and tries once more; a set that two were
        lost on is refused, so that it does not stop the line.
        """
        lost = Message("station.worker_lost", {"file": names[0]})
        for _ in range(_TRIES):
            try:
                pool = self._running()  # starts Python's own resource tracker, which lets the stops through again
                with _stops_held_back():
                    future: Future[Outcome] = pool.submit(_work, folder, names)
                return self._waited_for(future)
            except BrokenProcessPool:
                self.close()
            except _HangingError:
                lost = Message("station.worker_hung", {"file": names[0], "seconds": self._patience_s})
            except Exception as error:  # a bug of ours must not stop the line; the panel stays where it is
                _log.exception("inspecting %s", names)
                cause = f"{type(error).__name__}: {error}"
                return Outcome(Came.REFUSED, reason=Message("station.unexpected", {"file": names[0], "cause": cause}))
        return Outcome(Came.REFUSED, reason=lost)

    @property
    def process_ids(self) -> tuple[int, ...]:
        """Of the running worker; empty before the first set."""
        return tuple(self._pool._processes) if self._pool is not None else ()

    def close(self) -> None:
        """Let what runs end, and end the process."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None

    def _waited_for(self, future: "Future[Outcome]") -> Outcome:
        try:
            return future.result(self._patience_s)
        except TimeoutError:
            if future.done():
                raise  # it came out of the work itself
            self._kill()
            raise _HangingError from None

    def _kill(self) -> None:
        assert self._pool is not None
        for process in tuple(self._pool._processes.values()):
            process.kill()
        self.close()

    def _running(self) -> ProcessPoolExecutor:
        if self._pool is None:
            context = get_context("spawn")
            self._pool = ProcessPoolExecutor(1, context, _begin, (self._station, self._log))
        return self._pool


@contextmanager
def _stops_held_back() -> Iterator[None]:
    """Start processes that do not hear `_STOPS` from their first moment on, before they can say so themselves."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _STOPS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class _HangingError(Exception):
    """The process did not come back in time and was killed."""
