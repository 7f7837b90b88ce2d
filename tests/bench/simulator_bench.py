"""What simulated panels cost: time and memory.

One command: ``PYTHONPATH=.:tests python tests/bench/simulator_bench.py``; about 1 min of one core.

A panel of 60 cells at 300 px per cell, mono and multi: first the cold run, with the network's factorisation, then the
warm ones. Then single cells for training. Times are of one process, seconds of its own processor time and of the clock;
memory is the largest the process ever held.
"""

import resource
import time
from collections.abc import Callable

import numpy as np

from elinspect.synthetic import DefectRates, draw_camera, draw_cells, draw_defects, product_recipe, simulate_panel

PX_PER_CELL = 300


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Return seconds of processor and of the clock."""
    own, wall = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - own, time.perf_counter() - wall


def panel(name: str, seed: int) -> None:
    """Simulate one panel with usual defects."""
    recipe, rng = product_recipe(name), np.random.default_rng(seed)
    camera = draw_camera(rng, PX_PER_CELL / recipe.cell.across_mm)
    simulate_panel(recipe, rng, draw_defects(recipe, rng, DefectRates()), camera)


def main() -> None:
    """Print times and memory."""
    for name in ("mono_6x10", "multi_6x10"):
        cold = timed(lambda name=name: panel(name, 0))
        warm = min(timed(lambda name=name, seed=seed: panel(name, seed)) for seed in range(1, 4))
        print(f"{name}: 60 cells of {PX_PER_CELL} px: cold {cold[0]:.1f} s ({cold[1]:.1f} s by the clock), "
              f"warm {warm[0]:.1f} s ({warm[1]:.1f} s)")  # fmt: skip
    count = 48
    own, wall = timed(lambda: list(draw_cells(np.random.default_rng(0), count, 128)))
    print(f"training cells: {own / count:.2f} s each ({wall / count:.2f} s by the clock); 20,000 in "
          f"{20_000 * own / count / 3600:.1f} h of one core")  # fmt: skip
    print(f"largest memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
