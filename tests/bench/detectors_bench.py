"""Time of the detectors on 60 cells as a 21.6 MP panel gives them, beside a plain ridge filter on the same cells.

``PYTHONPATH=.:tests python tests/bench/detectors_bench.py``. The cells are drawn at 0.3 mm per pixel (520 x 520 px),
one in ten cracked, some with streaks and a dark area. Bound of the design: 600 ms on 2 cores.
"""

import time
from collections.abc import Callable

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


def panel_cells() -> FloatImage:
    """Draw the cells."""
    rng = np.random.default_rng(0)
    cells = []
    for index in range(60):
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


if __name__ == "__main__":
    main()
