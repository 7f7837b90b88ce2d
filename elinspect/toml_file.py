"""Settings files: TOML to frozen, validated values; what is wrong is named by file, table and key."""

import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from elinspect.errors import SettingsFileError

STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)
"""For every table of a settings file: a misspelt key can never be silently ignored."""

_File = TypeVar("_File")


def read_toml(path: Path, kind: type[_File], what: str, schema: str) -> _File:
    """Read and validate a settings file.

    Parameters
    ----------
    path : Path
        The file.
    kind : type
        A dataclass validated by pydantic.
    what : str
        What the file is, in words, for the errors.
    schema : str
        What its key ``schema`` must say, where it is given.

    Raises
    ------
    SettingsFileError
        If the file is missing, not TOML, or wrong; the text names file, table and key.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsFileError("settings.missing", what=what, file=str(path)) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsFileError("settings.unreadable", what=what, file=str(path), cause=str(error)) from error
    return parse_toml(text, str(path), kind, what, schema)


def parse_toml(text: str, file: str, kind: type[_File], what: str, schema: str) -> _File:
    """Validate the text of a settings file; parameters and errors as `read_toml`."""
    try:
        table: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsFileError("settings.not_toml", what=what, file=file, cause=str(error)) from error
    given = table.get("schema", schema)
    if given != schema:
        raise SettingsFileError("settings.schema", what=what, file=file, given=str(given), expected=schema)
    try:
        return TypeAdapter(kind).validate_python(table)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the top level"
        cause = str(first["msg"]).removeprefix("Value error, ")
        raise SettingsFileError("settings.invalid", what=what, file=file, where=where, cause=cause) from error
    except SettingsFileError as error:
        raise SettingsFileError("settings.invalid", what=what, file=file, where="layout", cause=str(error)) from error
