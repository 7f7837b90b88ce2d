"""Every layout offered for every panel: only the right one may be found, and the reason should name it.

Run with ``PYTHONPATH=.:tests python tests/long/geometry_layouts.py``; prints the confusion and exits with 1 if a wrong
layout was found or a right one was not.
"""

import sys

import numpy as np
from drawn_panels import HALF_CUT, Plan, Shot, draw, photographed
from real_cells import as_image, lay_out

from elinspect.geometry import find_grid, find_panel
from elinspect.recipe import assumed_product
from elinspect.records import ElImage, Layout, NotFound

SOUGHT = (
    "1x4", "1x10", "1x12", "2x3x5", "2x5x12", "2x6x5", "2x6x6", "2x6x9", "2x6x10", "2x6x11",
    "2x6x12", "2x6x13", "3x5", "3x10", "3x6x8", "3x9x8", "2x4x12", "4x6", "4x9", "5x10", "6x5", "6x9",
    "6x10", "6x11", "6x12", "6x20", "6x24", "7x10", "10x6", "12x10",
)  # fmt: skip


def panels() -> dict[str, ElImage]:
    rng = np.random.default_rng(2)
    plans = [
        Plan(Layout.parse("6x10"), busbars=5),
        Plan(Layout.parse("6x12"), busbars=3, wire_mm=1.5, texture=0.2),
        Plan(Layout.parse("4x9"), busbars=4, chamfer_mm=10),
        Plan(Layout.parse("2x6x10"), **HALF_CUT),
        Plan(Layout.parse("2x6x12"), block_gap_mm=8, gap_mm=1, **HALF_CUT),
        Plan(Layout.parse("3x6x8"), 61, 182, busbars=11, wire_mm=0.35),
    ]
    made = {str(plan.layout): photographed(draw(plan, 0.9, rng), Shot(turn_deg=-2), rng)[0] for plan in plans}
    closer = Plan(Layout.parse("3x6x8"), 61, 182, busbars=11, wire_mm=0.35, block_gap_mm=8)
    made["3x6x8 with closer blocks"] = photographed(draw(closer, 0.9, rng), Shot(turn_deg=3), rng)[0]
    for panel, layout in ((0, "6x10"), (15, "6x12"), (5, "4x9")):
        made[f"{layout} of real cells"] = as_image(lay_out(panel, Layout.parse(layout)).picture)
    return made


def main() -> None:
    wrong, unnamed, tried = 0, 0, 0
    for shown, image in panels().items():
        truth = shown.split()[0]
        for sought in SOUGHT:
            product = assumed_product(Layout.parse(sought))
            outline = find_panel(image, product)
            answer = outline if isinstance(outline, NotFound) else find_grid(image, outline, product)
            found, tried = not isinstance(answer, NotFound), tried + 1
            if found != (sought == truth):
                wrong += 1
                print(f"WRONG: {shown} sought as {sought}: {'found' if found else answer.reason.text}")
            elif isinstance(answer, NotFound) and answer.reason.values.get("seen") != truth:
                unnamed += 1
                print(f"{shown} sought as {sought}: {answer.reason.text}")
    print(f"{tried} tried, {wrong} wrong, {unnamed} refused without naming the right layout")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
