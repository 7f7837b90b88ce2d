"""Simulated panels into a folder."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from elinspect.recipe import ProductRecipe
from elinspect.synthetic.camera import draw_camera
from elinspect.synthetic.chance import DefectRates, draw_defects
from elinspect.synthetic.panel import simulate_panel
from elinspect.synthetic.truth_file import write_panel


def simulate_to_folder(
    folder: Path,
    recipe: ProductRecipe,
    count: int,
    seed: int,
    progress: Callable[[], object] | None = None,
    rates: DefectRates | None = None,
    px_per_mm: float = 2.0,
    bit_depth: int = 12,
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

    Returns
    -------
    list of Path
        The pictures, ``<product>_<seed>_<number>.png`` with the product's name in small letters, number from 0.

    Raises
    ------
    ElinspectError
        If a file cannot be written.
    """
    often = rates or DefectRates(0.03, 0.015, 0.05, 0.005, 0.01)
    # A recipe's name may hold anything; a file name here holds letters, digits and underscores.
    product = re.sub(r"\W+", "_", recipe.name.lower()).strip("_") or "panel"
    written = []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        camera = draw_camera(rng, px_per_mm, bit_depth)
        panel = simulate_panel(recipe, rng, draw_defects(recipe, rng, often), camera)
        written.append(write_panel(folder, f"{product}_{seed}_{number:03d}", panel))
        if progress is not None:
            progress()
    return written
