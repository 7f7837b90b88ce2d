"""The committed sample set: small panels over formats, technologies and bit depths, each with something to find."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from elinspect.recipe import CellFormat, CutEdge, ProductRecipe, Spacing, Technology, Wafer
from elinspect.records import Layout
from elinspect.synthetic.camera import draw_camera
from elinspect.synthetic.chance import DefectRates, draw_defects
from elinspect.synthetic.defects import BridgedString, Defect
from elinspect.synthetic.overlays import Overlays
from elinspect.synthetic.panel import SimulatedPanel, simulate_panel
from elinspect.synthetic.products import product_recipe
from elinspect.synthetic.truth_file import write_panel

_RATES = DefectRates(crack=0.06, inactive_area=0.03, finger_interruption=0.08, dark_cell=0.015, dark_string=0.0)
_EVERYTHING = DefectRates(
    crack=0.08, inactive_area=0.03, finger_interruption=0.1, dark_cell=0.05, dark_string=0.0, solder_fault=0.08,
    ribbon_offset=0.04, shunted_cell=0.04, chipped_cell=0.06, misplaced_cell=0.06, foreign_body=0.06,
    reversed_cell=0.02, bussing_joint_fault=0.2,
)  # fmt: skip
_PERC, _TOPCON, _HJT = Technology.PERC_LIKE, Technology.TOPCON_LIKE, Technology.HJT_LIKE


@dataclass(frozen=True, slots=True)
class Sample:
    """One panel of the set.

    Attributes
    ----------
    stem : str
        File name without its ending.
    recipe : ProductRecipe
        The product.
    px_per_mm : float
        Scale; small, because the pictures travel with the source.
    bit_depth : {8, 12, 16}
        Of the picture.
    seed : int
        Draws everything.
    rates : DefectRates
        How often defects occur.
    defects : tuple of Defect
        Further ones, written out.
    overlays : Overlays or None
        What lies over the panel.
    low_current : float or None
        Share of the full current of a second picture.
    tiles : tuple of int
        Rows and columns of exposures.
    """

    stem: str
    recipe: ProductRecipe
    px_per_mm: float
    bit_depth: int
    seed: int
    rates: DefectRates = _RATES
    defects: tuple[Defect, ...] = ()
    overlays: Overlays | None = None
    low_current: float | None = None
    tiles: tuple[int, int] = (1, 1)


def _recipe(name: str, layout: str, cell: CellFormat) -> ProductRecipe:
    return ProductRecipe(name, "1", Layout.parse(layout), cell, spacing=Spacing(1.5, 2.0, 16.0))


def _mono(
    side_mm: float, parts: int, busbars: int, technology: Technology = _PERC, chamfer_mm: float = 0.0
) -> CellFormat:
    cut = CutEdge.LEFT if parts > 1 else CutEdge.NONE
    return CellFormat(side_mm / parts, side_mm, Wafer.MONO, technology, busbars, chamfer_mm, cut)


def _multi(side_mm: float, busbars: int) -> CellFormat:
    return CellFormat(side_mm, side_mm, Wafer.MULTI, _PERC, busbars)


SAMPLES = (
    Sample("mono_6x10_8bit", product_recipe("mono_6x10"), 1.2, 8, 101),
    Sample("multi_6x10_12bit", product_recipe("multi_6x10"), 0.95, 12, 102),
    Sample("half_cut_2x6x12_8bit", product_recipe("half_cut_2x6x12"), 0.9, 8, 103),
    Sample("mono_125_pseudo_square_6x12", _recipe("125 mm", "6x12", _mono(125.0, 1, 2, chamfer_mm=20.0)), 1.0, 8, 104),
    Sample("mono_156_low_current_4x9", _recipe("156 mm", "4x9", _mono(156.0, 1, 3, chamfer_mm=20.0)), 1.0, 8, 105,
           low_current=0.1),
    Sample("multi_string_1x12", _recipe("156.75 mm string", "1x12", _multi(156.75, 5)), 2.0, 12, 106),
    Sample("multi_bricks_4x9", _recipe("156 mm multi", "4x9", _multi(156.0, 3)), 1.5, 8, 107),
    Sample("mono_166_half_2x6x10", _recipe("166 mm half", "2x6x10", _mono(166.0, 2, 9)), 0.9, 8, 108),
    Sample("mono_182_half_topcon_sheet_2x6x12",
           _recipe("182 mm half", "2x6x12", _mono(182.0, 2, 16, _TOPCON, 5.0)), 0.8, 8, 109,
           overlays=Overlays(0.35, 0.02, 2, 3, True, 1, 2)),
    Sample("mono_210_third_hjt_2x3x10", _recipe("210 mm third", "2x3x10", _mono(210.0, 3, 18, _HJT)), 0.9, 16, 110),
    Sample("bridged_string_2x6x6", _recipe("158.75 mm half", "2x6x6", _mono(158.75, 2, 9)), 0.8, 8, 111,
           defects=(BridgedString(3, 0.02),)),
    Sample("faults_of_all_kinds_4x9", _recipe("158.75 mm", "4x9", _mono(158.75, 1, 5, chamfer_mm=8.0)), 1.0, 8, 112,
           rates=_EVERYTHING),
    Sample("two_exposures_6x10", _recipe("158.75 mm tiles", "6x10", _mono(158.75, 1, 5)), 0.7, 8, 113, tiles=(1, 2)),
)  # fmt: skip
"""The panels of the set; small, because they travel with the source."""


def simulate_sample(sample: Sample) -> SimulatedPanel:
    """Simulate one panel of the set."""
    rng = np.random.default_rng(sample.seed)
    camera = replace(draw_camera(rng, sample.px_per_mm, sample.bit_depth), tiles=sample.tiles)
    defects = draw_defects(sample.recipe, rng, sample.rates) + sample.defects
    return simulate_panel(sample.recipe, rng, defects, camera, low_current=sample.low_current, overlays=sample.overlays)


def write_samples(folder: Path) -> list[Path]:
    """Write the whole set, pictures and truth; returns the pictures.

    Raises
    ------
    ElinspectError
        If a file cannot be written.
    """
    return [write_panel(folder, sample.stem, simulate_sample(sample)) for sample in SAMPLES]
