"""Which files a station has dealt with, on disk, so that a restart begins where it stopped.

The log alone would do (the same picture is the same inspection), but every picture would be read again. Losing the
journal costs that time and nothing else.
"""

import json
import logging
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from elinspect.errors import ElinspectError

_log = logging.getLogger(__name__)


class Journal:
    """One line of JSON per set of files: its key and what the files were.

    Parameters
    ----------
    path : Path
        The file; made when first written to.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._prints: dict[str, str] = {}
        self.problem: OSError | None = None
        try:
            text = path.read_text(encoding="utf-8", errors="surrogateescape")
        except FileNotFoundError:
            text = ""
        for line in text.splitlines():
            try:
                entry = json.loads(line)
                self._prints[str(entry["key"])] = str(entry["print"])
            except (ValueError, KeyError, TypeError):
                continue  # the line that was being written when the machine stopped

    def holds(self, key: str, print_: str) -> bool:
        """Whether a set was dealt with exactly as it is now."""
        return self._prints.get(key) == print_

    def note(self, key: str, print_: str) -> None:
        """Note that a set was dealt with; on disk when this returns, or kept in memory and said in `problem`."""
        self._prints[key] = print_
        try:
            self._append(json.dumps({"key": key, "print": print_}))
            self.problem = None
        except OSError as error:
            self.problem = error
            _log.warning("%s cannot be written: %s", self._path, error)

    def keep_only(self, keys: Iterable[str]) -> None:
        """Forget sets whose files have gone, and write the file anew without them."""
        kept = set(keys)
        gone = [key for key in self._prints if key not in kept]
        if not gone:
            return
        for key in gone:
            del self._prints[key]
        lines = [json.dumps({"key": key, "print": print_}) + "\n" for key, print_ in self._prints.items()]
        beside = self._path.with_name(self._path.name + ".new")
        try:
            beside.write_text("".join(lines), encoding="ascii")
            beside.replace(self._path)
        except OSError as error:  # the old one still says enough
            _log.warning("%s cannot be written: %s", beside, error)

    def _append(self, line: str) -> None:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with self._path.open("a", encoding="ascii") as stream:
            # A line that a full disk cut off must not swallow this one.
            stream.write(f"\n{line}\n" if self.problem is not None else f"{line}\n")
            stream.flush()
            os.fsync(stream.fileno())


@contextmanager
def alone(journal: Path, station: str) -> Iterator[None]:
    """Keep a station's work to one process of this machine; the system gives it free when that process ends, or dies.

    Parameters
    ----------
    journal : Path
        Of the station; the lock lies beside it.
    station : str
        Its name, for the message.

    Raises
    ------
    ElinspectError
        If another process works as this station.
    """
    try:
        journal.parent.mkdir(parents=True, exist_ok=True)
        stream = journal.with_suffix(".lock").open("ab")
    except OSError as error:  # the journal says so when it is written; two at once only cost time
        _log.warning("%s cannot be locked: %s", journal, error)
        yield
        return
    with stream:
        if not _locked(stream):
            raise ElinspectError("station.running", station=station)
        yield


def _locked(stream: IO[bytes]) -> bool:
    """Lock a file that nobody else has locked; False if somebody has."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
