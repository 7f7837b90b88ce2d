"""How surely fingerprints tell cells and panels apart: real cells of free panels, photographed again in simulation.

Run with ``PYTHONPATH=.:tests python tests/long/fingerprint_survey.py [--half check|tuning|both]``; about a minute. The
halves are those of ``tests/bench/real_cells_bench.py``. The band of the texture (two widths and the trim, out of eight
tried) was chosen with both halves in view, so the check half is not wholly unseen; the rule itself was not tuned.
Laminated cells of few busbars, 8 bit, 0.52 mm per pixel: not this gate's
pictures.

First table, cell by cell: the same cell in two pictures, any other cell of the panel, and the other cell of the panel
that is most alike (in multi panels often a sister wafer of the same brick). Second table, panel by panel: what
`rematched` says when one to three cells were replaced as stated, left in, the wrong one replaced, replaced by their
most similar sister, when the serial is that of another panel, and when the panel lies turned by 180°.
"""

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np
from re_exposed import Retake, prints_of
from real_cells import FREE_PANELS, free_cells, wafer_of

from elinspect.geometry.fingerprint import unpacked
from elinspect.geometry.matching import CellMatch, PanelMatch, rematched
from elinspect.records import Fingerprints

CONDITIONS = {
    "signal to noise 60, blurred": (Retake(60), Retake(60)),
    "signal to noise 30, blurred": (Retake(30), Retake(30)),
    "signal to noise 15, blurred": (Retake(15), Retake(15)),
    "other camera, 0.74 mm/px": (Retake(30), Retake(30, scale=0.7)),
    "other camera, 0.37 mm/px": (Retake(30), Retake(20, scale=1.4)),
    "grid 1 px off": (Retake(30), Retake(30, misplaced_px=1.5)),
}


def panels_of(half: str, wafer: str) -> list[int]:
    own = [panel for panel in range(len(FREE_PANELS)) if wafer_of(panel) == wafer]
    return {"tuning": own[::2], "check": own[1::2], "both": own}[half]


def crops_of(panel: int) -> np.ndarray:
    first, last = FREE_PANELS[panel]
    return free_cells(range(first, last + 1))


def exchanged(prints: Fingerprints, other: Fingerprints, places: dict[int, int]) -> Fingerprints:
    """Return the prints with cells at `places` replaced by cells of the other picture."""
    codes = list(prints.codes)
    for place, source in places.items():
        codes[place] = other.codes[source]
    return replace(prints, codes=tuple(codes))


def cell_table(half: str, wafer: str, rng: np.random.Generator) -> None:
    for name, (first, second) in CONDITIONS.items():
        own: Counter[CellMatch] = Counter()
        others: list[float] = []
        alike: list[float] = []
        for panel in panels_of(half, wafer):
            crops = crops_of(panel)
            before, after = prints_of(crops, first, rng), prints_of(crops, second, rng)
            own.update(rematched(before, after).cells)
            crossed = unpacked(before) @ unpacked(after).T
            np.fill_diagonal(crossed, -1)
            nearest = crossed.argmax(axis=0)
            # A cell replaced by any other, and by the one most alike: would it pass for the same?
            n = len(crops)
            for source, answers in ((rng.permutation(n), others), (nearest, alike)):
                for cell in range(n):
                    if source[cell] != cell:
                        swapped = exchanged(after, after, {cell: int(source[cell])})
                        answers.append(rematched(before, swapped, {cell}).cells[cell] is CellMatch.SAME)
        total = own.total()
        print(
            f"  {wafer:<5}{name:<30} same cell: matches {own[CellMatch.SAME] / total:.3f}, unsure "
            f"{own[CellMatch.UNSURE] / total:.3f}, false alarm {own[CellMatch.OTHER] / total:.4f} of {total}; false "
            f"match: any other {np.mean(others):.4f} of {len(others)}, most alike {np.mean(alike):.3f}"
        )


def panel_table(half: str, wafer: str, rng: np.random.Generator) -> None:
    panels = panels_of(half, wafer)
    told: dict[str, Counter[PanelMatch]] = {}
    first, second = Retake(30), Retake(30)
    prints = {
        panel: (prints_of(crops_of(panel), first, rng), prints_of(crops_of(panel), second, rng)) for panel in panels
    }
    for panel in panels:
        before, after = prints[panel]
        n = len(before.codes)
        crossed = unpacked(before) @ unpacked(after).T
        np.fill_diagonal(crossed, -1)
        for _ in range(6):
            chosen = rng.choice(n, int(rng.integers(1, 4)), replace=False)
            other = prints[int(rng.choice([p for p in panels if p != panel]))][1]
            new = {int(cell): int(rng.integers(0, len(other.codes))) for cell in chosen}
            wrong = {int(cell) + 1 if cell + 1 < n else int(cell) - 1: source for cell, source in new.items()}
            sister = {int(cell): int(crossed[:, cell].argmax()) for cell in chosen}
            cases = {
                "replaced as stated": rematched(before, exchanged(after, other, new), new),
                "by the most alike of the panel": rematched(before, exchanged(after, after, sister), sister),
                "left in": rematched(before, after, new),
                "the neighbour replaced instead": rematched(before, exchanged(after, other, wrong), new),
            }
            for case, answer in cases.items():
                told.setdefault(case, Counter())[answer.verdict] += 1
        turned = Fingerprints(after.shape, tuple(_reversed(code, after) for code in reversed(after.codes)))
        told.setdefault("turned by 180°", Counter())[rematched(before, turned).verdict] += 1
        for other_panel in panels:
            if other_panel != panel and len(prints[other_panel][1].codes) == n:
                told.setdefault("another panel's serial", Counter())[
                    rematched(before, prints[other_panel][1]).verdict
                ] += 1
    for case, verdicts in told.items():
        print(f"  {wafer:<5}{case:<32}" + ", ".join(f"{v.value} {c}" for v, c in verdicts.most_common()))


def _reversed(code: bytes, prints: Fingerprints) -> bytes:
    places = prints.shape[0] * prints.shape[1]
    levels = ((np.frombuffer(code, np.uint8)[:, None] >> (2 * np.arange(4, dtype=np.uint8))) & 3).ravel()[:places][::-1]
    return bytes((levels.reshape(-1, 4) << (2 * np.arange(4, dtype=np.uint8))).sum(axis=1, dtype=np.uint8))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--half", choices=("check", "tuning", "both"), default="check")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    print("cell by cell:")
    for wafer in ("mono", "poly"):
        cell_table(given.half, wafer, rng)
    print("panel by panel:")
    for wafer in ("mono", "poly"):
        panel_table(given.half, wafer, rng)


if __name__ == "__main__":
    main()
