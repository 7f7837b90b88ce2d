"""Stage times of the geometry room over a panel of 21.6 MP, beside the floor of the same run.

The floor is what no tool can do without: reading a 16-bit PNG, one float32 linear warp, Gaussians of sigma 1, 2 and 4,
a 15 px black-hat, all of the same image. Run with ``PYTHONPATH=.:tests python tests/bench/geometry_bench.py``.
"""

import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from drawn_panels import Plan, Shot, draw, photographed

from elinspect.detectors import prepare
from elinspect.geometry import FoundGrid, cut_cells, find_panel, fingerprints_of, found_grid, measured, ribbon_lines
from elinspect.recipe import assumed_product
from elinspect.records import ElImage, Layout, PanelOutline, Tile
from elinspect.settings import GeometrySettings
from elinspect.vision import cv2

ROUNDS = 5


def timed(what: Callable[[], object]) -> tuple[float, float]:
    """Return the best wall time and the processor time of that round, milliseconds."""
    best = (np.inf, np.inf)
    for _ in range(ROUNDS):
        wall, processor = time.perf_counter(), time.process_time()
        what()
        best = min(best, ((time.perf_counter() - wall) * 1e3, (time.process_time() - processor) * 1e3))
    return best


def floor(image: ElImage) -> dict[str, tuple[float, float]]:
    counts = image.counts
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "panel.png")
        cv2.imwrite(path, counts.astype(np.uint16))
        read = timed(lambda: cv2.imread(path, cv2.IMREAD_UNCHANGED))
    size = counts.shape[1], counts.shape[0]
    matrix = np.array([[1, 0.01, 3], [-0.01, 1, 4], [1e-6, 1e-6, 1.0]])
    kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (15, 15))
    return {
        "read 16-bit PNG": read,
        "float32 linear warp": timed(lambda: cv2.warpPerspective(counts, matrix, size, flags=cv2.INTER_LINEAR)),
        "Gaussians 1, 2, 4": timed(lambda: [cv2.GaussianBlur(counts, (0, 0), sigma) for sigma in (1, 2, 4)]),
        "black-hat 15 px": timed(lambda: cv2.morphologyEx(counts, cv2.MORPH_BLACKHAT, kernel)),
    }


def stages(image: ElImage, layout: Layout) -> dict[str, tuple[float, float]]:
    product = assumed_product(layout)
    outline = find_panel(image, product)
    assert isinstance(outline, PanelOutline)
    found = found_grid(image, outline, product)
    assert isinstance(found, FoundGrid)
    pictures = cut_cells([Tile(image)], found.grid, product, GeometrySettings())
    ribbons = ribbon_lines(pictures, product)
    view = prepare(pictures, product)
    return {
        "find_panel": timed(lambda: find_panel(image, product)),
        "found_grid": timed(lambda: found_grid(image, outline, product)),
        "cut_cells": timed(lambda: cut_cells([Tile(image)], found.grid, product, GeometrySettings())),
        "ribbon_lines": timed(lambda: ribbon_lines(pictures, product)),
        "measured": timed(lambda: measured(found, ribbons, product)),
        "fingerprints_of": timed(lambda: fingerprints_of(view)),
    }


def main() -> None:
    plan = Plan(Layout.parse("6x10"), chamfer_mm=10, margin_mm=80)
    rng = np.random.default_rng(0)
    shot = Shot(turn_deg=1, tilt_deg=(2, 2), lens=-0.01, vignetting=0.2)
    image, _ = photographed(draw(plan, 3.28, rng), shot, rng)
    print(f"{image.width_px} x {image.height_px} px, {image.counts.size / 1e6:.1f} MP, load {os.getloadavg()[0]:.1f}")
    for title, table in (("floor", floor(image)), ("geometry", stages(image, plan.layout))):
        for name, (wall, processor) in table.items():
            print(f"  {name:<22} {wall:7.0f} ms wall {processor:7.0f} ms processor")
        total = [sum(times[k] for times in table.values()) for k in (0, 1)]
        print(f"{title:<24} {total[0]:7.0f} ms wall {total[1]:7.0f} ms processor")


if __name__ == "__main__":
    main()
