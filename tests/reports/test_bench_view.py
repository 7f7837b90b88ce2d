"""The bench's map: every address is found again, whatever the layout, the side, the turn and the plant's scheme."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from elinspect.recipe import AddressScheme, Bench, Camera, CellFormat, ProductRecipe, read_address
from elinspect.records import Address, Corner, Layout, Numbering, PanelFacts, ViewSide
from elinspect.reports.bench_view import address_at, bench_map, from_file

schemes = st.builds(
    AddressScheme,
    origin_corner=st.sampled_from(list(Corner)),
    strings=st.sampled_from(list(Numbering)),
    positions=st.sampled_from(list(Numbering)),
    string_first=st.booleans(),
    separator=st.sampled_from(["-", ".", "/"]),
)
sides = st.sampled_from([None, *ViewSide])
turns = st.sampled_from([0, 90, 180, 270])
layouts = st.builds(Layout, st.integers(1, 2), st.integers(1, 6), st.integers(1, 12))


@given(layouts, schemes, sides, st.sampled_from(list(ViewSide)), turns, st.data())
def test_every_address_round_trips(
    layout: Layout, scheme: AddressScheme, bench: ViewSide | None, camera: ViewSide, turn: int, data: st.DataObject
) -> None:
    recipe = ProductRecipe(
        "any", "1", layout, CellFormat(91, 182), addresses=scheme, camera=Camera(camera), bench=Bench(bench, turn)
    )
    shown = bench_map(recipe)
    string = data.draw(st.integers(1, layout.n_strings))
    position = data.draw(st.integers(1, layout.cells_per_string))
    cell = next(cell for cell in shown.cells if cell.address == Address(string, position))
    read = read_address(recipe, cell.text)
    assert read == (string, position)
    assert address_at(shown, cell.x + cell.width / 2, cell.y + cell.height / 2) == Address(*read)
    assert cell.x >= 0
    assert cell.x + cell.width <= shown.width_mm + 1e-6
    assert cell.y >= 0
    assert cell.y + cell.height <= shown.height_mm + 1e-6
    assert shown.from_gate.mirrored == (bench is not None and bench is not camera)


PLAIN = ProductRecipe("any", "1", Layout.parse("2x3"), CellFormat(100, 50))


def _rows(recipe: ProductRecipe) -> list[str]:
    """The addresses as the bench reads them, row by row."""
    shown = bench_map(recipe)
    ys = sorted({round(cell.y) for cell in shown.cells})
    return [" ".join(c.text for c in sorted(shown.cells, key=lambda c: c.x) if round(c.y) == y) for y in ys]


@pytest.mark.parametrize(
    ("bench", "rows"),
    [
        (Bench(), ["1-1 1-2 1-3", "2-1 2-2 2-3"]),
        (Bench(ViewSide.REAR), ["1-3 1-2 1-1", "2-3 2-2 2-1"]),
        (Bench(rotation_deg=180), ["2-3 2-2 2-1", "1-3 1-2 1-1"]),
        (Bench(rotation_deg=90), ["2-1 1-1", "2-2 1-2", "2-3 1-3"]),
        # Turned over first, then clockwise: what was at the right edge of the rear view comes to the bottom.
        (Bench(ViewSide.REAR, 90), ["2-3 1-3", "2-2 1-2", "2-1 1-1"]),
    ],
)
def test_what_the_bench_reads(bench: Bench, rows: list[str]) -> None:
    assert _rows(replace(PLAIN, bench=bench)) == rows


def test_leads_and_label_turn_with_the_panel() -> None:
    front = bench_map(replace(PLAIN, bench=Bench(plus=(-0.1, 0.25), label=(1.1, 0.5))))
    rear = bench_map(replace(PLAIN, bench=Bench(ViewSide.REAR, plus=(-0.1, 0.25), label=(1.1, 0.5))))
    assert front.plus is not None
    assert rear.plus is not None
    assert front.plus[0] < 0 < front.width_mm < rear.plus[0]
    assert front.plus[1] == pytest.approx(rear.plus[1])
    assert (front.minus, rear.minus) == (None, None)


def test_a_stored_picture_is_brought_to_the_bench_in_one_turn() -> None:
    panel = PanelFacts(True, None, Layout.parse("2x3"), rotation_deg=90, mirrored=False)
    turn = from_file(panel, replace(PLAIN, bench=Bench(ViewSide.REAR)))
    assert (turn.rotation_deg, turn.mirrored) == (90, True)
