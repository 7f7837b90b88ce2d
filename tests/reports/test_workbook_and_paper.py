"""Workbooks and pages: nothing in them becomes a formula, everything in them can be read."""

from pathlib import Path

import numpy as np
import openpyxl
import pytest
from pypdf import PdfReader

from elinspect.errors import LogError
from elinspect.reports.figures import Bar, pareto_figure, save
from elinspect.reports.paper import Drawing, Grid, Heading, NewPage, Paper, Picture, Text, write_paper
from elinspect.reports.workbook import Sheet, write_workbook
from elinspect.vision import cv2

FORMULAS = ["=1+1", "+1", "-1", "@a", "\t=1", "http://example.org", "{=1}"]


def test_no_cell_of_a_workbook_is_a_formula_or_link(tmp_path: Path) -> None:
    rows = [(text, 1.5, None, index) for index, text in enumerate(FORMULAS)]
    path = tmp_path / "t.xlsx"
    write_workbook(path, [Sheet("a/b:[c]" + 40 * "d", ["=x", "y", "z", "n"], rows, ["=note"], frozenset({1}))])
    sheet = openpyxl.load_workbook(path).worksheets[0]
    assert len(sheet.title) <= 31
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} == {"s", "n"}
    assert not [cell for cell in cells if cell.hyperlink is not None]
    assert sheet["A1"].value == "'=note"
    assert sheet["A4"].value == "'=1+1"
    assert (sheet["B4"].value, sheet["B4"].number_format) == (1.5, "0.0 %")


def test_a_workbook_can_be_read_as_it_opens(tmp_path: Path) -> None:
    header = ["stringer / lane", "confirmed by an inspector", "per million cells", "share", "seen"]
    rows = [("B / 2", 1546, 20968.04, 0.194, "2031-02-18 00:03"), ("B / 1", 7, None, 0.097, "2031-02-18 00:11")]
    note = "a summary " * 30
    sheets = [Sheet("Pareto", header, rows, (note,), frozenset({3})), Sheet("pareto", ["x"], [])]
    write_workbook(tmp_path / "t.xlsx", sheets)
    book = openpyxl.load_workbook(tmp_path / "t.xlsx")
    page, empty = book.worksheets
    assert (page.title, empty.title) == ("Pareto", "pareto 2")  # two sheets of one name would not open
    top = [cell.value for cell in page["A"]].index("stringer / lane") + 1
    assert all(len(str(page.cell(line, 1).value or "")) <= 110 for line in range(1, top))
    formats = [page.cell(top + 1, column).number_format for column in range(1, 6)]
    assert formats == ["General", "#,##0", "#,##0.0", "0.0 %", "General"]
    assert page.column_dimensions["E"].width > len("2031-02-18 00:03")
    assert page.column_dimensions["B"].width < len(header[1])  # the heading takes two lines
    assert page.row_dimensions[top].height >= 30
    assert page.print_title_rows == f"${top}:${top}"
    assert [cell.value for cell in empty["A"]] == ["x", "none"]
    write_workbook(tmp_path / "t.xlsx", [Sheet("text", ["what it says"], [(note,), ("short",)])])
    page = openpyxl.load_workbook(tmp_path / "t.xlsx").worksheets[0]
    assert page["A2"].alignment.wrap_text
    assert page.row_dimensions[2].height >= 45  # three lines
    assert page.row_dimensions[3].height is None


def test_a_page_holds_every_part_and_any_letter(tmp_path: Path) -> None:
    figure = pareto_figure([Bar("$x_1$ <b>", 3, 4, 0.75), Bar("ü", 1, 0, 1.0, unknown=True)], "t", "n", "a", "b")
    grid = Grid(["name", "n"], [("Ąß <i>", "1"), ("=2", "20")])
    missing = Picture(tmp_path / "gone.png")
    parts = [Heading("one & two"), Text("strong", strong=True), grid, Drawing(figure), NewPage(), missing]
    write_paper(tmp_path / "p.pdf", Paper("Łódź < 5", [("fact", "x > y")], parts))
    pages = PdfReader(tmp_path / "p.pdf").pages
    assert len(pages) == 2
    text = pages[0].extract_text()
    for told in ("Łódź < 5", "x > y", "one & two", "Ąß <i>", "=2"):
        assert told in text
    assert "gone.png is not there any more" in pages[1].extract_text()


@pytest.mark.parametrize(("depth", "full"), [(np.uint8, 255), (np.uint16, 4095), (np.uint16, 65535)])
def test_a_picture_of_any_depth_is_seen_on_paper(tmp_path: Path, depth: type, full: int) -> None:
    stored = np.tile(np.linspace(0, full, 64), (48, 1)).astype(depth)
    assert cv2.imwrite(str(tmp_path / "panel.png"), stored)
    write_paper(tmp_path / "p.pdf", Paper("t", [], [Picture(tmp_path / "panel.png")]))
    (shown,) = PdfReader(tmp_path / "p.pdf").pages[0].images
    levels = np.asarray(shown.image.convert("L"), float)[24]
    assert np.abs(levels - np.linspace(0, 255, 64)).max() < 6


def test_the_same_figure_gives_the_same_file(tmp_path: Path) -> None:
    for name in ("a.svg", "b.svg"):
        save(pareto_figure([Bar("x", 3, 4, 1.0)], "t", "n", "a", "b"), tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


def test_many_bars_end_in_one_for_the_rest(tmp_path: Path) -> None:
    bars = [Bar(str(number), 40 - number, 0, 0.5) for number in range(40)]
    figure = pareto_figure(bars, "t", "n", "a", "b")
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert (len(labels), labels[-1]) == (24, "17 more")
    rates = pareto_figure(bars, "t", "n", "a", "", adds_up=False)
    assert "17 more" not in [label.get_text() for label in rates.axes[0].get_yticklabels()]


def test_what_cannot_be_written_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="cannot be written"):
        write_workbook(tmp_path / "no" / "t.xlsx", [])
    with pytest.raises(LogError, match="must end in"):
        save(pareto_figure([], "t", "n", "a", "b"), tmp_path / "p.gif")
