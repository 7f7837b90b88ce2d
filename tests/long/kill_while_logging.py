"""Kill a process at random moments while it logs: the chain must hold, and no acknowledged fact may be lost.

The process logs inspections, verdicts, holds, decisions and imports, and says after each call returned what is now on
disk. It is killed (SIGKILL) after a random time; then the log is opened again, verified, and searched for everything it
said. At the end the projections are made anew and compared.

    PYTHONPATH=.:tests python tests/long/kill_while_logging.py [--kills 200] [--log URL] [--seed N]

Without --log a new SQLite file in a temporary folder is used; a URL must name an empty database.
"""

import argparse
import multiprocessing
import random
import signal
import sys
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path

from filled_log import dump
from logged_panels import context_line, crack, make_result, recipe_for, write_context
from sqlalchemy import select

from elinspect.operations.context import import_context
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.versions import log_recipe
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import Log, open_log
from elinspect.store.rebuild import rebuild
from elinspect.store.schema import context_rows, flags, holds, inspections
from elinspect.store.verify import chain_heads, verify

Fact = tuple[str, ...]


def _work(place: str, folder: str, number: int, said: Connection) -> None:
    """Log without end; say every fact once its call returned."""
    with open_log(place) as log:
        log_recipe(log, recipe_for(), "engineering")
        desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
        for panel in range(10_000):
            serial = f"{number}-{panel}"
            result = make_result(serial, [crack(f"m{place}", 1, place) for place in range(1, 4)])
            inspection = log_inspection(log, result, "station")
            said.send(("inspection", inspection))
            review = desk.open(inspection)
            for flag in ("m1", "m2", "m3"):
                review = desk.answer(review, Verdict(flag, Answer.DISMISSED))
                said.send(("verdict", inspection, flag))
            if panel % 4 == 0:
                held = desk.decide(review, Disposition.HOLD, "look again", owner="Quality office")
                said.send(("hold", inspection))
                desk.decide(desk.open(held.inspection), Disposition.REWORK, "string 3")
            else:
                desk.decide(review, Disposition.ACCEPT)
            said.send(("decision", inspection))
            if panel % 5 == 0:
                lines = [context_line(serial, string) for string in range(1, 7)]
                import_context(log, write_context(Path(folder) / "context.csv", lines))
                said.send(("context", serial))


def _found(log: Log) -> set[Fact]:
    """Everything the log knows, as facts."""
    with log.reading() as connection:
        rows = connection.execute(select(inspections)).all()
        known: set[Fact] = {("inspection", row.id) for row in rows}
        known |= {("decision", row.id) for row in rows if row.decision is not None}
        answered = select(flags).where(flags.c.answer.is_not(None))
        known |= {("verdict", row.inspection, row.flag) for row in connection.execute(answered)}
        known |= {("hold", row.inspection) for row in connection.execute(select(holds)) if row.owner is not None}
        known |= {("context", row.serial) for row in connection.execute(select(context_rows))}
    return known


def _heard(heard: Connection) -> list[Fact]:
    facts = []
    try:
        while heard.poll():
            facts.append(heard.recv())
    except (EOFError, OSError):
        pass  # killed in the middle of a word: that fact was not said
    return facts


def _kill_one(place: str, folder: str, number: int, chance: random.Random) -> list[Fact]:
    fork = multiprocessing.get_context("fork")  # starts at once; nothing of the log is open in this process
    heard, said = fork.Pipe(duplex=False)
    process = fork.Process(target=_work, args=(place, folder, number, said))
    process.start()
    said.close()
    if chance.random() < 0.9 and not heard.poll(60):  # every tenth is killed while it opens the log
        raise RuntimeError("the process did nothing within a minute")
    time.sleep(chance.uniform(0.0, 0.4))
    process.kill()
    process.join()
    facts = _heard(heard)
    heard.close()
    if process.exitcode != -signal.SIGKILL:
        raise RuntimeError(f"the process ended by itself: {process.exitcode}")
    return facts


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--log")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    chance = random.Random(given.seed)
    promised: set[Fact] = set()
    lost: set[Fact] = set()
    faults = 0
    with tempfile.TemporaryDirectory() as folder:
        place = given.log or f"{folder}/log.sqlite"
        heads = []
        for number in range(given.kills):
            promised.update(_kill_one(place, folder, number, chance))
            with open_log(place) as log:
                found = verify(log, heads)
                lost = promised - _found(log)
                heads = list(chain_heads(log))
            faults += len(found)
            if found or lost:
                print(f"kill {number + 1}: faults {[fault.text for fault in found]}, lost {sorted(lost)}")
                break
        with open_log(place) as log:
            before = dump(log)
            rebuild(log)
            same = dump(log) == before
    records = sum(head.number for head in heads)
    print(f"{number + 1} kills, {records} records in {len(heads)} chains, {len(promised)} acknowledged facts")
    print(f"lost {len(lost)}, faults {faults}, projections made anew {'equal' if same else 'DIFFER'}")
    return 0 if not lost and not faults and same and number + 1 == given.kills else 1


if __name__ == "__main__":
    sys.exit(main())
