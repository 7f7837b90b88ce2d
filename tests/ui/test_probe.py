"""Whether a window can be opened, told without Qt in this process."""

import subprocess
import sys

import pytest

from elinspect.catalogue import words
from elinspect_ui.probe import display_problem, problem_in_words

ENVIRONMENT = {"DISPLAY": ":3"}


def test_no_display_is_told_without_a_child(monkeypatch) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(subprocess, "run", lambda *_a, **_k: pytest.fail("a child was started"))
    assert display_problem() == words("desktop.no_display")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="X11 displays")
def test_a_dead_display_is_told_in_words(monkeypatch) -> None:
    monkeypatch.delenv("QT_QPA_PLATFORM", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.setenv("DISPLAY", ":4093")
    assert display_problem() == words("desktop.display_dead", display=":4093")


def test_drawing_where_nobody_looks_is_no_display(monkeypatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    assert display_problem() == words("desktop.display_unseen", platform="offscreen")


def test_a_child_that_never_answers_is_told(monkeypatch) -> None:
    def silent(*_arguments: object, timeout: float, **_options: object) -> None:
        raise subprocess.TimeoutExpired("python", timeout)

    monkeypatch.setenv("DISPLAY", ":3")
    monkeypatch.setattr(subprocess, "run", silent)
    assert display_problem(2) == words("desktop.display_silent", display=":3", seconds=2)


# Texts as Qt 6 and the dynamic loader write them: the dead display from a run, the others values from memory.
@pytest.mark.parametrize(
    ("code", "errors", "expected"),
    [
        (
            1,
            "ImportError: libEGL.so.1: cannot open shared object file: No such file or directory",
            words("desktop.no_library", library="libEGL.so.1"),
        ),
        (1, "ModuleNotFoundError: No module named 'PySide6'", words("desktop.no_qt")),
        (
            -6,
            "qt.qpa.plugin: From 6.5.0, xcb-cursor0 or libxcb-cursor0 is needed to load the Qt xcb platform plugin.\n"
            'qt.qpa.plugin: Could not load the Qt platform plugin "xcb" in "" even though it was found.',
            words("desktop.no_library", library="libxcb-cursor0"),
        ),
        (
            -6,
            "qt.qpa.plugin: From 6.5.0, xcb-cursor0 or libxcb-cursor0 is needed to load the Qt xcb platform plugin.\n"
            "qt.qpa.xcb: could not connect to display :3\n"
            'qt.qpa.plugin: Could not load the Qt platform plugin "xcb" in "" even though it was found.',
            words("desktop.display_dead", display=":3"),
        ),
        (
            -6,
            'qt.qpa.plugin: Could not find the Qt platform plugin "wayland" in ""',
            words("desktop.no_platform"),
        ),
        (-11, "", words("desktop.display_unknown", exit_code=-11, cause="-")),
        (1, "Traceback:\nOSError: odd", words("desktop.display_unknown", exit_code=1, cause="OSError: odd")),
    ],
)
def test_what_the_child_said_is_put_into_words(code, errors, expected) -> None:
    assert problem_in_words(code, "", errors, ENVIRONMENT) == expected


def test_a_child_that_opened_a_display_is_no_problem() -> None:
    assert problem_in_words(0, "platform xcb\n", "", ENVIRONMENT) is None


def test_the_probe_needs_no_qt_itself() -> None:
    command = "import sys, elinspect_ui.probe; sys.exit(any(name.startswith('PySide6') for name in sys.modules))"
    assert subprocess.run([sys.executable, "-c", command], check=False).returncode == 0


def test_presenters_and_geometry_need_no_qt() -> None:
    names = ["commands", "deeds", "drawing", "flag_lines", "gate", "panel_words", "places", "queue", "state"]
    imports = "".join(f"import elinspect_ui.presenters.{name};" for name in names)
    more = "import elinspect_ui.viewer.viewport, elinspect_ui.viewer.picture, elinspect_ui.viewer.close_up;"
    command = f"import sys; {imports} {more} sys.exit(any(name.startswith('PySide6') for name in sys.modules))"
    assert subprocess.run([sys.executable, "-c", command], check=False).returncode == 0
