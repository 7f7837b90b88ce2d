"""What the machine finds of all there is: recall, with what nobody saw estimated from random second readings."""

from collections.abc import Sequence
from dataclasses import dataclass

from elinspect.statistics.intervals import wilson


@dataclass(frozen=True, slots=True)
class Drawn:
    """What the second readings of one random draw saw.

    Attributes
    ----------
    unflagged : int
        Panels the draw was made from: passed, with nothing seen in them.
    read : int
        Of those drawn, how many were read.
    with_cells, cells : int
        Panels in which the reader saw defective cells, and these cells.
    """

    unflagged: int
    read: int
    with_cells: int
    cells: int


@dataclass(frozen=True, slots=True)
class Recall:
    """Share of the defective cells that the machine flagged.

    Attributes
    ----------
    value, low, high : float
        The share and its 95 % interval.
    found, added : int
        Confirmed cells the machine had flagged, and confirmed ones it had not.
    missed, missed_low, missed_high : float
        Cells nobody saw at first in all panels, with their 95 % interval.
    unflagged, read, with_cells, cells : int
        Of all draws together.
    """

    value: float
    low: float
    high: float
    found: int
    added: int
    missed: float
    missed_low: float
    missed_high: float
    unflagged: int
    read: int
    with_cells: int
    cells: int


def recall_by_second_readings(found: int, added: int, draws: Sequence[Drawn], panels: int) -> Recall | None:
    """Estimate the machine's recall.

    Panels in which nobody saw anything are drawn at random and read again, blind. The share of them with a cell that
    was missed has Wilson's interval; times all panels, and the cells seen in such a panel, it says how many cells were
    missed. Draws count by the panels they stand for. Two assumptions: in panels that were flagged, as many further
    cells were missed as in the others; and the second reader sees everything. Where the reader misses some too, the
    true recall is lower.

    Parameters
    ----------
    found, added : int
        Confirmed cells the machine had flagged, and confirmed ones it had not.
    draws : sequence of Drawn
        Draws; those nobody has read yet are left out.
    panels : int
        All panels of these days.

    Returns
    -------
    Recall or None
        None without a reading, or without any defective cell.
    """
    read = [draw for draw in draws if draw.read]
    if not read:
        return None
    unflagged, n = sum(draw.unflagged for draw in read), sum(draw.read for draw in read)
    with_cells, cells = sum(draw.with_cells for draw in read), sum(draw.cells for draw in read)
    missed = panels * sum(draw.unflagged * draw.cells / draw.read for draw in read) / unflagged
    share = sum(draw.unflagged * draw.with_cells / draw.read for draw in read) / unflagged
    per_panel = cells / with_cells if with_cells else 1.0
    low, high = (panels * limit * per_panel for limit in wilson(share * n, n).at(0))
    all_cells = found + added + missed
    if not all_cells:
        return None
    return Recall(
        value=found / all_cells,
        low=found / (found + added + high) if found else 0.0,
        high=found / (found + added + low) if found else 0.0,
        found=found,
        added=added,
        missed=missed,
        missed_low=low,
        missed_high=high,
        unflagged=unflagged,
        read=n,
        with_cells=with_cells,
        cells=cells,
    )
