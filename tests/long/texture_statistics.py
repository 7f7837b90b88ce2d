"""What gives simulated cells away: statistics of real and of simulated cells side by side.

One command: ``PYTHONPATH=.:tests:tests/bench python tests/long/texture_statistics.py [--half tuning|check] [--cells N]
[--sheet FILE]``; about 2 min.

Real cells: those of the free panels of elpv-dataset that are labelled 0.0. Simulated ones: `draw_cells` with full cells
of few busbars, without cracks. All are taken at 300 px and compared in the logarithm of luminance, over places that are
neither busbar nor rim:

- spread of the picture in bands of scale (differences of Gaussians of 0.7, 1.4, 2.8, 5.6, 11 px and the rest): the
  power spectrum in octaves. The finest band is mostly noise; noise itself from second differences along the finger;
- skewness of the middle bands: dark clusters make it negative;
- anisotropy: spread of differences along the string over that across it (finger streaks make it greater than 1);
- busbar profile: depth of the deepest busbar row; drop from the brightest rows to those half way between busbars;
- rim: luminance of the outer 3 px over that of the cell.

Printed are the 10th, 50th and 90th percentile of both, and the share of simulated cells inside the real ones' range
from 5 to 95 per cent (0.9 is perfect).
"""

import argparse
import itertools
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from real_cells import FREE_PANELS, SIDE_PX, free_cells, free_labels
from real_cells_bench import panels_of

from elinspect.recipe import Wafer
from elinspect.synthetic import DefectRates, draw_cells
from elinspect.vision import cv2

SCALES = (0.7, 1.4, 2.8, 5.6, 11.0)
CLEAN = DefectRates(crack=0.0, inactive_area=0.0, finger_interruption=0.6, dark_cell=0.0, dark_string=0.0)


def statistics(picture: NDArray[np.float32]) -> dict[str, float]:
    """Return the statistics of one cell, 300 px."""
    height = np.log(np.maximum(picture / np.median(picture), 0.02)).astype(np.float32)
    rows = np.median(height[:, 30:-30], axis=1)
    smooth = _median(rows, 31)
    busbar = _grown(rows < smooth - 0.05, 4)
    inside = np.zeros(height.shape, bool)
    inside[24:-24, 24:-24] = True
    inside &= _octagon(56)  # chamfered corners are left out
    inside &= ~busbar[:, None]
    # Busbar rows are bridged, or their edges would fill every band.
    bridged = height.copy()
    bridged[busbar] = smooth[busbar, None]
    weight = np.repeat(~busbar[:, None], height.shape[1], axis=1).astype(np.float32)
    levels = [bridged]
    for sigma in SCALES:
        levels.append(
            cv2.GaussianBlur(height * weight, (0, 0), sigma) / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 1e-3)
        )
    bands = [a - b for a, b in itertools.pairwise(levels)]
    found: dict[str, float] = {}
    for name, band in zip(("<0.7", "0.7-1.4", "1.4-2.8", "2.8-5.6", "5.6-11"), bands, strict=True):
        values = band[inside]
        found[f"band {name}"] = float(values.std())
        if name in ("1.4-2.8", "2.8-5.6", "5.6-11"):
            found[f"skew {name}"] = float(((values - values.mean()) ** 3).mean() / max(values.std(), 1e-6) ** 3)
    found["band >11"] = float(levels[-1][inside].std())
    second = height[2:] - 2 * height[1:-1] + height[:-2]
    found["noise"] = float(1.4826 * np.median(np.abs(second[inside[1:-1]])) / np.sqrt(6))
    soft = levels[2]
    down, along = (soft[2:] - soft[:-2])[:, 1:-1], (soft[:, 2:] - soft[:, :-2])[1:-1]
    found["anisotropy"] = float(along[inside[1:-1, 1:-1]].std() / max(down[inside[1:-1, 1:-1]].std(), 1e-6))
    found["busbar depth"] = float(-(rows - smooth)[20:-20].min())
    between = rows[30:-30][~busbar[30:-30]]
    found["row range"] = float(np.percentile(between, 95) - np.percentile(between, 5))
    columns = np.median(height[30:-30], axis=0)[20:-20]
    found["column range"] = float(np.percentile(columns, 95) - np.percentile(columns, 5))
    found["rim"] = float(np.median(height[[2, -3]][:, 30:-30]))
    return found


