"""A verdict that was acknowledged is on disk, whatever happens to the process next."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from log_places import BACKENDS, fresh_place
from logged_panels import crack, make_result

from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.recipe import default_criteria
from elinspect.records import Answer
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import open_log
from elinspect.store.verify import verify

_ANSWER_THEN_WAIT = """
import sys, time
from elinspect.operations.desk import ReviewDesk
from elinspect.recipe import default_criteria
from elinspect.records import Answer
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import open_log

place, inspection = sys.argv[1:]
desk = ReviewDesk(open_log(place), "gate 1", "Ada", Role.INSPECTOR, default_criteria())
desk.answer(desk.open(inspection), Verdict("m1", Answer.CONFIRMED, note="seen"))
print("answered", flush=True)
time.sleep(60)
"""


@pytest.mark.parametrize("backend", BACKENDS)
def test_a_killed_process_loses_no_acknowledged_verdict(backend: str, tmp_path: Path) -> None:
    with fresh_place(backend, tmp_path) as place:
        with open_log(place) as log:
            inspection = log_inspection(log, make_result(flags=(crack("m1", 1, 1), crack("m2", 1, 2))), "gate 1")
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
        command = [sys.executable, "-c", _ANSWER_THEN_WAIT, place, inspection]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "answered\n"
            process.send_signal(signal.SIGKILL)
        assert process.returncode == -signal.SIGKILL
        with open_log(place) as log:
            desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
            review = desk.open(inspection)
            assert {name: (v.answer, v.note) for name, v in review.verdicts.items()} == {
                "m1": (Answer.CONFIRMED, "seen")
            }
            # The same station goes on at once: its own lock does not stand in the way.
            assert desk.answer(review, Verdict("m2", Answer.DISMISSED)).version == review.version + 1
            assert verify(log) == ()
