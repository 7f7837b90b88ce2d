"""The bench's rework ticket: one page or a narrow label with code, map, steps, pictures and cautions."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import words
from elinspect.frames import gate_from_stored
from elinspect.recipe import ProductRecipe, write_address
from elinspect.records import Flag, FloatImage, PanelResult, ReworkAction, ReworkPlan, ReworkStep
from elinspect.reports.annotated import stretched
from elinspect.reports.bench_view import bench_map, from_file
from elinspect.reports.sheet import Sheet, blank_sheet, line_height, text_width, wrapped
from elinspect.reports.ticket_map import FAULT, INK, draw_map, how_to_read
from elinspect.triage import not_judged

_MARGIN = 10.0
_GAP = 4.0
_PICTURES = 8


class Paper(StrEnum):
    """What the ticket is printed on."""

    A4 = "a4"
    LETTER = "letter"
    LABEL = "label"


_SIZES = {Paper.A4: (210.0, 297.0), Paper.LETTER: (215.9, 279.4)}
_LABEL_WIDTH = 62.0


@dataclass(frozen=True, slots=True, eq=False)
class Ticket:
    """What a ticket says.

    Attributes
    ----------
    result : PanelResult
        The inspection.
    recipe : ProductRecipe
        The product, with the bench's view.
    plan : ReworkPlan
        Steps in order.
    flags : tuple of Flag
        Flags that stand.
    counts : ndarray or None
        The picture the flags lie in; None if it is not there any more.
    decided : str
        By whom and when, in words; that nothing is decided yet where so.
    inspection : str
        Id in the log.
    """

    result: PanelResult
    recipe: ProductRecipe
    plan: ReworkPlan
    flags: tuple[Flag, ...]
    counts: FloatImage | None
    decided: str
    inspection: str


def draw_ticket(ticket: Ticket, paper: Paper) -> Sheet:
    """Draw a ticket."""
    if paper is Paper.LABEL:
        return _label(ticket)
    width, height = _SIZES[paper]
    sheet = blank_sheet(width, height)
    inner = width - 2 * _MARGIN
    y = _heading(sheet, ticket, inner)
    y = draw_map(sheet, ticket.recipe, ticket.plan.steps, ticket.flags, (_MARGIN, y, inner, 82.0))
    bottom = _foot(sheet, ticket, inner)
    pictured = _pictured(ticket)
    rows = 0 if not pictured else 1 if len(pictured) <= 4 else 2
    least = rows * 38.0
    y = _steps(sheet, ticket, _MARGIN, y + 2, inner, bottom - least - y - 4)
    if rows:
        _pictures(sheet, ticket, pictured, y + 2, inner, bottom - y - 4)
    return sheet


def _heading(sheet: Sheet, ticket: Ticket, inner: float) -> float:
    code = 26.0
    sheet.text(_MARGIN, _MARGIN, words("ticket.title"), 13, weight="bold", color=INK)
    serial = ticket.result.serial or words("common.unknown")
    points = 22.0
    while text_width(serial, points, bold=True) > inner - code - 4 and points > 7:
        points -= 1
    sheet.text(_MARGIN, _MARGIN + 6.5, serial, points, weight="bold", color=INK)
    _code(sheet, ticket.result.serial, sheet.width - _MARGIN - code, _MARGIN, code)
    y = _MARGIN + 17.5
    for line in (
        words(
            "ticket.panel", product=ticket.recipe.label, layout=str(ticket.recipe.layout), customer=_customer(ticket)
        ),
        words("ticket.attempt", attempt=ticket.result.attempt, left=ticket.plan.reworks_left),
        ticket.decided,
        *_not_judged(ticket),
    ):
        y = sheet.lines(_MARGIN, y, wrapped(line, inner - code - 4, 8.5), 8.5, color=INK)
    return max(y, _MARGIN + code) + 2


def _customer(ticket: Ticket) -> str:
    customer = ticket.result.customer
    return words("ticket.customer", customer=customer) if customer else ""


def _not_judged(ticket: Ticket) -> list[str]:
    """Return what the picture could not show: of that, no step on the ticket says anything."""
    return [note.text for note in not_judged(ticket.result.quality)]


def _code(sheet: Sheet, serial: str | None, x: float, y: float, size: float) -> None:
    """Draw the serial as a Data Matrix (ISO/IEC 16022); nothing for a panel without serial."""
    if serial is None:
        return
    import zxingcpp

    barcode = zxingcpp.create_barcode(serial, zxingcpp.BarcodeFormat.DataMatrix)
    modules = np.array(zxingcpp.write_barcode_to_image(barcode))
    sheet.picture(modules, (x, y), (size, size), sharp=True)


def _steps(sheet: Sheet, ticket: Ticket, x: float, y: float, width: float, height: float) -> float:
    """Write the steps as large as they fit; return the y below them."""
    sheet.text(x, y, words("ticket.steps"), 10, weight="bold", color=INK)
    y += line_height(10) + 0.5
    texts = [_step_text(number, step) for number, step in enumerate(ticket.plan.steps, start=1)]
    room = height - line_height(10) - 0.5
    # More columns before small print: a ticket is read at arm's length.
    tried = (
        [(10.0, 1), (9.0, 1), (9.0, 2), (8.0, 2), (7.0, 2), (6.0, 3)] if width > 100 else [(7.5, 1), (6.5, 1), (6.0, 1)]
    )
    for points, columns in tried:
        column = (width - (columns - 1) * 5) / columns
        blocks = [wrapped(text, column - 5, points) for text in texts]
        per_column = int(room / line_height(points))
        if _lines_needed(blocks, columns) <= per_column:
            break
    bottom, top, number = y, y, 0
    limit = max(_lines_needed(blocks, columns), 1)
    used = 0
    for at, block in enumerate(blocks):
        if used and used + len(block) > limit and number < columns - 1:
            number, used = number + 1, 0
        if used + len(block) > per_column:
            left_out = words("ticket.more_steps", n=len(blocks) - at)
            sheet.text(x, bottom, left_out, points, color=INK, weight="bold")
            return bottom + line_height(points)
        at_x, at_y = x + number * (column + 5), top + used * line_height(points)
        size = 0.75 * points * 0.3528
        sheet.box(at_x, at_y + 0.2 * size, 1.15 * size, 1.15 * size)
        sheet.lines(at_x + 5, at_y, block, points, color=INK)
        used += len(block)
        bottom = max(bottom, top + used * line_height(points))
    return bottom


def _lines_needed(blocks: Sequence[Sequence[str]], columns: int) -> int:
    """Return how many lines the fullest column has, blocks kept whole and in order."""
    total = sum(map(len, blocks))
    for limit in range(max(-(-total // columns), max(map(len, blocks), default=0)), total + 1):
        used, column = 0, 1
        for block in blocks:
            if used + len(block) > limit:
                column, used = column + 1, 0
            used += len(block)
        if column <= columns:
            return limit
    return total


def _step_text(number: int, step: ReworkStep) -> str:
    if step.minutes is None:
        return f"{number}. {step.text.text}"
    return f"{number}. {step.text.text} {words('ticket.minutes', minutes=step.minutes)}"


def _foot(sheet: Sheet, ticket: Ticket, inner: float) -> float:
    """Draw fields, cautions and origin at the foot; return the y above them."""
    cautions = wrapped(words("ticket.cautions"), inner - 4, 8)
    origin = words(
        "ticket.origin",
        inspection=ticket.inspection,
        criteria=ticket.result.versions.criteria,
        recipe=ticket.result.versions.recipe,
    )
    fields = (words("ticket.fields_done"), words("ticket.fields_removed"))
    height = len(cautions) * line_height(8) + 3 + len(fields) * 1.5 * line_height(9) + line_height(6.5) + 3
    top = y = sheet.height - _MARGIN - height
    for line in fields:
        sheet.text(_MARGIN, y, line, 9, color=INK)
        y += 1.5 * line_height(9)
    box = len(cautions) * line_height(8) + 3
    sheet.box(_MARGIN, y, inner, box, linewidth=1.2, edgecolor=INK)
    y = sheet.lines(_MARGIN + 2, y + 1.5, cautions, 8, color=INK, weight="normal") + 2.2
    sheet.text(_MARGIN, y, origin, 6.5, color="#555555")
    return top - 2


@dataclass(frozen=True, slots=True)
class _Place:
    """A place to be shown: its corners and the outlines in it, in file pixels."""

    text: str
    corners: NDArray[np.float64]
    flags: tuple[Flag, ...]


def _pictured(ticket: Ticket) -> list[_Place]:
    """Return the places of the steps, each once, in the order of the steps; a flag without a cell shows itself."""
    by_id = {flag.id: flag for flag in ticket.flags}
    corners: dict[tuple[int | None, int | None], tuple[tuple[float, float], ...]] = {
        (cell.address.string, cell.address.position): cell.corners_px for cell in ticket.result.cells
    }
    found: dict[tuple[int | None, int | None], _Place] = {}
    for step in ticket.plan.steps:
        if step.action is ReworkAction.RETAKE:
            continue
        for flag_id in step.flags:
            flag = by_id[flag_id]
            place = (flag.string, flag.position)
            text = write_address(ticket.recipe.addresses, *place) or words(f"kind.{flag.kind}")
            here = np.array(corners.get(place, flag.outline_px), np.float64)
            before = found.get(place)
            found[place] = _Place(text, here, (*(before.flags if before else ()), flag))
    return list(found.values())


def _pictures(sheet: Sheet, ticket: Ticket, places: Sequence[_Place], y: float, width: float, height: float) -> None:
    shown = places[:_PICTURES]
    columns = min(len(shown), 4)
    rows = -(-len(shown) // 4)
    caption = line_height(8)
    if len(places) > len(shown):
        height -= caption
        more = words("ticket.more_pictures", n=len(places) - len(shown))
        sheet.text(_MARGIN, y + height, more, 8, color=INK)
    box_width, box_height = (width - (columns - 1) * _GAP) / columns, min(height / rows, 62.0)
    for number, place in enumerate(shown):
        left = _MARGIN + number % 4 * (box_width + _GAP)
        top = y + number // 4 * box_height
        sheet.text(left, top, place.text, 8, weight="bold", color=INK)
        _picture(sheet, ticket, place, left, top + caption, box_width, box_height - caption - 2)


def _picture(sheet: Sheet, ticket: Ticket, place: _Place, x: float, y: float, width: float, height: float) -> None:
    """Draw the cut-out of a place, turned as the bench sees it, with the outlines of its flags."""
    if ticket.counts is None:
        sheet.box(x, y, width, height, edgecolor="#888888")
        lines = wrapped(words("ticket.no_picture"), width - 4, 7)
        sheet.lines(x + 2, y + 2, lines, 7, color=INK)
        return
    pixels, (left, top) = _cut_out(ticket.counts, place.corners)
    turn = from_file(ticket.result.panel, ticket.recipe)
    rows, columns = pixels.shape
    matrix = gate_from_stored(turn, columns, rows)
    turned = np.rot90(pixels, -turn.rotation_deg // 90)
    turned = turned[:, ::-1] if turn.mirrored else turned
    scale = min(width / turned.shape[1], height / turned.shape[0])
    sheet.picture(stretched(turned), (x, y), (scale * turned.shape[1], scale * turned.shape[0]))
    for flag in place.flags:
        points = np.array(flag.outline_px, np.float64) - (left, top)
        moved = points @ matrix[:2, :2].T + matrix[:2, 2]
        closed = np.vstack([moved, moved[:1]]) if flag.area_fraction is not None else moved
        paper = np.array([x, y]) + scale * (closed + 0.5)
        sheet.axes.plot(paper[:, 0], paper[:, 1], color="white", linewidth=1.8)
        sheet.axes.plot(paper[:, 0], paper[:, 1], color=FAULT, linewidth=0.9)


def _cut_out(counts: FloatImage, corners: NDArray[np.float64]) -> tuple[FloatImage, tuple[int, int]]:
    """Return the pixels around a place and their place (x, y) in the file."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    margin = 0.04 * (high - low).max()
    left, top = np.maximum(np.floor(low - margin), 0).astype(int)
    right, bottom = np.ceil(high + margin).astype(int) + 1
    return counts[top:bottom, left:right], (int(left), int(top))


