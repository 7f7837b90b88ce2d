"""One solar cell as a diode with reverse breakdown, from the module's datasheet.

References
----------
Bishop, J. W. (1988). "Computer simulation of the effects of electrical mismatches in photovoltaic cell interconnection
circuits." Solar Cells 25:73-89, doi 10.1016/0379-6787(88)90059-2 (the model; pvlib computes it).
Batzelis, E. I. (2017). "Simple PV performance equations theoretically well founded on the single-diode model." IEEE J.
Photovolt. 7(5):1400-1409, doi 10.1109/JPHOTOV.2017.2711431 (parameters from datasheet values; pvlib computes them).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message
from elinspect.circuit import circuits_of
from elinspect.recipe import ProductRecipe, Wafer
from elinspect.records import Technology

Values = NDArray[np.float64]

BREAKDOWN_FACTOR, BREAKDOWN_EXPONENT = 2e-3, 3.0
"""Share of the shunt current that multiplies near breakdown, and its exponent; as in pvlib's published example of
partial shading, which reproduces a published table of losses of cracked cells (see the tests)."""

_CURRENT_PER_K, _VOLTAGE_PER_K = 0.0005, -0.0027
"""Temperature coefficients of crystalline silicon modules, relative to Isc and Voc: common practice, no source. They
steer only how Voc, Isc and the maximum power point divide between ideality and resistances."""


@dataclass(frozen=True, slots=True)
class CellDiode:
    """Parameters of one cell at standard test conditions.

    Attributes
    ----------
    photocurrent_a, saturation_a : float
        Of the whole cell.
    series_ohm, shunt_ohm : float
        Resistances.
    thermal_v : float
        Ideality factor times kT/q.
    breakdown_v : float
        Below 0.
    """

    photocurrent_a: float
    saturation_a: float
    series_ohm: float
    shunt_ohm: float
    thermal_v: float
    breakdown_v: float


def breakdown_voltage(recipe: ProductRecipe) -> tuple[float, Message]:
    """Return the reverse breakdown voltage of the product's cells, and where the figure comes from.

    The recipe's own figure comes first. Front-contact p-type mono cells break down at -17 to -25 V; -18 V matched
    measured curves of a partly shaded module (public issue thread of an open photovoltaic library). The other figures
    are common practice, no source: multi cells begin earlier, at defects; cells of other technologies are taken to
    break down a little earlier too.
    """
    given = recipe.electrical.cell_breakdown_v
    if given is not None:
        return given, Message("loss.breakdown_given", {"volts": given})
    if recipe.cell.wafer is Wafer.MULTI:
        return -13.0, Message("loss.breakdown_practice", {"volts": -13.0})
    if recipe.cell.technology is Technology.PERC_LIKE:
        return -18.0, Message("loss.breakdown_measured", {"volts": -18.0})
    return -15.0, Message("loss.breakdown_practice", {"volts": -15.0})


def cell_of(recipe: ProductRecipe) -> CellDiode | None:
    """Return the cell of a product from its datasheet values.

    Returns
    -------
    CellDiode or None
        None where the recipe does not give Voc, Isc, Vmp and Imp.

    Raises
    ------
    ValueError
        If no diode has these datasheet values within 2 % of power.
    """
    data = recipe.electrical
    if data.voc_v is None or data.isc_a is None or data.vmp_v is None or data.imp_a is None:
        return None
    from pvlib.ivtools.sdm import fit_desoto_batzelis
    from pvlib.pvsystem import singlediode

    fitted = fit_desoto_batzelis(
        data.vmp_v, data.imp_a, data.voc_v, data.isc_a, _CURRENT_PER_K * data.isc_a, _VOLTAGE_PER_K * data.voc_v
    )
    module = [float(fitted[name]) for name in ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")]
    # The module's resistances must be those of real parts: the fit of contradictory values has no such.
    if not all(np.isfinite(value) and value > 0 for value in module):
        raise ValueError("no single diode has these datasheet values")
    power = float(singlediode(*module)["p_mp"])
    if abs(power / (data.vmp_v * data.imp_a) - 1) > 0.02:
        raise ValueError(f"the single diode of these datasheet values gives {power:.1f} W")
    circuits = circuits_of(recipe)
    in_series = max(map(len, circuits)) * recipe.layout.cells_per_string
    parallel = len(circuits)
    photocurrent, saturation, series, shunt, thermal = module
    return CellDiode(
        photocurrent / parallel,
        saturation / parallel,
        series * parallel / in_series,
        shunt * parallel / in_series,
        thermal / in_series,
        breakdown_voltage(recipe)[0],
    )


def current_and_voltage(cell: CellDiode, diode_v: Values) -> tuple[Values, Values]:
    """Return current and voltage of a whole cell for voltages across its diode.

    Parameters
    ----------
    cell : CellDiode
        The cell.
    diode_v : ndarray
        Above the breakdown voltage, V.

    Returns
    -------
    tuple of ndarray
        A and V, in the order of `diode_v`.
    """
    from pvlib.singlediode import bishop88

    current, voltage, _ = bishop88(
        diode_v,
        cell.photocurrent_a,
        cell.saturation_a,
        cell.series_ohm,
        cell.shunt_ohm,
        cell.thermal_v,
        breakdown_factor=BREAKDOWN_FACTOR,
        breakdown_voltage=cell.breakdown_v,
        breakdown_exp=BREAKDOWN_EXPONENT,
    )
    return np.asarray(current), np.asarray(voltage)
