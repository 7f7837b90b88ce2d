"""Simulated panels into a folder."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from elinspect.recipe import ProductRecipe
from elinspect.synthetic.camera import draw_camera
from elinspect.synthetic.chance import DefectRates, draw_defects
from elinspect.synthetic.overlays import draw_overlays
from elinspect.synthetic.panel import simulate_panel
from elinspect.synthetic.truth_file import write_frames, write_panel

_RATES = DefectRates(
    crack=0.03, inactive_area=0.015, finger_interruption=0.05, dark_cell=0.005, dark_string=0.01, solder_fault=0.01,
    chipped_cell=0.005, misplaced_cell=0.005, foreign_body=0.005,
)  # fmt: skip
"""Something to find on most panels."""


def simulate_to_folder(
    folder: Path,
    recipe: ProductRecipe,
    count: int,
    seed: int,
    progress: Callable[[], object] | None = None,
    rates: DefectRates | None = None,
    px_per_mm: float = 2.0,
    bit_depth: int = 12,
    *,
    low_current: float | None = None,
    laid_up: bool = False,
    frames: int = 0,
) -> list[Path]:
    """Simulate panels of one product and write each as a picture with its truth.

    Parameters
    ----------
    folder : Path
        Where to; made if it is missing.
    recipe : ProductRecipe
        The product.
    count : int
        How many panels.
    seed : int
        The same seed gives the same panels.
    progress : callable, optional
        Called after each panel.
    rates : DefectRates, optional
        How often defects occur; some in most panels if not given.
    px_per_mm : float
        Scale of the pictures.
    bit_depth : {8, 12, 16}
        Of the pictures.
    low_current : float, optional
        Photograph each panel at this share of the full current, too.
    laid_up : bool
        Draw what lies over some panels: a loose sheet with folds, tape, insulation, labels, probes.
    frames : int
        Of each panel's camera so many pictures without light and of an even one (`write_frames`).

    Returns
    -------
    list of Path
        The pictures, ``<product>_<seed>_<number>.png`` with the product's name in small letters, number from 0.

    Raises
    ------
    ElinspectError
        If a file cannot be written.
    ValueError
        If `count` or `seed` is out of bounds.
    """
    if count < 1:
        raise ValueError(f"count must be 1 or more, not {count}")
    if seed < 0:
        raise ValueError(f"seed must be 0 or more, not {seed}")
    often = rates or _RATES
    # A recipe's name may hold anything; a file name here holds letters, digits and underscores.
    product = re.sub(r"\W+", "_", recipe.name.lower()).strip("_") or "panel"
    written = []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        camera = draw_camera(rng, px_per_mm, bit_depth)
        defects = draw_defects(recipe, rng, often)
        beside = np.random.default_rng([seed, number, 1])  # what is asked for beside leaves the panel as it is
        laid = draw_overlays(beside) if laid_up else None
        panel = simulate_panel(recipe, rng, defects, camera, low_current=low_current, overlays=laid)
        stem = f"{product}_{seed}_{number:03d}"
        written.append(write_panel(folder, stem, panel))
        write_frames(folder, stem, panel, frames, beside)
        if progress is not None:
            progress()
    return written
