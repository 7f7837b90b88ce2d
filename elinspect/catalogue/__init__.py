"""All texts a person reads, by code.

Reasons, errors and flag texts travel and are stored as a code with values; they become words here, at display. One
Qt-free gettext catalogue serves desktop, reports, tickets and command line. The English templates (``english/``, one
module per room) are the gettext message ids; a translation is a ``.mo`` file of the domain ``elinspect`` under
``locale/<language>/LC_MESSAGES``.

Templates are `str.format` templates. ``{kind!k}`` puts a flag kind into words, or several joined by ``,``;
``{disposition!d}`` a disposition; a value of ``None`` reads 'unknown'. ``{rule!c}`` puts the conditions of a limit into
words: ``name=asked/found``, several joined by ``;``. A template that counts is a pair (singular, plural) chosen by the
value ``n``.
"""

import gettext
import string
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from elinspect.catalogue.english import TEXTS

Value = str | int | float | bool | None
"""What a message may carry: plain values that survive JSON."""

_translation: gettext.NullTranslations = gettext.NullTranslations()


class _Words(string.Formatter):
    def convert_field(self, value: Any, conversion: Any) -> Any:
        if conversion == "k":
            return ", ".join(words(f"kind.{kind}") for kind in str(value).split(","))
        if conversion == "d":
            return words(f"disposition.{value}")
        if conversion == "c":
            return _conditions(str(value))
        return super().convert_field(value, conversion)

    def format_field(self, value: Any, format_spec: str) -> str:
        if value is None:
            return words("common.unknown")
        return str(super().format_field(value, format_spec))


class _StoredWords(_Words):
    """Puts messages into words that an older or newer program stored: what they do not say is unknown."""

    def get_value(self, key: Any, args: Any, kwargs: Any) -> Any:
        return kwargs.get(key) if isinstance(key, str) else super().get_value(key, args, kwargs)

    def convert_field(self, value: Any, conversion: Any) -> Any:
        return None if value is None else super().convert_field(value, conversion)


_FORMATTER = _Words()
_STORED = _StoredWords()


def use_language(language: str) -> None:
    """Choose the language of all texts from now on; English where no translation is installed."""
    global _translation
    folder = Path(__file__).parent / "locale"
    _translation = gettext.translation("elinspect", folder, [language], fallback=True)


def words(code: str, **values: Value) -> str:
    """Put a code and its values into words.

    Parameters
    ----------
    code : str
        Key of the text.
    **values
        Values for the placeholders; ``n`` chooses singular or plural.

    Returns
    -------
    str
        The text in the chosen language.

    Raises
    ------
    KeyError
        If no text has this code: a bug of ours, found by the tests.
    """
    return _put_into_words(code, values, _FORMATTER)


def _put_into_words(code: str, values: Mapping[str, Value], formatter: string.Formatter) -> str:
    template = TEXTS[code]
    if isinstance(template, tuple):
        count = values.get("n")
        chosen = _translation.ngettext(template[0], template[1], int(count or 0))
    else:
        chosen = _translation.gettext(template)
    return formatter.vformat(chosen, (), values)


def _conditions(rule: str) -> str:
    """Put conditions such as ``min_length_mm=20/31.2;modes=B,C/B`` into words."""
    if not rule:
        return words("condition.any")
    return ", ".join(_condition(*condition.partition("=")[::2]) for condition in rule.split(";"))


def _condition(name: str, values: str) -> str:
    asked, _, found = values.partition("/")
    for bound in ("at_least", "at_most"):
        if name.startswith(bound + "_"):
            measure, _, unit = name.removeprefix(bound + "_").rpartition("_")
            named = measure.replace("_", " ")
            return words(f"condition.{bound}", measure=named, unit=unit, asked=asked, found=found or None)
    return words(f"condition.{name}", asked=asked, found=found or None)


@dataclass(frozen=True, slots=True)
class Message:
    """A text that has not been put into words yet.

    Attributes
    ----------
    code : str
        Key of the text.
    values : mapping
        Values for its placeholders.
    """

    code: str
    values: Mapping[str, Value] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The message in words; also where another version of the program stored it, with other values or codes."""
        if self.code not in TEXTS:
            said = ", ".join(f"{name}: {value}" for name, value in self.values.items())
            return f"{self.code} ({said})" if said else self.code
        return _put_into_words(self.code, self.values, _STORED)
