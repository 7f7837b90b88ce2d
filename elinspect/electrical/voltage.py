"""Voltage of each cell's junction from its electroluminescence.

The light grows with exp(qV/kT), so the ratio of two cells' light gives the difference of their voltages. It holds for
cells that carry the same current, seen through the same optics by a linear camera, with the background taken off; a
cell that is hidden or badly contacted looks as if its voltage were low.

References
----------
Potthoff, T., Bothe, K., Eitner, U., Hinken, D., Köntges, M. (2010). "Detection of the voltage distribution in
photovoltaic modules by electroluminescence imaging." Prog. Photovolt. 18:100-106.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from elinspect.circuit import circuits_of
from elinspect.recipe import ProductRecipe
from elinspect.records import ExposureConditions

BOLTZMANN_J_PER_K, ELEMENTARY_CHARGE_C = 1.380649e-23, 1.602176634e-19
"""Exact by definition (CODATA 2019)."""


def thermal_voltage(temperature_c: float) -> float:
    """Return kT/q in volts."""
    return BOLTZMANN_J_PER_K * (temperature_c + 273.15) / ELEMENTARY_CHARGE_C


def relative_voltages(luminance: ArrayLike, reference: float = 1.0, temperature_c: float = 25.0) -> NDArray[np.float64]:
    """Return how much the voltage of each cell differs from that of the reference, V.

    Parameters
    ----------
    luminance : array_like
        Mean light of each cell above the background; cells that carry the same current.
    reference : float
        Light of the reference, in the same unit.
    temperature_c : float
        Of the cells.

    Returns
    -------
    ndarray
        NaN where a cell gives no light or could not be judged (NaN).
    """
    light = np.asarray(luminance, dtype=np.float64) / reference
    with np.errstate(divide="ignore", invalid="ignore"):
        found = thermal_voltage(temperature_c) * np.log(light)
    return np.where(light > 0, found, np.nan)


def absolute_voltages(
    luminance: ArrayLike, series_voltage_v: float, temperature_c: float = 25.0
) -> NDArray[np.float64]:
    """Return the voltage of each cell of a series circuit whose voltage is known, V.

    The sum over all cells is the given voltage, which must be without the drop over leads and contacts.

    Parameters
    ----------
    luminance : array_like
        Mean light of every cell of the circuit.
    series_voltage_v : float
        Across the circuit.
    temperature_c : float
        Of the cells.

    Returns
    -------
    ndarray
        All NaN if any cell's light is not known: the sum then says nothing.
    """
    relative = relative_voltages(luminance, 1.0, temperature_c)
    return np.asarray(relative + (series_voltage_v - relative.sum()) / relative.size)


def panel_voltages(luminance: ArrayLike, recipe: ProductRecipe, conditions: ExposureConditions) -> NDArray[np.float64]:
    """Return the voltage of every cell of a panel, V.

    Parameters
    ----------
    luminance : array_like, shape (n_cells,)
        Mean light of every cell; NaN where it could not be judged.
    recipe : ProductRecipe
        Which strings are in series; parallel circuits share the panel's voltage.
    conditions : ExposureConditions
        Voltage and temperature during the exposure; 25 °C where none is given.

    Returns
    -------
    ndarray, shape (n_cells,)
        All NaN where the panel's voltage was not given.
    """
    light = np.asarray(luminance, dtype=np.float64)
    found = np.full(light.shape, np.nan)
    if conditions.voltage_v is None:
        return found
    by_string = np.arange(light.size).reshape(recipe.layout.n_strings, recipe.layout.cells_per_string)
    for circuit in circuits_of(recipe):
        cells = by_string[[string - 1 for string in circuit]].ravel()
        found[cells] = absolute_voltages(light[cells], conditions.voltage_v, temperature_of(conditions))
    return found


def temperature_of(conditions: ExposureConditions) -> float:
    """Return the temperature of the cells, °C; 25 where none is given (a short flash of current heats them little)."""
    return conditions.temperature_c if conditions.temperature_c is not None else 25.0
