"""The finished module: cells in series, bypass diodes as they will be in the junction box, parallel blocks.

A cell of which a part is cut off is a smaller cell: it has the voltage that the whole one has at a current larger by
the inverse of what is left. So a product needs one table, and every set of cells is sums of it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from elinspect.electrical.cell import CellDiode, Values, current_and_voltage

BYPASS_V = 0.5
"""Forward voltage of a bypass diode, as in the published example the tests reproduce."""

_Curve = tuple[Values, Values]
"""Current, rising, and voltage, falling."""

_LATTICE = 1000
"""Currents of the coarse curve, A apart by Isc / 1000."""


@dataclass(frozen=True, slots=True)
class CellState:
    """What is wrong with one cell.

    Attributes
    ----------
    inactive : float
        Share of it that is cut off, 0..1.
    drop_v : float
        Voltage it lacks at any current.
    shorted : bool
        Current runs past it.
    reversed : bool
        Put in the wrong way round.
    """

    inactive: float = 0.0
    drop_v: float = 0.0
    shorted: bool = False
    reversed: bool = False


@dataclass(frozen=True, slots=True)
class Bypassed:
    """Cells under one bypass diode: branches in parallel, each a number of cells in series.

    Attributes
    ----------
    branches : tuple of tuple of int
        Indices of the cells of each branch.
    """

    branches: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True, eq=False)
class CellTable:
    """The voltage of one whole cell over its current.

    Attributes
    ----------
    cell : CellDiode
        What was computed.
    current_a : ndarray
        Rising, from below 0 to far beyond the photocurrent.
    voltage_v : ndarray
        Falling, down to breakdown.
    """

    cell: CellDiode
    current_a: Values
    voltage_v: Values

    def voltage(self, current_a: Values, state: CellState) -> Values:
        """Return the voltage of a cell in a state at currents, V."""
        if state.shorted:
            return np.zeros_like(current_a)
        if state.reversed:
            return -self._of_part(-current_a, state.inactive)
        return self._of_part(current_a, state.inactive) - state.drop_v

    def _of_part(self, current_a: Values, inactive: float) -> Values:
        left = max(1.0 - inactive, 1e-6)
        return np.asarray(np.interp(current_a / left, self.current_a, self.voltage_v))


def cell_table(cell: CellDiode) -> CellTable:
    """Compute a cell's table; the only step that needs pvlib."""
    near_breakdown = cell.breakdown_v + np.geomspace(1e-7, -cell.breakdown_v, 6000)
    upper = 1.2 * cell.thermal_v * np.log(2 * cell.photocurrent_a / cell.saturation_a)
    current, voltage = current_and_voltage(
        cell, np.unique(np.concatenate([near_breakdown, np.linspace(0.0, upper, 6000)]))
    )
    wanted = (current > -1.2 * cell.photocurrent_a) & (current < 1e5 * cell.photocurrent_a)
    order = np.argsort(current[wanted])
    return CellTable(cell, current[wanted][order], voltage[wanted][order])


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """A module at its maximum power point.

    Attributes
    ----------
    power_w, current_a : float
        Of the module.
    """

    power_w: float
    current_a: float


