"""Strings and parts of strings that get too little current, told apart by what the rest of the panel shows.

At this gate there are no bypass diodes. A current that does not run through a string runs past it (a bridge between
ribbons) or, where circuits are parallel, through its partner, which then is brighter for it. Where it can do neither,
the whole circuit is dark.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.circuit import partners_of
from elinspect.records import Kind, Layout, PanelView
from elinspect.settings import CircuitSettings

_LIT_QUANTILE = 0.8
"""Of a string's cells that stands for its lit ones, even where most of them are bridged."""


@dataclass(frozen=True, slots=True, eq=False)
class StringLight:
    """What a string gives, over the strings that should carry the same current.

    Attributes
    ----------
    remaining : ndarray, shape (n_strings,)
        Median light of the string's cells over that of the usual string.
    dark_cells : ndarray, shape (n_strings,)
        Share of its cells that are dark.
    cells : ndarray, shape (n_strings, cells_per_string)
        Light of each cell over that of its own string's lit cells.
    usual : float
        Counts of the usual string.
    """

    remaining: NDArray[np.float64]
    dark_cells: NDArray[np.float64]
    cells: NDArray[np.float64]
    usual: float


@dataclass(frozen=True, slots=True)
class Starved:
    """Cells in a row that get too little current.

    Attributes
    ----------
    kind : Kind
        ``dark_string``, ``bridged_string`` or ``open_circuit``.
    cells : tuple of int
        Indices of the cells.
    remaining : float
        Their own light over the usual, at least roughly: the less current, the less of the pattern that tells it.
    partner : float or None
        Light of the parallel partner over the usual; None without one.
    """

    kind: Kind
    cells: tuple[int, ...]
    remaining: float
    partner: float | None = None


def string_light(view: PanelView, settings: CircuitSettings) -> StringLight:
    """Measure the light of every string against the usual one."""
    layout = view.pictures.grid.layout
    own = view.own_light.astype(np.float64).reshape(layout.n_strings, layout.cells_per_string)
    levels = np.median(own, axis=1)
    lit = levels > settings.lit_share * levels.max() if levels.max() > 0 else np.ones(len(levels), bool)
    # A panel of few strings may have one dark and one bright string, and nothing usual: the middle is no string then.
    usual = max(float(np.quantile(levels[lit], 0.5, method="higher")), 1e-9)
    judged = view.judged.reshape(own.shape)
    bright = [
        np.quantile(row[told], _LIT_QUANTILE) if told.any() else 1.0 for row, told in zip(own, judged, strict=True)
    ]
    return StringLight(
        remaining=levels / usual,
        dark_cells=np.mean(own < (settings.dark_share + 1) / 2 * usual, axis=1),
        cells=own / np.maximum(np.array(bright), 1e-9)[:, None],
        usual=usual,
    )


def starved(view: PanelView, settings: CircuitSettings) -> tuple[Starved, ...]:
    """Find strings, parts of strings and whole circuits that get too little current.

    Returns
    -------
    tuple of Starved
        No cell is in two of them; empty when all carry what they should.
    """
    layout, facts = view.pictures.grid.layout, view.circuit
    if facts.current_share is not None and facts.current_share < settings.least_current:
        return (Starved(Kind.OPEN_CIRCUIT, tuple(range(layout.n_cells)), 0.0),)
    if not view.judged.any():
        return ()
    light = string_light(view, settings)
    dark = (light.remaining < settings.dark_share) & (light.dark_cells >= settings.dark_cells)
    found = list(_open_circuits(view, light, dark))
    covered = {cell for state in found for cell in state.cells}
    for number in np.flatnonzero(dark):
        cells = _cells_of(layout, int(number) + 1)
        if not covered.intersection(cells):
            found.append(_dark_string(view, light, int(number) + 1, cells, settings))
    for number in np.flatnonzero(~dark):
        found += _bridged_parts(layout, light, int(number) + 1, settings)
    return tuple(found)


def state_score(remaining: float, settings: CircuitSettings) -> float:
    """Return the score of a string with this share of the usual light: 0.5 at `dark_share`, 0 at or above 1."""
    missing = max(1 - remaining, 0.0) / (1 - settings.dark_share)
    return missing**2 / (1 + missing**2)


def _cells_of(layout: Layout, string: int) -> tuple[int, ...]:
    first = (string - 1) * layout.cells_per_string
    return tuple(range(first, first + layout.cells_per_string))


def _open_circuits(view: PanelView, light: StringLight, dark: NDArray[np.bool_]) -> Iterator[Starved]:
    """Circuits all of whose strings are dark while a parallel one carries the current."""
    layout, branches = view.pictures.grid.layout, view.circuit.branches
    circuits = sorted({branch.circuit for branch in branches})
    strings = {c: [s for branch in branches if branch.circuit == c for s in branch.strings] for c in circuits}
    wholly = [c for c in circuits if all(dark[string - 1] for string in strings[c])]
    if len(wholly) == len(circuits):
        return
    for circuit in wholly:
        cells = tuple(cell for string in strings[circuit] for cell in _cells_of(layout, string))
        remaining = float(np.median(light.remaining[np.array(strings[circuit]) - 1]))
        yield Starved(Kind.OPEN_CIRCUIT, cells, remaining)


def _dark_string(
    view: PanelView, light: StringLight, string: int, cells: tuple[int, ...], settings: CircuitSettings
) -> Starved:
    remaining = float(light.remaining[string - 1])
    partners = partners_of(view.circuit.branches, string)
    if not partners:
        return Starved(Kind.BRIDGED_STRING, cells, remaining)
    partner = float(np.median(light.remaining[np.array(partners) - 1]))
    # What the string does not take is shared by the partners in the other circuits.
    others = len({branch.circuit for branch in view.circuit.branches}) - 1
    least = 1 + settings.surplus_share * (1 - remaining) / others
    kind = Kind.DARK_STRING if partner >= least else Kind.BRIDGED_STRING
    return Starved(kind, cells, remaining, partner)


def _bridged_parts(layout: Layout, light: StringLight, string: int, settings: CircuitSettings) -> Iterator[Starved]:
    """Cells in a row that are dark while the rest of their string is not: a bridge from one place of it to another."""
    shares = light.cells[string - 1]
    first_cell = (string - 1) * layout.cells_per_string
    edges = np.flatnonzero(np.diff(np.concatenate([[False], shares < settings.part_share, [False]]).astype(np.int8)))
    for start, stop in edges.reshape(-1, 2):
        if stop - start >= settings.shortest_part:
            cells = tuple(range(first_cell + int(start), first_cell + int(stop)))
            yield Starved(Kind.BRIDGED_STRING, cells, float(np.median(shares[start:stop])))