def _octagon(leg: int) -> NDArray[np.bool_]:
    far = np.minimum(np.arange(SIDE_PX), np.arange(SIDE_PX)[::-1])
    return np.asarray(far[:, None] + far > leg)


def _median(values: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    padded = np.pad(values, size // 2, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, size), axis=1).astype(np.float32)


def _grown(mask: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    return np.asarray(np.convolve(mask, np.ones(2 * by + 1), "same") > 0)


def real_pictures(half: str, wafer: str, each: int) -> list[NDArray[np.float32]]:
    """Return clean real cells, so many of each free panel."""
    rng = np.random.default_rng(0)
    chosen = []
    for panel in panels_of(half, wafer):
        first, last = FREE_PANELS[panel]
        labels, _ = free_labels(range(first, last + 1))
        clean = [first + i for i in np.flatnonzero(labels < 0.1)]
        numbers = [int(n) for n in rng.choice(clean, min(each, len(clean)), replace=False)]
        chosen += [crop.astype(np.float32) for crop in free_cells(numbers)]
    return chosen


def simulated_pictures(wafer: str, count: int, seed: int = 0) -> list[NDArray[np.float32]]:
    """Return clean simulated cells, two of each panel."""
    rng = np.random.default_rng(seed)
    cells = draw_cells(rng, count, SIDE_PX, Wafer(wafer), CLEAN, few_busbars=True, per_panel=2, rim_mm=0.9)
    return [cell.picture for cell in cells]


def sheet(path: Path, pairs: list[tuple[list[NDArray[np.float32]], list[NDArray[np.float32]]]], seed: int = 0) -> None:
    """Write real (left three) and simulated (right three) cells side by side, each stretched as a screen shows it."""
    rng, rows = np.random.default_rng(seed), []
    for real, made in pairs:
        for _ in range(4):
            row = [real[i] for i in rng.choice(len(real), 3, replace=False)]
            row += [made[i] for i in rng.choice(len(made), 3, replace=False)]
            rows.append(np.hstack([np.clip(one / np.percentile(one, 99.5) * 235, 0, 255) for one in row]))
    cv2.imwrite(str(path), np.vstack(rows).astype(np.uint8))


def main() -> None:
    """Print the table of each wafer type."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--half", choices=["tuning", "check"], default="check")
    parser.add_argument("--cells", type=int, default=60)
    parser.add_argument("--wafer", choices=["mono", "multi"])
    parser.add_argument("--sheet", type=Path)
    given = parser.parse_args()
    pairs = []
    for wafer in [given.wafer] if given.wafer else ["mono", "multi"]:
        real = real_pictures(given.half, wafer, 12)
        made = simulated_pictures(wafer, given.cells)
        pairs.append((real, made))
        print(f"\n{wafer}: {len(real)} real cells ({given.half} half), {len(made)} simulated; percentiles 10, 50, 90")
        here, there = ([statistics(one) for one in pictures] for pictures in (real, made))
        for name in here[0]:
            a, b = np.array([s[name] for s in here]), np.array([s[name] for s in there])
            low, high = np.percentile(a, [5, 95])
            inside = np.mean((b >= low) & (b <= high))
            numbers = "  ".join(f"{x:8.4f}" for x in (*np.percentile(a, [10, 50, 90]), *np.percentile(b, [10, 50, 90])))
            print(f"{name:<14} {numbers}   {inside:.2f}")
    if given.sheet:
        sheet(given.sheet, pairs)


if __name__ == "__main__":
    main()
