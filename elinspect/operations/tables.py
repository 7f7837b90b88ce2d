"""Tables that come in as files, CSV or XLSX: row by row, every bad one with its line and the reason."""

import codecs
import csv
import hashlib
import math
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from elinspect.catalogue import Message, words
from elinspect.errors import ImportFileError

MOST_CHARACTERS = 200
"""Longest text in a cell. Common practice, no source: names and lots are far shorter."""
_DELIMITERS = (",", ";", "\t")
_WORKBOOKS = (".xlsx", ".xlsm")

Progress = Callable[[float], None]
"""Told how much of the file is done, 0..1."""


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that was left out.

    Attributes
    ----------
    line : int
        Line of the file or row of the sheet, from 1; the first names the columns.
    reason : Message
        What is wrong with it.
    """

    line: int
    reason: Message

    @property
    def text(self) -> str:
        """Line and reason in words."""
        return words("import.line", line=self.line, reason=self.reason.text)


class TableRow(NamedTuple):
    """A row as text, short and printable; an empty text is 'not given'.

    Attributes
    ----------
    numbers : frozenset of str
        Columns in which a workbook holds a number instead of a text: leading zeros would be gone.
    """

    line: int
    fields: dict[str, str]
    numbers: frozenset[str] = frozenset()


class RowError(Exception):
    """One cell of a row is wrong; carries the reason."""

    def __init__(self, code: str, **values: str | int) -> None:
        super().__init__(code)
        self.reason = Message(code, values)


_Line = tuple[int, list[Any] | Message]


class Table:
    """A table open for reading; use as a context manager.

    Parameters
    ----------
    path : Path
        A CSV file (UTF-8; comma, semicolon or tab) or a workbook, of which the first sheet is read.
    columns, required : sequence of str
        Columns asked for, and those that must be there.

    Attributes
    ----------
    sha256 : str
        Hash of the file's bytes.
    lines : int
        Roughly how many there are, for the progress.
    ignored_columns : tuple of str
        Columns of the file that nobody asked for.
    """

    def __init__(self, path: Path, columns: Sequence[str], required: Sequence[str]) -> None:
        self._path = path
        self._columns = columns
        self._required = required

    def __enter__(self) -> "Table":
        with ExitStack() as opening:
            try:
                self.sha256, self.lines = _hash_of(self._path)
                self._typed = self._path.suffix.lower() in _WORKBOOKS
                if self._typed:
                    self.lines, self._lines = _workbook_lines(self._path, opening)
                else:
                    self._lines = _csv_lines(self._path, opening)
                _, first = next(self._lines, (1, []))
            except OSError as error:
                cause = error.strerror or str(error)
                raise ImportFileError("import.unreadable", file=str(self._path), cause=cause) from error
            if isinstance(first, Message):
                raise ImportFileError("import.unreadable", file=str(self._path), cause=first.text)
            self._header = [str(name or "").strip().lower() for name in first]
            self._check_header()
            self._wanted = [(place, name) for place, name in enumerate(self._header) if name in self._columns]
            self._picks = len(self._wanted) < len(self._header)
            self._open = opening.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()

    @property
    def ignored_columns(self) -> tuple[str, ...]:
        """Columns of the file that nobody asked for."""
        return tuple(name for name in self._header if name and name not in self._columns)

    def _check_header(self) -> None:
        for column in self._columns:
            if self._header.count(column) > 1:
                raise ImportFileError("import.column_twice", file=str(self._path), column=column)
        for column in self._required:
            if column not in self._header:
                listed = ", ".join(self._columns)
                raise ImportFileError("import.no_header", file=str(self._path), column=column, columns=listed)

    def rows(self) -> Iterator[TableRow | BadRow]:
        """Yield every row that is not empty, good or bad, in the order of the file."""
        for line, cells in self._lines:
            if isinstance(cells, Message):
                yield BadRow(line, cells)
            else:
                row = self._row(line, cells)
                if not isinstance(row, TableRow) or any(row.fields.values()):
                    yield row

    def _row(self, line: int, cells: list[Any]) -> TableRow | BadRow:
        if len(cells) != len(self._header):
            return BadRow(line, Message("import.field_count", {"given": len(cells), "expected": len(self._header)}))
        numbers = self._numbers(cells) if self._typed else _NO_NUMBERS
        values = [_text(cell) for cell in cells] if self._typed else cells
        # The row as a whole first, cell by cell only where that finds something: a million rows are mostly this.
        whole = ",".join(values)
        if ", " in whole or " ," in whole or whole[:1] == " " or whole[-1:] == " ":
            values = [value.strip() for value in values]
        fields = (
            {name: values[place] for place, name in self._wanted}
            if self._picks
            else dict(zip(self._header, values, strict=True))
        )
        if not whole.isprintable() or len(whole) > MOST_CHARACTERS:
            for name, value in fields.items():
                if len(value) > MOST_CHARACTERS:
                    return BadRow(line, Message("import.too_long", {"column": name, "most": MOST_CHARACTERS}))
                if not value.isprintable():
                    return BadRow(line, Message("import.not_printable", {"column": name}))
        return TableRow(line, fields, numbers)

    def _numbers(self, cells: list[Any]) -> frozenset[str]:
        return frozenset(name for place, name in self._wanted if type(cells[place]) in (int, float))


_NO_NUMBERS: frozenset[str] = frozenset()


def _text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    if isinstance(cell, datetime):
        return cell.isoformat()
    return str(cell).strip()


def _hash_of(path: Path) -> tuple[str, int]:
    digest, lines = hashlib.sha256(), 0
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
            lines += block.count(b"\n")
    return digest.hexdigest(), max(lines, 1)


def _csv_lines(path: Path, opening: ExitStack) -> Iterator[_Line]:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        with path.open("rb") as raw:
            while block := raw.read(1 << 20):
                decoder.decode(block)
    except UnicodeDecodeError:
        raise ImportFileError("import.not_utf8", file=str(path)) from None
    file = opening.enter_context(path.open(encoding="utf-8-sig", newline=""))
    first = file.readline()
    file.seek(0)
    return _records(csv.reader(file, delimiter=max(_DELIMITERS, key=first.count), strict=True))


def _records(reader: Any) -> Iterator[_Line]:
    line = 1
    while True:
        try:
            for cells in reader:
                yield line, cells
                line = reader.line_num + 1
        except csv.Error as error:
            yield line, Message("import.broken_line", {"cause": str(error)})
            line = reader.line_num + 1
        else:
            return


# What openpyxl lets through of a broken file: zip, XML (a SyntaxError), missing parts, impossible values.
_BROKEN_WORKBOOK = (zipfile.BadZipFile, SyntaxError, KeyError, ValueError, TypeError, AttributeError, IndexError)


def _workbook_lines(path: Path, opening: ExitStack) -> tuple[int, Iterator[_Line]]:
    import openpyxl

    try:
        workbook = openpyxl.load_workbook(path, read_only=True, data_only=True)
        opening.callback(workbook.close)
        sheet = workbook.worksheets[0]
        return max(sheet.max_row or 1, 1), _sheet_lines(path, sheet)
    except _BROKEN_WORKBOOK as error:
        raise ImportFileError("import.not_a_workbook", file=str(path)) from error


def _sheet_lines(path: Path, sheet: Any) -> Iterator[_Line]:
    width = None
    try:
        for line, cells in enumerate(sheet.iter_rows(values_only=True), start=1):
            trimmed = _trimmed(list(cells))
            width = len(trimmed) if width is None else width
            yield line, trimmed + [None] * (width - len(trimmed))
    except _BROKEN_WORKBOOK as error:
        raise ImportFileError("import.not_a_workbook", file=str(path)) from error


def _trimmed(cells: list[Any]) -> list[Any]:
    while cells and cells[-1] is None:
        cells.pop()
    return cells


def text_in(row: TableRow, column: str, *, exact: bool = False) -> str:
    """Return the text of a cell; empty if the column is missing or the cell is.

    Parameters
    ----------
    exact : bool
        Whether a number in a workbook is refused, because its leading zeros would be gone.

    Raises
    ------
    RowError
        If it is a number that should be a text.
    """
    if exact and column in row.numbers:
        raise RowError("import.number_cell", column=column)
    return row.fields.get(column, "")


def needed_text_in(row: TableRow, column: str, *, exact: bool = False) -> str:
    """Return the text of a cell that must be filled; raises as `text_in`, and if it is empty."""
    value = text_in(row, column, exact=exact)
    if not value:
        raise RowError("import.missing", column=column)
    return value


def whole_number_in(row: TableRow, column: str, most: int) -> int:
    """Return the whole number from 1 to `most` in a cell; raises RowError if it is none."""
    value = needed_text_in(row, column)
    if not (value.isascii() and value.isdigit() and 1 <= int(value) <= most):
        raise RowError("import.whole_number", column=column, given=value, most=most)
    return int(value)


def positive_number_in(row: TableRow, column: str) -> float | None:
    """Return the number above 0 in a cell, None for an empty one; raises RowError for anything else."""
    value = text_in(row, column)
    if not value:
        return None
    try:
        number = float(value) if "_" not in value else math.nan
    except ValueError:
        number = math.nan
    if not (math.isfinite(number) and number > 0):
        raise RowError("import.positive_number", column=column, given=value)
    return number


def truth_in(row: TableRow, column: str) -> bool | None:
    """Return true, false, or None for an empty cell; raises RowError for anything else."""
    value = text_in(row, column)
    try:
        return {"": None, "true": True, "false": False}[value.lower()]
    except KeyError:
        raise RowError("import.true_false", column=column, given=value) from None


def time_in(row: TableRow, column: str) -> str:
    """Return a time as written, ISO 8601 with offset, or an empty text; raises RowError for anything else."""
    value = text_in(row, column)
    if value and not _has_offset(value):
        raise RowError("import.time", column=column, given=value)
    return value


@lru_cache(maxsize=10_000)
def _has_offset(value: str) -> bool:
    try:
        return datetime.fromisoformat(value).tzinfo is not None
    except ValueError:
        return False


def needed_time_in(row: TableRow, column: str) -> str:
    """Return a time that must be given; raises as `time_in`, and if it is empty."""
    value = time_in(row, column)
    if not value:
        raise RowError("import.missing", column=column)
    return value
