"""Commands about the classifier: wiring only."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, in_words, log_place, out, progress_bar
from elinspect.records import Kind

if TYPE_CHECKING:
    from elinspect.operations.model_evaluation import EvaluationTable

model_app = typer.Typer(no_args_is_help=True, help="Make, measure and adapt the classifier.")

_STAGES = {
    "draw": "command.model_drawing",
    "train": "command.model_training",
    "heads": "command.model_fitting",
    "check": "command.model_checking",
}


@model_app.command()
@in_words
def train(
    folder: Annotated[Path, typer.Option("--out", help="Folder for the network and its card.", metavar="DIR")],
    panels: Annotated[int, typer.Option(help="Simulated panels of 24 cells to train on.", min=2)] = 4000,
    steps: Annotated[int, typer.Option(help="Batches to train, for each network.", min=1)] = 9000,
    teachers: Annotated[
        int, typer.Option(help="Networks trained first, from which the one that is written also learns.", min=0, max=8)
    ] = 2,
    further: Annotated[int, typer.Option(help="Further panels for the heads, and as many to measure.", min=2)] = 160,
    seed: Annotated[int, typer.Option(help="The same seed draws the same cells.", min=0)] = 1,
    workers: Annotated[int, typer.Option(help="Processes that draw panels.", min=1, max=256)] = 2,
    version: Annotated[str, typer.Option(help="Version of the model.")] = "1",
    drawn: Annotated[
        Path | None, typer.Option(help="Keep drawn cells here and go on from them.", metavar="DIR")
    ] = None,
    network: Annotated[
        Path | None, typer.Option(help="Do not train: fit the heads of this network (.onnx) anew.", metavar="FILE")
    ] = None,
) -> None:
    """Train the classifier on simulated cells only and write it with its card; needs elinspect[train]."""
    from elinspect.operations.model_making import MakingSettings, make_model

    settings = MakingSettings(panels, further, further, steps, seed, workers, version, drawn, network, teachers)
    with progress_bar() as progress:
        bars = {stage: progress.add_task(words(code), total=None, start=False) for stage, code in _STAGES.items()}

        def tell(stage: str, done: int, total: int) -> None:
            progress.start_task(bars[stage])
            progress.update(bars[stage], completed=done, total=total)

        card = make_model(folder, settings, tell)
    out.print(words("command.written", file=str(card)), markup=False)


ModelsOption = Annotated[
    Path | None,
    typer.Option("--models", help="Folder of the station's models; this user's if left out.", metavar="DIR"),
]
ModelChoice = Annotated[str | None, typer.Option("--model", help="Model card; the one in force if left out.")]


class Cells(StrEnum):
    """Which real cells judge a model."""

    TUNING = "tuning"
    CHECK = "check"
    FREE = "free"
    ALL = "all"


def _folder(models: Path | None) -> Path:
    from elinspect.operations.site_models import site_folder

    return models or site_folder()


@model_app.command()
@in_words
def evaluate(
    model: ModelChoice = None,
    cells: Annotated[
        Cells,
        typer.Option(help="Half of the free panels, all free ones, or all: the reserved ones only once per release."),
    ] = Cells.CHECK,
    seed: Annotated[int, typer.Option(help="Of splits and intervals.", min=0)] = 0,
) -> None:
    """Measure the classifier on real cells it never learnt from (open data set, for evaluation only)."""
    from elinspect.errors import ModelFileError
    from elinspect.operations.model_evaluation import evaluate as figures_of
    from elinspect.operations.model_evaluation import judge_open_cells, reserved_among
    from elinspect.operations.open_cells import check_half, open_panels, tuning_half
    from elinspect.operations.site_models import open_model
    from elinspect.records import NoModel

    loaded = open_model(model)
    if isinstance(loaded, NoModel):
        raise ModelFileError(loaded.reason.code, **loaded.reason.values)
    panels = open_panels(with_reserved=cells is Cells.ALL)
    panels = {Cells.CHECK: check_half, Cells.TUNING: tuning_half}.get(cells, lambda every: every)(panels)
    with progress_bar() as progress:
        bar = progress.add_task(words("command.model_judging"), total=len(panels))
        judged = judge_open_cells(loaded, panels, lambda: progress.advance(bar))
    for which, group in ((cells.value, judged), ("reserved", reserved_among(judged, panels))):
        for table in figures_of(group, seed) if group is not None else ():
            _show_evaluation(table, words(f"evaluate.cells_{which}"), loaded.card.label)
    out.print(words("evaluate.protocols"), markup=False)
    out.print(words("evaluate.data"), markup=False)


def _show_evaluation(found: "EvaluationTable", which: str, label: str) -> None:
    title = words(
        "evaluate.title", which=which, wafer=found.wafer.value if found.wafer is not None else words("evaluate.all"),
        cells=found.cells, defective=found.defective, panels=found.panels, model=label,
    )  # fmt: skip
    table = Table(title=title, title_justify="left")
    for number, name in enumerate(words("evaluate.columns").split("|")):
        table.add_column(name, justify="right" if number else "left")
    for figure in found.figures:
        numbers = ((figure.value, figure.interval), (figure.mean, figure.spread))
        cells = [text for value, (low, high) in numbers for text in (f"{value:.3f}", f"{low:.3f} – {high:.3f}")]
        table.add_row(words(f"evaluate.{figure.name}"), *cells)
    out.print(table)


@model_app.command()
@in_words
def adapt(
    log: LogOption = None,
    models: ModelsOption = None,
    seed: Annotated[int, typer.Option(help="Of the intervals.", min=0)] = 0,
) -> None:
    """Learn from what inspectors confirmed and dismissed; installed only if better on panels held out."""
    from elinspect.operations.adapting import adapt as run
    from elinspect.operations.adapting import told
    from elinspect.store.log import open_log

    with open_log(log_place(log)) as opened:
        for message in told(run(opened, _folder(models), seed)):
            out.print(message.text, markup=False)


@model_app.command("list")
@in_words
def list_models(models: ModelsOption = None) -> None:
    """Show the shipped model and every version installed here; * is in force."""
    from elinspect.operations.site_models import installed

    for each in installed(_folder(models)):
        code = "model.listed_problem" if each.problem else "model.listed"
        values = {"mark": "*" if each.in_force else " ", "file": each.file, "label": each.label}
        out.print(words(code, problem=each.problem, **values), markup=False)


@model_app.command()
@in_words
def use(
    card: Annotated[str, typer.Argument(help="File name from 'elinspect model list', or 'shipped'.")],
    models: ModelsOption = None,
) -> None:
    """Put an installed model in force; also the way back to an earlier one."""
    from elinspect.operations.site_models import put_in_force

    put_in_force(_folder(models), card)
    out.print(words("model.now_in_force", file=card), markup=False)


@model_app.command("working-point")
@in_words
def working_point(
    costs: Annotated[Path, typer.Option(help="The plant's costs (TOML).", metavar="FILE")],
    kind: Annotated[Kind, typer.Option(help="Kind of flag; each has its own threshold.", metavar="KIND")] = Kind.CRACK,
    log: LogOption = None,
    models: ModelsOption = None,
    chart: Annotated[Path | None, typer.Option(help="Also draw it (PNG, SVG, PDF).", metavar="FILE")] = None,
    threshold: Annotated[
        float | None, typer.Option("--set", help="Install this working point as a new version.", min=0.0, max=1.0)
    ] = None,
) -> None:
    """Show what the classifier's threshold costs in money, on the answered flags of the log; changes nothing itself."""
    from elinspect.operations.working_points import read_costs, set_working_point, told_costs, working_points
    from elinspect.reports.working_point_chart import write_cost_chart
    from elinspect.store.log import open_log

    sheet = read_costs(costs)
    with open_log(log_place(log)) as opened:
        points = working_points(opened, _folder(models), sheet, kind)
    title = words(
        "model.points_title", kind=kind.value, flags=points.flags, panels=points.panels, currency=points.currency
    )
    table = Table(title=title, title_justify="left")
    for name in words("model.points_columns").split("|"):
        table.add_column(name, justify="right")
    for point in points.points:
        counts = (str(point.kept_true), str(point.kept_false), str(point.escaped))
        money = (point.looking, point.false_rework, point.escapes, point.cost)
        table.add_row(f"{point.threshold:g}", *counts, *(f"{cost:.0f}" for cost in money))
    out.print(table)
    for message in (*points.notes, *told_costs(points)):
        out.print(message.text, markup=False)
    best = points.cheapest
    values = {"best": best.threshold, "best_cost": best.cost}
    now = points.in_force
    out.print(words("model.point_in_force", threshold=now.threshold, cost=now.cost, **values), markup=False)
    if chart is not None:
        axis = words("model.chart_axis", kind=kind.value, flags=points.flags, currency=points.currency)
        write_cost_chart(chart, points.points, now, best, axis)
        out.print(words("command.written", file=str(chart)), markup=False)
    if threshold is None:
        out.print(words("model.point_unchanged"), markup=False)
    else:
        installed = set_working_point(_folder(models), kind, threshold)
        out.print(words("model.now_in_force", file=installed.name), markup=False)
