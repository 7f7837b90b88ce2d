"""States of the circuit, drawn over even panels of all layouts: who is told from whom, and what stays quiet.

Without bypass diodes a current that does not run through a string runs past it or through the parallel circuit. Light
follows the current about linearly (EL intensity over injection, Fuyuki et al. 2007, abstract; exponent 1 is assumed
here for the partners of open strings).
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

import numpy as np
import pytest
from drawn_cells import of_one_file
from hypothesis import given, settings
from hypothesis import strategies as st

from elinspect.catalogue import Message
from elinspect.circuit import branches_of, circuit_facts, partners_of
from elinspect.detectors import (
    bridged_string,
    contact_notes,
    dark_string,
    detect_all,
    open_circuit,
    prepare,
    reversed_cell,
)
from elinspect.recipe import Circuit, Electrical, Product, assumed_product
from elinspect.records import (
    CellGrid,
    CellPictures,
    Detection,
    ExposureConditions,
    Finding,
    Kind,
    Layout,
    Orientation,
    PanelView,
    read_only,
)
from elinspect.settings import CircuitSettings, DetectorSettings, ProbeContactSettings

SIDE = 32
MM_PER_PX = 156 / (SIDE - 1)
STATES = (Kind.OPEN_CIRCUIT, Kind.BRIDGED_STRING, Kind.DARK_STRING, Kind.REVERSED_CELL)
LAYOUTS = ("4x9", "6x10", "6x12", "2x6x9", "2x6x10", "2x6x11", "2x6x12", "2x6x13", "3x3x8")
TWO_BLOCKS = tuple(layout for layout in LAYOUTS if layout.startswith("2x"))


def _pattern() -> np.ndarray:
    at = np.arange(SIDE)
    cell = 1 - 0.15 * ((at[:, None] - SIDE / 2) ** 2 + (at - SIDE / 2) ** 2) / SIDE**2
    for busbar in (5, 16, 26):
        cell[busbar - 1 : busbar + 1] *= 0.5
    cell[[0, -1]], cell[:, [0, -1]] = 0.4, 0.4
    return cell


def seen(
    layout: str,
    levels: Mapping[int, float] | None = None,
    *,
    cells: Mapping[tuple[int, int], float] | None = None,
    product: Product | None = None,
    conditions: ExposureConditions | None = None,
    scatter: float = 0.04,
    noise: float = 0.02,
    seed: int = 1,
    profile: Iterable[float] | None = None,
) -> PanelView:
    """Draw a panel with the given light of strings (by number) and of single cells (by address)."""
    parsed = Layout.parse(layout)
    rng = np.random.default_rng(seed)
    light = rng.normal(1, 0.04, (parsed.n_strings, parsed.cells_per_string))
    for string, level in (levels or {}).items():
        light[string - 1] *= level
    for (string, position), level in (cells or {}).items():
        light[string - 1, position - 1] = level
    if profile is not None:
        light[1] *= np.fromiter(profile, float)
    stack = 1000 * (light.ravel()[:, None, None] * _pattern() + scatter * max(light.mean(), 0.3))
    stack = np.round(stack + rng.normal(0, 1000 * noise, stack.shape)).astype(np.float32)
    box = np.array([[0.0, 0], [SIDE - 1, 0], [SIDE - 1, SIDE - 1], [0, SIDE - 1]])
    grid = CellGrid(parsed, Orientation(), np.tile(box, (parsed.n_cells, 1, 1)), box, 1.0)
    own = np.tile(np.eye(3), (parsed.n_cells, 1, 1))
    pictures = CellPictures(grid, read_only(stack), None, own, MM_PER_PX, True, 4095.0, *of_one_file(len(stack)))
    return prepare(pictures, product or assumed_product(parsed), conditions=conditions)


def states(view: PanelView) -> list[Finding]:
    detectors = (open_circuit, bridged_string, dark_string, reversed_cell)
    found: list[Detection] = [detector.detect(view, CircuitSettings()) for detector in detectors]
    assert tuple(detection.kind for detection in found) == STATES
    return [finding for detection in found for finding in detection.findings]


def strings_of(view: PanelView, finding: Finding) -> set[int]:
    return {cell // view.pictures.grid.layout.cells_per_string + 1 for cell in finding.cells}


def _product(layout: str, **changes: object) -> Product:
    product = assumed_product(Layout.parse(layout))
    return replace(product, recipe=replace(product.recipe, **changes))  # type: ignore[arg-type]


# Which cells carry the same current -----------------------------------------------------------------------------------


def test_one_block_is_one_branch_whatever_the_diodes() -> None:
    recipe = _product("6x10", circuit=Circuit(bypass_groups=((1, 2), (3, 4), (5, 6)))).recipe
    (branch,) = branches_of(recipe)
    assert branch.strings == (1, 2, 3, 4, 5, 6)
    assert partners_of((branch,), 3) == ()


def test_half_cut_blocks_are_parallel_and_tied_at_the_diodes() -> None:
    plain = branches_of(_product("2x6x12").recipe)
    assert [branch.strings for branch in plain] == [(1, 2, 3, 4, 5, 6), (7, 8, 9, 10, 11, 12)]
    assert partners_of(plain, 2) == (8,)
    ties = Circuit(bypass_groups=((1, 2, 7, 8), (3, 4, 9, 10), (5, 6, 11, 12)))
    tied = branches_of(_product("2x6x12", circuit=ties).recipe)
    assert [(b.section, b.circuit, b.strings) for b in tied] == [
        (0, 0, (1, 2)), (0, 1, (7, 8)), (1, 0, (3, 4)), (1, 1, (9, 10)), (2, 0, (5, 6)), (2, 1, (11, 12)),
    ]  # fmt: skip
    assert partners_of(tied, 2) == (7, 8)
    assert partners_of(tied, 11) == (5, 6)


def test_voltage_to_expect() -> None:
    # By hand: 60 cells, Voc 39 V, so 0.65 V a cell; at a tenth of Isc each shows 0.02569 ln 10 = 0.05915 V less, so
    # 35.451 V in all; 28.951 V are 10 cells too few.
    product = _product("6x10", electrical=Electrical(voc_v=39.0, isc_a=10.0))
    facts = circuit_facts(product, ExposureConditions(current_a=1.0, voltage_v=28.951))
    assert facts.current_share == pytest.approx(0.1)
    assert facts.voltage_surplus_cells == pytest.approx(-10.0, abs=0.01)
    half = circuit_facts(_product("2x6x12", electrical=Electrical(voc_v=46.8)), ExposureConditions(voltage_v=46.8))
    assert (half.current_share, half.voltage_surplus_cells) == (None, pytest.approx(0.0))
    assert circuit_facts(assumed_product(Layout.parse("6x10"))).voltage_surplus_cells is None


# What is what ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("seed", range(2))
def test_an_even_panel_is_quiet(layout: str, seed: int) -> None:
    view = seen(layout, seed=seed)
    assert states(view) == []
    assert contact_notes(view, ProbeContactSettings()) == ()


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("remaining", [0.0, 0.3])
def test_a_single_dark_string_is_bridged(layout: str, remaining: float) -> None:
    view = seen(layout, {2: remaining})
    (state,) = states(view)
    assert state.kind is Kind.BRIDGED_STRING
    assert strings_of(view, state) == {2}
    assert len(state.cells) == view.pictures.grid.layout.cells_per_string
    assert state.measurements["relative_luminance"] == pytest.approx(remaining, abs=0.06)


def test_the_light_of_a_dark_string_is_that_of_its_own_block_and_as_the_picture_shows_it() -> None:
    # Its block carries a quarter more than the other; stray light of 0.04 lies over everything.
    view = seen("2x6x12", dict.fromkeys(range(1, 7), 1.25) | {3: 0.25})
    (state,) = states(view)
    shown = view.luminance.reshape(12, 12)
    assert state.measurements["relative_luminance"] == pytest.approx(
        np.median(shown[2]) / np.median(shown[[0, 1, 3, 4, 5]]), abs=0.01
    )


@pytest.mark.parametrize("layout", TWO_BLOCKS)
@pytest.mark.parametrize("tied", [False, True])
def test_an_open_half_string_makes_its_partner_bright(layout: str, tied: bool) -> None:
    pairs = ((1, 2, 7, 8), (3, 4, 9, 10), (5, 6, 11, 12))
    product = _product(layout, circuit=Circuit(bypass_groups=pairs if tied else ()))
    view = seen(layout, {3: 0.0, 4: 0.0, 9: 2.0, 10: 2.0}, product=product)
    found = states(view)
    assert [state.kind for state in found] == [Kind.DARK_STRING] * 2
    assert [strings_of(view, state) for state in found] == [{3}, {4}]
    assert all(state.measurements["partner_luminance"] == pytest.approx(2, abs=0.15) for state in found)


@pytest.mark.parametrize("layout", TWO_BLOCKS)
@pytest.mark.parametrize("block", [0, 1])
def test_a_block_without_current_is_an_open_circuit(layout: str, block: int) -> None:
    dark = range(6 * block + 1, 6 * block + 7)
    view = seen(layout, {string: 0.02 if string in dark else 2.0 for string in range(1, 13)})
    (state,) = states(view)
    assert state.kind is Kind.OPEN_CIRCUIT
    assert strings_of(view, state) == set(dark)


def test_both_halves_dark_are_bridged_together() -> None:
    pairs = ((1, 2, 7, 8), (3, 4, 9, 10), (5, 6, 11, 12))
    view = seen("2x6x12", dict.fromkeys((5, 6, 11, 12), 0.05), product=_product("2x6x12", circuit=Circuit((), pairs)))
    found = states(view)
    assert [state.kind for state in found] == [Kind.BRIDGED_STRING] * 4
    assert set().union(*(strings_of(view, state) for state in found)) == {5, 6, 11, 12}


def test_part_of_a_string_may_be_bridged() -> None:
    view = seen("6x10", cells={(4, position): 0.02 for position in range(7, 11)})
    (state,) = states(view)
    assert state.kind is Kind.BRIDGED_STRING
    assert [cell - 30 for cell in state.cells] == [6, 7, 8, 9]
    assert (state.measurements["first_position"], state.measurements["last_position"]) == (7, 10)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("scatter", [0.0, 0.12])
def test_a_black_cell_in_a_lit_string_is_reversed_or_shorted(layout: str, scatter: float) -> None:
    view = seen(layout, cells={(2, 5): 0.0}, scatter=scatter)
    (state,) = states(view)
    assert state.kind is Kind.REVERSED_CELL
    assert state.cell == view.pictures.grid.layout.cells_per_string + 4
    kinds = {d.kind: d for d in detect_all(view, DetectorSettings())}
    assert kinds[Kind.DARK_CELL].findings == ()


@pytest.mark.parametrize("level", [0.2, 0.4, 0.7])
def test_a_dim_cell_is_dark_not_reversed(level: float) -> None:
    view = seen("6x10", cells={(2, 5): level}, scatter=0.1)
    assert states(view) == []
    kinds = {d.kind: d for d in detect_all(view, DetectorSettings())}
    assert [finding.cell for finding in kinds[Kind.DARK_CELL].findings] == ([14] if level < 0.6 else [])


@pytest.mark.parametrize(
    ("voltage_v", "kinds"),
    [(None, [Kind.REVERSED_CELL]), (54.0, [Kind.REVERSED_CELL]), (38.4, []), (39.5, [])],
    ids=["voltage not known", "15 V more: reversed", "a cell less: shorted", "as usual"],
)
def test_the_voltage_tells_a_reversed_cell_from_a_shorted_one(voltage_v: float | None, kinds: list[Kind]) -> None:
    # Reverse breakdown of front-contact p-type cells: 17 to 25 V (public issue thread of an open PV library); 15 V is
    # less than that already.
    product = _product("6x10", electrical=Electrical(voc_v=39.0, isc_a=10.0))
    conditions = ExposureConditions(current_a=10.0, voltage_v=voltage_v)
    view = seen("6x10", cells={(3, 3): 0.0}, product=product, conditions=conditions)
    found = states(view)
    assert [state.kind for state in found] == kinds
    if voltage_v == 54.0:
        assert found[0].score > 0.9
    dark = {d.kind: d for d in detect_all(view, DetectorSettings())}[Kind.DARK_CELL]
    assert len(dark.findings) == (0 if kinds else 1)


def test_no_current_at_the_supply_is_an_open_circuit() -> None:
    product = _product("6x10", electrical=Electrical(voc_v=39.0, isc_a=10.0))
    (state,) = states(seen("6x10", product=product, conditions=ExposureConditions(current_a=0.01)))
    assert (state.kind, len(state.cells)) == (Kind.OPEN_CIRCUIT, 60)


def test_fall_off_of_light_and_dim_lots_are_no_states() -> None:
    assert states(seen("6x10", {1: 0.78, 6: 0.78})) == []
    assert states(seen("2x6x12", {1: 0.75, 2: 1.1, 12: 0.8})) == []


@given(
    gain=st.floats(0.4, 3.0),
    string=st.integers(1, 12),
    remaining=st.floats(0.0, 0.4),
    open_half=st.booleans(),
)
@settings(max_examples=15, deadline=None)
def test_gain_changes_nothing(gain: float, string: int, remaining: float, open_half: bool) -> None:
    levels = {string: remaining}
    if open_half:
        levels[(string + 5) % 12 + 1] = 2 - remaining
    plain = states(seen("2x6x12", levels))
    scaled = states(seen("2x6x12", {s: gain * levels.get(s, 1.0) for s in range(1, 13)}))
    assert [(s.kind, s.cells) for s in plain] == [(s.kind, s.cells) for s in scaled]
    assert [s.kind for s in plain] == [Kind.DARK_STRING if open_half else Kind.BRIDGED_STRING]


def test_a_string_that_fades_says_where_the_contact_is_poor() -> None:
    fading = seen("6x10", profile=np.linspace(1.0, 0.6, 10))
    (note,) = contact_notes(fading, ProbeContactSettings())
    assert (note.values["string"], note.values["position"]) == (2, 10)
    assert note.values["percent"] == pytest.approx(60, abs=8)
    assert "live DC" in note.text
    (other,) = contact_notes(seen("6x10", profile=np.linspace(0.6, 1.0, 10)), ProbeContactSettings())
    assert other.values["position"] == 1


def test_one_dark_cell_or_a_common_fall_off_is_no_fade() -> None:
    assert contact_notes(seen("6x10", cells={(2, 10): 0.3}), ProbeContactSettings()) == ()
    tilted = {(s, p): 1 - 0.04 * p for s in range(1, 7) for p in range(1, 11)}
    assert contact_notes(seen("6x10", cells=tilted), ProbeContactSettings()) == ()


def _placed(view: PanelView, middle_columns: float = 0.0) -> tuple[PanelView, np.ndarray, tuple[float, float]]:
    """Lay the cells out as the panel has them; return also their places and the picture's middle, so far to the right.

    Places are (column, row) in cells from the middle of the panel.
    """
    layout = view.pictures.grid.layout
    string, position = np.divmod(np.arange(layout.n_cells), layout.cells_per_string)
    block, row = np.divmod(string, layout.strings_per_block)
    at = np.column_stack([block * layout.cells_per_string + position, row]).astype(float)
    at -= (at.max(axis=0) + at.min(axis=0)) / 2
    corners = 100 * at[:, None] + view.pictures.grid.corners_px
    pictures = replace(view.pictures, grid=replace(view.pictures.grid, corners_px=corners))
    middle = np.array([100 * middle_columns, 0]) + (SIDE - 1) / 2
    return replace(view, pictures=pictures), at, (float(middle[0]), float(middle[1]))


def _lit(layout: str, light: Callable[[np.ndarray], np.ndarray], middle_columns: float = 0.0) -> tuple[Message, ...]:
    """Notes on a panel whose cells give `light` of their places (column, row)."""
    _, at, _ = _placed(seen(layout))
    n = Layout.parse(layout).cells_per_string
    levels = light(at) * np.random.default_rng(3).normal(1, 0.03, len(at))
    view = seen(layout, cells={(k // n + 1, k % n + 1): float(level) for k, level in enumerate(levels)})
    placed, _, middle = _placed(view, middle_columns)
    return contact_notes(placed, ProbeContactSettings(), middle)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_all_strings_fading_alike_are_said(layout: str) -> None:
    notes = _lit(layout, lambda at: np.interp(at[:, 0], [at[:, 0].min(), at[:, 0].max()], [1.0, 0.15]))
    parsed = Layout.parse(layout)
    assert notes[-1].code == "quality.all_fade"
    assert notes[-1].values["last"] == parsed.n_strings
    assert notes[-1].values["position"] == parsed.cells_per_string
    assert "live DC" in notes[-1].text
    if parsed.blocks == 1:
        assert len(notes) == 1
        assert notes[0].values["percent"] == pytest.approx(15, abs=10)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("corner", [0.7, 0.45])
@pytest.mark.parametrize("off", [0.0, 0.2])
def test_fall_off_towards_the_corners_is_no_fade_wherever_the_panel_lies(
    layout: str, corner: float, off: float
) -> None:
    columns = Layout.parse(layout).grid_shape[1]

    def fall_off(at: np.ndarray) -> np.ndarray:
        away = ((at - [off * columns, 0]) ** 2).sum(axis=1)
        # Fourth power of the cosine (natural vignetting, from memory), as far as brings the furthest cell there.
        tangent = away / away.max() * (corner**-0.5 - 1)
        return np.asarray((1 + tangent) ** -2.0)

    assert _lit(layout, fall_off, off * columns) == ()


@pytest.mark.parametrize("corner", [0.7, 0.45])
def test_a_fade_is_said_under_fall_off_too(corner: float) -> None:
    def light(at: np.ndarray) -> np.ndarray:
        away = (at**2).sum(axis=1)
        return np.asarray((1 - (1 - corner) * away / away.max()) * np.interp(at[:, 0], [-4.5, 4.5], [0.3, 1.0]))

    (note,) = _lit("6x10", light)
    assert (note.code, note.values["position"]) == ("quality.all_fade", 1)
    assert note.values["percent"] == pytest.approx(30, abs=10)
