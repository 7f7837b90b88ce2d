"""Time of the detectors on 60 cells as a 21.6 MP panel gives them, beside a plain ridge filter on the same cells.

``PYTHONPATH=.:tests python tests/bench/detectors_bench.py``. The cells are drawn at 0.3 mm per pixel (520 x 520 px),
one in ten cracked, some with streaks and a dark area. Bound of the design: 600 ms on 2 cores.

Then whether time and memory grow with the number of pixels: processor time and the largest memory of 30, 60, 120 and
240 such cells, each in a process of its own, per megapixel of their pictures and over that of 60. Bound: 1 GB at 60
cells.
"""

import resource
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
from drawn_cells import MM_PER_PX, as_pictures, clean_cell, with_area, with_line
from skimage.filters import sato

from elinspect.detectors import (
    chipped_cell,
    crack,
    dark_cell,
    detect_all,
    finger_interruption,
    foreign_body,
    inactive_area,
    material_pattern,
    prepare,
    solder_fault,
)
from elinspect.recipe import assumed_product
from elinspect.records import FloatImage, Layout
from elinspect.settings import DetectorSettings
from elinspect.vision import cv2

ROUNDS = 5
SIDE_PX = 520


def panel_cells(n_cells: int = 60) -> FloatImage:
    """Draw the cells."""
    rng = np.random.default_rng(0)
    cells = []
    for index in range(n_cells):
        cell = clean_cell(rng)
        if index % 10 == 0:
            cell = with_line(cell, [(60, 60), (140, 200), (180, 250)])
        if index % 6 == 0:
            cell = with_line(cell, [(160, 110), (240, 110)], contrast=0.25, width_px=3.0)
        if index == 33:
            cell = with_area(cell, [(170, 20), (170, 120), (235, 120), (235, 20)])
        cells.append(cv2.resize(cell, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_LINEAR))
    return np.stack(cells)


def timed(name: str, work: Callable[[], object], rounds: int = ROUNDS) -> None:
    """Print the best of some rounds, wall and processor time."""
    best = min(_once(work) for _ in range(rounds))
    print(f"{name:<40} {best[0] * 1000:8.0f} ms wall {best[1] * 1000:8.0f} ms processor")


def _once(work: Callable[[], object]) -> tuple[float, float]:
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def main() -> None:
    """Print the times."""
    layout, settings = Layout(1, 6, 10), DetectorSettings()
    cells = panel_cells()
    pictures = as_pictures(cells, layout, MM_PER_PX * 300 / SIDE_PX)
    product = assumed_product(layout)
    view = prepare(pictures, product)
    print(f"{len(cells)} cells of {SIDE_PX} px, maps {view.flat.shape}, {cv2.getNumThreads()} threads")
    timed("prepare", lambda: prepare(pictures, product))
    timed("crack", lambda: crack.detect(view, settings.crack))
    timed("inactive area", lambda: inactive_area.detect(view, settings.inactive_area))
    timed("dark cell", lambda: dark_cell.detect(view, settings.dark_cell))
    timed("finger interruption", lambda: finger_interruption.detect(view, settings.finger_interruption))
    timed("chipped cell", lambda: chipped_cell.detect(view, settings.chipped_cell))
    timed("foreign body", lambda: foreign_body.detect(view, settings.foreign_body))
    timed("solder and bussing joint faults", lambda: solder_fault.detect(view, settings.solder_fault))
    timed("material pattern", lambda: material_pattern.detect(view, settings.material_pattern))
    timed("prepare and all detectors", lambda: detect_all(prepare(pictures, product), settings))
    maps = view.log_cells
    timed("scikit-image sato, sigmas 1, 2, 3", lambda: [sato(cell, sigmas=[1, 2, 3]) for cell in maps], rounds=1)
    print_growth()


def print_growth() -> None:
    """Print processor time and largest memory of 30, 60, 120 and 240 cells."""
    sizes = tuple(Layout(1, strings, 10) for strings in (3, 6, 12, 24))
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), max_tasks_per_child=1) as pool:
        measured = [pool.submit(cost_of, layout).result() for layout in sizes]
    usual = measured[1][0] / sizes[1].n_cells
    for layout, (processor_s, memory_mb) in zip(sizes, measured, strict=True):
        megapixels = layout.n_cells * SIDE_PX**2 / 1e6
        ratio = processor_s / layout.n_cells / usual
        each = 1000 * processor_s / megapixels
        print(f"{layout.n_cells:>4} cells, {megapixels:5.1f} MP: {each:6.1f} ms processor per MP, {ratio:.2f} of that "
              f"at 60 cells, largest memory {memory_mb:.0f} MB")  # fmt: skip


def cost_of(layout: Layout) -> tuple[float, float]:
    """Return processor time in s (best of two) and the process's largest memory in MB."""
    pictures, product = (
        as_pictures(panel_cells(layout.n_cells), layout, MM_PER_PX * 300 / SIDE_PX),
        assumed_product(layout),
    )
    best = min(_once(lambda: detect_all(prepare(pictures, product), DetectorSettings()))[1] for _ in range(2))
    return best, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    main()