@dataclass(frozen=True, slots=True, eq=False)
class Module:
    """A product's circuit, ready to be computed.

    Attributes
    ----------
    table : CellTable
        Of its cell.
    groups : tuple of Bypassed
        In series.
    """

    table: CellTable
    groups: tuple[Bypassed, ...]
    _lattice: Values = field(init=False, repr=False)
    _healthy: Values = field(init=False, repr=False)

    def __post_init__(self) -> None:
        lattice = np.linspace(0.0, 1.02 * self.table.cell.photocurrent_a, _LATTICE)
        object.__setattr__(self, "_lattice", lattice)
        object.__setattr__(self, "_healthy", self.table.voltage(lattice, CellState()))

    def operating_point(
        self, states: Mapping[int, CellState] | None = None, opened: frozenset[int] = frozenset()
    ) -> OperatingPoint:
        """Compute the maximum power point.

        Parameters
        ----------
        states : mapping from cell to CellState, optional
            Cells that are not as they should be.
        opened : frozenset of int
            Cells through whose branch no current can flow.
        """
        curves = [_group_curve(own) for own in self._all_branches(states or {}, opened)]
        current = np.unique(np.concatenate([amps for amps, _ in curves]))
        voltage = np.zeros_like(current)
        for amps, volts in curves:
            # Beyond what the cells carry, the bypass diode takes the rest: the last voltage holds on.
            voltage += np.interp(current, amps, volts)
        return OperatingPoint(*_peak(current, voltage))

    def branch_currents(
        self, current_a: float, states: Mapping[int, CellState] | None = None, opened: frozenset[int] = frozenset()
    ) -> tuple[tuple[float, ...], ...]:
        """Return the current of each branch of each bypass group while the module carries a current, A.

        Where a group cannot carry it, its bypass diode takes the rest.
        """
        found = []
        for own in self._all_branches(states or {}, opened):
            voltage = float(np.interp(current_a, *_group_curve(own)))
            found.append(tuple(_current_at(curve, voltage) for curve in own))
        return tuple(found)

    def cell_voltage(self, current_a: float, state: CellState) -> float:
        """Return the voltage of one cell in a state at a current."""
        return float(self.table.voltage(np.array([current_a]), state)[0])

    def _all_branches(self, states: Mapping[int, CellState], opened: frozenset[int]) -> list[list[_Curve | None]]:
        return [self._branch_curves(group, states, opened) for group in self.groups]

    def _branch_curves(
        self, group: Bypassed, states: Mapping[int, CellState], opened: frozenset[int]
    ) -> list[_Curve | None]:
        """Return the curve of each branch, None for an open one; whole ones of one length are one object."""
        whole: dict[int, _Curve] = {}
        curves: list[_Curve | None] = []
        for cells in group.branches:
            if opened.intersection(cells):
                curves.append(None)
                continue
            odd = [states[index] for index in cells if index in states]
            if not odd:
                curves.append(whole.setdefault(len(cells), (self._lattice, len(cells) * self._healthy)))
                continue
            amps = self._currents_for(odd)
            volts = (len(cells) - len(odd)) * self.table.voltage(amps, CellState())
            for state in odd:
                volts = volts + self.table.voltage(amps, state)
            curves.append((amps, volts))
        return curves

    def _currents_for(self, odd: Sequence[CellState]) -> Values:
        """Return the lattice, made dense where a cell's own current runs out and its voltage falls off a cliff."""
        photocurrent = self.table.cell.photocurrent_a
        steps = np.geomspace(1e-5, 0.06, 24) * photocurrent
        cliffs = sorted({round(photocurrent * (1 - state.inactive), 6) for state in odd if state.inactive > 0})
        near = [cliff + sign * steps for cliff in cliffs for sign in (-1, 1)]
        amps = np.unique(np.concatenate([self._lattice, *near]))
        return np.asarray(amps[(amps >= 0) & (amps <= self._lattice[-1])])


def _group_curve(own: Sequence[_Curve | None]) -> _Curve:
    """Return the curve of parallel branches with their bypass diode."""
    branches = [curve for curve in own if curve is not None]
    if not branches:
        return np.zeros(1), np.full(1, -BYPASS_V)
    if any(volts.max() <= 0 for _, volts in branches):
        # A branch that is shorted from end to end shorts the others too.
        return np.zeros(1), np.zeros(1)
    if all(branch is branches[0] for branch in branches):
        amps, volts = branches[0]
        return amps * len(branches), np.maximum(volts, -BYPASS_V)
    shared = np.unique(np.concatenate([volts for _, volts in branches]))
    shared = np.concatenate([[-BYPASS_V], shared[shared > -BYPASS_V]])
    total = np.zeros_like(shared)
    for amps, volts in branches:
        total += np.interp(shared, volts[::-1], amps[::-1])
    return total[::-1], shared[::-1]


def _current_at(curve: _Curve | None, voltage: float) -> float:
    if curve is None:
        return 0.0
    amps, volts = curve
    return float(np.interp(voltage, volts[::-1], amps[::-1]))


def _peak(current: Values, voltage: Values) -> tuple[float, float]:
    """Return the largest power and its current, between the points by a parabola through the best three."""
    power = current * voltage
    best = int(power.argmax())
    if not 0 < best < len(power) - 1:
        return float(power[best]), float(current[best])
    x, y = current[best - 1 : best + 2], power[best - 1 : best + 2]
    bend, slope, _ = np.polyfit(x - x[1], y - y[1], 2)
    if bend >= 0:
        return float(power[best]), float(current[best])
    step = float(np.clip(-slope / (2 * bend), x[0] - x[1], x[2] - x[1]))
    return float(y[1] + slope * step + bend * step**2), float(x[1] + step)
