"""Reports on paper: A4 pages as PDF from headings, texts, tables and figures.

reportlab is imported when the first page is made. Every page carries the title, the period and the page number; the
first says what was counted, with filters and n, and the ends of the log's chains.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from elinspect.catalogue import words
from elinspect.errors import LogError, told_as

INK, SOFT, LINE, BAND = "#1b1d20", "#5d636b", "#c4c8cd", "#eef0f2"


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading within a report."""

    text: str


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph; `strong` for what to act on, `soft` for what it rests on."""

    text: str
    strong: bool = False
    soft: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """A table; numbers are set to the right.

    Attributes
    ----------
    header : sequence of str
        Columns.
    rows : sequence of sequences of str
        As shown.
    widths : sequence of float, optional
        Shares of the width; by default each column is as wide as what stands in it.
    """

    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    widths: Sequence[float] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """A figure made by `elinspect.reports.figures`.

    Attributes
    ----------
    figure : matplotlib figure
        The figure.
    pixels : PIL image, optional
        The same drawn already (`drawn`).
    """

    figure: Any
    pixels: Any = None


def drawn(figure: Any) -> Drawing:
    """Return a figure drawn for paper now, while something else may still be counting."""
    from elinspect.reports.figures import as_pixels

    return Drawing(figure, as_pixels(figure, _DOTS_PER_INCH))


_DOTS_PER_INCH = 180  # sharp in print, as in files


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture file, at most so high on the page."""

    path: Path
    caption: str = ""
    height_mm: float = 90.0


@dataclass(frozen=True, slots=True)
class NewPage:
    """Begin a new page."""


Part = Heading | Text | Grid | Drawing | Picture | NewPage


@dataclass(frozen=True, slots=True)
class Paper:
    """A report.

    Attributes
    ----------
    title : str
        Above the first page and on every page.
    facts : sequence of (str, str)
        What it is about: period, filters, n, when it was made.
    parts : sequence of Part
        In order.
    """

    title: str
    facts: Sequence[tuple[str, str]]
    parts: Sequence[Part]


def write_paper(path: Path, paper: Paper) -> None:
    """Write a report as PDF; the file appears whole or not at all.

    Raises
    ------
    LogError
        If the file cannot be written.
    """
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.units import mm
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    made = BytesIO()
    _fonts()
    frame = Frame(18 * mm, 18 * mm, A4[0] - 36 * mm, A4[1] - 36 * mm, 0, 0, 0, 0)
    document = BaseDocTemplate(made, pagesize=A4, title=paper.title, author="elinspect", invariant=1)
    document.addPageTemplates(
        PageTemplate(frames=[frame], onPage=lambda canvas, page: _around(canvas, page, paper.title))
    )
    width = A4[0] - 36 * mm
    flow = [*_head(paper, width)]
    for part in paper.parts:
        flow += _flowables(part, width)
    with _packed():
        document.build(flow)
    partial = path.with_name(path.name + ".part")
    with told_as("command.not_written", LogError, file=str(path)):
        partial.write_bytes(made.getvalue())
        partial.replace(path)


@contextmanager
def _packed() -> Iterator[None]:
    """Write pictures and pages as bytes, not as letters for bytes: a quarter smaller and a second sooner."""
    from reportlab import rl_config

    before = rl_config.useA85
    rl_config.useA85 = 0
    try:
        yield
    finally:
        rl_config.useA85 = before


def _fonts() -> None:
    """Use matplotlib's own DejaVu Sans: it has every letter a lot or a name may hold, and is embedded."""
    from matplotlib import get_data_path
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if "paper" not in pdfmetrics.getRegisteredFontNames():
        folder = Path(get_data_path()) / "fonts" / "ttf"
        pdfmetrics.registerFont(TTFont("paper", folder / "DejaVuSans.ttf"))
        pdfmetrics.registerFont(TTFont("paper-bold", folder / "DejaVuSans-Bold.ttf"))


