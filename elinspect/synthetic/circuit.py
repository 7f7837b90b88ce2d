"""What current each cell of a panel carries: strings in series, circuits in parallel, no bypass diode yet."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from elinspect.recipe import ProductRecipe
from elinspect.synthetic.defects import BridgedString, DarkCell, DarkString, Defect, OpenString, ReversedCell
from elinspect.synthetic.network import THERMAL_V, Electrics

_SERIES_DROP = 0.4
"""Voltage over kT/q that a cell at full current loses in fingers and ribbons."""
_BREAKDOWN_V = 15.0
"""Reverse voltage at which a cell breaks down (Köntges et al. 2011, doi 10.1016/j.solmat.2010.10.034: beyond 15 V)."""
_FAINTEST = 1e-9
_NOTHING = 1e-30


@dataclass(frozen=True, slots=True)
class Drive:
    """How a panel's cells are driven.

    Attributes
    ----------
    current : ndarray, shape (n_cells,)
        Share of the full current of a cell; 0 in a reversed cell, which gives no light.
    level : ndarray, shape (n_cells,)
        Luminance of the cell at the same current over that of a usual cell.
    """

    current: NDArray[np.float64]
    level: NDArray[np.float64]


def circuits_of(recipe: ProductRecipe) -> tuple[tuple[int, ...], ...]:
    """Return the strings of each series circuit; the circuits are parallel."""
    layout = recipe.layout
    if recipe.circuit.series:
        return recipe.circuit.series
    each = layout.strings_per_block
    return tuple(tuple(range(block * each + 1, (block + 1) * each + 1)) for block in range(layout.blocks))


def driven(recipe: ProductRecipe, electrics: Electrics, defects: Sequence[Defect], total: float = 1.0) -> Drive:
    """Return the currents of all cells.

    All circuits see the same voltage, and their currents add up to what the supply forces: as many full currents as
    there are circuits, times `total`. A circuit with an open joint carries none and the others carry its share; one
    with a bridged string needs less voltage and draws current from the others.

    Parameters
    ----------
    recipe : ProductRecipe
        Layout and circuit.
    electrics : Electrics
        Electrical figures of the cells.
    defects : sequence of Defect
        Those that change currents are dark, reversed cells, and dark, bridged, open strings.
    total : float
        Forced current, share of the full one.
    """
    layout = recipe.layout
    each = layout.cells_per_string
    level, passing = np.ones(layout.n_cells), np.ones(layout.n_strings)
    reversed_cells = np.zeros(layout.n_cells, bool)
    open_strings = set()
    for defect in defects:
        if isinstance(defect, DarkCell):
            level[(defect.string - 1) * each + defect.position - 1] *= max(defect.remaining, _FAINTEST)
        elif isinstance(defect, ReversedCell):
            reversed_cells[(defect.string - 1) * each + defect.position - 1] = True
        elif isinstance(defect, DarkString | BridgedString):
            passing[defect.string - 1] *= defect.remaining
        elif isinstance(defect, OpenString):
            open_strings.add(defect.string)
    usual = float(np.log(electrics.current_a_per_cm2 / electrics.saturation_a_per_cm2))
    circuits = circuits_of(recipe)

    def voltage(circuit: tuple[int, ...], current: float) -> float:
        """Return the voltage of a circuit over kT/q."""
        needed = 0.0
        for string in circuit:
            cells = slice((string - 1) * each, string * each)
            own = current * passing[string - 1]
            junction = usual + np.log(max(own, _NOTHING)) + 0.5 * np.log(level[cells]) + _SERIES_DROP * own
            blocked = reversed_cells[cells]
            needed += float(np.maximum(junction, 0.0)[~blocked].sum() + blocked.sum() * _BREAKDOWN_V / THERMAL_V)
        return needed

    whole = [circuit for circuit in circuits if not open_strings.intersection(circuit)]
    shares = _shared([partial(voltage, circuit) for circuit in whole], total * len(circuits))
    current = np.zeros(layout.n_cells)
    for circuit, share in zip(whole, shares, strict=True):
        for string in circuit:
            current[(string - 1) * each : string * each] = share * passing[string - 1]
    current[reversed_cells] = 0.0
    return Drive(current, level)


def _shared(voltages: list[Callable[[float], float]], total: float) -> list[float]:
    """Return how the current divides among circuits that see the same voltage; each voltage grows with its current."""
    if len(voltages) < 2 or total <= 0:
        return [total] * len(voltages)

    def current_at(voltage: Callable[[float], float], needed: float) -> float:
        if voltage(_FAINTEST) >= needed:
            return 0.0
        if voltage(total) <= needed:
            return total
        return float(np.exp(brentq(lambda x: voltage(np.exp(x)) - needed, np.log(_FAINTEST), np.log(total))))

    highest = max(voltage(total) for voltage in voltages)
    common = brentq(lambda u: sum(current_at(voltage, u) for voltage in voltages) - total, 0.0, highest)
    shares = np.array([current_at(voltage, float(common)) for voltage in voltages])
    return list(shares * total / shares.sum())
