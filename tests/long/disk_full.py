"""A disk that is really full: the log says so, loses nothing it acknowledged, and goes on once there is room.

Each round makes a small disk (tmpfs), leaves another amount of room on it, and logs inspections, verdicts, decisions
and an import until the disk is full. Then everything acknowledged must be there, the chains must hold, reading must go
on, and each further try must be refused in words. With room again the same open log goes on, the import is completed,
and the projections equal those made anew. Needs the right to mount: root, or user namespaces (it asks for one itself).

    PYTHONPATH=.:tests python tests/long/disk_full.py [--rounds 20]
"""

import argparse
import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from filled_log import dump
from logged_panels import context_line, crack, make_result, recipe_for, write_context
from sqlalchemy import func, select

from elinspect.errors import LogError
from elinspect.operations.context import import_context
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.upkeep import backup_log
from elinspect.operations.versions import log_recipe
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import Log, open_log
from elinspect.store.rebuild import rebuild
from elinspect.store.schema import context_rows, flags, inspections
from elinspect.store.verify import verify

DISK_MB = 6
ROWS = 6000


def _fill(log: Log, desk: ReviewDesk, start: int, promised: Counter[str]) -> str:
    """Log until the disk is full; count what was acknowledged; return what was said in the end."""
    try:
        for number in range(start, start + 100_000):
            inspection = log_inspection(log, make_result(f"P{number}", [crack("m1", 1, 1)]), "station")
            promised["inspections"] += 1
            review = desk.answer(desk.open(inspection), Verdict("m1", Answer.DISMISSED))
            promised["verdicts"] += 1
            desk.decide(review, Disposition.ACCEPT)
            promised["decisions"] += 1
    except LogError as error:
        return str(error)
    raise AssertionError("the disk never was full")


def _found(log: Log) -> Counter[str]:
    with log.reading() as connection:

        def count(column: object, *where: object) -> int:
            return int(connection.execute(select(func.count(column)).where(*where)).scalar_one())  # type: ignore[call-overload]

        return Counter(
            inspections=count(inspections.c.id),
            verdicts=count(flags.c.answer, flags.c.answer.is_not(None)),
            decisions=count(inspections.c.decision, inspections.c.decision.is_not(None)),
        )


def _round(disk: Path, table: Path, room_kb: int, elsewhere: Path) -> list[str]:
    """Return what went wrong."""
    wrong: list[str] = []
    place, filler, promised = disk / "log.sqlite", disk / "filler", Counter[str]()
    with open_log(place) as log:
        log_recipe(log, recipe_for(), "engineering")
        desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
        free = os.statvfs(disk)
        filler.write_bytes(bytes(max(0, free.f_bavail * free.f_frsize - room_kb * 1024)))
        said = [_fill(log, desk, 1000 * attempt, promised) for attempt in range(3)]
        for action in (lambda: import_context(log, table), lambda: backup_log(str(place), disk / "backup.sqlite")):
            try:
                action()
                wrong.append("something was written to a full disk")
            except LogError as error:
                said.append(str(error))
        if any("disk" not in text or "is full" not in text for text in said):
            wrong.append(f"other words than those for a full disk: {said}")
        if (found := _found(log)) != promised:
            wrong.append(f"acknowledged {dict(promised)}, found {dict(found)}")
        wrong += [fault.text for fault in verify(log)]
        filler.unlink()
        _fill_again(log, desk, promised)
        import_context(log, table)
        with log.reading() as connection:
            rows = connection.execute(select(func.count()).select_from(context_rows)).scalar_one()
        if rows != ROWS or _found(log) != promised:
            wrong.append(f"with room again: {rows} rows of {ROWS}, {dict(_found(log))} instead of {dict(promised)}")
        wrong += [fault.text for fault in verify(log)]
        backup_log(str(place), elsewhere)
    with open_log(elsewhere) as copied:  # the small disk has no room for making the projections anew
        before = dump(copied)
        rebuild(copied)
        if dump(copied) != before:
            wrong.append("projections made anew differ")
    return wrong


def _fill_again(log: Log, desk: ReviewDesk, promised: Counter[str]) -> None:
    inspection = log_inspection(log, make_result("again", [crack("m1", 1, 1)]), "station")
    review = desk.answer(desk.open(inspection), Verdict("m1", Answer.DISMISSED))
    desk.decide(review, Disposition.ACCEPT)
    promised.update(("inspections", "verdicts", "decisions"))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=20)
    given = parser.parse_args()
    if os.geteuid() != 0:
        return subprocess.call(["unshare", "--user", "--map-root-user", "--mount", sys.executable, *sys.argv])
    failed = 0
    with tempfile.TemporaryDirectory() as folder:
        disk = Path(folder) / "disk"
        disk.mkdir()
        lines = (context_line(f"C{row // 12:05d}", row % 12 + 1) for row in range(ROWS))
        table = write_context(Path(folder) / "context.csv", lines)
        for number in range(given.rounds):
            subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(disk)], check=True)
            try:
                wrong = _round(disk, table, 200 + 37 * number, Path(folder) / f"{number}.sqlite")
            finally:
                subprocess.run(["umount", str(disk)], check=True)
            failed += bool(wrong)
            for line in wrong:
                print(f"round {number + 1}: {line}")
    print(f"{given.rounds} rounds on a full disk, {failed} of them wrong")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
