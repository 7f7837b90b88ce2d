"""The committed sample set: a few small panels over products and bit depths, each with some defects."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from elinspect.synthetic.camera import draw_camera
from elinspect.synthetic.chance import DefectRates, draw_defects
from elinspect.synthetic.panel import SimulatedPanel, simulate_panel
from elinspect.synthetic.products import product_recipe
from elinspect.synthetic.truth_file import write_panel


@dataclass(frozen=True, slots=True)
class Sample:
    """One panel of the set: product by its name, scale, bit depth and seed."""

    product: str
    px_per_mm: float
    bit_depth: int
    seed: int

    @property
    def stem(self) -> str:
        """File name without its ending."""
        return f"{self.product}_{self.bit_depth}bit"


SAMPLES = (
    Sample("mono_6x10", 1.2, 8, 101),
    Sample("multi_6x10", 0.95, 12, 102),
    Sample("half_cut_2x6x12", 0.9, 8, 103),
)
"""The panels of the set; small, because they travel with the source."""
_RATES = DefectRates(crack=0.06, inactive_area=0.03, finger_interruption=0.08, dark_cell=0.015, dark_string=0.0)


def simulate_sample(sample: Sample) -> SimulatedPanel:
    """Simulate one panel of the set."""
    recipe, rng = product_recipe(sample.product), np.random.default_rng(sample.seed)
    camera = draw_camera(rng, sample.px_per_mm, sample.bit_depth)
    return simulate_panel(recipe, rng, draw_defects(recipe, rng, _RATES), camera)


def write_samples(folder: Path) -> list[Path]:
    """Write the whole set, pictures and truth; returns the pictures.

    Raises
    ------
    ElinspectError
        If a file cannot be written.
    """
    return [write_panel(folder, sample.stem, simulate_sample(sample)) for sample in SAMPLES]
