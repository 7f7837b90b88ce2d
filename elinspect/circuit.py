"""Which cells carry the same current, and what voltage the panel should show.

There is no junction box at this gate, hence no bypass diode: the current of a circuit runs through every one of its
cells, past a bridge, or not at all. Only cells that carry the same current may be compared by their luminance.
"""

import math

from elinspect.recipe import Product, ProductRecipe
from elinspect.records import Branch, CircuitFacts, ExposureConditions

THERMAL_VOLTAGE = 0.02569
"""kT/q at 25 °C in volts (CODATA 2019 constants)."""


def circuits_of(recipe: ProductRecipe) -> tuple[tuple[int, ...], ...]:
    """Return the strings of each parallel circuit in series order; without a stated circuit, one per block."""
    per_block = recipe.layout.strings_per_block
    blocks = tuple(tuple(range(b * per_block + 1, (b + 1) * per_block + 1)) for b in range(recipe.layout.blocks))
    return recipe.circuit.series or blocks


def branches_of(recipe: ProductRecipe) -> tuple[Branch, ...]:
    """Return the branches: strings in series with no tie to another circuit between them, so one and the same current.

    Circuits that are tied at places between their ends fall into sections; the places where a bypass diode will be
    connected are such ties. A single circuit is one branch.
    """
    circuits = circuits_of(recipe)
    sections = recipe.circuit.bypass_groups if len(circuits) > 1 else ()
    if not sections:
        sections = (tuple(string for circuit in circuits for string in circuit),)
    found = []
    for number, section in enumerate(sections):
        for circuit, strings in enumerate(circuits):
            own = tuple(string for string in strings if string in section)
            if own:
                found.append(Branch(circuit, number, own))
    return tuple(found)


def circuit_facts(product: Product, conditions: ExposureConditions | None = None) -> CircuitFacts:
    """Return what the detectors know about the circuit and about the supply.

    Parameters
    ----------
    product : Product
        Circuit and electrical data.
    conditions : ExposureConditions, optional
        What a side file says; nothing if left out.

    Returns
    -------
    CircuitFacts
        Shares of the supply are None where the side file or the recipe does not give what they need.
    """
    recipe, conditions = product.recipe, conditions or ExposureConditions()
    data = recipe.electrical
    current_share = None
    if conditions.current_a is not None and data.isc_a is not None:
        current_share = conditions.current_a / data.isc_a
    surplus = None
    if conditions.voltage_v is not None and data.voc_v is not None:
        cells = series_cells(recipe)
        own_v = data.voc_v / cells
        # At a share of the short-circuit current a cell shows kT/q ln(share) less than its open-circuit voltage
        # (one-diode equation, ideality 1, series resistance left out).
        share = current_share if current_share is not None and current_share > 0 else 1.0
        expected_v = cells * (own_v + THERMAL_VOLTAGE * math.log(share))
        surplus = (conditions.voltage_v - expected_v) / own_v
    return CircuitFacts(branches_of(recipe), current_share, surplus)


def series_cells(recipe: ProductRecipe) -> int:
    """Return how many cells are in series between the panel's terminals."""
    return max(map(len, circuits_of(recipe))) * recipe.layout.cells_per_string


def partners_of(branches: tuple[Branch, ...], string: int) -> tuple[int, ...]:
    """Return the strings through which the current goes that a string does not take; none in a single circuit.

    Where ties between the circuits are stated, these are the other branches of its section, else the string at the same
    place of each other circuit: half-cut panels usually are tied string by string or pair by pair (common practice).
    """
    own = next(branch for branch in branches if string in branch.strings)
    others = [branch for branch in branches if branch.section == own.section and branch.circuit != own.circuit]
    if len({branch.section for branch in branches}) > 1:
        return tuple(other for branch in others for other in branch.strings)
    place = own.strings.index(string)
    return tuple(branch.strings[place] for branch in others if place < len(branch.strings))
