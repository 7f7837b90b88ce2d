"""The station at work: look, inspect what is complete, note it, look again; or a recorded folder played back."""

import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event

from elinspect.catalogue import Message
from elinspect.errors import ElinspectError
from elinspect.imaging.capture import CameraSet, read_camera_set
from elinspect.records import Purpose
from elinspect.station.folder import FolderWatch, FoundSet, Listing, is_picture, look_into
from elinspect.station.journal import Journal
from elinspect.station.panel_work import Came, Outcome
from elinspect.station.station_file import StationFile
from elinspect.station.worker import Worker
from elinspect.store.log import Log
from elinspect.store.reading import inspections_for
from elinspect.store.refusals import refuse_file, refused_files, take_file

LOOK_S = 0.5
"""How often the folder is looked into at least: a file is complete some time after the system's last hint."""
POLL_S = 1.0
LATER_S = 5.0
"""How long is waited when the log cannot be written."""
TOLD_AFTER = 3
"""How often a panel is put off before it comes on the list; a log that is busy for a moment need not be told."""


@dataclass(frozen=True, slots=True)
class Step:
    """Something that happened, for the console.

    Attributes
    ----------
    key : str
        The set of files, or the folder.
    outcome : Outcome
        What came of it.
    seconds : float
        How long it took.
    """

    key: str
    outcome: Outcome
    seconds: float = 0.0


