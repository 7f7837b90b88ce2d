"""The map on a rework ticket: the panel as the bench sees it, with cells, steps, leads and label."""

from collections.abc import Sequence

from elinspect.catalogue import words
from elinspect.recipe import ProductRecipe, write_address
from elinspect.records import Flag, ReworkStep
from elinspect.reports.bench_view import BenchMap, bench_map
from elinspect.reports.sheet import Sheet, text_width, wrapped

INK, FAULT = "#1a1a1a", "#d55e00"
"""Colours of lines and words, and of what is at fault."""

_STRING, _PALE = "#f5c396", "#f2f2f2"
_SMALLEST_CELL = 4.0
"""Millimetres on paper below which a cell's address can no longer be read."""


def draw_map(
    sheet: Sheet,
    recipe: ProductRecipe,
    steps: Sequence[ReworkStep],
    flags: Sequence[Flag],
    place: tuple[float, float, float, float],
) -> float:
    """Draw the map with what it is seen from, steps and flags marked.

    Parameters
    ----------
    sheet : Sheet
        Where to.
    recipe : ProductRecipe
        The product, with the bench's view.
    steps : sequence of ReworkStep
        Their numbers are written into the cells they change.
    flags : sequence of Flag
        Their cells are filled.
    place : (x, y, width, height)
        On the sheet, in mm.

    Returns
    -------
    float
        The y below the map.
    """
    x, y, width, height = place
    shown = bench_map(recipe)
    points = 8.0 if width > 100 else 6.0
    y = sheet.lines(x, y, wrapped(how_to_read(shown, recipe), width, points), points, color=INK) + 1
    border = 7.0
    scale = min((width - 2 * border) / shown.width_mm, (height - 2 * border) / shown.height_mm)
    left = x + (width - scale * shown.width_mm) / 2
    top = y + border
    numbers = _numbers(steps)
    bad = {(flag.string, flag.position) for flag in flags}
    for cell in shown.cells:
        address = (cell.address.string, cell.address.position)
        here, string = numbers.get(address), numbers.get((cell.address.string, None))
        fill = FAULT if here or address in bad else _STRING if string else _PALE
        rectangle = (left + scale * cell.x, top + scale * cell.y, scale * cell.width, scale * cell.height)
        sheet.box(*rectangle, fill=True, facecolor=fill, edgecolor="#888888", linewidth=0.4)
        if scale * cell.width >= _SMALLEST_CELL:
            _in_cell(sheet, cell.text, here or string, rectangle, bold=fill == FAULT)
    if scale * shown.cells[0].width < _SMALLEST_CELL:
        _name_strings(sheet, recipe, shown, left, top, scale)
    frame = 3.0
    sheet.box(
        left - frame,
        top - frame,
        scale * shown.width_mm + 2 * frame,
        scale * shown.height_mm + 2 * frame,
        linewidth=0.9,
    )
    _marks(sheet, shown, left, top, scale, points)
    return top + scale * shown.height_mm + border


def _name_strings(sheet: Sheet, recipe: ProductRecipe, shown: BenchMap, left: float, top: float, scale: float) -> None:
    """Write each string's address over it, where its cells are too small for theirs."""
    n = recipe.layout.cells_per_string
    for first in range(0, len(shown.cells), n):
        here = shown.cells[first : first + n]
        x = sum(cell.x + cell.width / 2 for cell in here) / n
        y = sum(cell.y + cell.height / 2 for cell in here) / n
        text = write_address(recipe.addresses, here[0].address.string, None)
        ground = {"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.8}
        sheet.text(left + scale * x, top + scale * y, text, 6.5, ha="center", va="center", weight="bold", bbox=ground)


def how_to_read(shown: BenchMap, recipe: ProductRecipe) -> str:
    """Return in words which side of the panel a map shows, how it lies, and where its first cell is."""
    first = shown.cells[0]
    across = first.x + first.width / 2 < shown.width_mm / 2
    down = first.y + first.height / 2 < shown.height_mm / 2
    corner = f"{'top' if down else 'bottom'}_{'left' if across else 'right'}"
    mirrored = "ticket.mirrored" if shown.from_gate.mirrored else "ticket.not_mirrored"
    turned = words("ticket.turned", degrees=recipe.bench.rotation_deg) if recipe.bench.rotation_deg else ""
    text = words(
        "ticket.view",
        side=words(f"view_side.{shown.view_side}"),
        mirrored=words(mirrored) + turned,
        first=first.text,
        corner=words(f"corner.{corner}"),
    )
    if None in (shown.plus, shown.minus, shown.label):
        text = f"{text} {words('ticket.marks_not_stated', product=recipe.name)}"
    return text


def _numbers(steps: Sequence[ReworkStep]) -> dict[tuple[int | None, int | None], list[int]]:
    """Return the numbers of the steps at each place."""
    found: dict[tuple[int | None, int | None], list[int]] = {}
    for number, step in enumerate(steps, start=1):
        if step.string is not None:
            found.setdefault((step.string, step.position), []).append(number)
    return found


def _in_cell(
    sheet: Sheet, text: str, steps: list[int] | None, rectangle: tuple[float, float, float, float], *, bold: bool
) -> None:
    x, y, width, height = rectangle
    points = min(7.0, 0.75 * height / 0.3528, 5.2 * width / max(text_width(text, 6.0, bold=bold), 0.1))
    weight = "bold" if bold else "normal"
    sheet.text(x + width / 2, y + height / 2, text, points, ha="center", va="center", color=INK, weight=weight)
    if steps and height > 5:
        marks = ",".join(map(str, steps))
        sheet.text(x + width - 0.4, y + 0.4, marks, min(5.0, points), ha="right", color=INK, style="italic")


def _marks(sheet: Sheet, shown: BenchMap, left: float, top: float, scale: float, points: float) -> None:
    for place, mark in ((shown.plus, "+"), (shown.minus, "−")):
        if place is not None:
            x, y = _beside(place, shown, left, top, scale)
            sheet.text(
                x, y, mark, points + 3, ha="center", va="center", weight="bold", color=INK,
                bbox={"boxstyle": "circle,pad=0.12", "facecolor": "white", "edgecolor": INK, "linewidth": 0.9},
            )  # fmt: skip
    if shown.label is not None:
        x, y = _beside(shown.label, shown, left, top, scale)
        sheet.text(
            x, y, words("ticket.label"), points - 1, ha="center", va="center", color=INK,
            bbox={"boxstyle": "square,pad=0.25", "facecolor": "white", "edgecolor": INK, "linewidth": 0.6},
        )  # fmt: skip


def _beside(place: tuple[float, float], shown: BenchMap, left: float, top: float, scale: float) -> tuple[float, float]:
    """Return where a mark is drawn: so far outside the field that its size has room."""
    x, y = left + scale * place[0], top + scale * place[1]
    right, bottom = left + scale * shown.width_mm, top + scale * shown.height_mm
    if not 0 <= place[1] <= shown.height_mm:
        y = top - 3.6 if place[1] < 0 else bottom + 3.6
    if not 0 <= place[0] <= shown.width_mm:
        x = left - 3.6 if place[0] < 0 else right + 3.6
    return x, y
