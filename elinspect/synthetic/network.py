"""A cell as an electrical network: emitter and fingers, busbars, solder joints, ribbons, and the junction below.

Nodes lie at the fingers, about a millimetre apart along them. Sideways the emitter conducts; along a finger the finger
and, beside it, the emitter. At a busbar the nodes hang by their solder joints on the ribbon, which leaves the cell at
its left end. At each node the junction takes ``j0 (exp(V / Vt) - 1)`` times the node's area. For a forced current the
node voltages follow from Kirchhoff's law by Newton's method; the matrix is symmetric and positive definite. The
luminance of a place is then ``C exp(V / Vt)`` with ``C`` in inverse proportion to the local saturation current
(Potthoff et al. 2010, Prog. Photovolt. 18:100-106, for the exponential; Fuyuki et al. 2005, Appl. Phys. Lett.
86:262108, for the proportionality to the diffusion length; values from memory).

The rear side is taken as one conductor whose ribbons leave the cell at the right end; its potential is that of uniform
current density.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import SuperLU, splu

from elinspect.recipe import CellFormat, CutEdge
from elinspect.records import FloatImage

THERMAL_V = 0.0256926
"""kT/q at 25 °C in V, from the exact constants of the SI (CODATA 2019)."""
_NODE_MM = 1.0
_STEPS = 14
_TOLERANCE = 2e-3
"""Change of the logarithm of luminance at which Newton's method stops."""
_DARK = 6.0
"""Places this far (natural logarithm) below the mean need not be exact any more."""
_LONGEST_STEP = 3.0
_LEAST_WHOLE = 0.3
_LEAK = 1e-5
"""Share of the emitter's conductance that even a crack leaves; keeps pieces cut off from floating without any."""

Conductances = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Electrics:
    """Electrical figures of a cell.

    Attributes
    ----------
    finger_pitch_mm : float
        Distance of the fingers.
    finger_ohm_per_cm : float
        Resistance of one finger for its length.
    sheet_ohm : float
        Sheet resistance of what conducts beside the fingers, per square.
    busbar_ohm_per_cm : float
        Resistance of a printed busbar for its length.
    ribbon_ohm_per_cm : float
        Resistance of one ribbon or wire for its length.
    joint_ohm_cm : float
        Resistance of a solder joint times its length.
    current_a_per_cm2 : float
        Forced current over the area of the cell.
    saturation_a_per_cm2 : float
        Saturation current density of a good place.
    """

    finger_pitch_mm: float = 1.6
    finger_ohm_per_cm: float = 0.25
    sheet_ohm: float = 75.0
    busbar_ohm_per_cm: float = 0.05
    ribbon_ohm_per_cm: float = 7e-4
    joint_ohm_cm: float = 0.002
    current_a_per_cm2: float = 0.036
    saturation_a_per_cm2: float = 4e-13

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be above 0, not {value}")


@dataclass(slots=True, eq=False)
class Conducting:
    """What share of each conductor is left, 1 where nothing is broken; written into while defects are laid on.

    Attributes
    ----------
    finger : ndarray, shape (rows - 1, columns)
        Fingers between neighbouring nodes.
    emitter_along, emitter_across : ndarray, shapes (rows, columns - 1) and (rows - 1, columns)
        Emitter from finger to finger, and along a finger.
    joint : ndarray, shape (busbars, columns)
        Solder joints.
    ribbon : ndarray, shape (busbars,)
        Ribbons where they enter the cell.
    shunt_s : ndarray, shape (rows, columns)
        Conductance across the junction, siemens; 0 where there is none.
    """

    finger: Conductances
    emitter_along: Conductances
    emitter_across: Conductances
    joint: Conductances
    ribbon: Conductances
    shunt_s: Conductances

    @property
    def unbroken(self) -> bool:
        """Whether no conductor is interrupted, so that the unbroken cell's factorisation still serves."""
        shares = self.finger, self.emitter_along, self.emitter_across, self.joint, self.ribbon
        return all(share.min(initial=1.0) > _LEAST_WHOLE for share in shares) and not self.shunt_s.any()


