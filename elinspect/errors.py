"""Errors by whose hands they lie in.

`ElinspectError` and its children are the world's fault: a file, a disk, a setting. Their text is for the person in
front of the screen: what happened, where, what to do. Our own bugs are `ValueError` or a failed `assert`.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from elinspect.catalogue import Message, Value


class ElinspectError(Exception):
    """Something outside the program is wrong.

    Parameters
    ----------
    code : str
        Key of the text in the catalogue, such as ``"imaging.truncated"``.
    **values
        What the text needs: file, line, limit.
    """

    def __init__(self, code: str, **values: Value) -> None:
        self.message = Message(code, values)
        super().__init__(code)

    def __str__(self) -> str:
        return self.message.text

    def __reduce__(self) -> tuple[object, ...]:
        return _rebuild, (type(self), self.message.code, dict(self.message.values))


def _rebuild(kind: type[ElinspectError], code: str, values: dict[str, Value]) -> ElinspectError:
    return kind(code, **values)


class ImageFileError(ElinspectError):
    """An image file cannot be used: wrong, truncated, coloured, oversized, unreadable."""


class SettingsFileError(ElinspectError):
    """A product recipe or acceptance criteria file is wrong; the text names file, table and key."""


class LogError(ElinspectError):
    """The log cannot be read or written, or refused an event."""


class ImportFileError(ElinspectError):
    """A table to import (context, maintenance, flash results) cannot be used at all."""


class ModelFileError(ElinspectError):
    """A classifier's model file cannot be used; without it everything else works."""


class DisplayError(ElinspectError):
    """No window can be opened on this machine or in this session."""


@contextmanager
def told_as(code: str, kind: type[ElinspectError] = ElinspectError, **values: Value) -> Iterator[None]:
    """Tell an error of the operating system in our words.

    Parameters
    ----------
    code : str
        Key of the text, such as ``"command.not_written"``; its placeholder ``cause`` gets the system's reason.
    kind : type of ElinspectError
        What to raise.
    **values
        What else the text needs.

    Raises
    ------
    ElinspectError
        Of that kind, if an `OSError` comes out of the block.
    """
    try:
        yield
    except OSError as error:
        raise kind(code, **values, cause=error.strerror or str(error)) from error
