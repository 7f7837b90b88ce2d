"""False flags as a user meets them: real cells laid out as panels, through the whole program, with the shipped model.

Part of ``real_cells_bench.py``. A flag on a cell that the data set labels 0.0 counts as false, whatever it shows: some
of these cells do have broken fingers, and a few have cracks that readers saw. So the cells with a flag above a limit
are named, with how many of the two readers see that kind there, and what is left without those that a reader sees.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence

from development_set.reading import read_later, readings, sees_area, sees_chip, sees_crack, sees_fingers
from real_cells import FREE_PANELS, as_image, free_labels, lay_out

from elinspect.classifier import load_model, shipped_model
from elinspect.pipeline import Occasion, inspect_panel
from elinspect.recipe import assumed_product, default_criteria
from elinspect.records import Exposures, Flag, Kind, Layout, PanelResult

_SEEN_BY = {
    Kind.CRACK: sees_crack,
    Kind.INACTIVE_AREA: sees_area,
    Kind.CHIPPED_CELL: sees_chip,
    Kind.FINGER_INTERRUPTION: sees_fingers,
}


def print_flags_as_shown(panels: Sequence[int]) -> None:
    """Print by kind how many flags per 60 clean cells are above a limit, below every limit, and doubtful.

    Parameters
    ----------
    panels : sequence of int
        Numbers of free panels; one that was held is named and left out.
    """
    above, below, doubtful = Counter[str](), Counter[str](), Counter[str]()
    reached = defaultdict[Kind, Counter[int]](Counter)
    clean = 0
    for panel in panels:
        first, last = FREE_PANELS[panel]
        labels, _ = free_labels(range(first, last + 1))
        result = _inspected(panel, last - first + 1)
        if not result.panel.found:
            print(f"cells {first}-{last}: held, {result.panel.reason}")
            continue
        good = {index for index, label in enumerate(labels) if label < 0.1}
        clean += len(good)
        own = [(cell, flag) for cell, flag in _by_cell(result) if cell in good]
        for cell, flag in own:
            if flag.stands_for > 0:
                (doubtful if flag.doubtful else above if flag.limit else below)[flag.kind.value] += 1
                if flag.limit and not flag.doubtful:
                    reached[flag.kind][first + cell] += 1
    cells = set().union(*reached.values())
    print(f"\nthrough the program, flags per 60 of {clean} cells labelled clean; {len(cells)} have one above a limit")
    print(f"{'':<24}{'above a limit':>15}{'below':>9}{'doubtful':>10}")
    for kind in sorted({*above, *below, *doubtful}):
        figures = (60 * of[kind] / max(clean, 1) for of in (above, below, doubtful))
        print(f"{kind:<24}{next(figures):>15.2f}{next(figures):>9.2f}{next(figures):>10.2f}")
    print(f"{'all':<24}{60 * above.total() / max(clean, 1):>15.2f}")
    _print_what_readers_saw(reached, clean)


def _print_what_readers_saw(reached: Mapping[Kind, Counter[int]], clean: int) -> None:
    """Print in which cells flags are above a limit, whether readers see that kind there, and what is left without."""
    left, first, second, later = 0, readings(1), readings(2), read_later()

    def readers_who_see(kind: Kind, cell: int) -> int | None:
        if kind in _SEEN_BY and cell in first:
            return _SEEN_BY[kind](first[cell]) + _SEEN_BY[kind](second[cell])
        if cell in later and kind is Kind.CRACK:
            return sum(row["crack"] != "none" for row in later[cell])
        if cell in later and kind is Kind.FINGER_INTERRUPTION:
            return sum(int(row["fingers"]) > 0 for row in later[cell])
        return None

    for kind, cells in reached.items():
        seen = {cell: readers_who_see(kind, cell) for cell in sorted(cells)}
        left += sum(count for cell, count in cells.items() if not seen[cell])
        named = ", ".join(f"{cell} ({'not read' if number is None else number})" for cell, number in seen.items())
        print(f"{kind.value} above a limit in cells (readers of 2 who see it): {named}")
    print(f"above a limit where no reader sees it or none has looked: {60 * left / max(clean, 1):.2f} per 60")


def _inspected(panel: int, count: int) -> PanelResult:
    rows = 6 if count % 6 == 0 else 5
    layout = Layout(1, rows, count // rows)
    image = as_image(lay_out(panel, layout).picture)
    return inspect_panel(
        Exposures((image,)),
        assumed_product(layout),
        default_criteria(),
        Occasion("0"),
        model=load_model(shipped_model()),
    )


def _by_cell(result: PanelResult) -> Iterator[tuple[int, Flag]]:
    """Flags of cells, with the cell's number in its panel, from 0."""
    place = {(cell.address.string, cell.address.position): index for index, cell in enumerate(result.cells)}
    for flag in result.flags:
        if flag.string is not None and flag.position is not None:
            yield place[flag.string, flag.position], flag
