"""Memory of station, worker and window over a few panels of 60 MP (144 half cells) or 21.6 MP (60 cells).

Run: python tests/bench/bench_station_memory.py [60|21.6] [panels]   (offscreen; Linux: read from /proc)

A simulated panel is put into the camera's folder under several serials, with new noise each; the real station inspects
it in its worker, and the real window on the same log opens each and shows it. Printed is the most each process held.
Bounds (design of this project): 1.5 GB per process, 2 GB for the worker on 60 MP.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from importlib import resources
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "long"))

import numpy as np
from flat_shift import LongShift, re_noised

from elinspect.synthetic import DefectRates, draw_camera, draw_defects, product_recipe, simulate_panel
from elinspect.vision import cv2

PRODUCTS = {"60": ("half_cut_2x6x12", 60e6), "21.6": ("mono_6x10", 21.6e6)}


def main(size: str, panels: int) -> None:
    """Print what the processes held at most."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        # In a process of its own: what simulating takes must not count as the window's.
        subprocess.run([sys.executable, __file__, "make", size, str(panels), folder], check=True)
        made = sorted((place / "made").glob("*.png"))
        blocks, faults = LongShift(place, lambda number, path: shutil.copy(made[number - 1], path)).work(panels, 1)
    most = {name: max(block.parts[name].most_mb for block in blocks) for name in blocks[0].parts}
    print("; ".join(f"{name} at most {mb:.0f} MB" for name, mb in most.items()))
    print("\n".join(faults))


def make(size: str, panels: int, place: Path) -> None:
    """Write pictures of one simulated panel, each with noise of its own, and its recipe."""
    product, pixels = PRODUCTS[size]
    shipped = resources.files("elinspect.synthetic.products").joinpath(f"{product}.toml")
    (place / "recipe.toml").write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    recipe, rng = product_recipe(product), np.random.default_rng(5)
    small = simulate_panel(recipe, np.random.default_rng(5), camera=draw_camera(np.random.default_rng(5), 0.5, 12))
    px_per_mm = 0.5 * float(np.sqrt(pixels / small.picture.size))
    defects = draw_defects(recipe, rng, DefectRates())
    picture = simulate_panel(recipe, rng, defects, camera=draw_camera(rng, px_per_mm, 12)).picture
    print(f"{picture.shape[1]} x {picture.shape[0]} px, {picture.size / 1e6:.1f} MP, {picture.dtype}", flush=True)
    (place / "made").mkdir()
    for number in range(panels):
        cv2.imwrite(str(place / "made" / f"{number:03d}.png"), re_noised(picture, rng))


if __name__ == "__main__":
    given = sys.argv[1:]
    if given[:1] == ["make"]:
        make(given[1], int(given[2]), Path(given[3]))
    else:
        main(given[0] if given else "60", int(given[1]) if len(given) > 1 else 4)
