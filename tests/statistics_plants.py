"""Small plants counted out as arrays, for tests of the commonality analysis."""

import numpy as np

from elinspect.statistics.strings_made import FlaggedCells, StringsMade


def plant(
    n_lanes: int = 6, blocks: int = 10, strings: int = 40, cells: int = 10, lots: int = 1
) -> tuple[StringsMade, np.ndarray]:
    """Strings of every lane, block and lot, and a table (string, block, lane, lot) of them all."""
    rows = [(block, lane, lot) for block in range(blocks) for lane in range(n_lanes) for lot in range(lots)]
    block, lane, lot = np.array(rows).T
    counts = np.full(len(rows), strings)
    made = StringsMade(block, np.zeros_like(block), lane, lot, counts, counts * cells)
    table = np.repeat(np.array(rows), strings, axis=0)
    return made, np.column_stack([np.arange(len(table)), table])


def flags(table: np.ndarray, hit: np.ndarray, position: np.ndarray, place: np.ndarray | None = None) -> FlaggedCells:
    """Flagged cells in the strings that are hit."""
    chosen = table[hit]
    where = np.full(len(chosen), -1) if place is None else place
    return FlaggedCells(
        chosen[:, 0], chosen[:, 1], np.zeros(len(chosen), int), chosen[:, 2], chosen[:, 3], position, where
    )
