"""What the cells of one panel have in common: print, metallisation, wafers, spread of luminance."""

import math
from dataclasses import dataclass

import numpy as np

from elinspect.recipe import CellFormat, Technology, Wafer
from elinspect.synthetic.brick import MultiStyle, draw_multi_style
from elinspect.synthetic.network import THERMAL_V, Electrics


@dataclass(frozen=True, slots=True)
class Look:
    """The look of one panel's cells; ranges are held against real cells by tests/long/texture_statistics.py.

    Attributes
    ----------
    electrics : Electrics
        Fingers, emitter, ribbons, current.
    busbar_mm : float
        Width of a busbar or wire with its ribbon.
    busbar_remaining : float
        Luminance over the busbar, share.
    busbar_inset_mm : float
        How far from the cell's ends busbars begin.
    pads : int
        Solder pads along each busbar; 0 for a continuous joint.
    pad_width : float
        Half the width of a pad over the width of a busbar.
    dashed : bool
        Whether between the pads hardly more than the ribbon's reflection is seen.
    rim_drop, rim_mm : float
        Darkening towards the edge: depth (natural logarithm) and reach.
    core_drop : float
        Darker middle of mono cells, natural logarithm.
    texture : float
        Strength of the texture of mono wafers; 1 is usual.
    multi : MultiStyle or None
        Style of multicrystalline wafers.
    stains : float
        How often cells carry stains, scratches, belt marks; 1 is usual.
    cell_spread : float
        Spread of the cells' luminance, natural logarithm.
    print_spread : float
        Spread of the fingers' resistance, natural logarithm.
    """

    electrics: Electrics
    busbar_mm: float
    busbar_remaining: float
    busbar_inset_mm: float
    pads: int
    pad_width: float
    dashed: bool
    rim_drop: float
    rim_mm: float
    core_drop: float
    texture: float
    multi: MultiStyle | None
    stains: float
    cell_spread: float
    print_spread: float


_SHEET_OHM = {
    Technology.PERC_LIKE: (70.0, 120.0),
    Technology.TOPCON_LIKE: (90.0, 150.0),
    # Transparent conductor, and the wafer itself beside it: what hides a broken finger.
    Technology.HJT_LIKE: (22.0, 40.0),
}
"""Ranges of the sheet resistance, ohms per square; common practice, no source."""


def draw_electrics(cell: CellFormat, rng: np.random.Generator) -> Electrics:
    """Draw the electrical figures of one panel's cells; common practice, no source."""
    pitch = float(rng.uniform(1.5, 2.0) if cell.busbars <= 4 else rng.uniform(1.2, 1.6))
    current = float(rng.uniform(0.022, 0.038))
    # Finger resistance from the drop half way between busbars that printing aims at: j p R (d/2)^2 / 2.
    drop = float(rng.uniform(0.06, 0.24) if cell.busbars <= 6 else rng.uniform(0.03, 0.09))
    between_cm = cell.across_mm / max(cell.busbars, 1) / 10
    finger = drop * THERMAL_V / (current * pitch / 10 * between_cm**2 / 8)
    each = 1.0 / max(cell.busbars, 1)
    return Electrics(
        finger_pitch_mm=pitch,
        finger_ohm_per_cm=float(np.clip(finger, 0.05, 4.0)),
        sheet_ohm=float(rng.uniform(*_SHEET_OHM[cell.technology])),
        busbar_ohm_per_cm=float(rng.uniform(0.005, 0.012)) * max(cell.busbars, 1) / 3,
        # All ribbons together have about the same copper, whatever their number.
        ribbon_ohm_per_cm=float(rng.uniform(0.4e-4, 1.1e-4)) / each,
        joint_ohm_cm=float(np.exp(rng.uniform(math.log(0.001), math.log(0.004)))),
        current_a_per_cm2=current,
    )


def draw_look(cell: CellFormat, rng: np.random.Generator) -> Look:
    """Draw the look of one panel's cells."""
    few, multi = cell.busbars <= 6, cell.wafer is Wafer.MULTI
    pads = int(rng.choice([0, 0, 4, 6, 7])) if few else int(rng.choice([0, 8, 12]))
    return Look(
        electrics=draw_electrics(cell, rng),
        busbar_mm=float(rng.uniform(1.0, 1.8) if cell.busbars <= 4 else rng.uniform(0.3, 0.9)),
        busbar_remaining=float(rng.uniform(0.08, 0.4)),
        busbar_inset_mm=float(rng.uniform(0.5, 6.0)),
        pads=pads,
        pad_width=float(rng.uniform(0.6, 1.2)),
        dashed=bool(pads and few and rng.random() < 0.5),
        rim_drop=float(rng.uniform(0.1, 0.5)),
        rim_mm=float(rng.uniform(1.0, 4.0)),
        core_drop=0.0 if multi or rng.random() < 0.6 else float(rng.uniform(0.02, 0.15)),
        texture=float(np.exp(rng.uniform(math.log(0.4), math.log(2.0)))),
        multi=draw_multi_style(rng) if multi else None,
        stains=float(np.exp(rng.uniform(math.log(0.3), math.log(3.0)))),
        cell_spread=float(rng.uniform(0.02, 0.07)),
        print_spread=float(np.exp(rng.uniform(math.log(0.01), math.log(0.12)))),
    )
