"""Whether a window can be opened here, found out without loading Qt into this process.

Qt does not raise when display or libraries are missing: it aborts the process. So a child process tries first.
"""

import os
import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

from elinspect.catalogue import words

TIMEOUT_S = 20.0
"""Longest wait for the child; a cold start of Qt from a slow disk takes a few seconds. Common practice, no source."""

_TRY = "from PySide6.QtWidgets import QApplication; print('platform', QApplication([]).platformName(), flush=True)"
_UNSEEN = ("offscreen", "minimal")
_NOTHING_TO_SHOW_ON = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")


def display_problem(timeout_s: float = TIMEOUT_S) -> str | None:
    """Try to start Qt in a child process.

    Parameters
    ----------
    timeout_s : float
        Longest wait in seconds.

    Returns
    -------
    str or None
        Why no window can be opened, in words; None if one can.
    """
    if sys.platform.startswith("linux") and not any(os.environ.get(name) for name in _NOTHING_TO_SHOW_ON):
        return words("desktop.no_display")
    command = [sys.executable, "-c", _TRY]
    try:
        child = subprocess.run(
            command,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=timeout_s,
            text=True,
            errors="replace",
            check=False,
            cwd=Path(sys.executable).parent,  # a file named PySide6.py in the working directory must not be picked up
        )
    except subprocess.TimeoutExpired:
        return words("desktop.display_silent", display=_display_name(os.environ), seconds=round(timeout_s))
    return problem_in_words(child.returncode, child.stdout, child.stderr, os.environ)


def problem_in_words(exit_code: int, output: str, errors: str, environment: Mapping[str, str]) -> str | None:
    """Put the end of the child into words.

    Parameters
    ----------
    exit_code : int
        Of the child; negative if a signal ended it.
    output, errors : str
        What it wrote.
    environment : mapping
        Its environment.

    Returns
    -------
    str or None
        None if the child could start Qt on a display that a person can see.
    """
    if exit_code == 0:
        platform = re.search(r"^platform (\S+)", output, re.MULTILINE)
        unseen = platform is None or platform[1] in _UNSEEN
        return words("desktop.display_unseen", platform=platform[1] if platform else None) if unseen else None
    library = re.search(r"(\S+\.so[.\d]*): cannot open shared object file", errors)
    if library is not None:
        return words("desktop.no_library", library=library[1])
    if "No module named" in errors:
        return words("desktop.no_qt")
    # Qt adds its hint at a library also where only the display is dead, so the display is looked at first.
    if re.search(r"could not connect to display|Failed to create wl_display", errors):
        return words("desktop.display_dead", display=_display_name(environment))
    needed = re.search(r"(\S+) is needed to load the Qt \S+ platform plugin", errors)
    if needed is not None:
        return words("desktop.no_library", library=needed[1])
    if "platform plugin" in errors:
        return words("desktop.no_platform")
    lines = [line.strip() for line in errors.splitlines() if line.strip()]
    return words("desktop.display_unknown", exit_code=exit_code, cause=lines[-1] if lines else "-")


def _display_name(environment: Mapping[str, str]) -> str:
    return environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY") or "?"
