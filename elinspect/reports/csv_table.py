"""CSV files for people and spreadsheets."""

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path

from elinspect.catalogue import Value
from elinspect.errors import LogError, told_as

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def escaped(value: Value) -> str | int | float:
    """Return a cell that no spreadsheet takes for a formula.

    Text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return gets an apostrophe in front (the OWASP
    page 'CSV Injection' lists these beginnings); numbers stay numbers, None becomes an empty cell.
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_FORMULA_STARTS) else value
    return value


def write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[Value]]) -> None:
    """Write a table; the file appears whole or not at all.

    Raises
    ------
    LogError
        If the file cannot be written.
    """
    partial = path.with_name(path.name + ".part")
    with told_as("command.not_written", LogError, file=str(path)):
        with partial.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow([escaped(name) for name in header])
            writer.writerows([escaped(value) for value in row] for row in rows)
        partial.replace(path)