def _label(ticket: Ticket) -> Sheet:
    """Draw the narrow label: code, map, steps, the short caution; as long as it needs to be."""
    width = _LABEL_WIDTH
    inner = width - 6
    steps = [wrapped(_step_text(n, step), inner - 5, 7.5) for n, step in enumerate(ticket.plan.steps, start=1)]
    caution = wrapped(words("ticket.caution_short"), inner, 6.5)
    shown = bench_map(ticket.recipe)
    map_height = min((inner - 14) / shown.width_mm * shown.height_mm + 14, 110.0)
    head = wrapped(how_to_read(shown, ticket.recipe), inner, 6)
    unseen = [line for note in _not_judged(ticket) for line in wrapped(note, inner, 6)]
    text_height = sum(map(len, steps)) * line_height(7.5) + len(caution) * line_height(6.5)
    text_height += (len(head) + len(unseen)) * line_height(6)
    sheet = blank_sheet(width, 34.0 + map_height + text_height + 14.0)
    serial = ticket.result.serial or words("common.unknown")
    _code(sheet, ticket.result.serial, 3, 3, 22)
    sheet.text(27, 4, words("ticket.title"), 8, weight="bold", color=INK)
    y = sheet.lines(27, 9, wrapped(serial, inner - 24, 10, bold=True), 10, weight="bold", color=INK)
    attempt = words("ticket.attempt", attempt=ticket.result.attempt, left=ticket.plan.reworks_left)
    y = sheet.lines(27, y + 0.5, wrapped(attempt, inner - 24, 6), 6, color=INK)
    y = draw_map(sheet, ticket.recipe, ticket.plan.steps, ticket.flags, (3, max(y, 26.0) + 1, inner, map_height))
    y = _steps(sheet, ticket, 3, y + 1, inner, sum(map(len, steps)) * line_height(7.5) + 8)
    y = sheet.lines(3, y + 1, unseen, 6, color=INK)
    sheet.lines(3, y + 1, caution, 6.5, color=INK)
    return sheet
