"""A chart of what the classifier's threshold costs."""

from collections.abc import Sequence
from pathlib import Path

from elinspect.catalogue import words
from elinspect.errors import told_as
from elinspect.statistics.working_point import PointCost

_SHOWN = 3.0
"""The axis ends at so many times what showing every flag, or the point in force, costs."""


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
    wasted = [point.looking + point.false_rework for point in points]
    axes.plot(at, [point.cost for point in points], "o-", color="0.1", markersize=4, label=words("model.chart_cost"))
    axes.plot(at, wasted, "--", color="0.5", label=words("model.chart_false"))
    axes.plot(at, [point.escapes for point in points], "-.", color="0.5", label=words("model.chart_escapes"))
    for point, dots, code in (
        (in_force, (0, (1, 1)), "model.chart_in_force"),
        (cheapest, (0, (1, 4)), "model.chart_cheapest"),
    ):
        axes.axvline(point.threshold, color="0.3", linestyle=dots, label=words(code, threshold=point.threshold))
    # Escapes soon cost so much that the choice could not be seen: what lies far above it is cut off.
    axes.set_ylim(0, _SHOWN * max(points[0].cost, in_force.cost, cheapest.cost) or None)
    axes.set_xlabel(words("model.chart_threshold"))
    axes.set_ylabel(axis)
    figure.legend(loc="outside upper center", ncols=2, frameon=False)
    with told_as("command.not_written", file=str(path)):
        figure.savefig(path, dpi=150)
