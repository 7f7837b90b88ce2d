"""Grid finding over more than 200 panels: real cells, plain drawings, simulated panels; figures and failures by cause.

Run with ``PYTHONPATH=.:tests python tests/long/geometry_survey.py [--share 0.2] [--sheet FILE.png] [--only FAMILY]``.
Prints, per family, how many panels were found, the median and the fifth percentile of the cells' intersection over
union, corner and gap errors where the truth is exact, every failure with its reason, and the hardest panels.
"""

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from drawn_panels import Plan, Shot, draw, mirrored_file, photographed, turned_file
from numpy.typing import NDArray
from real_cells import FREE_PANELS, as_image, lay_out, overlap, seen_by, tilted_view

from elinspect.geometry import find_grid, find_panel
from elinspect.recipe import Product, assumed_product
from elinspect.records import CellGrid, ElImage, Layout, NotFound
from elinspect.synthetic import (
    PRODUCTS,
    CameraSettings,
    DarkCell,
    DarkString,
    DefectRates,
    SimulatedPanel,
    draw_defects,
    product_recipe,
    simulate_panel,
)
from elinspect.vision import cv2


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One panel: picture, what is sought, truth (quads by string and position), mm per px where known."""

    family: str
    name: str
    image: ElImage
    product: Product
    quads: NDArray[np.float64]
    mm_per_px: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    case: Case
    overlaps: NDArray[np.float64]
    corner_mm: NDArray[np.float64]
    reason: str
    seconds: float
    quads: NDArray[np.float64] | None


def real_cases(rng: np.random.Generator, count: int) -> Iterator[Case]:
    layouts = ("6x10", "6x12", "4x9", "1x12", "1x4", "5x8")
    for k in range(count):
        panel = k % len(FREE_PANELS)
        layout = Layout.parse(layouts[int(rng.choice(6, p=[0.35, 0.25, 0.2, 0.08, 0.06, 0.06]))])
        flat = lay_out(panel, layout, background=float(rng.uniform(3, 25)))
        height, width = flat.picture.shape
        turn, tilt = rng.uniform(-10, 10), tuple(rng.uniform(-12, 12, 2))
        seen = seen_by(flat, tilted_view(width, height, turn, (tilt[0], tilt[1])))
        image = as_image(seen.picture, int(rng.choice([8, 12, 16])), float(rng.uniform(0, 3)), rng)
        image, quads = turned_file(image, seen.quads, 3 * int(rng.integers(0, 2)))
        yield Case("real cells", f"panel {panel} as {layout}", image, assumed_product(layout), quads)


def _plan(rng: np.random.Generator) -> Plan:
    kind = rng.choice(["full", "half", "third"], p=[0.45, 0.45, 0.1])
    spread = {"spread": float(rng.uniform(0.02, 0.12)), "gap_mm": float(rng.uniform(0.8, 4)), "margin_mm": 40.0}
    spread |= {"string_gap_mm": float(rng.uniform(1, 5)), "shake_mm": float(rng.choice([0, 0.2]))}
    spread |= {"texture": float(rng.choice([0, 0.15])), "block_gap_mm": float(rng.uniform(6, 35))}
    if kind == "full":
        layout = Layout.parse(str(rng.choice(["4x9", "6x10", "6x12", "6x9", "5x10"])))
        side = float(rng.choice([125, 156, 158.75, 166]))
        busbars = int(rng.integers(2, 13))
        wire = 1.8 if busbars < 4 else 1.0 if busbars < 8 else 0.4
        return Plan(
            layout, side, side, busbars=busbars, wire_mm=wire, chamfer_mm=float(rng.choice([0, 8, 18])), **spread
        )
    busbars = int(rng.integers(9, 21))
    if kind == "half":
        layout = Layout(2, 6, int(rng.integers(9, 14)))
        side = float(rng.choice([166, 182, 210]))
        return Plan(layout, side / 2, side, busbars=busbars, wire_mm=0.35, **spread)
    return Plan(Layout(int(rng.integers(1, 4)), 6, 8), 70, 210, busbars=busbars, wire_mm=0.35, **spread)


def _darkened(plan: Plan, rng: np.random.Generator) -> Plan:
    n, cells = plan.layout.cells_per_string, plan.layout.n_cells
    levels = {int(index): float(rng.uniform(0.01, 0.3)) for index in rng.integers(0, cells, int(rng.integers(0, 5)))}
    if rng.random() < 0.25:
        corner = int(rng.choice([0, n - 1, cells - n, cells - 1]))
        levels[corner] = 0.01
    if rng.random() < 0.2:
        string = int(rng.integers(0, plan.layout.n_strings))
        levels |= {string * n + k: float(rng.uniform(0.07, 0.12)) for k in range(n)}
    return replace(plan, levels=levels)


def drawn_cases(rng: np.random.Generator, count: int) -> Iterator[Case]:
    for k in range(count):
        plan = _darkened(_plan(rng), rng)
        scale = 1.3 if plan.layout.n_cells < 100 else 1.0
        shot = Shot(
            turn_deg=float(rng.uniform(-10, 10)), tilt_deg=(float(rng.uniform(-15, 15)), float(rng.uniform(-15, 15))),
            lens=float(rng.uniform(-0.03, 0.02)), vignetting=float(rng.uniform(0, 0.5)),
            blur_px=float(rng.uniform(0.5, 1.5)), noise=float(np.exp(rng.uniform(0, 2.5))),
            glare=float(rng.uniform(0, 0.1)), bit_depth=int(rng.choice([8, 12, 16])),
        )  # fmt: skip
        image, quads = photographed(draw(plan, scale, rng), shot, rng)
        if rng.random() < 0.3:
            image, quads = mirrored_file(image, quads)
            quads = _as_addresses(quads, plan.layout)
        image, quads = turned_file(image, quads, 3 * int(rng.integers(0, 2)))
        yield Case(
            "plain drawings",
            f"{k}: {plan.layout} {plan.busbars} busbars",
            image,
            assumed_product(plan.layout),
            quads,
            1 / scale,
        )


def _as_addresses(quads: NDArray[np.float64], layout: Layout) -> NDArray[np.float64]:
    """Reorder the cells of a mirrored picture: addresses follow the picture when nothing else is known."""
    rows = layout.grid_shape[0]
    blocks = quads.reshape(layout.blocks, rows, layout.cells_per_string, 4, 2)
    return blocks[::-1, :, ::-1].reshape(-1, 4, 2)


def simulated_cases(rng: np.random.Generator, count: int) -> Iterator[Case]:
    names = list(PRODUCTS)
    for k in range(count):
        recipe = product_recipe(names[k % len(names)])
        camera = CameraSettings(
            px_per_mm=2.0, margin_mm=float(rng.uniform(15, 60)), turn_deg=float(rng.uniform(-10, 10)),
            tilt_x_deg=float(rng.uniform(-15, 15)), tilt_y_deg=float(rng.uniform(-15, 15)),
            blur_px=float(rng.uniform(0.6, 1.5)), signal_to_noise=float(np.exp(rng.uniform(2, 5))),
            vignetting=float(rng.uniform(0, 0.4)), glow=float(rng.uniform(0.01, 0.15)),
            exposure=float(rng.uniform(0.1, 0.6)),
        )  # fmt: skip
        defects = list(draw_defects(recipe, rng, DefectRates(dark_string=0.01, dark_cell=0.01)))
        if k % 7 == 0:
            corner = int(rng.choice([1, recipe.layout.n_strings]))
            defects.append(DarkCell(corner, int(rng.choice([1, recipe.layout.cells_per_string])), 0.02))
        if k % 9 == 0:
            defects.append(DarkString(int(rng.integers(1, recipe.layout.n_strings + 1)), 0.08))
        panel = simulate_panel(recipe, rng, defects, camera)
        yield Case("simulated", f"{k}: {recipe.name}", as_read(panel), Product(recipe), panel.corners_px, 0.5)


def as_read(panel: SimulatedPanel) -> ElImage:
    """Take the dark level off a simulated picture, as reading does."""
    full = 2**panel.camera.bit_depth - 1
    counts = np.maximum(panel.picture.astype(np.float32) - np.float32(panel.camera.dark_level * full), 0)
    counts.flags.writeable = False
    return ElImage(Path("simulated.png"), "0" * 64, counts, panel.camera.bit_depth, float(full))


def answered(case: Case) -> Answer:
    start = time.perf_counter()
    outline = find_panel(case.image, case.product)
    grid = outline if isinstance(outline, NotFound) else find_grid(case.image, outline, case.product)
    seconds = time.perf_counter() - start
    none = np.zeros(0)
    if not isinstance(grid, CellGrid):
        return Answer(case, none, none, grid.reason.text, seconds, None)
    overlaps = overlap(grid.corners_px, case.quads)
    nearest = np.linalg.norm(grid.corners_px[:, :, None] - case.quads[:, None], axis=-1).min(axis=2)
    return Answer(case, overlaps, nearest * (case.mm_per_px or np.nan), "", seconds, grid.corners_px)


def report(answers: list[Answer]) -> None:
    for family in dict.fromkeys(answer.case.family for answer in answers):
        mine = [answer for answer in answers if answer.case.family == family]
        found = [answer for answer in mine if not answer.reason]
        right = [answer for answer in found if answer.overlaps.min() > 0.75]
        cells = np.concatenate([answer.overlaps for answer in found]) if found else np.array([np.nan])
        corners = np.concatenate([answer.corner_mm.ravel() for answer in found]) if found else np.array([np.nan])
        print(
            f"{family}: {len(mine)} panels, {len(found)} found, {len(found) - len(right)} wrong; cells' overlap median "
            f"{np.median(cells):.4f}, 5 % {np.percentile(cells, 5):.4f}, worst {cells.min():.3f}; corner error median "
            f"{np.median(corners):.3f} mm, 95 % {np.percentile(corners, 95):.3f} mm; "
            f"{np.median([answer.seconds for answer in mine]):.2f} s a panel"
        )
        for answer in mine:
            if answer.reason:
                print(f"  not found: {answer.case.name}: {answer.reason}")
            elif answer.overlaps.min() <= 0.75:
                print(f"  wrong: {answer.case.name}: worst overlap {answer.overlaps.min():.3f}")


def sheet(answers: list[Answer], path: Path, count: int = 12) -> None:
    """Write a contact sheet of the hardest panels with the grid drawn in."""
    hardest = sorted(answers, key=lambda answer: answer.overlaps.min() if answer.overlaps.size else -1.0)[:count]
    tiles = []
    for answer in hardest:
        counts = answer.case.image.counts
        scale = min(640 / counts.shape[1], 420 / counts.shape[0])
        small = cv2.resize(counts, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        grey = np.clip(small / max(float(np.percentile(small, 99.5)), 1e-6) * 255, 0, 255).astype(np.uint8)
        colour = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
        for quad in () if answer.quads is None else answer.quads:
            cv2.polylines(colour, [np.round(quad * scale * 16).astype(np.int32)], True, (0, 220, 0), 1, cv2.LINE_AA, 4)
        tile = np.zeros((440, 640, 3), np.uint8)
        tile[20 : 20 + colour.shape[0], : colour.shape[1]] = colour[:420, :640]
        worst = f"{answer.overlaps.min():.3f}" if answer.overlaps.size else "not found"
        cv2.putText(tile, f"{answer.case.name}  {worst}", (4, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.45, (255, 255, 255))
        tiles.append(tile)
    tiles += [np.zeros((440, 640, 3), np.uint8)] * (-len(tiles) % 3)
    cv2.imwrite(str(path), np.vstack([np.hstack(tiles[k : k + 3]) for k in range(0, len(tiles), 3)]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--share", type=float, default=1.0, help="share of the panels to look at")
    parser.add_argument("--sheet", type=Path, help="contact sheet of the hardest panels")
    parser.add_argument("--only", help="one family only")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    families = {
        "real cells": (real_cases, 70),
        "plain drawings": (drawn_cases, 100),
        "simulated": (simulated_cases, 60),
    }
    answers = []
    for family, (cases, count) in families.items():
        if given.only in (None, family):
            rng = np.random.default_rng(given.seed)
            answers += [answered(case) for case in cases(rng, max(1, round(count * given.share)))]
    report(answers)
    if given.sheet:
        sheet(answers, given.sheet)


if __name__ == "__main__":
    main()