def _around(canvas: Any, page: Any, title: str) -> None:
    from reportlab.lib.units import mm

    width, _ = page.pagesize
    canvas.saveState()
    canvas.setFont("paper", 7)
    canvas.setFillColor(SOFT)
    canvas.drawString(18 * mm, 10 * mm, words("paper.caution"))
    canvas.drawRightString(width - 18 * mm, 10 * mm, words("paper.page", page=canvas.getPageNumber()))
    if canvas.getPageNumber() > 1:
        canvas.drawString(18 * mm, page.pagesize[1] - 12 * mm, title)
    canvas.restoreState()


def _style(
    name: str, size: float, *, bold: bool = False, colour: str = INK, before: float = 0, after: float = 0
) -> Any:
    from reportlab.lib.styles import ParagraphStyle

    font = "paper-bold" if bold else "paper"
    return ParagraphStyle(
        name, fontName=font, fontSize=size, leading=size * 1.35, textColor=colour, spaceBefore=before, spaceAfter=after
    )


def _head(paper: Paper, width: float) -> list[Any]:
    from reportlab.platypus import Paragraph, Spacer, Table, TableStyle

    label, value = _style("label", 7.5, colour=SOFT), _style("value", 8)
    rows = [[Paragraph(escape(name), label), Paragraph(escape(text), value)] for name, text in paper.facts]
    lines = TableStyle([
        ("LINEABOVE", (0, 0), (-1, 0), 0.8, INK),
        ("TOPPADDING", (0, 0), (-1, 0), 5),
        ("LINEBELOW", (0, -1), (-1, -1), 0.4, LINE),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 1), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, -1), (-1, -1), 5),
    ])  # fmt: skip
    head: list[Any] = [Paragraph(escape(paper.title), _style("title", 16, bold=True, after=9))]
    if rows:
        head.append(Table(rows, colWidths=[0.2 * width, 0.8 * width], style=lines))
    return [*head, Spacer(1, 8)]


def _flowables(part: Part, width: float) -> list[Any]:
    from reportlab.platypus import PageBreak, Paragraph, Spacer

    match part:
        case Heading(text):
            heading = _style("heading", 11, bold=True, before=8, after=4)
            heading.keepWithNext = 1
            return [Paragraph(escape(text), heading)]
        case Text(text, strong, soft):
            size, colour = (10.0, INK) if strong else (8.5, SOFT if soft else INK)
            return [Paragraph(escape(text), _style("text", size, bold=strong, colour=colour, after=3))]
        case Grid():
            return [_grid(part, width), Spacer(1, 6)]
        case Drawing():
            return [_drawing(part, width), Spacer(1, 4)]
        case Picture():
            return _picture(part, width)
        case NewPage():
            return [PageBreak()]


