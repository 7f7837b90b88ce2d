"""Tables as workbooks (XLSX) and as Parquet; nothing in them can become a formula."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from textwrap import wrap
from typing import Any, TypeGuard

from elinspect.catalogue import Value, words
from elinspect.errors import LogError, told_as
from elinspect.reports.csv_table import escaped

_WIDEST = 60


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet.

    Attributes
    ----------
    name : str
        On its tab; at most 31 characters are kept.
    header : sequence of str
        Columns.
    rows : sequence of sequences
        Values.
    notes : sequence of str
        Above the table: period, filters, n.
    shares : frozenset of int
        Columns (from 0) that are shares and shown in per cent.
    """

    name: str
    header: Sequence[str]
    rows: Sequence[Sequence[Value]]
    notes: Sequence[str] = ()
    shares: frozenset[int] = frozenset()


def write_workbook(path: Path, sheets: Sequence[Sheet]) -> None:
    """Write a workbook; the file appears whole or not at all.

    Raises
    ------
    LogError
        If the file cannot be written.
    """
    import xlsxwriter

    filled = BytesIO()
    with xlsxwriter.Workbook(
        filled, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    ) as book:
        formats = {name: book.add_format(style) for name, style in _FORMATS.items()}
        tabs: set[str] = set()
        for number, sheet in enumerate(sheets, start=1):
            tab = _tab(sheet.name, number)
            tab = tab if tab.lower() not in tabs else f"{tab[:27]} {number}"
            tabs.add(tab.lower())
            _fill(book.add_worksheet(tab), sheet, formats)
    _write_whole(path, filled.getvalue())


_HEADER: dict[str, Any] = {"bold": True, "bottom": 1, "text_wrap": True}
_LEFT: dict[str, Any] = {"align": "left", "indent": 1, "valign": "top"}
_RIGHT: dict[str, Any] = {"align": "right", "indent": 1, "valign": "top"}
_FORMATS: dict[str, dict[str, Any]] = {
    "header": {**_HEADER, **_LEFT},
    "number_header": {**_HEADER, **_RIGHT},
    "note": {"font_color": "#5d636b", "italic": True},
    "text": _LEFT,
    "long": {**_LEFT, "text_wrap": True},
    "whole": {**_RIGHT, "num_format": "#,##0"},
    "large": {**_RIGHT, "num_format": "#,##0.0"},
    "plain": _RIGHT,
    "share": {**_RIGHT, "num_format": "0.0 %"},
}
_A4 = 9  # number of the paper size
_LINE_PT = 15  # height of a line of text
_NOTE_WIDTH = 110  # characters: as wide as a page in landscape


def _fill(page: Any, sheet: Sheet, formats: Mapping[str, Any]) -> None:
    notes = [line for note in sheet.notes for line in wrap(note, _NOTE_WIDTH)]
    for line, note in enumerate(notes):
        page.write_string(line, 0, str(escaped(note)), formats["note"])
    top = len(notes) + bool(notes)
    kinds = [_kind(sheet, column) for column in range(len(sheet.header))]
    widths = [_width(sheet, column, kind) for column, kind in enumerate(kinds)]
    for column, (name, kind, width) in enumerate(zip(sheet.header, kinds, widths, strict=True)):
        page.write_string(top, column, str(escaped(name)), formats["header" if kind == "text" else "number_header"])
        page.set_column(column, column, width)
    lines = max((len(wrap(name, max(int(w) - 2, 1))) for name, w in zip(sheet.header, widths, strict=True)), default=1)
    page.set_row(top, _LINE_PT * lines)
    for line, row in enumerate(sheet.rows, start=top + 1):
        long = [len(wrap(text, int(w) - 2)) for text, w in zip(row, widths, strict=True) if _is_long(text, w)]
        if long:  # not every program makes a row as high as its text
            page.set_row(line, _LINE_PT * max(long))
        for column, value in enumerate(row):
            cell = escaped(value)
            if isinstance(cell, str):
                page.write_string(line, column, cell, formats["long" if _is_long(cell, widths[column]) else "text"])
            elif isinstance(cell, bool):
                page.write_boolean(line, column, cell)
            else:
                page.write_number(line, column, cell, formats[kinds[column]])
    if not sheet.rows:
        page.write_string(top + 1, 0, words("workbook.none"), formats["note"])
    page.freeze_panes(top + 1, 1)
    page.repeat_rows(top)
    page.set_landscape()
    page.set_paper(_A4)
    page.fit_to_pages(1, 0)
    page.set_footer(f"&L{sheet.name.replace('&', '&&')}&R&P / &N")


def _kind(sheet: Sheet, column: int) -> str:
    """Return the format of a column: text, share, whole, large or plain numbers."""
    values = [value for row in sheet.rows if (value := row[column]) is not None]
    numbers = [float(value) for value in values if not isinstance(value, str)]
    if not numbers or len(numbers) < len(values):
        return "text"
    if column in sheet.shares:
        return "share"
    if all(number.is_integer() for number in numbers):
        return "whole"
    return "large" if max(map(abs, numbers)) >= _LARGE else "plain"


_LARGE = 100


def _is_long(value: Value, width: float) -> TypeGuard[str]:
    return isinstance(value, str) and len(value) > width - 1


def _width(sheet: Sheet, column: int, kind: str) -> float:
    """Return the width of a column in characters: a heading may take several lines, a value takes one."""
    word = max((len(part) for part in sheet.header[column].split()), default=0)
    if kind == "text":
        longest = max((len(str(escaped(row[column]))) for row in sheet.rows), default=0)
    else:
        longest = _NUMBER_WIDTH
    return min(max(1.2 * word, longest) + 3, _WIDEST if len(sheet.header) > 1 else _NOTE_WIDTH)


_NUMBER_WIDTH = 9


_NOT_IN_TABS = str.maketrans(dict.fromkeys("[]:*?/\\'", " "))


def _tab(name: str, number: int) -> str:
    return name.translate(_NOT_IN_TABS)[:31].strip() or f"{number}"


def write_parquet(path: Path, header: Sequence[str], rows: Sequence[Sequence[Value]]) -> None:
    """Write a table as Parquet.

    Raises
    ------
    LogError
        If pyarrow (the extra ``parquet``) is missing, or the file cannot be written.
    """
    try:
        from pyarrow import BufferOutputStream, table
        from pyarrow.parquet import write_table
    except ModuleNotFoundError:
        raise LogError("figure.no_parquet") from None
    columns: list[tuple[Value, ...]] = list(zip(*rows, strict=True)) if rows else [() for _ in header]
    made = BufferOutputStream()
    write_table(table({name: list(values) for name, values in zip(header, columns, strict=True)}), made)
    _write_whole(path, made.getvalue().to_pybytes())


def _write_whole(path: Path, data: bytes) -> None:
    partial = path.with_name(path.name + ".part")
    with told_as("command.not_written", LogError, file=str(path)):
        partial.write_bytes(data)
        partial.replace(path)
