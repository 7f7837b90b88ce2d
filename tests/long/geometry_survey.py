"""Grid finding over 280 panels: real cells, drawn, simulated, overdrawn, dark at the edge; figures, failures by cause.

Run with ``PYTHONPATH=.:tests python tests/long/geometry_survey.py [--share 0.2] [--sheet FILE.png] [--only FAMILY]``.
Prints, per family, how many panels were found, the median and the fifth percentile of the cells' intersection over
union, corner and gap errors where the truth is exact, failures counted by cause and each with its reason, and on the
sheet the hardest panels. The overdrawn family holds what no other draws: tape, labels, milky folds, bussing ribbons, a
glass edge, saturation, gaps down to zero, panels cut by the border (to be refused with the side named), shingled ones
(to be refused by name). In the last family cells at the edge or a corner, whole strings or an end column give no light
at all, or very little; the panel lies up to a fifth of a cell from the middle of the picture.
"""

import argparse
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from drawn_panels import HALF_CUT, Plan, Shot, draw, mirrored_file, photographed, turned_file
from numpy.typing import NDArray
from real_cells import FREE_PANELS, as_image, lay_out, overlap, seen_by, tilted_view, wafer_of

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

_NO_IMAGE = ElImage(Path("none.png"), "0" * 64, np.zeros((1, 1), np.float32), 8, 255.0)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One panel: picture, what is sought, truth (quads by string and position), mm per px where known.

    `half` is that of the free panels its cells come from: settings were chosen on the tuning half.
    """

    family: str
    name: str
    image: ElImage
    product: Product
    quads: NDArray[np.float64]
    mm_per_px: float | None = None
    refused_as: str | None = None
    half: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """What was found; `gap_mm` are errors of the gaps between neighbours of a string, `code` why nothing was.

    Of the case the picture is left out; `tile` is a small one with the grid drawn in.
    """

    case: Case
    overlaps: NDArray[np.float64]
    corner_mm: NDArray[np.float64]
    gap_mm: NDArray[np.float64]
    code: str
    reason: str
    seconds: float
    tile: NDArray[np.uint8]

    @property
    def cause(self) -> str | None:
        """Why it counts as a failure; None if it does not."""
        if self.case.refused_as is not None:
            if self.code == self.case.refused_as:
                return None
            return f"refused as {self.code}, not {self.case.refused_as}" if self.code else "found, should be refused"
        if self.code:
            return f"not found: {self.code}"
        return "wrong grid" if self.overlaps.min() <= 0.75 else None


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
        half = "tuning" if panel in of_tuning_half() else "check"
        yield Case("real cells", f"panel {panel} as {layout}", image, assumed_product(layout), quads, half=half)


@cache
def of_tuning_half() -> frozenset[int]:
    """Return the free panels of the tuning half, as tests/bench/real_cells_bench.py parts them."""
    by_wafer = ([k for k in range(len(FREE_PANELS)) if wafer_of(k) == wafer] for wafer in ("mono", "poly"))
    return frozenset(panel for own in by_wafer for panel in own[::2])


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


def _overdrawn(image: ElImage, quads: NDArray[np.float64], what: str, rng: np.random.Generator) -> ElImage:
    counts = image.counts.copy()
    height, width = counts.shape
    bright = float(np.percentile(counts, 90))
    low, high = quads.min(axis=(0, 1)), quads.max(axis=(0, 1))
    size = float(np.linalg.norm(quads[0, 1] - quads[0, 0]))

    def patch(middle: NDArray[np.float64], wide: float, long: float, turn: float, light: float) -> None:
        box = cv2.boxPoints(((float(middle[0]), float(middle[1])), (wide, long), turn))
        cv2.fillConvexPoly(counts, np.round(box).astype(np.int32), light)

    if what == "tape":
        for _ in range(5):
            spot = quads[int(rng.integers(len(quads)))].mean(axis=0) + rng.uniform(-0.5, 0.5, 2) * size
            patch(spot, 0.12 * size, 0.45 * size, float(rng.uniform(0, 180)), float(rng.uniform(0.02, 0.4)) * bright)
    elif what == "label":
        for corner in (low, high, np.array([low[0], high[1]])):
            patch(corner + rng.uniform(-0.15, 0.15, 2) * size, 0.5 * size, 0.3 * size, 0, 0.7 * bright)
    elif what == "milky folds":
        y, x = np.mgrid[:height, :width].astype(np.float32)
        for _ in range(4):
            turn, at = rng.uniform(0, np.pi), rng.uniform(low, high)
            away = (x - at[0]) * np.cos(turn) + (y - at[1]) * np.sin(turn)
            counts *= 1 - 0.35 * np.exp(-((away / (0.06 * size)) ** 2)).astype(np.float32)
        haze = cv2.GaussianBlur(counts, (0, 0), 0.04 * size)
        counts = (0.7 * counts + 0.3 * haze).astype(np.float32)
    elif what == "bussing ribbons":
        for x in (low[0] - 0.06 * size, high[0] + 0.06 * size):
            patch(np.array([x, (low[1] + high[1]) / 2]), 0.035 * size, high[1] - low[1], 0, 0.25 * bright)
    elif what == "glass edge":
        box = np.array([low - 0.22 * size, [high[0] + 0.22 * size, low[1] - 0.22 * size], high + 0.22 * size,
                        [low[0] - 0.22 * size, high[1] + 0.22 * size]])  # fmt: skip
        cv2.polylines(counts, [np.round(box).astype(np.int32)], True, 0.5 * bright, max(2, round(0.015 * size)))
    elif what == "saturation":
        counts = np.minimum(counts * 1.9, image.saturation)
    counts.flags.writeable = False
    return replace(image, counts=counts)


def _rimmed(image: ElImage, quads: NDArray[np.float64], px: float) -> ElImage:
    """Darken the cells' rims, which is all that shows where there is no gap."""
    ink = np.zeros(image.counts.shape, np.uint8)
    for quad in quads:
        cv2.polylines(ink, [np.round(quad * 16).astype(np.int32)], True, 255, 1, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(ink.astype(np.float32), (0, 0), 0.6 * px)
    counts = image.counts * (1 - 0.35 * soft / max(float(soft.max()), 1e-6)).astype(np.float32)
    counts.flags.writeable = False
    return replace(image, counts=counts)


def overdrawn_cases(rng: np.random.Generator, count: int) -> Iterator[Case]:
    kinds = ("tape", "label", "milky folds", "bussing ribbons", "glass edge", "saturation", "no gap", "cut", "shingled")
    for k in range(count):
        what, scale = kinds[k % len(kinds)], 1.3
        shape = ("6x10", "2x6x10", "6x12", "4x9")[k // len(kinds) % 4]
        half = HALF_CUT if shape.startswith("2x") else {}
        plan = Plan(Layout.parse(shape), texture=float(rng.choice([0, 0.15])), **half)
        if what == "no gap":
            plan = replace(plan, gap_mm=float(rng.choice([0.0, -0.5, 0.3])), string_gap_mm=1.5)
        if what == "shingled":
            plan = Plan(Layout(1, 6, 50), 31, 160, gap_mm=0.3, string_gap_mm=3, busbars=1, wire_mm=0.1, margin_mm=40)
        shot = Shot(turn_deg=float(rng.uniform(-6, 6)), tilt_deg=(float(rng.uniform(-6, 6)), float(rng.uniform(-6, 6))))
        image, quads = photographed(draw(plan, scale, rng), shot, rng)
        product, refused = assumed_product(plan.layout), None
        if what == "no gap":
            image = _rimmed(image, quads, scale)
        elif what == "shingled":
            image, product, refused = (
                _rimmed(image, quads, scale),
                assumed_product(Layout(1, 6, 10)),
                "geometry.shingled",
            )
        elif what == "cut":
            side = ("left", "right", "top", "bottom")[k // len(kinds) % 4]
            low, high = quads.min(axis=(0, 1)).astype(int), quads.max(axis=(0, 1)).astype(int)
            step = round(0.5 * 156 * scale)
            rows, columns = slice(None), slice(None)
            if side in ("left", "right"):
                columns = slice(low[0] + step, None) if side == "left" else slice(None, high[0] - step)
            else:
                rows = slice(low[1] + step, None) if side == "top" else slice(None, high[1] - step)
            image, refused = replace(image, counts=image.counts[rows, columns].copy()), f"geometry.cut.{side}"
        else:
            image = _overdrawn(image, quads, what, rng)
        turns = 0 if what == "cut" else 2 * int(rng.integers(0, 2))
        image, quads = turned_file(image, quads, turns)
        # Half a turn: addresses follow the picture when nothing else is known.
        quads = quads[::-1][:, [2, 3, 0, 1]] if turns else quads
        yield Case("overdrawn", f"{k}: {what}, {plan.layout}", image, product, quads, 1 / scale, refused)


DARK_EDGES = (
    "corner",
    "three at a corner",
    "most of an end column",
    "end column",
    "half string",
    "edge string",
    "two edge strings",
    "all but two of an edge string",
    "faint edge string",
    "dark corner of a block",
)


def dark_edge_cells(layout: Layout, what: str, last: bool) -> list[int]:
    """Return the cells, by string and position, that give no light; at the last string or the first one."""
    n, strings = layout.cells_per_string, layout.strings_per_block
    cells = np.arange(layout.n_cells).reshape(layout.blocks, strings, n)
    cells = cells[:, ::-1] if last else cells
    chosen = {
        "corner": cells[0, 0, :1], "three at a corner": np.array([cells[0, 0, 0], cells[0, 0, 1], cells[0, 1, 0]]),
        "most of an end column": cells[0, : strings // 2 + 1, 0], "end column": cells[0, :, 0],
        "half string": cells[-1, 0], "edge string": cells[:, 0], "faint edge string": cells[:, 0],
        "two edge strings": cells[:, :2], "all but two of an edge string": cells[:, 0].ravel()[2:],
        "dark corner of a block": cells[-1, :2, : n // 2],
    }  # fmt: skip
    return np.asarray(chosen[what]).ravel().tolist()


def dark_edge_cases(rng: np.random.Generator, count: int) -> Iterator[Case]:
    for k in range(count):
        what, scale = DARK_EDGES[k % len(DARK_EDGES)], 1.0
        layout = Layout.parse(("6x10", "2x6x12", "4x9")[k // len(DARK_EDGES) % 3])
        dark = dark_edge_cells(layout, what, bool(rng.integers(0, 2)))
        half = HALF_CUT if layout.blocks > 1 else {}
        level = 0.1 if what.startswith("faint") else float(rng.choice([0.0, 0.03]))
        plan = Plan(
            layout, levels=dict.fromkeys(dark, level), texture=float(rng.choice([0, 0.15])), margin_mm=90, **half
        )
        shot = Shot(
            turn_deg=float(rng.uniform(-5, 5)), tilt_deg=(float(rng.uniform(-5, 5)), float(rng.uniform(-5, 5))),
            noise=float(np.exp(rng.uniform(0, 1.5))), glare=float(rng.uniform(0, 0.08)),
        )  # fmt: skip
        image, quads = photographed(draw(plan, scale, rng), shot, rng)
        # Cut on one side, so that the panel lies up to a fifth of a cell off the middle.
        off = rng.integers(0, round(0.4 * plan.across_mm * scale), 2)
        image = replace(image, counts=image.counts[off[1] :, off[0] :].copy())
        # Two lit strings are too few to tell where the dark half lies: to be refused, in words that name both reasons.
        lit = layout.strings_per_block - (2 if what == "two edge strings" else 0)
        refused = "geometry.fewer_strings" if lit < 3 else None
        product = assumed_product(layout)
        yield Case("dark edges", f"{k}: {what}, {layout}", image, product, quads - off, 1 / scale, refused)


def _gaps_mm(quads: NDArray[np.float64], layout: Layout, mm_per_px: float) -> NDArray[np.float64]:
    """Return the gaps between neighbours of a string, mm, at the middle of the edges."""
    strings = quads.reshape(layout.n_strings, layout.cells_per_string, 4, 2)
    ends = (strings[:, :-1, 1] + strings[:, :-1, 2]) / 2
    begins = (strings[:, 1:, 0] + strings[:, 1:, 3]) / 2
    along = ((strings[:, :-1, 1] - strings[:, :-1, 0]) + (strings[:, 1:, 1] - strings[:, 1:, 0])) / 2
    along /= np.linalg.norm(along, axis=-1, keepdims=True)
    return np.asarray(((begins - ends) * along).sum(axis=-1) * mm_per_px).ravel()


def answered(case: Case) -> Answer:
    start = time.perf_counter()
    outline = find_panel(case.image, case.product)
    grid = outline if isinstance(outline, NotFound) else find_grid(case.image, outline, case.product)
    seconds = time.perf_counter() - start
    none = np.zeros(0)
    quads = grid.corners_px if isinstance(grid, CellGrid) else None
    # Two hundred pictures in full size would fill the memory.
    tile, kept = _drawn_in(case, quads), replace(case, image=_NO_IMAGE)
    if not isinstance(grid, CellGrid):
        return Answer(kept, none, none, none, grid.reason.code, grid.reason.text, seconds, tile)
    if case.refused_as is not None:
        return Answer(kept, none, none, none, "", "", seconds, tile)
    overlaps = overlap(grid.corners_px, case.quads)
    away = np.linalg.norm(grid.corners_px[:, :, None] - case.quads[:, None], axis=-1)
    nearest = away.min(axis=2)
    # In a mirrored picture the truth names corners the other way round.
    true = np.take_along_axis(case.quads, away.argmin(axis=2)[..., None], axis=1)
    mm_per_px, layout = case.mm_per_px or np.nan, grid.layout
    gaps = _gaps_mm(grid.corners_px, layout, mm_per_px) - _gaps_mm(true, layout, mm_per_px)
    return Answer(kept, overlaps, nearest * mm_per_px, gaps, "", "", seconds, tile)


def _drawn_in(case: Case, quads: NDArray[np.float64] | None) -> NDArray[np.uint8]:
    """Return a small picture with the grid drawn in, 640 x 420 px."""
    counts = case.image.counts
    scale = min(640 / counts.shape[1], 420 / counts.shape[0])
    small = cv2.resize(counts, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    grey = np.clip(small / max(float(np.percentile(small, 99.5)), 1e-6) * 255, 0, 255).astype(np.uint8)
    colour = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    for quad in () if quads is None else quads:
        cv2.polylines(colour, [np.round(quad * scale * 16).astype(np.int32)], True, (0, 220, 0), 1, cv2.LINE_AA, 4)
    tile = np.zeros((420, 640, 3), np.uint8)
    tile[: colour.shape[0], : colour.shape[1]] = colour[:420, :640]
    return tile


def report(answers: list[Answer]) -> None:
    for family in dict.fromkeys(answer.case.family for answer in answers):
        mine = [answer for answer in answers if answer.case.family == family]
        _report_family(family, mine)
    for half in ("tuning", "check"):
        cells = [answer.overlaps for answer in answers if answer.case.half == half and answer.overlaps.size]
        if cells:
            together = np.concatenate(cells)
            middle, low = np.median(together), np.percentile(together, 5)
            print(f"real cells, {half} half of the free panels: overlap median {middle:.4f}, 5 % {low:.4f}")
    usable = [answer for answer in answers if answer.case.refused_as is None]
    cells = np.concatenate([answer.overlaps for answer in usable])
    middle, low = np.median(cells), np.percentile(cells, 5)
    print(f"all {len(usable)} usable panels: cells' overlap median {middle:.4f}, 5 % {low:.4f}")
    causes = Counter(answer.cause for answer in answers if answer.cause is not None)
    print(f"failures by cause, {sum(causes.values())} of {len(answers)}:" + ("" if causes else " none"))
    for cause, count in causes.most_common():
        print(f"  {count:3d}  {cause}")
    for answer in answers:
        if answer.cause is not None:
            print(f"  {answer.case.family}, {answer.case.name}: {answer.cause}: {answer.reason}")


def _report_family(family: str, mine: list[Answer]) -> None:
    found = [answer for answer in mine if answer.overlaps.size]
    none = [np.array([np.nan])]
    cells = np.concatenate([answer.overlaps for answer in found] or none)
    corners = np.concatenate([answer.corner_mm.ravel() for answer in found] or none)
    gaps = np.abs(np.concatenate([answer.gap_mm for answer in found] or none))
    refused = sum(answer.case.refused_as is not None and answer.cause is None for answer in mine)
    known = np.isfinite(corners).any()
    in_mm = (
        f"; corner error median {np.median(corners):.3f} mm, 95 % {np.percentile(corners, 95):.3f} mm, gap error 95 % "
        f"{np.percentile(gaps, 95):.3f} mm"
        if known
        else ""
    )
    print(
        f"{family}: {len(mine)} panels, {len(found)} found, {refused} rightly refused, "
        f"{sum(answer.cause is not None for answer in mine)} failed; cells' overlap median {np.median(cells):.4f}, 5 % "
        f"{np.percentile(cells, 5):.4f}, worst {cells.min():.3f}{in_mm}; "
        f"{np.median([answer.seconds for answer in mine]):.2f} s a panel"
    )


def sheet(answers: list[Answer], path: Path, count: int = 12) -> None:
    """Write a contact sheet of the hardest panels with the grid drawn in."""

    def hardness(answer: Answer) -> float:
        failed = answer.cause is not None
        return -1.0 if failed else answer.overlaps.min() if answer.overlaps.size else 1.0

    hardest = sorted(answers, key=hardness)[:count]
    tiles = []
    for answer in hardest:
        tile = np.vstack([np.zeros((20, 640, 3), np.uint8), answer.tile])
        worst = f"{answer.overlaps.min():.3f}" if answer.overlaps.size else answer.code or "found, not right"
        cv2.putText(tile, f"{answer.case.name}  {worst}", (4, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.45, (255, 255, 255))
        tiles.append(tile)
    tiles += [np.zeros((440, 640, 3), np.uint8)] * (-len(tiles) % 3)
    cv2.imwrite(str(path), np.vstack([np.hstack(tiles[k : k + 3]) for k in range(0, len(tiles), 3)]))


FAMILIES = {
    "real cells": (real_cases, 70),
    "plain drawings": (drawn_cases, 80),
    "simulated": (simulated_cases, 50),
    "overdrawn": (overdrawn_cases, 54),
    "dark edges": (dark_edge_cases, 30),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--share", type=float, default=1.0, help="share of the panels to look at")
    parser.add_argument("--sheet", type=Path, help="contact sheet of the hardest panels")
    parser.add_argument("--only", choices=FAMILIES, help="one family only")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    answers = []
    for family, (cases, count) in FAMILIES.items():
        if given.only in (None, family):
            rng = np.random.default_rng(given.seed)
            answers += [answered(case) for case in cases(rng, max(1, round(count * given.share)))]
    report(answers)
    if given.sheet:
        sheet(answers, given.sheet)


if __name__ == "__main__":
    main()
