"""What lies in the camera's folder, and which panels are complete. No inspecting here.

The system's hints that something changed only make a look come sooner; what counts is what a look finds. So nothing is
missed when hints are lost, and files that were there before the program started are found as well. Time is the
monotonic clock: the wall clock may jump.
"""

import os
import stat
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from elinspect.catalogue import Message

ENDINGS = frozenset({".png", ".tif", ".tiff", ".jpg", ".jpeg"})
"""Names that end so are pictures; every other file is a companion the naming rule may ask for, or none of ours."""

Identity = tuple[int, int, int, int]
"""Size, time of last change of content and of facts (ns), inode: another one is another file, or the same in work."""


@dataclass(frozen=True, slots=True)
class Listing:
    """One look into the folder.

    Attributes
    ----------
    files : mapping from name to Identity
        Ordinary files.
    refused : mapping from name to Message
        What is no ordinary file though it is named like a picture, and why it is left alone.
    problem : Message or None
        Why the folder could not be looked into.
    """

    files: Mapping[str, Identity]
    refused: Mapping[str, Message]
    problem: Message | None = None


def look_into(folder: Path) -> Listing:
    """Look into a folder; nothing is opened, links are not followed."""
    files: dict[str, Identity] = {}
    refused: dict[str, Message] = {}
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                _note(entry, files, refused)
    except OSError as error:
        cause = error.strerror or str(error)
        return Listing({}, {}, Message("station.folder_lost", {"folder": str(folder), "cause": cause}))
    return Listing(files, refused)


def _note(entry: "os.DirEntry[str]", files: dict[str, Identity], refused: dict[str, Message]) -> None:
    try:
        facts = entry.stat(follow_symlinks=False)
    except OSError:
        return  # gone between the list and the look
    plain = os.fsencode(entry.name).decode("utf-8", "replace")
    if plain != entry.name:  # bytes that are no text: no log and no screen could name the file
        if is_picture(entry.name):
            refused[plain] = Message("station.odd_name", {"file": plain})
    elif stat.S_ISREG(facts.st_mode):
        files[entry.name] = (facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns, facts.st_ino)
    elif is_picture(entry.name) and not stat.S_ISDIR(facts.st_mode):
        code = "station.link" if stat.S_ISLNK(facts.st_mode) else "station.no_file"
        refused[entry.name] = Message(code, {"file": entry.name})


def is_picture(name: str) -> bool:
    """Whether a name is that of a picture; names that begin with a dot are still being written by somebody."""
    return Path(name).suffix.casefold() in ENDINGS and not name.startswith(".")


@dataclass(frozen=True, slots=True)
class FoundSet:
    """The files of one panel as they lie in the folder.

    Attributes
    ----------
    key : str
        What they have in common: the serial in their names, or the one name.
    files : mapping from name to Identity
        All of them.
    """

    key: str
    files: Mapping[str, Identity]

    @property
    def print(self) -> str:
        """Names and identities in one text: the same set unchanged has the same."""
        return "|".join(f"{name}:{':'.join(map(str, self.files[name]))}" for name in sorted(self.files))


class FolderWatch:
    """Tells from look to look which sets have become complete.

    Parameters
    ----------
    key_of : callable
        Name of a file to the key of its set; None for a file that belongs to none.
    wanted : callable
        Key to whether a set with these names has all its files.
    settle_s, companions_s : float
        See `StationFile`.
    """

    def __init__(
        self,
        key_of: Callable[[str], str | None],
        wanted: Callable[[str, Iterable[str]], bool],
        settle_s: float,
        companions_s: float,
    ) -> None:
        self._key_of = key_of
        self._wanted = wanted
        self._settle_s = settle_s
        self._companions_s = companions_s
        self._since: dict[str, tuple[Identity, float]] = {}

    def look(self, listing: Listing, now: float, done: Callable[[FoundSet], bool]) -> tuple[FoundSet, ...]:
        """Return the sets that are complete and not done, the oldest first.

        Parameters
        ----------
        listing : Listing
            What lies in the folder.
        now : float
            Monotonic clock, seconds.
        done : callable
            Whether a set, exactly as it lies there, was dealt with.
        """
        if listing.problem is not None:
            return ()
        self._note(listing.files, now)
        sets: dict[str, dict[str, Identity]] = {}
        for name, identity in listing.files.items():
            key = self._key_of(name)
            if key is not None:
                sets.setdefault(key, {})[name] = identity
        found = [FoundSet(key, files) for key, files in sets.items() if any(map(is_picture, files))]
        ready = [each for each in found if self._complete(each, now) and not done(each)]
        return tuple(sorted(ready, key=lambda each: (min(at[1] for at in each.files.values()), each.key)))

    def _note(self, files: Mapping[str, Identity], now: float) -> None:
        self._since = {
            name: known if (known := self._since.get(name)) is not None and known[0] == identity else (identity, now)
            for name, identity in files.items()
        }

    def _complete(self, each: FoundSet, now: float) -> bool:
        quiet = min(now - self._since[name][1] for name in each.files)
        if quiet < self._settle_s:
            return False
        return self._wanted(each.key, each.files) or quiet >= self._companions_s
