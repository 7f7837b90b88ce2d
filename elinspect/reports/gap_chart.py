"""A chart of the gaps between cells over the panel, in the gate view."""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import words
from elinspect.errors import told_as
from elinspect.frames import grid_places
from elinspect.recipe import write_address
from elinspect.records import AddressScheme, Layout, PanelMeasures, PanelResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap, Normalize
    from matplotlib.figure import Figure

# After Okabe and Ito's palette for colour-blind readers: narrow gaps vermilion, wide ones blue, unseen ones hatched.
_NARROW, _EVEN, _WIDE = "#D55E00", "#F4F4F2", "#0072B2"
_CELL, _EDGE, _INK = "#DCE1E6", "#B4BCC4", "#22282E"
_BAR_SHARE = 0.2
"""Width of the bar drawn for a gap, share of the smaller side of a cell: true to scale it would not be seen."""
_LEAST_RANGE_MM = 0.5


def write_gap_chart(path: Path, result: PanelResult) -> None:
    """Write the chart as PNG, SVG or PDF, by the name's ending; raises as `gap_chart`, `ReportError` if not written."""
    figure = gap_chart(result)
    with told_as("command.not_written", file=str(path)):
        figure.savefig(path, dpi=150)


def gap_chart(result: PanelResult) -> "Figure":
    """Draw the chart.

    Parameters
    ----------
    result : PanelResult
        With measures.

    Raises
    ------
    ValueError
        If the result has no measures: nothing found, or the cell size only assumed.
    """
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import CenteredNorm, LinearSegmentedColormap
    from matplotlib.figure import Figure

    measures = result.measures
    if measures is None:
        raise ValueError("a gap chart needs measures")
    colours = LinearSegmentedColormap.from_list("gaps", [_NARROW, _EVEN, _WIDE])
    away = np.concatenate([part.ravel() for part in _against_usual(measures, result.panel.layout)])
    known = np.abs(away[np.isfinite(away)])
    reach = max(_LEAST_RANGE_MM, float(np.percentile(known, 98))) if known.size else _LEAST_RANGE_MM
    norm = CenteredNorm(0.0, reach)
    wide = measures.field_mm[0] / measures.field_mm[1]
    figure = Figure(figsize=(15, float(np.clip(11.2 / wide + 1.9, 5.5, 10))), layout="constrained", facecolor="white")
    figure.get_layout_engine().set(w_pad=0.12, h_pad=0.1)  # type: ignore[union-attr, call-arg]
    grid = figure.add_gridspec(2, 2, width_ratios=(3.3, 1))
    panel = figure.add_subplot(grid[:, 0])
    _draw_panel(panel, result, measures, colours, norm)
    along, across = _split(measures, result.panel.layout)
    _histogram(figure.add_subplot(grid[0, 1]), along, measures.gap_uncertainty_mm[0], words("gaps.along"))
    _histogram(figure.add_subplot(grid[1, 1]), across, measures.gap_uncertainty_mm[1], words("gaps.across"))
    bar = figure.colorbar(
        ScalarMappable(norm, colours), ax=panel, orientation="horizontal", shrink=0.5, aspect=40, pad=0.02
    )
    bar.set_label(words("gaps.scale"), color=_INK)
    bar.outline.set_edgecolor(_EDGE)
    serial = result.serial or words("common.unknown")
    figure.suptitle(words("gaps.title", serial=serial), x=0.01, ha="left", fontsize=17, weight="bold", color=_INK)
    return figure


def _split(measures: PanelMeasures, layout: Layout) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the gaps within strings and between strings; those between blocks are no such gaps."""
    in_string = np.arange(1, layout.grid_shape[1]) % layout.cells_per_string != 0
    return measures.gaps_along_mm[:, in_string].ravel(), measures.gaps_across_mm.ravel()


def _against_usual(measures: PanelMeasures, layout: Layout) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how much wider each gap is than the usual one of its kind, by row and column."""
    in_string = np.arange(1, layout.grid_shape[1]) % layout.cells_per_string != 0
    along = measures.gaps_along_mm.copy()
    for kind in (in_string, ~in_string):
        along[:, kind] -= _median(along[:, kind])
    return along, measures.gaps_across_mm - _median(measures.gaps_across_mm)