class CellNetwork:
    """The network of one cell format, and its unbroken solution.

    Parameters
    ----------
    cell : CellFormat
        Size, busbars, chamfers.
    electrics : Electrics
        Electrical figures.
    pads : int
        Solder joints along each busbar; 0 for one continuous joint.
    inset_mm : float
        How far from both ends of the cell joints begin.
    node_mm : float
        Distance of the nodes along a finger, about.
    """

    def __init__(
        self, cell: CellFormat, electrics: Electrics, pads: int = 0, inset_mm: float = 3.0, node_mm: float = _NODE_MM
    ) -> None:
        self.cell, self.electrics = cell, electrics
        self.columns = max(4, round(cell.along_mm / electrics.finger_pitch_mm))
        # An odd number of rows from busbar to busbar: then each busbar lies on a row, and the cell stays symmetrical.
        each = max(1, round(cell.across_mm / max(cell.busbars, 1) / node_mm))
        each += 1 - each % 2
        self.rows = each * max(cell.busbars, 1)
        self.busbar_rows = np.arange(cell.busbars) * each + each // 2
        self.x_mm = (np.arange(self.columns) + 0.5) * (cell.along_mm / self.columns)
        self.y_mm = (np.arange(self.rows) + 0.5) * (cell.across_mm / self.rows)
        self._pads, self._inset_mm = pads, inset_mm

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of nodes."""
        return self.rows, self.columns

    @cached_property
    def silicon(self) -> NDArray[np.bool_]:
        """Nodes that lie on silicon, cut edge on the left where the cell has one."""
        cell = self.cell
        from_side = np.minimum(self.y_mm, cell.across_mm - self.y_mm)[:, None]
        there = np.ones(self.shape, bool)
        ends = [cell.along_mm - self.x_mm] if cell.cut_edge is not CutEdge.NONE else [
            self.x_mm, cell.along_mm - self.x_mm
        ]  # fmt: skip
        for from_end in ends:
            there &= from_end[None] + from_side >= cell.chamfer_mm
        return there

    @cached_property
    def soldered(self) -> Conductances:
        """Share of each column's width that is soldered to the ribbon, shape (columns,)."""
        inset = np.minimum(self.x_mm, self.cell.along_mm - self.x_mm) >= self._inset_mm
        on_pad = np.abs((self.x_mm / self.cell.along_mm * max(self._pads, 1)) % 1.0 - 0.5) <= 0.3
        there = inset & on_pad if self._pads and (inset & on_pad).any() else inset
        return np.asarray(there, np.float64)

    def intact(self) -> Conducting:
        """Return the conductors of an unbroken cell, to lay defects on."""
        rows, columns = self.shape
        bars = len(self.busbar_rows)
        return Conducting(
            np.ones((rows - 1, columns)), np.ones((rows, columns - 1)), np.ones((rows - 1, columns)),
            np.ones((bars, columns)), np.ones(bars), np.zeros((rows, columns)),
        )  # fmt: skip

    @cached_property
    def area_cm2(self) -> float:
        """Area of one node."""
        return self.cell.along_mm / self.columns * self.cell.across_mm / self.rows / 100

    @cached_property
    def current_a(self) -> float:
        """Full current of the cell."""
        return self.electrics.current_a_per_cm2 * self.area_cm2 * float(self.silicon.sum())

    @cached_property
    def rear_v(self) -> NDArray[np.float64]:
        """Potential of the rear side over its exit at the right end at full current, shape (columns,)."""
        share = self.x_mm / self.cell.along_mm
        ribbon = self.current_a / max(len(self.busbar_rows), 1) * self.electrics.ribbon_ohm_per_cm
        return np.asarray(ribbon * self.cell.along_mm / 10 * (1 - share**2) / 2)

    @cached_property
    def unbroken(self) -> FloatImage:
        """Junction voltage over kT/q of a cell without texture or defect at full current."""
        return self._filled(self._unbroken_v[: self.silicon.size] - self._rear(1.0))

    @cached_property
    def _unbroken_v(self) -> NDArray[np.float64]:
        matrix = self._conductances(self.intact())
        guess = np.full(matrix.shape[0], np.log(self.current_a / self._saturation(None).sum()))
        return self._newton(matrix, self._saturation(None), np.zeros(self.silicon.size), 1.0, guess)

    @cached_property
    def reference(self) -> float:
        """Logarithm of luminance that counts as 1: a good place of an unbroken cell at full current."""
        return float(np.percentile(self.unbroken[self.silicon], 90))

    def solve(
        self, conducting: Conducting, recombination: NDArray[np.floating] | None = None, current: float = 1.0
    ) -> FloatImage:
        """Solve the network.

        Parameters
        ----------
        conducting : Conducting
            Conductors, defects laid on.
        recombination : ndarray, shape (rows, columns), optional
            Local saturation current over that of a good place; 1 everywhere if not given.
        current : float
            Forced current, share of the full current.

        Returns
        -------
        ndarray of float32, shape (rows, columns)
            Junction voltage over kT/q; without current 0. Off the silicon the value of the nearest silicon of the row.
        """
        if current <= 0 or not conducting.ribbon.any():
            return np.zeros(self.shape, np.float32)
        matrix, saturation = self._conductances(conducting), self._saturation(recombination)
        shunt = conducting.shunt_s.ravel() * self.silicon.ravel()
        # The unbroken cell's drops, and the mean level of this one.
        guess = (self._unbroken_v - self._level) * min(current, 1.5) + np.log(
            self.current_a * current / saturation.sum()
        )
        found = self._chord(matrix, saturation, shunt, current, guess) if conducting.unbroken else None
        if found is None:
            found = self._newton(matrix, saturation, shunt, current, guess)
        return self._filled(found[: self.silicon.size] - self._rear(current))

    def _newton(
        self,
        matrix: csc_matrix,
        saturation: NDArray[np.float64],
        shunt: NDArray[np.float64],
        current: float,
        voltage: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        voltage = voltage.copy()
        for _ in range(_STEPS):
            residual, slope = self._residual(matrix, saturation, shunt, current, voltage)
            step = np.clip(_factorised(_with_slope(matrix, slope)).solve(residual), -_LONGEST_STEP, _LONGEST_STEP)
            voltage += step
            if self._settled(step, voltage, current):
                break
        return voltage

    def _chord(
        self,
        matrix: csc_matrix,
        saturation: NDArray[np.float64],
        shunt: NDArray[np.float64],
        current: float,
        voltage: NDArray[np.float64],
    ) -> NDArray[np.float64] | None:
        """Solve with the unbroken cell's factorisation alone; None where the cell is too unlike it."""
        if not 0.3 <= current <= 3:
            return None
        voltage, last = voltage.copy(), np.inf
        for _ in range(2 * _STEPS):
            residual, _ = self._residual(matrix, saturation, shunt, current, voltage)
            step = self._unbroken_factors.solve(residual) / current
            size = float(np.abs(step).max())
            if not size < 0.7 * last:
                return None
            voltage += step
            last = size
            if self._settled(step, voltage, current):
                return voltage
        return None

    @cached_property
    def _unbroken_factors(self) -> SuperLU:
        matrix, saturation = self._conductances(self.intact()), self._saturation(None)
        _, slope = self._residual(matrix, saturation, np.zeros(self.silicon.size), 1.0, self._unbroken_v)
        return _factorised(_with_slope(matrix, slope))

    def _residual(
        self,
        matrix: csc_matrix,
        saturation: NDArray[np.float64],
        shunt: NDArray[np.float64],
        current: float,
        voltage: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return what flows into each node too much (over kT/q), and how that changes with its own voltage."""
        n = self.silicon.size
        junction = voltage[:n] - self._rear(current)
        taken = saturation * np.expm1(np.minimum(junction, 80.0)) / THERMAL_V
        residual = -(matrix @ voltage)
        residual[-1] += self.current_a * current / THERMAL_V
        residual[:n] -= taken + shunt * junction
        slope = np.zeros(len(voltage))
        slope[:n] = taken + saturation / THERMAL_V + shunt + ~self.silicon.ravel()
        return residual, slope

    def _settled(self, step: NDArray[np.float64], voltage: NDArray[np.float64], current: float) -> bool:
        """Whether the luminance of all places that are not nearly dark stays as it is."""
        n = self.silicon.size
        lit = self.silicon.ravel() & (voltage[:n] - self._rear(current) > self._level + np.log(current) - _DARK)
        return float(np.abs(step[:n][lit]).max(initial=0.0)) < _TOLERANCE

    def _saturation(self, recombination: NDArray[np.floating] | None) -> NDArray[np.float64]:
        of_node = np.where(self.silicon.ravel(), self.electrics.saturation_a_per_cm2 * self.area_cm2, 0.0)
        return of_node if recombination is None else of_node * np.asarray(recombination, np.float64).ravel()

    def _rear(self, current: float) -> NDArray[np.float64]:
        return np.broadcast_to(self.rear_v * (current / THERMAL_V), self.shape).ravel()

    @property
    def _level(self) -> float:
        """Junction voltage over kT/q of a cell without any resistance."""
        return float(np.log(self.electrics.current_a_per_cm2 / self.electrics.saturation_a_per_cm2))

    def _filled(self, junction: NDArray[np.float64]) -> FloatImage:
        grid = junction.reshape(self.shape)
        if self.silicon.all():
            return grid.astype(np.float32)
        order = np.arange(self.columns)
        last = np.maximum.accumulate(np.where(self.silicon, order, -1), axis=1)
        following = np.minimum.accumulate(np.where(self.silicon, order, 10**6)[:, ::-1], axis=1)[:, ::-1]
        nearest = np.where(last >= 0, last, following)
        return np.take_along_axis(grid, np.clip(nearest, 0, self.columns - 1), axis=1).astype(np.float32)

    def _conductances(self, conducting: Conducting) -> csc_matrix:
        """Return the matrix of conductances in siemens: nodes row by row, then ribbons, then the terminal."""
        cell, made = self.cell, self.electrics
        rows, columns = self.shape
        pitch_cm, node_cm = cell.along_mm / columns / 10, cell.across_mm / rows / 10
        number = np.arange(rows * columns).reshape(rows, columns)
        on = self.silicon
        emitter = (1 - _LEAK) * conducting.emitter_across + _LEAK
        down = conducting.finger / (made.finger_ohm_per_cm * node_cm) + emitter * pitch_cm / (made.sheet_ohm * node_cm)
        along = ((1 - _LEAK) * conducting.emitter_along + _LEAK) * node_cm / (made.sheet_ohm * pitch_cm)
        along[self.busbar_rows] += 1 / (made.busbar_ohm_per_cm * pitch_cm)
        down, along = down * (on[1:] & on[:-1]), along * (on[:, 1:] & on[:, :-1])
        first, second = [number[:-1].ravel(), number[:, :-1].ravel()], [number[1:].ravel(), number[:, 1:].ravel()]
        values = [down.ravel(), along.ravel()]
        terminal = rows * columns + len(self.busbar_rows) * columns
        ribbons = rows * columns + np.arange(len(self.busbar_rows) * columns).reshape(-1, columns)
        if len(self.busbar_rows):
            joint = conducting.joint * self.soldered * pitch_cm / made.joint_ohm_cm
            ribbon = np.full((len(ribbons), columns), 1 / (made.ribbon_ohm_per_cm * pitch_cm))
            ribbon[:, 0] *= 2 * conducting.ribbon
            first += [number[self.busbar_rows].ravel(), ribbons.ravel()]
            second += [ribbons.ravel(), np.column_stack([np.full(len(ribbons), terminal), ribbons[:, :-1]]).ravel()]
            values += [(joint * on[self.busbar_rows]).ravel(), ribbon.ravel()]
        else:  # contacted from behind: the whole left column hangs on the terminal
            first.append(number.ravel())
            second.append(np.full(number.size, terminal))
            values.append(np.asarray(on.ravel() * (self.area_cm2 / 0.005)))
        return _laplacian(np.concatenate(first), np.concatenate(second), np.concatenate(values), terminal + 1)


def _laplacian(first: NDArray[np.intp], second: NDArray[np.intp], values: NDArray[np.float64], size: int) -> csc_matrix:
    diagonal = np.bincount(first, values, size) + np.bincount(second, values, size)
    every = np.arange(size)
    return csc_matrix(
        (
            np.concatenate([-values, -values, diagonal + 1e-12]),
            (np.concatenate([first, second, every]), np.concatenate([second, first, every])),
        ),
        shape=(size, size),
    )


def _with_slope(matrix: csc_matrix, slope: NDArray[np.float64]) -> csc_matrix:
    """Return the matrix with more on its diagonal."""
    sum_of = matrix.copy()
    columns = np.repeat(np.arange(matrix.shape[1]), np.diff(matrix.indptr))
    sum_of.data[matrix.indices == columns] += slope
    return sum_of


def _factorised(matrix: csc_matrix) -> SuperLU:
    return splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
