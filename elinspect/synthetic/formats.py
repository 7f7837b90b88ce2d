"""Cell formats of the trade, drawn at random."""

import numpy as np

from elinspect.recipe import CellFormat, CutEdge, Technology, Wafer

SIDES_MM = (125.0, 156.0, 156.75, 158.75, 166.0, 182.0, 210.0)
"""Sides of full wafers; common practice, no source."""


def draw_format(rng: np.random.Generator, wafer: Wafer | None = None, few_busbars: bool = False) -> CellFormat:
    """Draw a cell format.

    Parameters
    ----------
    rng : numpy.random.Generator
        Draws it.
    wafer : Wafer, optional
        Mono or multi; either if not given.
    few_busbars : bool
        Full cells of at most 158.75 mm with 2 to 5 busbars only.
    """
    wafer = wafer or (Wafer.MULTI if rng.random() < 0.5 else Wafer.MONO)
    multi = wafer is Wafer.MULTI
    side = float(rng.choice(SIDES_MM[1:4] if multi or few_busbars else SIDES_MM))
    if side <= 158.75:
        busbars = int(rng.choice([2, 3, 3, 4, 5] if side > 130 else [2, 3]))
    else:
        busbars = int(rng.choice([9, 10, 12, 16, 18, 20]))
    parts = 1
    if side > 158 and not few_busbars and not multi:
        parts = int(rng.choice([1, 2, 2, 3]))
    technology = Technology.PERC_LIKE
    if not multi and not few_busbars:
        technology = Technology(str(rng.choice([one.value for one in Technology], p=[0.5, 0.3, 0.2])))
    chamfer = 0.0 if multi else float(rng.choice([0.0, 5.0, 12.0, 20.0]))
    # A third of a wafer has no chamfer if it was its middle one, else as a half.
    if parts == 3 and rng.random() < 1 / 3:
        chamfer = 0.0
    cut = CutEdge.NONE if parts == 1 else CutEdge(str(rng.choice(["left", "right"])))
    return CellFormat(side / parts, side, wafer, technology, busbars, chamfer, cut)