def _median(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else 0.0


def _draw_panel(
    axes: "Axes", result: PanelResult, measures: PanelMeasures, colours: "Colormap", norm: "Normalize"
) -> None:
    from matplotlib.patches import Rectangle

    layout = result.panel.layout
    rows, columns = layout.grid_shape
    width, height = measures.field_mm[0] / columns, measures.field_mm[1] / rows
    bar = _BAR_SHARE * min(width, height)
    size = float(np.clip(900 / max(columns, 2 * rows) / 8, 4.5, 9))
    for row in range(rows):
        for column in range(columns):
            corner = (column * width + bar / 2, row * height + bar / 2)
            axes.add_patch(Rectangle(corner, width - bar, height - bar, facecolor=_CELL, edgecolor=_EDGE, lw=0.6))
    along, across = _against_usual(measures, layout)
    for row, column in np.ndindex(*along.shape):
        spot = ((column + 1) * width - bar / 2, row * height + bar / 2, bar, height - bar)
        away, gap_mm = float(along[row, column]), float(measures.gaps_along_mm[row, column])
        _draw_gap(axes, spot, away, gap_mm, colours(norm(away)), size)
    for row, column in np.ndindex(*across.shape):
        spot = (column * width + bar / 2, (row + 1) * height - bar / 2, width - bar, bar)
        away, gap_mm = float(across[row, column]), float(measures.gaps_across_mm[row, column])
        _draw_gap(axes, spot, away, gap_mm, colours(norm(away)), size)
    axes.set(xlim=(0, columns * width), ylim=(rows * height, 0), aspect="equal")
    _label_axes(axes, layout, result.panel.addresses or AddressScheme(), width, height)
    side = words(f"view_side.{result.panel.view_side}") if result.panel.view_side else words("common.unknown")
    text = words(
        "gaps.subtitle",
        side=side,
        along_mm=measures.field_mm[0],
        along_error_mm=measures.field_uncertainty_mm[0],
        across_mm=measures.field_mm[1],
        across_error_mm=measures.field_uncertainty_mm[1],
        edge_mm=measures.edge_uncertainty_mm,
    )
    axes.set_title(text, loc="left", fontsize=9.5, color=_INK, pad=10)


def _draw_gap(
    axes: "Axes",
    spot: tuple[float, float, float, float],
    away: float,
    gap_mm: float,
    colour: tuple[float, ...],
    size: float,
) -> None:
    from matplotlib.patches import Rectangle

    x, y, wide, high = spot
    seen = bool(np.isfinite(away))
    look = {"facecolor": colour} if seen else {"facecolor": "white", "hatch": "////"}
    axes.add_patch(Rectangle((x, y), wide, high, edgecolor=_EDGE, lw=0.4, **look))
    if seen:
        light = 0.3 * colour[0] + 0.6 * colour[1] + 0.1 * colour[2]
        axes.text(
            x + wide / 2, y + high / 2, f"{gap_mm:.1f}", ha="center", va="center", fontsize=size,
            rotation=90 if high > wide else 0, color="white" if light < 0.5 else _INK,
        )  # fmt: skip


def _label_axes(axes: "Axes", layout: Layout, scheme: AddressScheme, width: float, height: float) -> None:
    """Write the plant's own numbers of strings at the side and of positions at the top."""
    rows, columns = layout.grid_shape
    places = grid_places(layout, scheme.origin_corner)
    string_at, position_at = {}, {}
    for index, (row, column) in enumerate(places):
        string, position = divmod(index, layout.cells_per_string)
        string_at[row, column] = write_address(scheme, string + 1, None)
        both = write_address(scheme, string + 1, position + 1)
        # The position alone, written the plant's way: what the address has beside the string.
        alone = (
            both.removeprefix(string_at[row, column])
            if scheme.string_first
            else both.removesuffix(string_at[row, column])
        )
        position_at[row, column] = alone.strip(scheme.separator)
    axes.set_xticks((np.arange(columns) + 0.5) * width, [position_at[0, column] for column in range(columns)])
    axes.set_yticks((np.arange(rows) + 0.5) * height, [_strings_of(string_at, row, columns) for row in range(rows)])
    axes.xaxis.tick_top()
    axes.xaxis.set_label_position("top")
    axes.set_xlabel(words("gaps.positions"), color=_INK, fontsize=9)
    axes.set_ylabel(words("gaps.strings"), color=_INK, fontsize=9)
    axes.tick_params(length=0, labelsize=9, colors=_INK)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _strings_of(string_at: dict[tuple[int, int], str], row: int, columns: int) -> str:
    return " · ".join(dict.fromkeys(string_at[row, column] for column in range(columns)))


def _histogram(axes: "Axes", gaps: NDArray[np.float64], error_mm: float, title: str) -> None:
    from matplotlib.ticker import MaxNLocator

    known = gaps[np.isfinite(gaps)]
    axes.set_title(title, loc="left", fontsize=11, weight="bold", color=_INK)
    axes.set_xlabel(words("gaps.mm"), color=_INK, fontsize=9)
    axes.set_ylabel(words("gaps.count"), color=_INK, fontsize=9)
    axes.tick_params(colors=_INK, labelsize=9)
    axes.spines[["top", "right"]].set_visible(False)
    if known.size == 0:
        axes.text(0.5, 0.5, words("gaps.none"), transform=axes.transAxes, ha="center", color=_INK)
        axes.set(xticks=[], yticks=[])
        return
    middle = float(np.median(known))
    reach = max(_LEAST_RANGE_MM, float(np.abs(known - middle).max()) * 1.05)
    axes.hist(known, bins=21, range=(middle - reach, middle + reach), color="#8FA3B5", edgecolor="white", lw=0.6)
    axes.axvline(middle, color=_INK, lw=1.4)
    axes.axvspan(middle - error_mm, middle + error_mm, color=_INK, alpha=0.08, lw=0)
    text = words(
        "gaps.figures", median_mm=middle, least_mm=float(known.min()), most_mm=float(known.max()), error_mm=error_mm
    )
    axes.text(0.98, 0.97, text, transform=axes.transAxes, ha="right", va="top", fontsize=9, color=_INK, linespacing=1.4)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
