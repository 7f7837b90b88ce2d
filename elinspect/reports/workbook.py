"""Tables as workbooks (XLSX) and as Parquet; nothing in them can become a formula."""

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from elinspect.catalogue import Value
from elinspect.errors import LogError, told_as
from elinspect.reports.csv_table import escaped

_WIDEST = 48


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
        bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        soft = book.add_format({"font_color": "#5d636b", "italic": True})
        percent = book.add_format({"num_format": "0.0 %"})
        for number, sheet in enumerate(sheets, start=1):
            _fill(book.add_worksheet(_tab(sheet.name, number)), sheet, bold, soft, percent)
    _write_whole(path, filled.getvalue())


def _fill(page: object, sheet: Sheet, bold: object, soft: object, percent: object) -> None:
    from xlsxwriter.worksheet import Worksheet

    if not isinstance(page, Worksheet):
        raise TypeError("not a sheet of a workbook")
    for line, note in enumerate(sheet.notes):
        page.write_string(line, 0, str(escaped(note)), soft)
    top = len(sheet.notes) + bool(sheet.notes)
    widths = [len(name) for name in sheet.header]
    for column, name in enumerate(sheet.header):
        page.write_string(top, column, str(escaped(name)), bold)
    for line, row in enumerate(sheet.rows, start=top + 1):
        for column, value in enumerate(row):
            cell = escaped(value)
            if isinstance(cell, str):
                page.write_string(line, column, cell)
            else:
                page.write_number(line, column, cell, percent if column in sheet.shares else None)
            widths[column] = max(widths[column], len(str(cell)) if isinstance(cell, str) else 8)
    for column, width in enumerate(widths):
        page.set_column(column, column, min(width + 2, _WIDEST))
    page.freeze_panes(top + 1, 1)
    page.set_landscape()
    page.fit_to_pages(1, 0)


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
