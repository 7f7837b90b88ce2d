"""How long the classifier takes on two cores: making its input, and the network, for 72 cells and for 144 half cells.

    python tests/bench/classifier_bench.py

Best and median of ten runs; wall time, and computing time over both threads.
"""

import time
from collections.abc import Callable

import numpy as np

from elinspect.classifier import load_model, shipped_model
from elinspect.classifier.contract import network_input
from elinspect.classifier.scoring import run_network
from elinspect.detectors import prepare
from elinspect.recipe import assumed_product
from elinspect.records import CellGrid, CellPictures, Layout, Orientation, read_only

_RUNS = 10
_MM_PER_PX = 0.5


def panel_of(layout: Layout, along_mm: float, across_mm: float) -> CellPictures:
    """Return noise in the shape of a panel: what is in the cells costs nothing."""
    n, columns, rows = layout.n_cells, round(along_mm / _MM_PER_PX), round(across_mm / _MM_PER_PX)
    stack = np.random.default_rng(0).normal(1000, 20, (n, rows, columns)).astype(np.float32)
    corners = np.array([[0, 0], [columns - 1.0, 0], [columns - 1.0, rows - 1.0], [0, rows - 1.0]])
    grid = CellGrid(layout, Orientation(), read_only(np.tile(corners, (n, 1, 1))), corners, 1.0)
    own = read_only(np.tile(np.eye(3), (n, 1, 1)))
    tile, masked = read_only(np.zeros(n, np.intp)), read_only(np.zeros(n, np.bool_))
    return CellPictures(grid, read_only(stack), None, own, _MM_PER_PX, True, 4095.0, tile, (None,), masked)


def told(name: str, work: Callable[[], object]) -> None:
    """Run something often and print what it took."""
    wall, computing = [], []
    for _ in range(_RUNS):
        start, busy = time.perf_counter(), time.process_time()
        work()
        wall.append(1000 * (time.perf_counter() - start))
        computing.append(1000 * (time.process_time() - busy))
    print(
        f"{name}: wall {min(wall):.0f} ms best, {np.median(wall):.0f} median; computing {min(computing):.0f} ms best, "
        f"{np.median(computing):.0f} median",
        flush=True,
    )


def main() -> None:
    """Time both kinds of panel."""
    model = load_model(shipped_model())
    for name, layout, along, across in (
        ("72 cells of 156 mm", Layout(1, 6, 12), 156.0, 156.0),
        ("144 half cells of 182 mm", Layout(2, 6, 12), 91.0, 182.0),
    ):
        view = prepare(panel_of(layout, along, across), assumed_product(layout))
        told(f"{name}, input", lambda view=view: network_input(view))  # type: ignore[misc]
        told(f"{name}, input and network", lambda view=view: run_network(model, view))  # type: ignore[misc]


if __name__ == "__main__":
    main()
