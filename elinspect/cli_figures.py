"""Commands about what the log tells: Pareto, commonality, charts, containment, reports, export. Wiring only."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, in_words, log_place, out, progress_bar
from elinspect.errors import told_as
from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.pareto import CountOf, GroupBy, Measure

if TYPE_CHECKING:
    from elinspect.operations.commonality import Commonality
    from elinspect.operations.pareto import ParetoTable

figures_app = typer.Typer()

PurposeOption = Annotated[Purpose, typer.Option(help="Only panels of this purpose.")]
StageOption = Annotated[Stage, typer.Option(help="Only pictures of this stage.")]
SinceOption = Annotated[str | None, typer.Option(help="First day.", metavar="YYYY-MM-DD")]
UntilOption = Annotated[str | None, typer.Option(help="Last day.", metavar="YYYY-MM-DD")]
KindOption = Annotated[list[Kind] | None, typer.Option("--kind", help="Only this kind of flag; may be repeated.")]
ProductOption = Annotated[str | None, typer.Option(help="Only this product, as the log names it.")]
OutOption = Annotated[list[Path] | None, typer.Option("--out", help="Also write a file.", metavar="FILE")]


def _day(value: str | None) -> str | None:
    from datetime import date

    try:
        return date.fromisoformat(value).isoformat() if value is not None else None
    except ValueError as error:
        raise typer.BadParameter(f"'{value}' is no day such as 2031-03-04") from error


@figures_app.command()
@in_words
def pareto(
    log: LogOption = None,
    by: Annotated[GroupBy, typer.Option(help="What the lines are.")] = GroupBy.KIND,
    count: Annotated[
        CountOf, typer.Option(help="Count what inspectors confirmed or what was proposed.")
    ] = CountOf.CONFIRMED,
    purpose: PurposeOption = Purpose.PRODUCTION,
    stage: StageOption = Stage.BEFORE_LAMINATION,
    measure: Annotated[Measure, typer.Option(help="What lines are ordered by.")] = Measure.CELLS,
    weights: Annotated[
        Path | None, typer.Option(help="The plant's watts or cost of a flagged cell, per kind (TOML).", metavar="FILE")
    ] = None,
    kind: Annotated[Kind | None, typer.Option(help="Only cells of this primary kind.")] = None,
    product: ProductOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    against: Annotated[
        tuple[str, str] | None, typer.Option(help="First and last day of a period to compare with.", metavar="DAY DAY")
    ] = None,
    csv: Annotated[Path | None, typer.Option(help="Also write the table here.", metavar="FILE")] = None,
    files: OutOption = None,
) -> None:
    """Show the defect Pareto: one primary kind per cell.

    Files are written by the end of their name: .csv, .xlsx, .parquet as a table, .png, .svg, .pdf as a figure.
    """
    if measure in (Measure.WATTS, Measure.COST) and weights is None:
        raise typer.BadParameter("watts and cost need the plant's figures", param_hint="--weights")
    period = (_day(since), _day(until))
    other = (str(_day(against[0])), str(_day(against[1]))) if against is not None else None

    from elinspect.operations.figure_files import read_weights, write_pareto
    from elinspect.operations.pareto import pareto as count_flags
    from elinspect.store.log import open_log

    given = read_weights(weights, measure) if weights is not None else None
    with open_log(log_place(log), new=False) as opened:
        table = count_flags(
            opened,
            by,
            purpose,
            count=count,
            stage=stage,
            kind=kind,
            product=product,
            since=period[0],
            until=period[1],
            measure=measure,
            weights=given,
            earlier=other,
        )
    show_pareto(table)
    for path in [*([csv] if csv is not None else []), *(files or [])]:
        write_pareto(table, path)
        out.print(words("command.written", file=str(path)), markup=False)


def show_pareto(pareto_table: "ParetoTable") -> None:
    """Print a Pareto as a table."""
    title = words(
        "command.pareto_title",
        by=pareto_table.header[0],
        purpose=words(f"purpose.{pareto_table.purpose}"),
        cells=pareto_table.cells_inspected,
    )
    if not pareto_table.rows:
        out.print(title, markup=False)
        out.print(words("command.pareto_empty"), markup=False)
        return
    shares = {words("pareto.share"), words("pareto.cumulative_share")}
    table = Table(title=title, title_justify="left")
    for number, name in enumerate(pareto_table.header):
        table.add_column(name, justify="right" if number else "left")
    for row in pareto_table.rows:
        values = zip(pareto_table.header, pareto_table.values(row), strict=True)
        table.add_row(*(_shown(value, percent=name in shares) for name, value in values))
    out.print(table)


def _shown(value: str | float | int | None, *, percent: bool = False) -> str:
    if value is None:
        return ""
    if percent and not isinstance(value, str):
        return f"{value:.1%}"
    return f"{value:,.1f}".replace(",", " ") if isinstance(value, float) else str(value)


@figures_app.command()
@in_words
def commonality(
    log: LogOption = None,
    kind: KindOption = None,
    purpose: PurposeOption = Purpose.PRODUCTION,
    stage: StageOption = Stage.BEFORE_LAMINATION,
    since: SinceOption = None,
    until: UntilOption = None,
    product: ProductOption = None,
    proposed: Annotated[bool, typer.Option("--proposed", help="Count what the machine flagged.")] = False,
    once: Annotated[
        bool, typer.Option("--once", help="This is the one reading of the period, not one of every day's.")
    ] = False,
    files: OutOption = None,
) -> None:
    """Search for what flags have in common: stringer, lane, position, place in the cell, lot; since when.

    Without a period the newest four weeks are searched. An accusation is false in at most 1 of 100 such periods. Files
    by the end of their name: .json, .pdf.
    """
    period = (_day(since), _day(until))
    from elinspect.operations.commonality import as_messages
    from elinspect.operations.commonality import commonality as search
    from elinspect.operations.commonality_files import write_commonality
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        found = search(
            opened,
            kind or (),
            purpose,
            stage=stage,
            since=period[0],
            until=period[1],
            product=product,
            decided=not proposed,
            daily=not once,
        )
        for number, message in enumerate(as_messages(found)):
            out.print(message.text, style="bold" if number == 0 else None, markup=False)
        _show_lanes(found)
        for path in files or []:
            write_commonality(opened, found, path)
            out.print(words("command.written", file=str(path)), markup=False)


def _show_lanes(found: "Commonality") -> None:
    if not found.lanes:
        return
    table = Table(title=words("commonality.lanes"), title_justify="left")
    names = ("lane", "flagged", "cells", "rate", "interval")
    for number, name in enumerate(names):
        table.add_column(words(f"column.{name}"), justify="right" if number else "left")
    for lane in found.lanes:
        interval = f"{lane.low:.3%} – {lane.high:.3%}"
        figures = (str(lane.flagged), str(lane.cells), f"{lane.rate:.3%}", interval)
        table.add_row(f"{lane.stringer} / {lane.lane}", *figures)
    out.print(table)


def simulate_plant(folder: Path, log: str | None, days: int, panels_per_day: int, seed: int) -> None:
    """Let the troubled plant run and say where its log and its truth are."""
    from elinspect.operations.simulating import simulate_into_log
    from elinspect.store.log import open_log
    from elinspect.synthetic.troubled_plant import troubled_plant

    with told_as("command.no_folder", folder=str(folder)):
        folder.mkdir(parents=True, exist_ok=True)
    place, truth = log or str(folder / "plant.sqlite"), folder / "plant.truth.json"
    plant = troubled_plant(days, panels_per_day)
    with open_log(place) as opened, progress_bar() as progress:
        bar = progress.add_task(words("command.simulating"), total=100)
        panels = simulate_into_log(
            opened, plant, days, seed, truth, lambda share: progress.update(bar, completed=round(100 * share))
        )
    out.print(words("command.plant_simulated", n=panels, log=place, truth=str(truth)), markup=False)