def _grid(grid: Grid, width: float) -> Any:
    from reportlab.platypus import Paragraph, Table, TableStyle

    widths, size = _columns(grid, width)

    numeric = [
        any(row[column] for row in grid.rows) and all(_is_number(row[column]) for row in grid.rows)
        for column in range(len(grid.header))
    ]
    head, cell, right = _style("th", size, bold=True), _style("td", size), _style("tdr", size)
    right_head = _style("thr", size, bold=True)
    right.alignment = right_head.alignment = 2
    rows = [
        [
            Paragraph(escape(name), right_head if number else head)
            for name, number in zip(grid.header, numeric, strict=True)
        ]
    ]
    for row in grid.rows:
        rows.append(
            [Paragraph(escape(text), right if number else cell) for text, number in zip(row, numeric, strict=True)]
        )
    style = TableStyle([
        ("BACKGROUND", (0, 0), (-1, 0), BAND),
        ("LINEBELOW", (0, 0), (-1, 0), 0.6, INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.25, LINE),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LEFTPADDING", (0, 0), (-1, -1), _PADDING / 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), _PADDING / 2),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ])  # fmt: skip
    return Table(rows, colWidths=widths, style=style, repeatRows=1)


_PADDING = 9.0  # points beside the text of a cell
_SIZES = (7.5, 7.0, 6.5, 6.0)
_LONGEST_WORD = 20  # letters; a longer one, such as a hash, is broken


def _columns(grid: Grid, width: float) -> tuple[list[float], float]:
    """Return widths of columns and size of letters: no word is broken, and as few lines as there is room for."""
    size, least, most = _SIZES[-1], [0.0], [0.0]
    for size in _SIZES:
        least, most = _needed(grid, size)
        if sum(least) <= width:
            break
    if grid.widths:
        return [width * share / sum(grid.widths) for share in grid.widths], size
    free, wanted = width - sum(least), [high - low for low, high in zip(least, most, strict=True)]
    if free < 0:  # a word is too long for any page
        return [width * low / sum(least) for low in least], size
    given = min(1.0, free / sum(wanted)) if sum(wanted) else 0.0
    widths = [low + given * more for low, more in zip(least, wanted, strict=True)]
    return [each * width / sum(widths) for each in widths], size


def _needed(grid: Grid, size: float) -> tuple[list[float], list[float]]:
    """Return how wide each column must be for its longest word, and would be for its longest line."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    least, most = [], []
    for column, name in enumerate(grid.header):
        texts = {row[column] for row in grid.rows}
        words_of = [(word[:_LONGEST_WORD], "paper") for text in texts for word in text.split()]
        words_of += [(word, "paper-bold") for word in name.split()]
        longest = max((stringWidth(word, font, size) for word, font in words_of), default=0.0)
        line = max((stringWidth(text, "paper", size) for text in texts), default=0.0)
        least.append(longest + _PADDING + 1)
        most.append(max(longest, line) + _PADDING + 1)
    return least, most


def _is_number(text: str) -> bool:
    plain = text.replace("\u2009", "").replace("%", "").replace("–", "").replace("-", "").replace(".", "")
    return not plain.strip() or plain.replace(" ", "").isdigit()


def _drawing(drawing: Drawing, width: float) -> Any:
    """Set a figure as a picture."""
    from reportlab.lib.utils import ImageReader
    from reportlab.platypus import Flowable

    across, down = drawing.figure.get_size_inches()
    pixels = ImageReader(drawing.pixels or drawn(drawing.figure).pixels)

    class Set(Flowable):  # type: ignore[misc]
        """A picture that is already in memory: packed once, not written as a file, read and packed again."""

        def __init__(self) -> None:
            super().__init__()
            self.width, self.height = width, width * down / across

        def draw(self) -> None:
            self.canv.drawImage(pixels, 0, 0, self.width, self.height)

    return Set()


def _as_seen(path: Path) -> Any:
    """Return what to print of a picture file: more than 8 bits would be cut off at white, so they are stretched."""
    import numpy as np
    from PIL import Image as Pixels

    from elinspect.reports.annotated import stretched

    with Pixels.open(path) as opened:
        if not opened.mode.startswith("I"):
            return str(path)
        counts = np.asarray(opened, np.float32)
    encoded = BytesIO()
    Pixels.fromarray(stretched(counts)).save(encoded, "png")
    encoded.seek(0)
    return encoded


def _picture(picture: Picture, width: float) -> list[Any]:
    from reportlab.lib.units import mm
    from reportlab.lib.utils import ImageReader
    from reportlab.platypus import Image, Paragraph, Spacer

    try:
        across, down = ImageReader(str(picture.path)).getSize()
    except OSError:
        return [Paragraph(escape(words("paper.no_picture", file=str(picture.path))), _style("missing", 8, colour=SOFT))]
    height = min(picture.height_mm * mm, width * down / across)
    shown = [Image(_as_seen(picture.path), width=height * across / down, height=height)]
    if picture.caption:
        shown.append(Paragraph(escape(picture.caption), _style("caption", 7.5, colour=SOFT)))
    return [*shown, Spacer(1, 5)]
