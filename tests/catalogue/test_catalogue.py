"""Texts: every code a room uses exists, every template can be put into words."""

import ast
import pickle
import string
from pathlib import Path

import pytest

import elinspect
from elinspect.catalogue import Message, words
from elinspect.catalogue.english import TEXTS
from elinspect.errors import ImageFileError
from elinspect.records import Answer, Corner, Disposition, Kind, Purpose, Stage, ViewSide

_SOURCES = [
    path
    for folder in (Path(elinspect.__file__).parent, Path(elinspect.__file__).parents[1] / "ui" / "elinspect_ui")
    for path in sorted(folder.rglob("*.py"))
]
_CALLS = {
    "words",
    "Message",
    "ElinspectError",
    "ImageFileError",
    "SettingsFileError",
    "LogError",
    "ImportFileError",
    "told_as",
}


def _codes_used(path: Path) -> set[str]:
    calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    named = [call for call in calls if isinstance(call.func, ast.Name) and call.func.id in _CALLS and call.args]
    return {call.args[0].value for call in named if isinstance(call.args[0], ast.Constant)}


@pytest.mark.parametrize("path", _SOURCES, ids=lambda path: "/".join(path.parts[-2:]))
def test_every_code_in_the_source_has_a_text(path: Path) -> None:
    assert _codes_used(path) - TEXTS.keys() == set()


def test_the_search_for_codes_finds_some() -> None:
    used = set().union(*(_codes_used(path) for path in _SOURCES))
    assert {"settings.missing", "gate.serial"} <= used


@pytest.mark.parametrize("code", sorted(TEXTS))
def test_every_text_can_be_put_into_words(code: str) -> None:
    template = TEXTS[code]
    for text in template if isinstance(template, tuple) else (template,):
        values: dict[str, str | int | float] = {}
        for _, name, spec, conversion in string.Formatter().parse(text):
            if name is not None:
                values[name] = {"k": "crack", "d": "hold", "c": "min_length_mm=20/31.2;modes=B,C/B"}.get(
                    conversion or "", 1.5 if "f" in (spec or "") else 1
                )
        assert words(code, **values).strip()


@pytest.mark.parametrize(
    ("prefix", "members"),
    [
        ("kind", Kind),
        ("disposition", Disposition),
        ("answer", Answer),
        ("stage", Stage),
        ("purpose", Purpose),
        ("view_side", ViewSide),
        ("corner", Corner),
    ],
)
def test_every_word_of_the_trade_has_a_text(prefix: str, members: type[Kind]) -> None:
    assert {f"{prefix}.{member.value}" for member in members} <= TEXTS.keys()


def test_counts_choose_singular_and_plural() -> None:
    assert words("gate.unanswered", n=1).startswith("1 flag above")
    assert words("gate.unanswered", n=2).startswith("2 flags above")


def test_what_is_not_known_is_said_so() -> None:
    assert "unknown" in words("flag.crack", address="1-2", mode=None)


def test_an_error_survives_the_way_between_processes() -> None:
    error = pickle.loads(pickle.dumps(ImageFileError("settings.missing", what="recipe", file="a.toml")))
    assert isinstance(error, ImageFileError)
    assert str(error) == "The recipe file a.toml does not exist. Check the path."
    assert error.message == Message("settings.missing", {"what": "recipe", "file": "a.toml"})


def test_messages_of_another_version_are_shown_with_what_they_say() -> None:
    stored = Message("reason.crack_length", {"address": "A-7", "length_mm": 116.0, "mode": "A", "limit": "crack.any"})
    assert "A-7" in stored.text
    assert "unknown" in stored.text
    assert Message("reason.of_tomorrow", {"address": "A-7"}).text == "reason.of_tomorrow (address: A-7)"
    with pytest.raises(KeyError):  # what our own code says must be complete
        words("reason.crack_length", address="A-7")
