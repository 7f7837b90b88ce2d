"""A product's tables: built once, kept on disk under a key of everything they depend on."""

import hashlib
import json
import os
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import platformdirs

from elinspect.circuit import circuits_of
from elinspect.electrical.cell import CellDiode, Values, cell_of
from elinspect.electrical.module import Bypassed, CellState, CellTable, Module, cell_table
from elinspect.recipe import ProductRecipe

_VERSION = 1
"""Raised whenever a table would come out differently."""

_SHARES = np.linspace(0.0, 1.0, 201)


@dataclass(frozen=True, slots=True, eq=False)
class ProductTables:
    """What one cell costs, by the share of it that is cut off.

    Attributes
    ----------
    module : Module
        The circuit.
    power_w, current_a : float
        Of the whole module at its maximum power point, by the model.
    shares : ndarray
        Shares of a cell, 0..1.
    lost : ndarray, shape (group shapes, shares)
        Power lost over the module's power.
    dissipated_w : ndarray, shape (group shapes, shares)
        Heat the cell takes up while the other modules of a long string drive their usual current through this one; 0
        while it delivers power.
    shape_of : tuple of int
        Row of the tables for each bypass group and branch of the cell, by cell.
    """

    module: Module
    power_w: float
    current_a: float
    shares: Values
    lost: Values
    dissipated_w: Values
    shape_of: tuple[int, ...]

    def lost_share(self, cell: int, inactive: float) -> float:
        """Return the power lost over the module's power, with a share of one cell cut off."""
        return float(np.interp(inactive, self.shares, self.lost[self.shape_of[cell]]))

    def dissipation(self, cell: int, inactive: float) -> float:
        """Return the heat one cell takes up with a share of it cut off, W."""
        return float(np.interp(inactive, self.shares, self.dissipated_w[self.shape_of[cell]]))


def bypass_groups_of(recipe: ProductRecipe) -> tuple[tuple[tuple[int, ...], ...], ...]:
    """Return the strings under each later bypass diode, by parallel circuit.

    Where the recipe states none, two strings in series share a diode and parallel circuits are tied at every diode
    (common practice).
    """
    circuits = circuits_of(recipe)
    stated = recipe.circuit.bypass_groups
    if stated:
        return tuple(
            tuple(own for circuit in circuits if (own := tuple(s for s in circuit if s in group))) for group in stated
        )
    longest = max(map(len, circuits))
    return tuple(
        tuple(circuit[first : first + 2] for circuit in circuits if circuit[first : first + 2])
        for first in range(0, longest, 2)
    )


def cells_by_diode(recipe: ProductRecipe) -> tuple[Bypassed, ...]:
    """Return the cells under each later bypass diode, by index."""
    n = recipe.layout.cells_per_string
    return tuple(
        Bypassed(
            tuple(
                tuple(index for string in strings for index in range((string - 1) * n, string * n))
                for strings in branches
            )
        )
        for branches in bypass_groups_of(recipe)
    )


def tables_for(recipe: ProductRecipe, folder: Path | None = None) -> ProductTables | None:
    """Return a product's tables, from memory, from disk, or built now.

    Parameters
    ----------
    recipe : ProductRecipe
        The product.
    folder : Path, optional
        Where tables are kept; this user's cache if left out. Tables that cannot be kept are built each time.

    Returns
    -------
    ProductTables or None
        None where the recipe's electrical data are not complete.

    Raises
    ------
    ValueError
        If no diode has the product's datasheet values.
    """
    data = recipe.electrical
    if None in (data.voc_v, data.isc_a, data.vmp_v, data.imp_a):
        return None
    key = _key(recipe)
    if key in _IN_MEMORY:
        return _IN_MEMORY[key]
    folder = folder or _default_folder()
    path = folder / f"{key}.npz"
    tables = _read(path, recipe)
    if tables is None:
        cell = cell_of(recipe)
        assert cell is not None
        tables = _built(recipe, cell_table(cell))
        _keep(path, tables)
    _IN_MEMORY[key] = tables
    return tables


def _default_folder() -> Path:
    """Return this user's cache, or another folder where the variable ELINSPECT_CACHE names one."""
    named = os.environ.get("ELINSPECT_CACHE")
    return Path(named) if named else platformdirs.user_cache_path("elinspect", appauthor=False) / "electrical"


_IN_MEMORY: dict[str, ProductTables] = {}


def _key(recipe: ProductRecipe) -> str:
    what = [
        _VERSION,
        str(recipe.layout),
        asdict(recipe.circuit),
        asdict(recipe.electrical),
        recipe.cell.wafer,
        recipe.cell.technology,
    ]
    return hashlib.sha256(json.dumps(what, sort_keys=True).encode("ascii")).hexdigest()[:24]


def _built(recipe: ProductRecipe, table: CellTable) -> ProductTables:
    module = Module(table, cells_by_diode(recipe))
    whole = module.operating_point()
    kinds: dict[tuple[tuple[int, ...], int], tuple[int, int, int]] = {}
    shape_of = [0] * recipe.layout.n_cells
    for number, group in enumerate(module.groups):
        lengths = tuple(map(len, group.branches))
        for place, cells in enumerate(group.branches):
            row, _, _ = kinds.setdefault((tuple(sorted(lengths)), lengths[place]), (len(kinds), number, place))
            for index in cells:
                shape_of[index] = row
    lost, heat = (np.zeros((len(kinds), len(_SHARES))) for _ in range(2))
    for row, number, place in kinds.values():
        cell = module.groups[number].branches[place][0]
        for at, share in enumerate(_SHARES):
            state = CellState(float(share))
            lost[row, at] = 1 - module.operating_point({cell: state}).power_w / whole.power_w
            through = module.branch_currents(whole.current_a, {cell: state})[number][place]
            heat[row, at] = max(-module.cell_voltage(through, state) * through, 0.0)
    lost = np.maximum(lost, 0.0)
    return ProductTables(module, whole.power_w, whole.current_a, _SHARES, lost, heat, tuple(shape_of))


def _read(path: Path, recipe: ProductRecipe) -> ProductTables | None:
    try:
        with np.load(path, allow_pickle=False) as kept:
            cell = CellDiode(*(float(value) for value in kept["cell"]))
            module = Module(CellTable(cell, kept["current_a"], kept["voltage_v"]), cells_by_diode(recipe))
            power_w, current_a = (float(value) for value in kept["whole"])
            shapes = tuple(int(row) for row in kept["shape_of"])
            return ProductTables(module, power_w, current_a, kept["shares"], kept["lost"], kept["heat"], shapes)
    except (OSError, KeyError, ValueError, TypeError, EOFError):
        return None  # not there, or damaged: built again


def _keep(path: Path, tables: ProductTables) -> None:
    table = tables.module.table
    content = {
        "cell": np.array(list(asdict(table.cell).values())),
        "current_a": table.current_a,
        "voltage_v": table.voltage_v,
        "whole": np.array([tables.power_w, tables.current_a]),
        "shape_of": np.array(tables.shape_of),
        "shares": tables.shares,
        "lost": tables.lost,
        "heat": tables.dissipated_w,
    }
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as partial:
            np.savez(partial, allow_pickle=False, **content)
        Path(partial.name).replace(path)
    except OSError:
        return  # a full disk or a folder that cannot be written costs only time
