"""Figures of the log: Pareto, control charts, maps, timelines. They read in grey as well: shape and hatch, then colour.

matplotlib is imported when the first figure is drawn, because it takes half a second. Figures are drawn without a
display and without any state of matplotlib's own.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from textwrap import fill
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import words
from elinspect.errors import LogError, told_as
from elinspect.statistics.control_charts import Chart

FloatArray = NDArray[np.float64]

INK, SOFT, FAINT, LINE = "#1b1d20", "#5d636b", "#9aa0a8", "#d5d8dc"
FILL, SECOND, MARK = "#3d5a73", "#c9d3dc", "#b4471b"
"""Dark blue-grey, pale blue-grey, rust: 37, 83 and 42 % bright in grey; the mark has a shape of its own."""
_WIDTH_IN = 7.1
_NOTE_WIDTH = 132  # characters of seven points that fit
_MOST_BARS = 24
SUFFIXES = (".png", ".svg", ".pdf")

STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "text.color": INK,
    "text.parse_math": False,  # a lot may be named with a dollar sign
    "axes.edgecolor": SOFT,
    "axes.labelcolor": SOFT,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "svg.fonttype": "path",
    "svg.hashsalt": "elinspect",  # the same figure gives the same file
    "hatch.linewidth": 0.6,
}


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar of a Pareto.

    Attributes
    ----------
    label : str
        What it is.
    value : float
        What lines are ordered by.
    beside : float
        The other count, drawn thin: machine-proposed beside confirmed.
    cumulative : float
        Share of this and all bars above, 0..1.
    low, high : float or None
        95 % interval of the value.
    unknown : bool
        Whether it stands for what is not known; hatched.
    rest : bool
        Whether it stands for all that are not shown; it sets no scale and may be cut off.
    """

    label: str
    value: float
    beside: float
    cumulative: float
    low: float | None = None
    high: float | None = None
    unknown: bool = False
    rest: bool = False


@contextmanager
def _drawing(height_in: float, **grid: Any) -> Iterator[tuple[Any, Any]]:
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context(STYLE):
        figure = Figure(figsize=(_WIDTH_IN, height_in), layout="constrained", facecolor="white")
        yield figure, figure.subplots(**grid)


def _titled(figure: Any, title: str, note: str) -> None:
    figure.suptitle(title, x=0.012, ha="left", fontsize=11, fontweight="bold", color=INK)
    figure.supxlabel(fill(note, _NOTE_WIDTH), x=0.012, ha="left", fontsize=7, color=SOFT)


def save(figure: Any, path: Path) -> None:
    """Write a figure; PNG, SVG or PDF by the name's end.

    Raises
    ------
    LogError
        If the file cannot be written, or its name ends otherwise.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise LogError("figure.suffix", file=str(path), known=", ".join(SUFFIXES))
    metadata = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}.get(path.suffix.lower(), {})
    from matplotlib import rc_context

    partial = path.with_name(path.name + ".part")
    with told_as("command.not_written", LogError, file=str(path)):
        with rc_context(STYLE):
            figure.savefig(partial, format=path.suffix[1:].lower(), dpi=180, metadata=metadata)
        partial.replace(path)


def as_png(figure: Any, dots_per_inch: int) -> bytes:
    """Return a figure as PNG."""
    made = BytesIO()
    as_pixels(figure, dots_per_inch).save(made, format="png")
    return made.getvalue()


def as_pixels(figure: Any, dots_per_inch: int) -> Any:
    """Return a figure as a picture in memory (PIL, red, green, blue)."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    with rc_context(STYLE):
        figure.set_dpi(dots_per_inch)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()  # type: ignore[no-untyped-call]
    shown = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    return Image.fromarray(shown).convert("RGB")


