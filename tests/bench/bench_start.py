"""How long `elinspect review` takes from the start of its process to the first panel painted, imports and all.

Run: python tests/bench/bench_start.py [times]   (needs Xvfb; the log has one panel of 21.6 MP)
"""

import os
import subprocess
import sys
import tempfile
import time
from importlib import resources
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1]))

DISPLAY = ":78"
_STAGES = ("window", "painted")
_CHILD = """
import sys, time
import elinspect.cli
def said(name):
    print("reached", name, time.time(), flush=True)
from elinspect_ui.panel_on_screen import PanelOnScreen
from elinspect_ui.window import GateWindow
def watched(name, method, end):
    def call(self, *given):
        value = method(self, *given)
        said(name)
        if end:
            self.parent().window().close()
        return value
    return call
GateWindow._build = watched("window", GateWindow._build, False)
PanelOnScreen._painted = watched("painted", PanelOnScreen._painted, True)
sys.argv = ["elinspect", "review", "--log", sys.argv[1]]
elinspect.cli.app()
"""


def main(times: int) -> None:
    """Print the figures."""
    screen = subprocess.Popen(
        ["Xvfb", DISPLAY, "-screen", "0", "1920x1080x24"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        with tempfile.TemporaryDirectory() as folder:
            log = _log_with_a_panel(Path(folder))
            time.sleep(1.0)
            taken = [_one(log) for _ in range(times)]
    finally:
        screen.terminate()
        screen.wait()
    for place, name in enumerate(_STAGES):
        seconds = [each[place] for each in taken]
        print(f"{name:8s} {median(seconds):5.2f} s (first run {seconds[0]:.2f}, slowest {max(seconds):.2f})")
    work = [each[-1] for each in taken]
    print(f"computed by the process and its children {median(work):.2f} s, at most {max(work):.2f} s")


def _log_with_a_panel(folder: Path) -> Path:
    from painted_panel import AREA, CRACK, painted_panel

    from elinspect.criteria import default_criteria
    from elinspect.operations.log_inspection import log_inspection
    from elinspect.operations.versions import log_criteria
    from elinspect.records import Kind
    from elinspect.store import open_log

    place = folder / "log.sqlite"
    found = painted_panel(
        folder / "panel.png", [(Kind.CRACK, 2, 2, CRACK), (Kind.INACTIVE_AREA, 4, 5, AREA)], layout="6x10", cell_px=580
    )
    with open_log(place) as log:
        with resources.as_file(resources.files("elinspect") / "data" / "default_criteria.toml"):
            log_criteria(log, default_criteria(), "bench")
        log_inspection(log, found, "bench")
    return place


def _one(log: Path) -> tuple[float, ...]:
    before = os.times()
    began = time.time()
    run = subprocess.run(
        [sys.executable, "-c", _CHILD, str(log)],
        env={**os.environ, "DISPLAY": DISPLAY, "QT_QPA_PLATFORM": "xcb"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    after = os.times()
    reached = {line.split()[1]: float(line.split()[2]) for line in run.stdout.splitlines() if "reached" in line}
    if set(_STAGES) - set(reached):
        raise RuntimeError(run.stdout + run.stderr)
    work = (after.children_user + after.children_system) - (before.children_user + before.children_system)
    return (*(reached[name] - began for name in _STAGES), work)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
