"""What the cells of one panel have in common: print, metallisation, texture strength, spread of luminance."""

from dataclasses import dataclass

import numpy as np

from elinspect.recipe import CellFormat, Wafer


@dataclass(frozen=True, slots=True)
class Look:
    """The look of one panel's cells; the figures are drawn to resemble real cells by eye.

    Attributes
    ----------
    finger_pitch_mm : float
        Distance of the fingers.
    middle_drop : float
        Drop half way between two busbars, natural logarithm.
    busbar_mm : float
        Width of a busbar or wire with its ribbon.
    busbar_remaining : float
        Luminance over the busbar, share.
    busbar_inset_mm : float
        How far from the cell's ends busbars begin.
    pads : int
        Wider pads along each busbar; 0 for a continuous one.
    rim_drop, rim_mm : float
        Darkening towards the edge: depth (natural logarithm) and reach.
    core_drop : float
        Darker middle of mono cells, natural logarithm.
    texture : float
        Strength of the wafer's texture; 1 is usual.
    cell_spread : float
        Spread of the cells' luminance, natural logarithm.
    finger_spread : float
        Spread between the pieces of fingers from busbar to busbar, natural logarithm.
    """

    finger_pitch_mm: float
    middle_drop: float
    busbar_mm: float
    busbar_remaining: float
    busbar_inset_mm: float
    pads: int
    rim_drop: float
    rim_mm: float
    core_drop: float
    texture: float
    cell_spread: float
    finger_spread: float


def draw_look(cell: CellFormat, rng: np.random.Generator) -> Look:
    """Draw the look of one panel's cells."""
    few = cell.busbars <= 6
    multi = cell.wafer is Wafer.MULTI
    return Look(
        finger_pitch_mm=float(rng.uniform(1.3, 1.9)),
        middle_drop=float(rng.uniform(0.06, 0.14) if few else rng.uniform(0.03, 0.06)),
        busbar_mm=float(rng.uniform(1.3, 1.8) if cell.busbars <= 3 else rng.uniform(0.7, 1.0)),
        busbar_remaining=float(rng.uniform(0.1, 0.4)),
        busbar_inset_mm=float(rng.uniform(0.5, 5.0)),
        pads=int(rng.choice([0, 3, 6])) if few else int(rng.choice([0, 8, 12])),
        rim_drop=float(rng.uniform(0.1, 0.4)),
        rim_mm=float(rng.uniform(1.5, 5.0)),
        core_drop=0.0 if multi else float(rng.uniform(0.0, 0.12)),
        texture=float(rng.uniform(0.6, 1.4)),
        cell_spread=float(rng.uniform(0.02, 0.06)),
        finger_spread=float(rng.uniform(0.002, 0.008)),
    )