def pareto_figure(
    bars: Sequence[Bar], title: str, note: str, counted: str, beside: str, axis: str = "", *, adds_up: bool = True
) -> Any:
    """Draw a Pareto: bars from the largest, cumulative line, the other count thin beside.

    Parameters
    ----------
    bars : sequence of Bar
        Largest first; beyond 24 the rest is one bar.
    title, note : str
        Above; period, filters and n below.
    counted, beside : str
        What the two bars count; an empty `beside` for one bar alone.
    axis : str
        Under the axis, if not `counted`.
    adds_up : bool
        Whether values can be added; rates cannot, and have no cumulative line.

    Returns
    -------
    matplotlib figure
    """
    shown = _with_rest(bars) if adds_up else list(bars[:_MOST_BARS])
    with _drawing(1.6 + 0.27 * max(len(shown), 3)) as (figure, axes):
        rows = np.arange(len(shown))
        most = max([_end(bar) for bar in shown if not bar.rest], default=1) or 1
        for row, bar in zip(rows, shown, strict=True):
            _draw_bar(axes, int(row), bar, most)
        axes.set_xlim(0, most * 1.45)
        axes.set_yticks(rows, [bar.label for bar in shown], color=INK)
        axes.set_ylim(len(shown) - 0.4 if shown else 1, -0.6)
        axes.set_xlabel(axis or counted)
        if adds_up:
            _cumulative(axes, [bar.cumulative for bar in shown])
        _titled(figure, f"{title}\n" if beside else title, note)
        if beside:
            _legend(figure, [(FILL, counted), (SECOND, beside)])
        return figure


def _end(bar: Bar) -> float:
    return max(bar.value, bar.beside, bar.high or 0)


def _draw_bar(axes: Any, row: int, bar: Bar, most: float) -> None:
    cut = most * 1.2  # where the bar of the rest ends at the latest
    value, beside = (min(bar.value, cut), min(bar.beside, cut)) if bar.rest else (bar.value, bar.beside)
    fill = "white" if bar.unknown else SECOND if bar.rest else FILL
    axes.barh(row - 0.13, value, 0.5, color=fill, edgecolor=FILL, hatch="////" if bar.unknown else None, linewidth=0.8)
    axes.barh(row + 0.25, beside, 0.18, color=SECOND, edgecolor=FAINT, linewidth=0.5)
    if bar.rest and bar.value > cut:
        axes.plot([cut * 0.975, cut * 0.965], [row - 0.5, row + 0.24], color="white", linewidth=3)
    if bar.low is not None and bar.high is not None:
        axes.plot([bar.low, bar.high], [row - 0.13] * 2, color=INK, linewidth=0.9, marker="|", markersize=5)
    end = max(value, beside, bar.high or 0)
    axes.text(end + most * 0.015, row - 0.05, _number(bar.value), va="center", fontsize=8, in_layout=False)


def _cumulative(axes: Any, shares: Sequence[float]) -> None:
    over = axes.twiny()
    over.plot(shares, np.arange(len(shares)), color=MARK, linewidth=1.1, marker="o", markersize=3.2)
    over.set_xlim(0, 1.04)
    over.set_xticks([0, 0.2, 0.4, 0.6, 0.8, 1.0], ["0 %", "20 %", "40 %", "60 %", "80 %", "100 %"])
    over.spines["top"].set_visible(True)
    over.set_xlabel(words("figure.cumulative"), fontsize=7.5)
    over.axvline(0.8, color=LINE, linewidth=0.8, zorder=0)


def _with_rest(bars: Sequence[Bar]) -> list[Bar]:
    if len(bars) <= _MOST_BARS:
        return list(bars)
    first, rest = list(bars[: _MOST_BARS - 1]), bars[_MOST_BARS - 1 :]
    told = words("figure.rest", n=len(rest))
    return [*first, Bar(told, sum(bar.value for bar in rest), sum(bar.beside for bar in rest), 1.0, rest=True)]


def _legend(figure: Any, entries: Sequence[tuple[str, str]]) -> None:
    from matplotlib.patches import Patch

    handles = [Patch(facecolor=colour, edgecolor=FILL, label=label) for colour, label in entries]
    below_title = 1 - 0.19 / figure.get_figheight()  # the second line, which `_titled` leaves free
    figure.legend(handles=handles, loc="upper right", bbox_to_anchor=(1.0, below_title), frameon=False, fontsize=7.5,
                  ncols=len(handles), borderaxespad=0.2)  # fmt: skip


def _number(value: float) -> str:
    if value >= 1000:
        return f"{value:,.0f}".replace(",", "\u2009")
    return f"{value:.0f}" if value == round(value) else f"{value:.3g}"