class Station:
    """One station.

    Parameters
    ----------
    station : StationFile
        The settings.
    log : Log
        Open here too: refused files are logged by this process.
    worker : Worker
        What inspects.
    journal : Journal
        What was dealt with.
    clock : callable
        Monotonic seconds.
    """

    def __init__(
        self,
        station: StationFile,
        log: Log,
        worker: Worker,
        journal: Journal,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._station = station
        self._log = log
        self._worker = worker
        self._journal = journal
        self._clock = clock
        cameras = read_camera_set(station.capture) if station.capture is not None else CameraSet()
        self._naming = Naming(cameras)
        self._watch = FolderWatch(self._naming.key_of, self._naming.complete, station.settle_s, station.companions_s)
        with log.reading() as connection:
            self._refused = {refused.file for refused in refused_files(connection) if refused.station == station.name}
        self._put_off_until = 0.0
        self._put_off: Counter[str] = Counter()
        self._problem: Message | None = None

    def look(self) -> Iterator[Step]:
        """Look into the folder once and deal with all that is complete."""
        listing = look_into(self._station.folder)
        yield from self._note_problem(listing)
        if listing.problem is not None or self._waits():
            return
        yield from self._note_refused(listing)
        if self._waits():
            return
        ready = self._watch.look(listing, self._clock(), self._done)
        # One that could not be logged must not stop the line if it is the only one.
        for found in sorted(ready, key=lambda each: self._put_off[each.key]):
            step = self._deal_with(found)
            yield step
            if step.outcome.came is Came.LATER:
                self._put_off_until = self._clock() + LATER_S
                return
        self._journal.keep_only(
            {key for name in listing.files if (key := self._naming.key_of(name)) is not None} | listing.refused.keys()
        )

    def _waits(self) -> bool:
        return self._clock() < self._put_off_until

    def _done(self, found: FoundSet) -> bool:
        return self._journal.holds(found.key, found.print)

    def _deal_with(self, found: FoundSet) -> Step:
        start = time.perf_counter()
        pictures = tuple(sorted(filter(is_picture, found.files)))
        outcome = self._worker.inspect(self._station.folder, pictures)
        try:
            if outcome.came is Came.REFUSED or self._to_be_told(found, outcome):
                # A file that is being replaced just now is looked at again when it has settled.
                assert outcome.reason is not None
                self._list(found.key, outcome.reason)
            elif outcome.came is Came.INSPECTED and found.key in self._refused:
                take_file(self._log, self._station.name, found.key)
                self._refused.discard(found.key)
        except ElinspectError as error:
            outcome = replace(outcome, came=Came.LATER, reason=error.message)
        if outcome.came is Came.LATER:
            self._put_off[found.key] += 1
        else:
            del self._put_off[found.key]
            self._journal.note(found.key, found.print)
        return Step(found.key, outcome, time.perf_counter() - start)

    def _to_be_told(self, found: FoundSet, outcome: Outcome) -> bool:
        """Whether a panel waits for a file of settings to be mended, or was put off so often that it may be its own."""
        if outcome.came is not Came.LATER or outcome.reason is None:
            return False
        return not outcome.reason.code.startswith("log.") or self._put_off[found.key] >= TOLD_AFTER

    def _note_problem(self, listing: Listing) -> Iterator[Step]:
        folder = str(self._station.folder)
        if listing.problem is not None and folder not in self._refused:
            with suppress(ElinspectError):  # said on the console in any case, and here again at the next look
                self._list(folder, listing.problem)
        if listing.problem is not None and listing.problem != self._problem:
            yield Step(folder, Outcome(Came.LATER, reason=listing.problem))
        self._problem = listing.problem

    def _note_refused(self, listing: Listing) -> Iterator[Step]:
        """Log what is no file, and take from the list what has gone."""
        here = {self._naming.key_of(name) for name in listing.files} | listing.refused.keys()
        try:
            for name, reason in listing.refused.items():
                if name not in self._refused:
                    self._list(name, reason)
                    yield Step(name, Outcome(Came.REFUSED, reason=reason))
            for key in [key for key in self._refused if key not in here]:
                take_file(self._log, self._station.name, key)
                self._refused.discard(key)
        except ElinspectError as error:
            self._put_off_until = self._clock() + LATER_S
            yield Step(self._station.name, Outcome(Came.LATER, reason=error.message))

    def _list(self, name: str, reason: Message) -> None:
        """Put a file, or the folder, on the list of what could not be inspected, where the inspector sees it."""
        refuse_file(self._log, self._station.name, name, reason)
        self._refused.add(name)


class Naming:
    """What the capture file says about names, as the watch asks it."""

    def __init__(self, cameras: CameraSet) -> None:
        self._capture = cameras.capture

    def key_of(self, name: str) -> str | None:
        """Return what the files of a panel have in common; a picture under another name stands alone."""
        if not is_picture(name):
            return self._key_of_side(name)
        if self._capture is None:
            return name
        found = self._capture.rule.fullmatch(Path(name).stem)
        return found["serial"] if found is not None else name

    def _key_of_side(self, name: str) -> str | None:
        rule = self._capture.side_file if self._capture is not None else None
        if rule is None:
            return None
        before, _, after = rule.partition("{serial}")
        inside = name.startswith(before) and name.endswith(after) and len(name) > len(before) + len(after)
        return name[len(before) : len(name) - len(after)] if inside else None

    def complete(self, key: str, names: object) -> bool:
        """Return whether all files that the capture file names are there."""
        if self._capture is None:
            return True
        given = set(names)  # type: ignore[call-overload]
        stems = {Path(name).stem for name in given if is_picture(name)}
        capture = self._capture
        expected = {capture.name_of(key, role, tile) for role in capture.exposures for tile in capture.tiles}
        side = capture.side_file.replace("{serial}", key) if capture.side_file is not None else None
        return expected <= stems and (side is None or side in given)


def run(station: Station, settings: StationFile, stop: Event, said: Callable[[Step], None]) -> None:
    """Work until told to stop."""
    for _ in hints(settings.folder, settings.polling, stop):
        for step in station.look():
            said(step)
            if stop.is_set():
                return


def hints(folder: Path, polling: bool, stop: Event) -> Iterator[None]:
    """Yield whenever something may have changed in a folder, and now and then anyway; ends when told to stop."""
    import watchfiles

    while not stop.is_set():
        yield
        if polling or not folder.is_dir():
            stop.wait(POLL_S)
            continue
        try:
            for _ in watchfiles.watch(
                folder, stop_event=stop, rust_timeout=round(1000 * LOOK_S), yield_on_timeout=True, recursive=False
            ):
                if stop.is_set() or not folder.is_dir():
                    break
                yield
        except (OSError, RuntimeError):
            stop.wait(POLL_S)  # the folder has gone, or the system has no more watches to give: look by ourselves


def replay(
    settings: StationFile,
    folder: Path,
    log: Log,
    worker: Worker,
    speed: float,
    stop: Event,
    said: Callable[[Step], None],
) -> int:
    """Play a recorded folder back for practice, in the order and at the pace in which its files were written.

    Parameters
    ----------
    settings : StationFile
        Its purpose is `rehearsal`.
    folder : Path
        Recorded pictures; nothing is changed in it.
    log : Log
        Where the worker logs.
    worker : Worker
        What inspects.
    speed : float
        2 plays twice as fast.
    stop : Event
        Ends it.
    said : callable
        Told of every panel.

    Returns
    -------
    int
        How many of the panels the log had already: they come to nobody's queue again.

    Raises
    ------
    ElinspectError
        If there is nothing to play back.
    """
    found = _recorded(settings, folder)
    with log.reading() as connection:
        before = inspections_for(connection, settings.purpose)
    start, first, known = time.monotonic(), _written(found[0]), 0
    for each in found:
        if stop.wait(max(0.0, (_written(each) - first) / speed - (time.monotonic() - start))):
            break
        begun = time.perf_counter()
        pictures = tuple(sorted(filter(is_picture, each.files)))
        outcome = worker.inspect(folder, pictures)
        said(Step(each.key, outcome, time.perf_counter() - begun))
        while outcome.came is Came.LATER and not stop.wait(LATER_S):
            outcome = worker.inspect(folder, pictures)
            said(Step(each.key, outcome, time.perf_counter() - begun))
        known += outcome.inspection in before
    return known


def _recorded(settings: StationFile, folder: Path) -> tuple[FoundSet, ...]:
    cameras = read_camera_set(settings.capture) if settings.capture is not None else CameraSet()
    listing = look_into(folder)
    if listing.problem is not None:
        raise ElinspectError(listing.problem.code, **listing.problem.values)
    watch = FolderWatch(Naming(cameras).key_of, lambda _key, _names: True, 0.0, 0.0)
    found = watch.look(listing, 0.0, lambda _found: False)
    if not found:
        raise ElinspectError("station.nothing_to_replay", folder=str(folder))
    return found


def _written(found: FoundSet) -> float:
    return min(identity[1] for identity in found.files.values()) / 1e9


def for_rehearsal(station: StationFile) -> StationFile:
    """Return the settings of a station for practice: what is inspected can release nothing and is shown apart."""
    return replace(station, purpose=Purpose.REHEARSAL)
