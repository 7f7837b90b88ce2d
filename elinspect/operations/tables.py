"""Tables that come in as files: row by row, every bad one with its line and the reason."""

import codecs
import csv
import hashlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from elinspect.catalogue import Message, words
from elinspect.errors import ImportFileError

MOST_CHARACTERS = 200
"""Longest text in a cell. Common practice, no source: names and lots are far shorter."""
_DELIMITERS = (",", ";", "\t")

Progress = Callable[[float], None]
"""Told how much of the file is done, 0..1."""


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that was left out.

    Attributes
    ----------
    line : int
        Line of the file, from 1; the first line names the columns.
    reason : Message
        What is wrong with it.
    """

    line: int
    reason: Message

    @property
    def text(self) -> str:
        """Line and reason in words."""
        return words("import.line", line=self.line, reason=self.reason.text)


@dataclass(frozen=True, slots=True)
class TableRow:
    """A row as text; an empty text is 'not given'."""

    line: int
    fields: dict[str, str]


@dataclass(frozen=True, slots=True)
class FileFacts:
    """A file as it was read.

    Attributes
    ----------
    sha256 : str
        Hash of its bytes.
    lines : int
        Roughly how many there are, for the progress.
    """

    sha256: str
    lines: int


class RowError(Exception):
    """One cell of a row is wrong; carries the reason."""

    def __init__(self, code: str, **values: str | int) -> None:
        super().__init__(code)
        self.reason = Message(code, values)


class Table:
    """A table open for reading; use as a context manager.

    Attributes
    ----------
    facts : FileFacts
        Hash and length.
    ignored_columns : tuple of str
        Columns of the file that nobody asked for.
    """

    def __init__(self, path: Path, columns: Sequence[str], required: Sequence[str]) -> None:
        self._path = path
        self._columns = columns
        self._required = required

    def __enter__(self) -> "Table":
        with ExitStack() as opening:
            self._read_header(opening)
            self._open = opening.pop_all()
        return self

    def _read_header(self, opening: ExitStack) -> None:
        try:
            self.facts = _facts_of(self._path)
            file = opening.enter_context(self._path.open(encoding="utf-8-sig", newline=""))
            delimiter = _delimiter_of(self._path)
        except OSError as error:
            raise ImportFileError(
                "import.unreadable", file=str(self._path), cause=error.strerror or str(error)
            ) from error
        self._reader = csv.reader(file, delimiter=delimiter, strict=True)
        try:
            self._header = [name.strip().lower() for name in next(self._reader, [])]
        except csv.Error as error:
            raise ImportFileError("import.unreadable", file=str(self._path), cause=str(error)) from error
        self._check_header()
        self.ignored_columns = tuple(name for name in self._header if name and name not in self._columns)

    def __exit__(self, *_: object) -> None:
        self._open.close()

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
        while True:
            line = self._reader.line_num + 1
            try:
                cells = next(self._reader)
            except StopIteration:
                return
            except csv.Error as error:
                yield BadRow(line, Message("import.broken_line", {"cause": str(error)}))
                continue
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(self._header):
                counts = {"given": len(cells), "expected": len(self._header)}
                yield BadRow(line, Message("import.field_count", counts))
                continue
            named = zip(self._header, cells, strict=True)
            yield TableRow(line, {name: cell.strip() for name, cell in named if name in self._columns})


def _facts_of(path: Path) -> FileFacts:
    digest, lines = hashlib.sha256(), 0
    decoder = codecs.getincrementaldecoder("utf-8")()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
            lines += block.count(b"\n")
            try:
                decoder.decode(block)
            except UnicodeDecodeError:
                raise ImportFileError("import.not_utf8", file=str(path)) from None
    return FileFacts(digest.hexdigest(), max(lines, 1))


def _delimiter_of(path: Path) -> str:
    with path.open(encoding="utf-8-sig") as file:
        first = file.readline()
    return max(_DELIMITERS, key=first.count)


def text_in(row: TableRow, column: str) -> str:
    """Return the text of a cell; empty if the column is missing or the cell is.

    Raises
    ------
    RowError
        If it is too long or not printable.
    """
    value = row.fields.get(column, "")
    if len(value) > MOST_CHARACTERS:
        raise RowError("import.too_long", column=column, most=MOST_CHARACTERS)
    if not value.isprintable():
        raise RowError("import.not_printable", column=column)
    return value


def needed_text_in(row: TableRow, column: str) -> str:
    """Return the text of a cell that must be filled; raises as `text_in`, and if it is empty."""
    value = text_in(row, column)
    if not value:
        raise RowError("import.missing", column=column)
    return value


def whole_number_in(row: TableRow, column: str, most: int) -> int:
    """Return the whole number from 1 to `most` in a cell; raises RowError if it is none."""
    value = needed_text_in(row, column)
    if not (value.isascii() and value.isdigit() and 1 <= int(value) <= most):
        raise RowError("import.whole_number", column=column, given=value, most=most)
    return int(value)


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
    if value:
        try:
            known = datetime.fromisoformat(value).tzinfo is not None
        except ValueError:
            known = False
        if not known:
            raise RowError("import.time", column=column, given=value)
    return value
