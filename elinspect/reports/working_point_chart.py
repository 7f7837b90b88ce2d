"""A chart of what the classifier's threshold costs."""

from collections.abc import Sequence
from pathlib import Path

from elinspect.catalogue import words
from elinspect.errors import told_as
from elinspect.statistics.working_point import PointCost


def write_cost_chart(
    path: Path, points: Sequence[PointCost], in_force: PointCost, cheapest: PointCost, axis: str
) -> None:
    """Draw costs over the threshold, with the point in force and the cheapest one; prints in grey.

    Parameters
    ----------
    path : Path
        PNG, SVG or PDF by its ending.
    points : sequence of PointCost
        The curve.
    in_force, cheapest : PointCost
        Marked.
    axis : str
        Label of the costs: on what they rest, and their currency.

    Raises
    ------
    ElinspectError
        If the file cannot be written.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 4.2), layout="constrained")
    axes = figure.add_subplot()
    at = [point.threshold for point in points]
    (cost,) = axes.plot(at, [point.cost for point in points], color="0.1", marker="o", markersize=4)
    cost.set_label(words("model.chart_cost"))
    for point, style, code in (
        (in_force, "--", "model.chart_in_force"), (cheapest, ":", "model.chart_cheapest")
    ):  # fmt: skip
        axes.axvline(point.threshold, color="0.4", linestyle=style, label=words(code, threshold=point.threshold))
    counts = axes.twinx()
    (escaped,) = counts.plot(at, [point.escaped for point in points], color="0.55", linestyle="-.")
    escaped.set_label(words("model.chart_escaped"))
    counts.set_ylabel(words("model.chart_escaped"))
    counts.set_ylim(bottom=0)
    axes.set_ylim(bottom=0)
    axes.set_xlabel(words("model.chart_threshold"))
    axes.set_ylabel(axis)
    figure.legend(loc="outside upper center", ncols=2, frameon=False)
    with told_as("command.not_written", file=str(path)):
        figure.savefig(path, dpi=150)