def chart_figure(chart: Chart, labels: Sequence[str], title: str, note: str, value: str, *, percent: bool) -> Any:
    """Draw a control chart; points beyond a limit are squares with their label.

    Parameters
    ----------
    chart : Chart
        The chart.
    labels : sequence of str
        Of the points.
    value : str
        What is plotted.
    percent : bool
        Whether the values are shares.
    """
    with _drawing(3.1) as (figure, axes):
        at, factor = np.arange(len(labels)), 100.0 if percent else 1.0
        axes.fill_between(at, chart.low * factor, chart.high * factor, step="mid", color="#f1f3f5", zorder=0)
        for limit in (chart.low, chart.high):
            axes.step(at, limit * factor, where="mid", color=FAINT, linewidth=0.9, linestyle="--")
        axes.plot(at, chart.centre * factor, color=SOFT, linewidth=0.9)
        axes.plot(at, chart.values * factor, color=FILL, linewidth=1.0, marker="o", markersize=3)
        out = np.flatnonzero(chart.out).tolist()
        axes.plot(at[out], chart.values[out] * factor, linestyle="", marker="s", markersize=6.5, markerfacecolor="none",
                  markeredgecolor=MARK, markeredgewidth=1.4)  # fmt: skip
        begins = [point for point, before in zip(out, [-9, *out], strict=False) if point - before > 1]
        apart, named = len(labels) / 14, list[int]()  # names nearer to each other than this would overlap
        for point in begins:
            if not named or point - named[-1] >= apart:
                named.append(point)
        for point in named:
            axes.annotate(labels[point], (at[point], chart.values[point] * factor), xytext=(0, 7), fontsize=7,
                          textcoords="offset points", ha="center", color=MARK)  # fmt: skip
        _sparse_labels(axes, labels)
        axes.set_ylabel(f"{value} [%]" if percent else value)
        axes.margins(x=0.02)
        if float(np.min(chart.values, initial=0.0)) >= 0:
            axes.set_ylim(bottom=0.0)
        _titled(figure, title, note)
        return figure


