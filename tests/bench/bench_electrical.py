"""How long the watts of a panel take, and how far the tables are from a full solve of every cell.

Run: PYTHONPATH=tests python tests/bench/bench_electrical.py
"""

import time

import numpy as np
from electrical.test_module import EXAMPLE, SIXTY, TABLE, _full_series_power
from results import flag

from elinspect.catalogue import Message
from elinspect.electrical import LossModel, flag_loss, loss_model, panel_loss
from elinspect.electrical.module import CellState
from elinspect.records import Flag, Kind
from elinspect.synthetic.products import product_recipe

PANELS = 40


def _flags(n: int, strings: int, per_string: int, rng: np.random.Generator) -> list[Flag]:
    message = Message("flag.plain", {"kind": "inactive_area", "address": "1-2"})
    places = rng.choice(strings * per_string, n, replace=False)
    return [
        flag(
            f"m{i}",
            Kind.INACTIVE_AREA,
            string=int(place) // per_string + 1,
            position=int(place) % per_string + 1,
            area_fraction=float(rng.uniform(0.005, 0.6)),
            message=message,
            mode=None,
        )
        for i, place in enumerate(places)
    ]


def time_panels() -> None:
    """Time whole panels, from few flags to one on every cell."""
    rng = np.random.default_rng(0)
    for name, strings, per_string in (("mono_6x10", 6, 10), ("half_cut_2x6x12", 12, 12)):
        model = loss_model(product_recipe(name))
        assert isinstance(model, LossModel)
        for n in (1, 10, strings * per_string):
            took = []
            for _ in range(PANELS):
                flags = _flags(n, strings, per_string, rng)
                start = time.perf_counter()
                panel_loss(flags, model)
                for each in flags:
                    flag_loss(each, model)
                took.append(time.perf_counter() - start)
            print(f"{name}, {n:3d} flagged cells: best {1e3 * min(took):5.1f} ms, worst {1e3 * max(took):5.1f} ms")


def compare_with_full_solve() -> None:
    """Compare the power at the tables' operating point with a root-found one."""
    rng = np.random.default_rng(1)
    worst = 0.0
    for _ in range(PANELS):
        cells = rng.choice(60, int(rng.integers(1, 6)), replace=False)
        states = {int(cell): CellState(float(rng.uniform(0.005, 0.6))) for cell in cells}
        point, full = SIXTY.operating_point(states), _full_series_power(states, 20, 3)
        around = point.current_a + np.linspace(-0.02, 0.02, 41)
        worst = max(worst, abs(point.power_w - max(full(float(current)) for current in around)))
    print(f"{PANELS} panels of 60 cells: at most {worst:.4f} W of 291 W from the full solve")


def compare_single_cells() -> None:
    """Compare the kept curve of one cell, read between its points, with the circuit itself."""
    rng = np.random.default_rng(2)
    model = loss_model(product_recipe("half_cut_2x6x12"))
    assert isinstance(model, LossModel)
    shares = rng.uniform(0, 1, 400)
    whole = model.tables.module.operating_point().power_w
    gaps = [
        abs(model.tables.lost_share(0, x) - 1 + model.tables.module.operating_point({0: CellState(x)}).power_w / whole)
        for x in map(float, shares)
    ]
    print(f"one cell's kept curve: at most {100 * max(gaps):.3f} points, median {100 * np.median(gaps):.5f} points")


if __name__ == "__main__":
    print(f"table of {len(TABLE.current_a)} currents, photocurrent {EXAMPLE.photocurrent_a} A")
    time_panels()
    compare_with_full_solve()
    compare_single_cells()
