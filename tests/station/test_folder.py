"""Which sets of files are complete: pure, with a clock of our own."""

import os
from pathlib import Path

import pytest

from elinspect.errors import ElinspectError
from elinspect.station.folder import FolderWatch, FoundSet, Listing, look_into
from elinspect.station.journal import Journal, alone

SETTLE_S, COMPANIONS_S = 1.0, 10.0


def _watch(pairs: bool = False) -> FolderWatch:
    """Watch single pictures, or pairs ``x_a.png`` and ``x_b.png``."""

    def key_of(name: str) -> str | None:
        return name[0] if pairs else name

    def wanted(_key: str, names: object) -> bool:
        return not pairs or len(list(names)) == 2  # type: ignore[call-overload]

    return FolderWatch(key_of, wanted, SETTLE_S, COMPANIONS_S)


def _listing(**sizes: int) -> Listing:
    return Listing({f"{name}.png": (size, size, size, 1) for name, size in sizes.items()}, {})


def _not_done(_found: FoundSet) -> bool:
    return False


def _keys(found: tuple[FoundSet, ...]) -> list[str]:
    return [each.key for each in found]


def test_a_file_is_complete_once_it_has_not_changed_for_a_while() -> None:
    watch = _watch()
    assert _keys(watch.look(_listing(a=10), 0.0, _not_done)) == []
    assert _keys(watch.look(_listing(a=10), 0.9, _not_done)) == []
    assert _keys(watch.look(_listing(a=20), 1.1, _not_done)) == []  # it grew: half written until now
    assert _keys(watch.look(_listing(a=20), 2.0, _not_done)) == []
    assert _keys(watch.look(_listing(a=20), 2.1, _not_done)) == ["a.png"]


def test_a_set_waits_for_its_companions_but_not_for_ever() -> None:
    watch = _watch(pairs=True)
    assert _keys(watch.look(_listing(a1=1), 0.0, _not_done)) == []
    assert _keys(watch.look(_listing(a1=1), 5.0, _not_done)) == []
    assert _keys(watch.look(_listing(a1=1, a2=1), 6.0, _not_done)) == []
    assert _keys(watch.look(_listing(a1=1, a2=1), 7.0, _not_done)) == ["a"]
    alone = _watch(pairs=True)
    alone.look(_listing(b1=1), 0.0, _not_done)
    assert _keys(alone.look(_listing(b1=1), 9.9, _not_done)) == []
    assert _keys(alone.look(_listing(b1=1), 10.0, _not_done)) == ["b"]


def test_a_file_written_anew_after_it_was_done_is_ready_again(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "journal")
    watch = _watch()

    def done(found: FoundSet) -> bool:
        return journal.holds(found.key, found.print)

    watch.look(_listing(a=10), 0.0, done)
    (found,) = watch.look(_listing(a=10), 1.0, done)
    journal.note(found.key, found.print)
    assert watch.look(_listing(a=10), 2.0, done) == ()
    watch.look(_listing(a=11), 3.0, done)
    assert _keys(watch.look(_listing(a=11), 4.0, done)) == ["a.png"]


def test_the_oldest_set_comes_first() -> None:
    watch = _watch()
    watch.look(_listing(a=30, b=10, c=20), 0.0, _not_done)
    assert _keys(watch.look(_listing(a=30, b=10, c=20), 1.0, _not_done)) == ["b.png", "c.png", "a.png"]


def test_links_pipes_and_hidden_files_are_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    (tmp_path / "secret.png").write_bytes(b"1")
    (folder / "link.png").symlink_to(tmp_path / "secret.png")
    os.mkfifo(folder / "pipe.png")
    (folder / ".part.png").write_bytes(b"1")
    (folder / "real.png").write_bytes(b"1")
    (folder / "deep.png").mkdir()
    listing = look_into(folder)
    assert {name: reason.code for name, reason in listing.refused.items()} == {
        "link.png": "station.link",
        "pipe.png": "station.no_file",
    }
    watch = _watch()
    watch.look(listing, 0.0, _not_done)
    assert _keys(watch.look(listing, 1.0, _not_done)) == ["real.png"]


def test_a_folder_that_is_gone_is_a_problem_and_no_empty_folder(tmp_path: Path) -> None:
    listing = look_into(tmp_path / "gone")
    assert listing.problem is not None
    assert "No panel is lost" in listing.problem.text


@pytest.mark.parametrize("tail", ['{"key": "b", "pr', "\x00\x00", "[1]"])
def test_a_journal_cut_off_by_a_crash_keeps_what_was_whole(tmp_path: Path, tail: str) -> None:
    path = tmp_path / "journal"
    Journal(path).note("a", "1")
    with path.open("a", encoding="utf-8") as stream:
        stream.write(tail)
    again = Journal(path)
    assert again.holds("a", "1")
    assert not again.holds("a", "2")
    again.note("c", "3")
    assert Journal(path).holds("a", "1")


def test_a_journal_forgets_what_has_gone_and_survives_a_full_disk(tmp_path: Path, monkeypatch) -> None:
    path = tmp_path / "journal"
    journal = Journal(path)
    journal.note("a", "1")
    journal.note("b", "1")
    journal.keep_only({"b"})
    assert not Journal(path).holds("a", "1")
    assert Journal(path).holds("b", "1")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    journal.note("c", "1")
    assert journal.problem is not None
    assert journal.holds("c", "1")


def test_a_station_works_in_one_process_only_until_that_has_ended(tmp_path: Path) -> None:
    journal = tmp_path / "stations" / "journal.jsonl"
    with alone(journal, "EL 1"), pytest.raises(ElinspectError, match="Station EL 1 is already running"):
        _enter(journal)
    _enter(journal)


def _enter(journal: Path) -> None:
    with alone(journal, "EL 1"):
        pass