def _sparse_labels(axes: Any, labels: Sequence[str]) -> None:
    step = max(1, -(-len(labels) // 9))
    shown = range(0, len(labels), step)
    axes.set_xticks(list(shown), [labels[index] for index in shown])


def map_figure(table: FloatArray, rows: Sequence[str], title: str, note: str, marked: tuple[int, int] | None) -> Any:
    """Draw flags by lane and position from the leading end, the darker the more.

    Parameters
    ----------
    table : ndarray, shape (lanes, positions)
        Counts.
    rows : sequence of str
        Lanes.
    marked : (int, int) or None
        Lane and position (from 0; -1 for all) to frame.
    """
    from matplotlib.patches import Rectangle

    with _drawing(1.5 + 0.26 * max(len(rows), 3)) as (figure, axes):
        shown = table if table.size else np.zeros((max(len(rows), 1), 1))
        axes.imshow(shown, cmap="Greys", aspect="auto", vmin=0, vmax=max(float(shown.max()), 1.0) * 1.15)
        for row, column in np.ndindex(*shown.shape):
            dark = shown[row, column] > 0.6 * shown.max()
            axes.text(column, row, _number(float(shown[row, column])), ha="center", va="center", fontsize=7,
                      color="white" if dark else INK, in_layout=False)  # fmt: skip
        if marked is not None:
            row, column = marked
            x, width = (-0.5, shown.shape[1]) if column < 0 else (column - 0.5, 1)
            axes.add_patch(Rectangle((x, row - 0.5), width, 1, fill=False, edgecolor=MARK, linewidth=2))
        axes.set_yticks(range(len(rows)), rows, color=INK)
        axes.set_xticks(range(shown.shape[1]), [str(column + 1) for column in range(shown.shape[1])])
        axes.set_xlabel(words("figure.position"))
        axes.tick_params(length=0)
        for side in ("left", "bottom"):
            axes.spines[side].set_visible(False)
        _titled(figure, title, note)
        return figure


def place_figure(
    places: FloatArray,
    cluster: tuple[float, float, float] | None,
    title: str,
    note: str,
    position: tuple[int, int] | None = None,
) -> Any:
    """Draw places of flags in the cell as the lane sees it, feed direction upwards.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Along and across the lane, 0..1; along 0 leaves the stringer first.
    cluster : (along, across, radius) or None
        Circle to draw.
    position : (int, int), optional
        Which cell from the leading end (0 for any), and of how many: the string is drawn beside the cell.
    """
    from matplotlib.patches import Circle, Rectangle

    with _drawing(3.6) as (figure, axes):
        axes.add_patch(Rectangle((0, 0), 1, 1, facecolor="#f4f5f6", edgecolor=SOFT, linewidth=1.2))
        for third in (1 / 3, 2 / 3):
            axes.plot([third, third], [0, 1], color=LINE, linewidth=0.7)
            axes.plot([0, 1], [third, third], color=LINE, linewidth=0.7)
        if len(places):
            axes.plot(places[:, 1], 1 - places[:, 0], linestyle="", marker="x", markersize=5, color=FILL)
        if cluster is not None:
            along, across, radius = cluster
            axes.add_patch(Circle((across, 1 - along), radius, fill=False, edgecolor=MARK, linewidth=1.6))
        left = -0.09 if position is None else -0.62
        if position is not None:
            _string_beside(axes, *position)
        axes.annotate(
            "", xy=(left, 0.95), xytext=(left, 0.05), arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.6}
        )
        axes.text(left - 0.05, 0.5, words("figure.feed"), rotation=90, ha="center", va="center", fontsize=8)
        axes.text(0.5, 1.04, words("figure.leaves_first"), ha="center", va="bottom", fontsize=7.5, color=SOFT)
        axes.set(xlim=(left - 0.13, 1.06), ylim=(-0.06, 1.14), aspect="equal")
        axes.axis("off")
        _titled(figure, title, note)
        return figure


def _string_beside(axes: Any, position: int, cells: int) -> None:
    """Draw the string as it leaves the stringer, the cell in question dark, and lines from it to the large cell."""
    from matplotlib.patches import Rectangle

    height = 1.0 / cells
    for cell in range(1, cells + 1):
        own = cell == position
        bottom = 1 - cell * height
        face = MARK if own else "#f4f5f6"
        axes.add_patch(
            Rectangle((-0.42, bottom + 0.1 * height), 0.12, 0.8 * height, facecolor=face, edgecolor=SOFT, linewidth=0.8)
        )
        if own or cell in (1, cells):
            weight = "bold" if own else "normal"
            axes.text(-0.45, bottom + height / 2, str(cell), ha="right", va="center", fontsize=7.5, fontweight=weight)
        if own:
            for high, at in ((bottom + 0.9 * height, 1.0), (bottom + 0.1 * height, 0.0)):
                axes.plot([-0.3, 0.0], [high, at], color=SOFT, linewidth=0.8, linestyle=(0, (3, 2)))
    axes.text(-0.36, 1.04, words("figure.string"), ha="center", va="bottom", fontsize=7.5, color=SOFT)


def crops_figure(crops: Sequence[tuple[str, NDArray[np.uint8]]], title: str, note: str) -> Any:
    """Draw pictures of cells in rows of four, each with its caption."""
    rows = -(-len(crops) // 4)
    with _drawing(0.6 + 1.9 * rows, nrows=rows, ncols=4, squeeze=False) as (figure, axes):
        for place in axes.flat:
            place.axis("off")
        for place, (caption, crop) in zip(axes.flat, crops, strict=False):
            place.imshow(crop, cmap="gray", vmin=0, vmax=255)
            place.set_title(caption, fontsize=7.5, color=INK)
        _titled(figure, title, note)
        return figure


def timeline_figure(
    flagged: FloatArray, made: FloatArray, days: Sequence[str], onset: tuple[int, int] | None, title: str, note: str
) -> Any:
    """Draw the share of flagged strings of a machine day by day, with the interval of its onset.

    Parameters
    ----------
    flagged, made : ndarray, shape (days,)
        Strings.
    onset : (int, int) or None
        First and last day of the interval.
    """
    with _drawing(2.3) as (figure, axes):
        at = np.arange(len(days))
        share = np.divide(flagged, made, out=np.zeros(len(days)), where=made > 0)
        axes.bar(at, 100 * share, 0.8, color=FILL)
        if onset is not None:
            axes.axvspan(onset[0] - 0.5, onset[1] + 0.5, facecolor="none", edgecolor=MARK, hatch="//", linewidth=0.9)
        _sparse_labels(axes, days)
        axes.set_ylabel(words("figure.flagged_strings"))
        _titled(figure, title, note)
        return figure
